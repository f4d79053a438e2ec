"""A file of translated words: what it says stands on the page, what it leaves out stays English."""

import json
import re
from collections.abc import Callable
from pathlib import Path
from typing import Any

import pytest
from playwright.sync_api import expect

from dashboard.app import make_app
from dashboard.server import serve
from dashboard.translation import TranslationError
from dashboard.words import PAGE, page_words
from logger.door import Answer, Door
from logger.features import KINDS, Feature

Write = Callable[..., Path]


@pytest.fixture
def written(tmp_path: Path) -> Write:
    def write(text: str | bytes, name: str = "words.toml") -> Path:
        path = tmp_path / name
        path.write_bytes(text.encode() if isinstance(text, str) else text)
        return path

    return write


def test_english_needs_no_file() -> None:
    assert page_words()["page"] == dict(PAGE)


def test_what_is_not_translated_stays_english(written: Write) -> None:
    words = page_words(written('[page]\nskip = "\u00dcbergehen"\n[verdicts.fail]\nlarge = "Fehler"\n'))
    assert words["page"]["skip"] == "\u00dcbergehen"
    assert words["page"]["enter"] == "Enter"
    assert words["verdicts"]["fail"] == {"large": "Fehler", "short": "fail"}


def test_json_does_as_well(written: Write) -> None:
    assert page_words(written(json.dumps({"views": {"rack": "Regal"}}), "w.json"))["views"]["rack"] == "Regal"


def test_all_words_as_a_file_are_the_page_again(written: Write) -> None:
    words = page_words()
    asked = {name: part for name, part in words.items() if name not in {"usual", "stages"}}
    assert page_words(written(json.dumps(asked), "w.json")) == words


@pytest.mark.parametrize(
    ("text", "rule"),
    [
        pytest.param("[page]\nspik = 'x'", "no word named 'page.spik'; leave it out", id="unknown word"),
        pytest.param("[pages]\nskip = 'x'", "no word named 'pages'", id="unknown table"),
        pytest.param("usual = 'x'", "no word named 'usual'", id="what nobody reads"),
        pytest.param("[stages.wire]\nopens = 'x'", "no word named 'stages.wire.opens'", id="what scripts compare"),
        pytest.param("[page]\nskip = 3", "page.skip must be a text with words in it, got 3", id="number"),
        pytest.param("[page]\nskip = ' '", "page.skip must be a text with words", id="blank"),
        pytest.param("page = 'x'", "page must be a table of words", id="text for a table"),
        pytest.param("[page]\nfrets = 'B\u00fcnde'", r"page.frets must have .*\(\{n\}\)", id="brace left out"),
        pytest.param("[page]\nskip = '{n}'", r"\(none\), got '\{n\}'", id="brace too many"),
        pytest.param("[page]\nskip = '{'", "page.skip must close every brace", id="open brace"),
        pytest.param("[page", "must be TOML", id="no TOML"),
        pytest.param(b"\xff", "is not UTF-8 text", id="no UTF-8"),
    ],
)  # fmt: skip
def test_a_file_that_does_not_hold_says_so_in_one_line(written: Write, text: str | bytes, rule: str) -> None:
    with pytest.raises(TranslationError, match=rule) as told:
        page_words(written(text))
    assert "words.toml" in str(told.value)


@pytest.mark.parametrize("text", ["[]", "{", "3", "[" * 100_000], ids=["list", "cut", "number", "deep"])
def test_json_that_is_no_table_is_refused(written: Write, text: str) -> None:
    with pytest.raises(TranslationError, match="must be"):
        page_words(written(text, "w.json"))


def test_a_missing_file_is_said(tmp_path: Path) -> None:
    with pytest.raises(TranslationError, match="no such file"):
        page_words(tmp_path / "none.toml")


def test_the_page_is_laid_out_in_the_words_and_says_its_language(written: Write) -> None:
    app = make_app(page_words(written('[page]\nlocale = "de-DE"\nskip = "\u00dcbergehen"\n[views]\nrack = "Regal"\n')))
    laid_out = str(app.layout)
    assert "\u00dcbergehen" in laid_out
    assert "Regal" in laid_out
    assert '<html lang="de-DE">' in app.index_string


@pytest.mark.browser
def test_names_of_places_are_translated_wherever_the_page_says_them(
    written: Write, neck: dict[str, Any], page_of: Callable[..., Any]
) -> None:
    """The tile, the list, the neck and the map say the words; what the page compares and sends stays as it was."""
    file = written('[places]\ntreble = "Diskant"\nbass = "Tief"\ncentre = "Mitte"\n')
    door = Door(lambda _id, _action: Answer(done=True))
    last = {"gauge": "depth", "sequence": 3, "kind": "seated_height", "fret": 7, "place": "treble", "feet": None,
            "words": "fret 7, treble: height of the seated fret", "value_nm": 1_203_000, "low_nm": None,
            "high_nm": None, "unit": "mm", "taken_at": "2025-05-06T14:03:12+00:00", "verdict": "pass", "because": "",
            "expanded_u_mm": 0.012, "unassigned": False, "taken_back": False}  # fmt: skip
    told = {**neck, "next": {**neck["next"], "feet": None}, "last": last, "recent": [last]}
    door.publish({"version": 1, "store": "s", "boot": "b", "seq": 1, "bad_seq": 0, **told})
    served = serve(door, language=file)
    page = page_of(url=served.url).page
    expect(page.locator("#next .where .first")).to_have_text("Fret 8, Tief")
    expect(page.locator("#reading .where .first")).to_have_text("Fret 7, Diskant")
    expect(page.locator("#recent .what").first).to_contain_text("Fret 7, Diskant: height")
    assert page.locator("#neck .edge.side").all_text_contents()[:2] == ["Diskant", "Tief"]
    expect(page.locator("#map .layer:not([hidden]) [role=rowheader]")).to_contain_text(["Diskant"])
    expect(page.locator("#map [data-place=treble][title]").first).to_have_attribute("title", re.compile(" Diskant: "))
    served.stop()
    door.close()


SEEN = [
    Feature(kind="slot_width", fret=7, place="treble"), Feature(kind="slot_position", fret=7),
    Feature(kind="barb_span"),
    Feature(kind="fret_step", fret=5, place="centre", feet=(4, 6)),
    Feature(kind="fret_step", fret=5, place="centre", feet=(3, 7)),
    Feature(kind="board_step", fret=5, place="bass", feet=(3, 7)),
    Feature(kind="straightedge_gap", fret=5, place="bass", feet=(1, 20)),
    Feature(kind="fixture_zero", place="setting A of green, before"), Feature(kind="gauge_zero", place="wire, after"),
    *(Feature(kind=name, fret=7, place="bass") for name, kind in KINDS.items() if kind.needs_place),
]  # fmt: skip


@pytest.mark.browser
def test_in_english_the_page_calls_a_reading_what_the_bench_calls_it(page_of: Callable[..., Any]) -> None:
    door = Door(lambda _id, _action: Answer(done=True))
    page = page_of(door).page
    given = [{"kind": one.kind, "fret": one.fret, "place": one.place, "words": one.words(),
              "feet": None if one.feet is None else list(one.feet)} for one in SEEN]  # fmt: skip
    said = page.evaluate("(given) => given.map(fretledger.whatOf)", given)
    assert said == [one.words() for one in SEEN]
    door.close()
