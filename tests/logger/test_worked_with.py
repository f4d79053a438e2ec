"""What a neck is worked with, told on a page: kept as the command keeps it, shown with what the store knows of it."""

from collections.abc import Iterator
from pathlib import Path
from typing import Any

import pypdfium2
import pytest

from logger.begin import default_gauges
from logger.bench import Bench
from logger.instrument import parse_instrument
from logger.limits import default_limits
from logger.sheet_pdf import sheet_pdf
from logger.store import Store

NECK = parse_instrument(
    'name = "n"\nkind = "bass"\nscale_mm = 864\nfrets = 5\n[wire]\nname = "medium"\nlot = "7"\npiece_mm = 1500\n',
    where="test",
)


@pytest.fixture
def store(tmp_path: Path) -> Iterator[Store]:
    with Store.create(tmp_path / "s.db") as one:
        yield one


def sit(store: Store) -> Bench:
    """Begin a sitting of its own."""
    return Bench(store, NECK, default_limits("bass"), specs=default_gauges(), resume=False)


@pytest.fixture
def bench(store: Store) -> Iterator[Bench]:
    one = sit(store)
    one.start()
    yield one
    one.stop(reason="test over")


def tell(bench: Bench, action: str = "a", **factors: Any) -> Any:
    return bench.door.act(action, {"do": "factors", "factors": factors})


def now(bench: Bench) -> dict[str, tuple[str, str]]:
    told = bench.door.ask("session", {})["worked_with"]
    return {one["name"]: (one["value"], one["from"]) for one in told["now"] if one["from"]}


def test_what_is_told_is_kept_once_and_shown_in_fit_and_in_the_record(bench: Bench) -> None:
    assert now(bench) == {"wire": ("medium", "file"), "lot": ("7", "file")}
    assert tell(bench, wire=" narrow, tall ", blade="no. 3", lot="7").done
    assert tell(bench, "b", blade="no. 3").done

    assert now(bench) == {"wire": ("narrow, tall", "bench"), "lot": ("7", "file"), "blade": ("no. 3", "bench")}
    record = bench.door.ask("record", {})
    assert record["instrument"]["wire"] == "narrow, tall"
    assert [(one["words"], one["value"]) for one in record["worked_with"]] == [
        ("wire", "narrow, tall"), ("wire lot", "7"), ("blade", "no. 3"),
    ]  # fmt: skip
    with bench.store.reader() as reader:
        kept = [(one.name, one.value) for one in reader.factors(bench.session)]
    assert kept == [("wire", "narrow, tall"), ("blade", "no. 3")]


def test_an_empty_text_takes_back_what_was_told_and_what_the_file_says(bench: Bench) -> None:
    assert tell(bench, blade="no. 3").done
    assert tell(bench, "b", blade="", lot="").done

    assert now(bench) == {"wire": ("medium", "file"), "blade": ("", "bench"), "lot": ("", "bench")}
    assert [one["name"] for one in bench.door.ask("record", {})["worked_with"]] == ["wire"]


def test_views_are_told_to_ask_again(bench: Bench) -> None:
    before = bench.door.snapshot()
    assert tell(bench, blade="no. 3").done
    while bench.door.snapshot().get("told", 0) == before.get("told", 0):
        assert bench.door.wait(bench.door.snapshot()["version"], timeout_s=10)


def test_other_visits_say_what_is_known_of_it(store: Store) -> None:
    for blade in ("no. 2", "no. 3", "no. 3"):
        earlier = sit(store)
        assert tell(earlier, blade="slip of the hand").done
        assert tell(earlier, "b", blade=blade).done
        earlier.stop(reason="done")
    here = sit(store)
    assert tell(here, blade="no. 9").done

    told = here.door.ask("session", {})["worked_with"]
    assert [(one["value"], one["visits"]) for one in told["seen"]["blade"]] == [("no. 3", 2), ("no. 2", 1)]
    assert told["wire"]["piece_mm"] == 1500
    here.stop(reason="done")


@pytest.mark.parametrize(
    ("factors", "words"),
    [
        ({"colour": "red"}, "what a neck is worked with is one of seating"),
        ({"blade": 3}, "the blade must be a text, got '3'; write its name"),
        ({"blade": "x" * 201}, "the blade must have at most 200 characters, got 201; shorten it"),
        ({"wire": "a\nb"}, "the wire must be one line of plain text, got 'a\\nb'; leave control characters away"),
    ],
)
def test_what_does_not_hold_gets_one_line_and_keeps_nothing(bench: Bench, factors: Any, words: str) -> None:
    answer = bench.door.act("x", {"do": "factors", "factors": {"lot": "8", **factors}})

    assert not answer.done
    assert answer.text.startswith(words)
    assert "\n" not in answer.text
    with bench.store.reader() as reader:
        assert reader.factors(bench.session) == []


def test_nothing_named_is_refused(bench: Bench) -> None:
    assert not bench.door.act("x", {"do": "factors"}).done


def words_of(pdf: bytes) -> str:
    document = pypdfium2.PdfDocument(pdf)
    return " ".join(page.get_textpage().get_text_range() for page in document)


def test_the_sheets_name_the_wire_and_the_shops_the_blade_too(bench: Bench) -> None:
    assert tell(bench, wire="narrow, tall", blade="no. 3").done
    record = bench.door.ask("record", {})

    customer, shop = (words_of(sheet_pdf(record, audience=name)) for name in ("customer", "shop"))
    assert "wire: narrow, tall" in customer
    assert "wire: narrow, tall" in shop
    assert "Blade: no. 3" in shop
    assert "no. 3" not in customer
