"""The quality-check sheet: what is printed, on how many pages, and the command that prints it."""

import io
from collections.abc import Callable
from importlib.resources import files
from pathlib import Path
from typing import Any

import pypdfium2
import pytest
from PIL import Image

from logger.cli import run
from logger.looking import Looking
from logger.sheet_choices import AUDIENCES
from logger.sheet_drawings import DIAMOND, STROKES, drawn_times
from logger.sheet_pdf import sheet_pdf
from logger.snapshot import CAUTIONS, cautions_of
from logger.store import Store

PROUD = {"bass": 1.10, "centre": 1.10, "treble": 1.25}


@pytest.fixture
def told(store: Store, visit: Callable[..., None]) -> dict[str, Any]:
    """The record of an invented neck with one proud end."""
    visit("Reed no. 1", "s1", seated=PROUD)
    return dict(Looking(store.path, current="s1").ask("record", {}))


def pages(made: bytes) -> list[str]:
    """Return the text of every page, in one line each."""
    document = pypdfium2.PdfDocument(made)
    try:
        return [" ".join(page.get_textpage().get_text_bounded().split()) for page in document]
    finally:
        document.close()


@pytest.mark.parametrize("paper", ["a4", "letter"])
def test_the_customer_gets_one_page_with_what_matters(told: dict[str, Any], paper: str) -> None:
    (page,) = pages(sheet_pdf(told, paper=paper))
    for words in (
        "Reed no. 1", "Invented instrument: it does not exist", "3 fail", "scale 645.0 mm (25.39 in)",
        "Fret 7 treble end stands proud by 0.150", "depth: indicator in its depth base", "never checked",
        "Thin cyanoacrylate: eyes, skin bonds, fumes; glasses, ventilation, solvent at hand", "page 1 of 1",
    ):  # fmt: skip
        assert words in page


def test_a_sheet_is_as_large_as_its_paper(told: dict[str, Any]) -> None:
    """Source: ISO 216 (210 mm x 297 mm); ANSI/ASME Y14.1 (8.5 in x 11 in); 72 points to the inch."""
    for paper, size in (("a4", (210 / 25.4 * 72, 297 / 25.4 * 72)), ("letter", (612, 792))):
        document = pypdfium2.PdfDocument(sheet_pdf(told, paper=paper))
        assert document[0].get_size() == pytest.approx(size, abs=0.1)
        document.close()


def test_one_page_holds_whatever_people_wrote(told: dict[str, Any]) -> None:
    long = "a long name <b>that</b> goes on " * 40
    neck = told["instrument"] | {"name": long, "kind": long, "wire": long, "frets": 48}
    everywhere = [{"fret": fret, "place": place, "verdict": "fail", "checks": ["proud_end"]}
                  for fret in range(1, 49) for place in ("bass", "centre", "treble", "")]  # fmt: skip
    heights = [{"fret": fret, "place": place, "height_mm": fret / 100, "u_mm": 0.01}
               for fret in range(1, 49) for place in ("bass", "centre", "treble")]  # fmt: skip
    crowded = told | {
        "instrument": neck, "note": long, "people": long, "notes": [long] * 30, "map": everywhere, "profile": heights,
        "gauges": [one | {"name": long} for one in told["gauges"] * 40], "faults": told["faults"] * 40,
        "cautions": told["cautions"] * 3,
    }  # fmt: skip
    for paper in ("a4", "letter"):
        (page,) = pages(sheet_pdf(crowded, paper=paper))
        assert "How to read this" in page
        assert "the readings do not decide" in page
        assert "more at fret 7, which the workshop's full record lists" in page


@pytest.mark.parametrize("paper", ["a4", "letter"])
def test_every_fault_is_named_on_the_customers_page(store: Store, visit: Callable[..., None], paper: str) -> None:
    """Nine failed checks on three frets are three sentences, each with its frets."""
    visit("Reed no. 2", "s2", seated=PROUD, frets=(3, 7, 11))
    told = dict(Looking(store.path, current="s2").ask("record", {}))
    (page,) = pages(sheet_pdf(told, paper=paper))
    assert "9 fail" in page
    assert "Frets 3, 7, 11, treble: an end stands proud by 0.150 mm (each ± 0.008 mm)" in page
    assert "Frets 3, 7, 11: seated unevenly, the places differ by 0.150 mm" in page
    assert "Frets 3, 7, 11: tilted, the ends differ by 0.150 mm" in page
    assert "full record lists" not in page


def test_pictures_make_room_for_faults(told: dict[str, Any]) -> None:
    """Faults that fit without the strip of pictures, and not beside it: the strip gives way."""
    drawn = io.BytesIO()
    Image.new("RGB", (60, 40), (120, 90, 60)).save(drawn, "PNG")
    few, many = (sheet_pdf(told | {"faults": told["faults"][:1] * n}, [drawn.getvalue()]) for n in (3, 34))
    assert "1 picture is in the workshop's full record" not in pages(few)[0]
    assert "1 picture is in the workshop's full record" in pages(many)[0]
    assert pages(many)[0].count("is seated unevenly") == 34


def test_every_caution_stands_there_once(told: dict[str, Any]) -> None:
    every = told | {"cautions": cautions_of(CAUTIONS)}
    assert len(set(every["cautions"])) == len(every["cautions"])
    for audience in AUDIENCES:
        page = " ".join(pages(sheet_pdf(every, audience=audience)))
        for words in ("Rosewood and ebony dust", "licensed practice decide", "Clipped wire ends fly"):
            assert page.count(words) == 1


def test_signs_on_paper_have_the_outlines_of_the_page() -> None:
    """The numbers are those in the page's own script: a disc, a diamond, a square, and what is drawn in them."""
    script = (files("dashboard") / "assets" / "dom.js").read_text(encoding="utf-8")
    box = script[script.index("const SHAPES") : script.index("bench.sign =")]
    disc, diamond, square = "cx: 12, cy: 12, r: 10", "M12 0.500L23.500 12L12 23.500L0.500 12z", "x: 2, y: 2, width: 20"
    for part in (disc, diamond, square, "M7 12.500l3.500 3.500L17 8.500", "M16.500 9A5.500 5.500 0 1 0 17.500 13"):
        assert part in box
    assert DIAMOND == ((12, 0.5), (23.5, 12), (12, 23.5), (0.5, 12))
    arc, head = STROKES["remeasure"]
    assert arc[0] == pytest.approx((16.5, 9), abs=0.01)
    assert arc[-1] == pytest.approx((17.5, 13), abs=0.01)
    assert min(x for x, _ in arc) == pytest.approx(12.054 - 5.5, abs=0.05)  # the long way round, by the left
    assert head == [(17.5, 5.5), (17.5, 9.5), (13.5, 9.5)]


def test_only_an_invented_instrument_is_called_so(told: dict[str, Any]) -> None:
    real = told | {"instrument": told["instrument"] | {"invented": False}}
    assert "nvented" not in " ".join(pages(sheet_pdf(real, audience="shop")))


def test_the_shop_gets_every_verdict_in_both_units_and_what_to_do(told: dict[str, Any]) -> None:
    """Two readings of 0.003 mm each: 1.96 * sqrt(2) * 0.003 mm = 0.008 mm; their common zero cancels."""
    text = " ".join(pages(sheet_pdf(told, audience="shop")))
    assert f"All {len(told['verdicts'])} verdicts" in text
    assert "0.150 ± 0.008 mm 0.0059 ± 0.0003 in" in text
    assert "Press the end down again with the caul" in text
    assert "fret end: at most 0.050 mm (0.0020 in); pass from a chance of 95 %, fail up to 5 %" in text


def test_sentences_come_in_the_unit_that_was_asked_for(told: dict[str, Any]) -> None:
    assert "Fret 7 treble end stands proud by 0.0059 ± 0.0003 in" in pages(sheet_pdf(told, unit="in"))[0]


RESTS = "rows counted only since 2026-01-02 03:04:05 UTC"


def test_a_code_stands_there_only_where_a_record_was_given(told: dict[str, Any]) -> None:
    bare = sheet_pdf(told)
    sealed = sheet_pdf(told | {"seal": {"code": "K7-40-QD", "rests": RESTS, "modules": ["10" * 11, "01" * 11] * 11}})
    assert "Record K7-40-QD" not in pages(bare)[0]
    assert "Record K7-40-QD Rows counted only since 2026-01-02 03:04:05 UTC" in pages(sealed)[0]
    assert dark(sealed) > dark(bare) + 500


def dark(made: bytes) -> int:
    """Count the black pixels in the upper right corner, where the code of a seal stands."""
    document = pypdfium2.PdfDocument(made)
    picture = document[0].render(scale=2).to_numpy()
    document.close()
    corner = picture[60:260, 950:1130]
    return int((corner.max(axis=2) < 40).sum())


def test_the_same_record_gives_the_same_bytes(told: dict[str, Any]) -> None:
    assert sheet_pdf(told) == sheet_pdf(told)


def test_a_letter_that_the_font_lacks_is_a_question_mark(told: dict[str, Any]) -> None:
    named = told | {"instrument": told["instrument"] | {"name": "Žofie Ελένη \N{CJK UNIFIED IDEOGRAPH-7434}"}}
    assert "Žofie Ελένη ?" in pages(sheet_pdf(named))[0]


def test_heights_are_said_to_be_drawn_larger() -> None:
    """A span of 0.2 mm on 40 mm of paper is 200 times; 12 frets of 600 mm, from the first, are 266.3 mm on 140 mm."""
    told = {"instrument": {"frets": 12, "scale_mm": 600.0}}
    along = 600 * (2 ** (-1 / 12) - 0.5)
    assert along == pytest.approx(266.3, abs=0.05)
    assert drawn_times(told, 182.0, 0.2) == pytest.approx(200 / (140 / along))


def test_the_command_writes_the_newest_sheet(told: dict[str, Any], store: Store, tmp_path: Path, capsys: Any) -> None:
    out = tmp_path / "sheet.pdf"
    assert run(["sheet", "--store", str(store.path), "--out", str(out)], lambda *_, **__: pytest.fail("no page")) == 0
    assert capsys.readouterr().out.strip() == str(out)
    assert out.read_bytes() == sheet_pdf(told)


@pytest.mark.parametrize(
    ("more", "status", "said"),
    [
        (["--session", "nothing"], 4, "holds no session 'nothing'"),
        (["--out", "no/such/folder/x.pdf"], 2, "must name a file in a folder that exists"),
    ],
)
def test_the_command_says_what_does_not_hold(
    told: dict[str, Any], store: Store, tmp_path: Path, capsys: Any, more: list[str], status: int, said: str
) -> None:
    command = ["sheet", "--store", str(store.path), "--out", str(tmp_path / "x.pdf"), *more]
    assert run(command, lambda *_, **__: pytest.fail("no page")) == status
    assert said in capsys.readouterr().err
    assert not (tmp_path / "x.pdf").exists()


def test_a_store_without_an_instrument_has_no_sheet(store: Store, tmp_path: Path, capsys: Any) -> None:
    command = ["sheet", "--store", str(store.path), "--out", str(tmp_path / "x.pdf")]
    assert run(command, lambda *_, **__: pytest.fail("no page")) == 2
    assert "has no session on an instrument; measure one first" in capsys.readouterr().err
