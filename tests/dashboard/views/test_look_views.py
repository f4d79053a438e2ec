"""The views Fit, and Board and sweep, and what all views share, on a store of an invented neck, in a real browser."""

import re
from typing import Any

import pytest
from playwright.sync_api import Route, expect

pytestmark = pytest.mark.browser
SLOW_MS, AGAIN_MS = 20_000, 2_500

FIRST_TO_SEVENTH = """(path) => {
    const line = document.querySelectorAll('#view-sweep .plot')[path].querySelector('.line.found').getAttribute('d');
    const at = line.slice(1).split('L').map((point) => point.split(' ').map(Number));
    return [at[6][0] - at[0][0], at[6][1] - at[0][1]];
}"""
"""How far the seventh fret is drawn from the first: along, and down."""
CROWD = """() => {
    const at = [[5, 0.10], [6, 0.11], [7, 0.10], [8, 0.02], [9, 0.01]], x = (fret) => 645 * (1 - 2 ** (-fret / 12));
    const marks = at.map(([fret, mm]) => ({x: x(fret), mm, U: 0.01, verdict: 'fail', label: `${fret} high`}));
    const spec = {x: [0, 470], low: 0, high: 0.2, words: '', ticks: [], marks};
    document.querySelector('#view-fit').append(fretledger.plot(spec));
}"""
"""Five frets side by side, each with its name, in a drawing of their own."""


def test_a_view_that_waits_for_another_is_not_blank(looker: Any):
    page, _, look = looker
    look("fit")
    waiting: list[Route] = []
    page.route("**/look/gauges*", lambda route: waiting.append(route))
    page.evaluate("() => { location.hash = '#all-gauges'; }")
    expect(page.locator("#view-all-gauges")).to_contain_text("One moment")
    page.evaluate("() => { location.hash = '#rack'; }")
    expect(page.locator("#view-rack")).to_contain_text("One moment")  # while the first is still asked for
    waiting[0].continue_()
    expect(page.locator("#view-rack")).to_contain_text("Rill", timeout=SLOW_MS)


@pytest.mark.parametrize("width", [1280, 390])
def test_names_of_frets_that_stand_close_never_lie_over_each_other(looker: Any, width: int):
    page, _, look = looker
    page.set_viewport_size({"width": width, "height": 844})
    look("fit")
    expect(page.locator("#view-fit .plot .named")).to_have_count(2)

    page.evaluate(CROWD)
    labels = page.locator("#view-fit > .plotted .named")
    expect(labels).to_have_text([f"{fret} high" for fret in range(5, 10)])
    for found in (page.locator("#view-fit .whole .plot").first.locator(".named"), labels):
        boxes = [one.bounding_box() for one in found.all()]
        for index, one in enumerate(boxes):
            assert one["x"] >= 0
            assert one["x"] + one["width"] <= width
            for other in boxes[:index]:
                apart_x = max(one["x"], other["x"]) - min(one["x"] + one["width"], other["x"] + other["width"])
                apart_y = max(one["y"], other["y"]) - min(one["y"] + one["height"], other["y"] + other["height"])
                assert max(apart_x, apart_y) >= -3  # a line of type is a little less high than its box


def test_what_fails_first_stands_first_with_what_to_do(looker: Any):
    page, _, look = looker
    look("fit")

    first = page.locator("#view-fit .judged li")
    expect(first.first).to_have_text(re.compile(r"^Fail: Fret [67], bass"))
    expect(page.locator("#view-fit")).to_contain_text(re.compile(r"Fret 7, bass, tang clearance 0\.230\s±\s0\.\d+\smm"))
    expect(page.locator("#view-fit")).to_contain_text("choose a wire with a thicker tang, or set the fret in glue")
    expect(page.locator("#view-fit")).to_contain_text("limits 0.000 to 0.100 mm")
    expect(page.locator("#view-fit")).to_contain_text("Clipped wire ends fly")
    assert sorted(page.locator("#view-fit .plot .named").all_text_contents()) == ["6 tight", "7 loose"]
    page.locator("#view-fit summary").filter(has_text="places").click()
    expect(page.locator("#view-fit .slots tbody tr")).to_have_count(3)


def test_the_profile_says_how_far_it_is_exaggerated_and_that_is_true(looker: Any):
    page, _, look = looker
    look("sweep")

    captions = page.locator("#view-sweep .plotted > p")
    expect(captions.first).to_have_text(re.compile(r"Heights are drawn \d+ times as large as lengths\."))
    said = {int(re.sub(r"\D", "", text)) for text in captions.all_text_contents()}
    along_px, down_px = page.evaluate(FIRST_TO_SEVENTH, 1)
    page.locator("#view-sweep summary").click()
    mm = page.locator("#view-sweep .heights tbody tr").nth(6).locator("td").nth(1).inner_text()

    assert len(said) == 1, "all paths are drawn alike"
    along_mm = 645 * (2 ** (-1 / 12) - 2 ** (-7 / 12))
    down_mm = -float(mm.split("\u00a0")[0].replace("\u2212", "-"))
    assert (down_px / down_mm) / (along_px / along_mm) == pytest.approx(said.pop(), rel=0.03)


def test_high_frets_are_named_in_words_and_in_the_drawing(looker: Any):
    page, _, look = looker
    look("sweep")

    expect(page.locator("#view-sweep .judged")).to_contain_text(re.compile(r"Fret 7: .* stands 0\.08\d\s±\s0\.\d+\smm"))
    assert "7 high" in page.locator("#view-sweep .plot .named").all_text_contents()
    expect(page.locator("#view-sweep")).to_contain_text("Press-test before you level")
    expect(page.locator("#view-sweep .zeros tbody tr").first).to_contain_text("±")
    page.locator("#unit-in").click()
    expect(page.locator("#view-sweep .judged")).to_contain_text(
        re.compile(r"Fret 7: .* stands 0\.003\d\s±\s0\.\d+\sin")
    )
    page.locator("#unit-mm").click()


@pytest.mark.parametrize(
    ("view", "says"),
    [
        pytest.param("fit", "Too little is measured yet", id="fit"),
        pytest.param("sweep", "The frets are not swept yet", id="sweep"),
        pytest.param("levelling", "Too little is known for a plan", id="levelling"),
    ],
)
def test_a_view_without_readings_says_what_is_missing(looker: Any, view: str, says: str):
    page, _, look = looker
    look(view, empty=True)
    expect(page.locator(f"#view-{view}")).to_contain_text(says)


@pytest.mark.parametrize("view", ["fit", "sweep", "levelling"])
@pytest.mark.parametrize("width", [360, 820, 2560])
def test_no_view_is_wider_than_its_screen(looker: Any, view: str, width: int):
    page, _, look = looker
    page.set_viewport_size({"width": width, "height": 900})
    look(view)
    assert page.evaluate("document.documentElement.scrollWidth <= innerWidth")


def test_a_view_opened_while_another_is_awaited_is_shown(looker: Any, site: Any):
    page, _, look = looker
    look("fit")
    held: list[Route] = []

    def hold_the_first(route: Route) -> None:
        if held:
            route.continue_()
        held.append(route)

    page.route(re.compile("look/session"), hold_the_first)
    page.evaluate("(id) => { location.hash = `sweep/${id}`; }", site[1])
    page.evaluate("(id) => { location.hash = `levelling/${id}`; }", site[1])
    page.wait_for_timeout(AGAIN_MS)  # by now the page no longer looks again by itself

    held[0].continue_()

    expect(page.locator("#view-levelling .worklist")).to_be_visible(timeout=SLOW_MS)
