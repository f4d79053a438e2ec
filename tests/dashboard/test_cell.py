"""What stands behind a cell of the neck map, and how the map lies."""

from collections.abc import Callable, Iterator
from typing import Any

import pytest
from playwright.sync_api import Page, expect

pytestmark = pytest.mark.browser

Look = Callable[..., Any]
CELL = '[data-check=proud_end][data-fret="7"][data-place=treble]'
ALL_CHECKS = ("proud_end", "tang_clearance", "high_fret", "string_clearance")
OWN = {
    "check": "proud_end", "fret": 7, "place": "treble", "verdict": "fail", "value_mm": 0.083, "U_mm": 0.016, "p": 0.01,
    "text": "fret 7 treble end stands proud by 0.083 ± 0.016 mm",
    "text_in": "fret 7 treble end stands proud by 3.3 ± 0.6 thou", "todo": "press the end down again",
}  # fmt: skip


def kept(sequence: int, **more: Any) -> dict[str, Any]:
    return {"gauge": "depth", "sequence": sequence, "kind": "seated_height", "fret": 7, "place": "treble",
            "words": "fret 7, treble: height of the seated fret", "value_nm": 1_183_000 + sequence, "low_nm": None,
            "high_nm": None, "round": "1", "taken_at": "2025-05-06T14:03:12+00:00", "taken_back": False, "why": "",
            **more}  # fmt: skip


TOLD = {
    "session": "s2", "check": "proud_end", "fret": 7, "place": "treble", "dof": None, "coverage_percent": 95,
    "u_mm": 0.008, "limits": [None, 0.05], "p_pass": 0.95, "p_fail": 0.05, "own": OWN,
    "budget": [{"cause": "zero of depth", "u_mm": 0.0068, "share": 0.72},
               {"cause": "digit <b>of</b> depth", "u_mm": 0.0042, "share": 0.28}],
    "verdicts": [{**OWN, "check": "tilted_fret", "place": None, "verdict": "pass", "value_mm": 0.012, "p": 0.97}],
    "readings": [kept(1), kept(2, taken_back=True, why="slipped")],
}  # fmt: skip
PAST = {
    "more": 2,
    "visits": [{"session": "s2", "started_at": "2025-05-06T14:00:00+00:00", "here": True, "why": "", **OWN},
               {"session": "s1", "started_at": "2025-03-02T10:00:00+00:00", "here": False, "why": "",
                **OWN, "verdict": "pass", "value_mm": 0.021, "p": 0.99},
               {"session": "s0", "started_at": "2025-01-02T10:00:00+00:00", "here": False, "why": "", "verdict": None}],
}  # fmt: skip


@pytest.fixture
def looked() -> list[tuple[str, dict[str, str]]]:
    return []


@pytest.fixture
def looker(shared: Any, looked: list[Any]) -> Iterator[Any]:
    """The page of the module, whose bench answers what is asked of a cell."""
    bench, looker = shared

    def told(what: str, wanted: Any) -> Any:
        looked.append((what, dict(wanted)))
        return TOLD if what == "cell" else PAST

    bench.door._on_question = told
    looker.page.locator("[data-tab=proud_end]").click()
    yield looker
    looker.page.evaluate("() => document.querySelector('dialog[open]')?.close()")
    looker.page.set_viewport_size({"width": 1280, "height": 720})


@pytest.fixture
def page(looker: Any) -> Page:
    page: Page = looker.page
    return page


@pytest.fixture
def bench(shared: Any) -> Any:
    return shared[0]


def test_a_touched_cell_tells_readings_budget_verdicts_and_history(looker: Any, looked: list[Any]) -> None:
    page = looker.page
    page.locator(CELL).click()
    box = page.get_by_role("dialog")
    expect(box).to_contain_text("Fret 7, treble: proud ends")
    expect(box.locator(".now .verdict")).to_have_text("Fail0.083 ± 0.016 mm")
    expect(box).to_contain_text("Limit: at most 0.050 mm; chance of being within 1 %")
    expect(box).to_contain_text("Press the end down again")
    expect(box.locator("[data-reading='1']")).to_contain_text("1.183 mm")
    expect(box.locator("[data-reading='1']")).to_contain_text("depth, 6 May 2025")
    expect(box.locator("[data-reading='2']")).to_contain_text("taken back: slipped")
    expect(box.locator(".budget")).to_contain_text("Zero of depth0.006872 %")
    expect(box.locator(".budget")).to_contain_text("Digit <b>of</b> depth")  # text, never HTML
    expect(box).to_contain_text("Standard uncertainty 0.0080 mm; ± 0.016 mm holds 95 %")
    expect(box.locator(".others")).to_contain_text("Tilted frets")
    expect(box.locator(".others")).to_contain_text("Pass, chance 97 %")
    expect(box.locator(".visits tbody tr").nth(1)).to_have_text("2 Mar 2025Pass0.021 ± 0.01699 %")
    expect(box.locator(".visits tbody tr").nth(2)).to_contain_text("not judged")
    expect(box).to_contain_text("2 visits before these are on the rack")
    assert looked == [
        (what, {"check": "proud_end", "fret": "7", "place": "treble"}) for what in ("cell", "cell_history")
    ]
    assert looker.problems == []


def test_keyboard_alone_goes_to_a_cell_opens_it_and_comes_back(page: Page) -> None:
    page.locator("[data-tab=low_fret]").focus()
    page.keyboard.press("Tab")  # one stop for the whole map
    expect(page.locator('.neckmap [tabindex="0"]')).to_be_focused()
    page.keyboard.press("Home")
    page.keyboard.press("End")
    expect(page.locator(CELL)).to_be_focused()
    page.keyboard.press("ArrowLeft")
    expect(page.locator('[data-check=proud_end][data-fret="6"]')).to_be_focused()
    page.keyboard.press("ArrowRight")
    page.keyboard.press("Enter")
    expect(page.get_by_role("dialog")).to_contain_text("Fret 7, treble")
    expect(page.locator("#cell-title")).to_be_focused()
    page.keyboard.press("Tab")
    expect(page.get_by_role("button", name="Close Esc")).to_be_focused()
    page.keyboard.press("Escape")
    expect(page.get_by_role("dialog")).to_have_count(0)
    expect(page.locator(CELL)).to_be_focused()


def test_the_worst_of_a_fret_opens_the_verdict_it_stands_for(page: Page) -> None:
    page.locator('[data-worst-fret="3"]').click()
    expect(page.get_by_role("dialog")).to_contain_text("Fret 3, centre: tang clearance")


def test_another_verdict_of_the_place_is_a_press_away(page: Page, looked: list[Any]) -> None:
    page.locator(CELL).click()
    page.get_by_role("dialog").get_by_role("button", name="Tilted frets").click()
    expect(page.get_by_role("dialog")).to_contain_text("Fret 7: tilted frets")
    expect(page.get_by_role("dialog").locator(".now .verdict")).to_contain_text("Pass")
    assert ("cell", {"check": "tilted_fret", "fret": "7", "place": ""}) in looked


def test_a_reading_is_taken_back_from_here_and_the_verdict_follows(bench: Any, page: Page, looked: list[Any]) -> None:
    page.locator(CELL).click()
    page.get_by_role("button", name="Take back fret 7, treble: height of the seated fret, 1.183 mm").click()
    assert bench.wait_for(1) == [{"do": "take_back", "gauge": "depth", "sequence": 1}]
    expect(page.locator("#cell .visits")).to_be_visible()
    before = len(looked)
    bench.publish(cells=[[*one[:3], "pass", 0.01, 0.016, 0.99] if one[1] == 7 else one for one in bench.shown["cells"]])
    expect(page.locator("#cell .now .verdict")).to_contain_text("Pass0.010 ± 0.016 mm")
    page.wait_for_function("() => true")
    expect(page.get_by_role("dialog")).to_be_visible()
    bench.publish(cells=[one for one in bench.shown["cells"] if one[:3] != ["proud_end", 7, "treble"]])
    expect(page.get_by_role("dialog")).to_contain_text("Nothing is judged here any more")
    assert len(looked) >= before


def test_a_gauge_that_types_closes_what_lies_over_the_field(bench: Any, page: Page) -> None:
    page.locator(CELL).click()
    expect(page.get_by_role("dialog")).to_be_visible()
    page.keyboard.type("1.204\n", delay=1)
    expect(page.get_by_role("dialog")).to_have_count(0)
    assert bench.wait_for(1) == [{"do": "typed", "text": "1.204", "unit": "mm"}]


def test_what_the_bench_cannot_tell_is_said_beside_what_the_page_knows(page: Page, bench: Any) -> None:
    def refuse(_what: str, _wanted: Any) -> Any:
        from logger.door import QuestionError

        raise QuestionError("the store is away")

    bench.door._on_question = refuse
    page.locator(CELL).click()
    expect(page.get_by_role("dialog")).to_contain_text("This cannot be shown: the store is away")
    expect(page.get_by_role("dialog")).to_contain_text("0.083 ± 0.016 mm")


@pytest.mark.parametrize(
    ("width", "frets", "lay"),
    [
        (360, 24, "down"), (820, 24, "down"), (1024, 24, "folded"), (1280, 22, "folded"), (1280, 24, "folded"),
        (2560, 19, "across"), (2560, 24, "folded"),
    ],
)  # fmt: skip
def test_the_map_fits_with_numbers_for_an_arms_length(bench: Any, page: Page, width: int, lay: str, frets: int) -> None:
    """Digits of 17 px are 2.7 mm high at 4.47 px to a mm (13 inches, 1280 px): 16 minutes of arc from 60 cm."""
    bench.publish(instrument={**bench.shown["instrument"], "frets": frets}, cells=[
        [check, fret, place, "fail", -0.123, 0.016, 0.0]
        for check in ALL_CHECKS for fret in range(1, frets + 1) for place in ("bass", "centre", "treble")
    ])  # fmt: skip
    page.set_viewport_size({"width": width, "height": 800})
    page.wait_for_function(f"() => document.querySelector('.neckmap')?.dataset.lay === '{lay}'")
    expect(page.locator(f'[data-check=proud_end][data-fret="{frets}"][data-place=bass]')).to_be_visible()
    for check in ALL_CHECKS:
        page.locator(f"[data-tab={check}]").click()
        page.wait_for_function(
            """(check) => {  // also once a scroll bar has come and the map was laid anew
            const cells = [...document.querySelectorAll('.neckmap .cell[data-check]')];
            const seen = cells.filter((cell) => cell.getClientRects().length);
            return seen.length && seen.every((cell) => cell.dataset.check === check
                && [...cell.children].every((part) => part.scrollWidth <= cell.clientWidth + 1));
        }""",
            arg=check,
        )
    box = page.locator("#map").bounding_box()
    assert box is not None
    assert page.evaluate(
        "() => { const map = document.querySelector('.neckmap'); return map.scrollWidth <= map.clientWidth + 1; }"
    )
    size = page.locator(CELL).locator(".number").evaluate_all("all => parseFloat(getComputedStyle(all[0]).fontSize)")
    assert size >= 16.7


def test_the_dialog_fits_a_telephone(page: Page) -> None:
    page.set_viewport_size({"width": 360, "height": 780})
    page.locator(CELL).click()
    expect(page.locator("#cell .visits")).to_be_visible()
    assert page.evaluate("() => document.documentElement.scrollWidth") <= 360
    assert page.evaluate(
        "() => { const body = document.querySelector('#cell .body'); return body.scrollWidth <= body.clientWidth; }"
    )
    page.set_viewport_size({"width": 1280, "height": 720})
