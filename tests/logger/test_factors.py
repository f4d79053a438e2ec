"""How a neck is fretted, noted with the session, for the lessons over all sessions."""

from pathlib import Path

import pytest

from logger.begin import new_session
from logger.errors import InputFileError
from logger.factors import FACTORS, factors_of, keep_factors, parse_factors
from logger.instrument import parse_instrument
from logger.store import InstrumentRevision, InstrumentRow, SessionFactor, Store

NECK = parse_instrument('name = "n"\nscale_mm = 645\nfrets = 20\n[wire]\nlot = "7"\n', where="test")


@pytest.fixture
def session(path: Path) -> tuple[Store, str]:
    store = Store.create(path)
    store.put(InstrumentRow(id="i", created_at_ns=0, description=""))
    store.put(InstrumentRevision(instrument="i", revision=1, at_ns=0, name="n", description=NECK.source))
    row = new_session(instrument="i")
    store.put(row)
    yield store, row.id
    store.close()


@pytest.fixture
def path(tmp_path: Path) -> Path:
    return tmp_path / "bench.db"


def test_what_is_noted_stands_beside_what_the_instrument_says(session: tuple[Store, str]):
    store, name = session
    keep_factors(store, name, parse_factors(["seating=pressed", "caul=280 mm = smaller"]))
    with store.reader() as reader:
        found = factors_of(NECK, reader.factors(name))

    assert found == {"lot": "7", "seating": "pressed", "caul": "280 mm = smaller"}


def test_the_newest_holds_and_an_empty_one_takes_back(session: tuple[Store, str]):
    store, name = session
    for texts in (["seating=hammered"], ["seating=pressed"], ["seating=pressed"]):
        keep_factors(store, name, parse_factors(texts))
    with store.reader() as reader:
        rows = reader.factors(name)

    assert factors_of(NECK, rows) == {"seating": "pressed", "lot": "7"}
    assert [(one.name, one.value) for one in rows] == [("seating", "hammered"), ("seating", "pressed")]
    keep_factors(store, name, {"seating": ""})
    with store.reader() as reader:
        assert factors_of(NECK, reader.factors(name)) == {"lot": "7"}


def test_an_empty_factor_takes_back_what_the_instrument_says():
    row = SessionFactor(session="s", number=0, at_ns=0, name="lot", value="")

    assert factors_of(NECK, [row]) == {}


@pytest.mark.parametrize(
    ("texts", "words"),
    [
        pytest.param(["glue="], "--factor glue= must say what it is, got nothing", id="empty"),
        pytest.param(["glue=  "], "--factor glue= must say what it is, got nothing", id="blank"),
        pytest.param(["glue=hide", "glue=none"], "--factor glue must be given once, got 'hide' and 'none'", id="twice"),
        pytest.param(["glue=hide", "glue=hide"], "--factor glue must be given once", id="twice the same"),
    ],
)
def test_a_factor_that_says_nothing_or_too_much_is_refused(texts: list[str], words: str):
    with pytest.raises(InputFileError, match=f"^{words}"):
        parse_factors(texts)


@pytest.mark.parametrize("text", ["seating", "=pressed", "colour=red", "glue=" + "x" * 201, "glue=a\nb"])
def test_what_is_no_factor_is_refused_in_one_line(text: str):
    with pytest.raises(InputFileError, match=r"^--factor must be NAME=WHAT, like seating=pressed") as caught:
        parse_factors([text])

    assert all(name in str(caught.value) for name in FACTORS)
