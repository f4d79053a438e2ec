"""Which frets are flagged is seen at once, and what each gauge does is told only while it is known."""

import re
from collections.abc import Callable
from typing import Any

import pytest
from playwright.sync_api import Locator, Page, expect

from dashboard.server import RunningPage

pytestmark = pytest.mark.browser

Look = Callable[..., Any]
Box = dict[str, float]


@pytest.fixture
def bench(shared: Any) -> Any:
    return shared[0]


@pytest.fixture
def page(shared: Any) -> Page:
    page: Page = shared[1].page
    return page


def flag(fret: int | None, place: str | None = None, check: str = "proud_end") -> dict[str, Any]:
    return {
        "check": check,
        "fret": fret,
        "place": place,
        "text": f"fret {fret} stands proud by 0.083 ± 0.016 mm",
        "what_to_do": "press it down",
        "value_mm": 0.083,
        "expanded_u_mm": 0.016,
    }


def box(found: Locator) -> Box:
    got = found.bounding_box()
    assert got is not None
    return dict(got)


def middle(of: Box) -> tuple[float, float]:
    return of["x"] + of["width"] / 2, of["y"] + of["height"] / 2


def mark(page: Page, fret: int) -> Locator:
    return page.locator(f'#neck [data-flagged-fret="{fret}"]')


def test_flagged_frets_are_marked_on_the_neck_at_their_side(bench: Any, page: Page) -> None:
    bench.publish(flags=[flag(7, "treble"), flag(7, None, "uneven_seating"), flag(3, "bass"), flag(11, None)])
    expect(page.locator("#neck .tagged")).to_have_text(["3", "7", "11"])
    wood = middle(box(page.locator("#neck .wood")))[1]
    for fret, place in ((7, "treble"), (3, "bass")):
        wire = middle(box(page.locator("#neck line.wire").nth(fret - 1)))[0]
        at, height = middle(box(mark(page, fret).locator("[data-sign=fail]")))
        assert at == pytest.approx(wire, abs=2)
        assert (height < wood) == (place == "treble")  # the treble edge is drawn on top
        expect(mark(page, fret)).to_have_attribute("data-places", place)
    expect(mark(page, 7).locator("[data-sign=fail]")).to_have_count(1)
    expect(mark(page, 11).locator(".whole")).to_have_count(2)  # the whole fret: a lozenge along it, and its rim
    expect(page.locator("#neck")).to_have_attribute("aria-label", re.compile("Flagged frets: 3 bass, 7 treble, 11$"))
    bench.publish(flags=[flag(3, "bass")])
    expect(page.locator("#neck [data-flagged-fret]")).to_have_count(1)


def test_a_line_above_the_fold_names_the_flagged_frets_and_leads_to_them(bench: Any, page: Page) -> None:
    line = page.locator("#flagged")
    expect(line).to_have_text("1 fret flagged: 7")
    bench.publish(flags=[flag(11), flag(7, "treble"), flag(7), flag(3, "bass")])
    expect(line).to_have_text("3 frets flagged: 3, 7, 11")
    expect(line.locator("[data-sign=fail]")).to_be_visible()
    page.get_by_role("link", name="3 frets flagged: 3, 7, 11").click()
    expect(page.get_by_role("region", name="Flags")).to_be_in_viewport()
    expect(page.locator("#flag-list")).to_be_focused()
    page.keyboard.type("0.5\n")  # a gauge that types still reaches the field
    assert bench.wait_for(1)[0]["text"] == "0.5"
    bench.publish(flags=[flag(None), flag(3)])
    expect(line).to_have_text("Wire flagged; 1 fret flagged: 3")
    bench.publish(flags=[])
    expect(line).to_have_text("No fret is flagged")
    page.evaluate("() => scrollTo(0, 0)")


@pytest.mark.parametrize(("width", "height"), [(1280, 800), (1024, 768), (820, 1180), (390, 844)])
def test_flags_are_seen_without_scrolling(bench: Any, page: Page, width: int, height: int) -> None:
    page.set_viewport_size({"width": width, "height": height})
    page.evaluate("() => scrollTo(0, 0)")
    bench.publish(flags=[flag(3, "bass"), flag(7, "treble"), flag(11)])
    bench.take("remeasure", because="fret end 0.046 mm: measure again", settle="2 more readings would settle it")
    expect(page.locator("#flagged")).to_have_text("3 frets flagged: 3, 7, 11")
    # On a phone the field and the verdict count more than the drawing, which stands below them.
    shown = "#neck > svg" if width > 700 else "#reading .verdict"
    for seen in ("#flagged a", "#next .first", "#typed", shown):
        bounds = box(page.locator(seen))
        assert bounds["y"] >= 0
        assert bounds["y"] + bounds["height"] <= height
    page.set_viewport_size({"width": 1280, "height": 720})


@pytest.mark.parametrize("width", [360, 820, 1280])
@pytest.mark.parametrize("frets", [[16, 17, 18, 19, 20], list(range(1, 21))])
def test_numbers_of_flagged_frets_never_lie_over_each_other(
    bench: Any, page: Page, width: int, frets: list[int]
) -> None:
    page.set_viewport_size({"width": width, "height": 800})
    bench.publish(flags=[flag(fret, "bass") for fret in frets])
    expect(page.locator("#neck .tagged")).to_have_count(len(frets))
    # all at one moment: other parts of the page are drawn a little later, and move it
    neck, *texts = page.locator("#neck > svg, #neck :is(.tagged, .number)").evaluate_all(
        "(nodes) => nodes.map((node) => node.getBoundingClientRect().toJSON())"
    )
    for index, one in enumerate(texts):
        assert neck["x"] <= one["x"]
        assert one["x"] + one["width"] <= neck["x"] + neck["width"]
        assert one["y"] + one["height"] <= neck["y"] + neck["height"] + 4
        for other in texts[:index]:
            apart_x = max(one["x"], other["x"]) - min(one["x"] + one["width"], other["x"] + other["width"])
            apart_y = max(one["y"], other["y"]) - min(one["y"] + one["height"], other["y"] + other["height"])
            assert max(apart_x, apart_y) >= -1
    page.set_viewport_size({"width": 1280, "height": 720})


@pytest.mark.parametrize("width", [390, 1024, 1280])
def test_nothing_moves_when_a_line_is_unreadable_or_a_fret_is_flagged(bench: Any, page: Page, width: int) -> None:
    page.set_viewport_size({"width": width, "height": 800})
    gauges = [{**bench.shown["gauges"][0], "name": name} for name in ("green", "red")]
    bench.publish(gauges=gauges, flags=[])
    where = "(id) => [document.getElementById(id).getBoundingClientRect()].map(({x, y, width}) => [x, y, width])"
    places = f"() => ['neck', 'next', 'typed', 'map'].map({where})"  # the map itself is laid anew in a pause
    expect(page.locator("[data-gauge=green] .unreadable")).to_be_hidden()
    expect(page.locator("#flagged")).to_have_text("No fret is flagged")
    before, other = page.evaluate(places), box(page.locator("[data-gauge=red] .name"))
    for count in (1, 12, 345):
        bench.publish(gauges=[{**gauges[0], "unreadable": count}, gauges[1]])
        expect(page.locator("[data-gauge=green] .unreadable")).to_have_text(f"{count} unreadable")
        expect(page.locator("[data-gauge=green] .unreadable")).to_be_visible()
        assert page.evaluate(places) == before
        assert box(page.locator("[data-gauge=red] .name")) == other
    bench.publish(flags=[flag(3), flag(7), flag(11)])
    expect(page.locator("#neck .tagged")).to_have_count(3)
    assert page.evaluate(places) == before
    page.set_viewport_size({"width": 1280, "height": 720})


def test_a_gauge_is_shown_with_its_own_name_and_its_kind(bench: Any, page: Page) -> None:
    bench.publish(gauges=[{**bench.shown["gauges"][0], "name": "green <b>"}])
    expect(page.locator("#gauges .name")).to_have_text(["green <b>"])
    expect(page.locator("#gauges .kind")).to_have_text("depth indicator")
    expect(page.locator("#gauges b")).to_have_text("alive")


def test_gauges_are_not_known_while_the_link_is_lost(
    bench: Any, served: RunningPage, page_of: Look, neck: dict[str, Any]
) -> None:
    bench.publish(**neck)
    page = page_of(url=served.url).page
    alive = page.locator("[data-gauge=depth]")
    expect(alive).to_have_attribute("data-status", "alive")
    lamp = "() => getComputedStyle(document.querySelector('[data-gauge=depth] .lamp')).backgroundColor"
    shining = page.evaluate(lamp)
    page.route("**/feed", lambda route: route.abort())
    page.route("**/snapshot", lambda route: route.abort())
    served.stop()
    expect(page.locator("#link")).to_contain_text("Connection lost")
    for name in ("depth", "rocker"):
        gauge = page.locator(f"[data-gauge={name}]")
        expect(gauge).to_have_attribute("data-status", "unknown")
        expect(gauge.locator("b")).to_have_text("not known")
        expect(gauge.locator(".says")).to_have_text(re.compile("^The bench does not answer"))
    assert page.evaluate(lamp) != shining


def test_a_lost_bench_is_not_said_to_have_trouble_with_its_disk(bench: Any, served: RunningPage, page_of: Look) -> None:
    page = page_of(url=served.url).page
    page.clock.install()
    bench.publish(waiting=1)  # the last word before the link goes, as when a bench is closed
    page.wait_for_function(f"() => fretledger.snap.version === {bench.shown['version']}")
    served.stop()
    expect(page.locator("#link")).to_contain_text("Connection lost")
    page.clock.run_for(3000)
    expect(page.locator("#warnings")).to_have_text(re.compile("^What you see may be old"))


@pytest.mark.parametrize(("width", "height", "most"), [(820, 1180, 330), (720, 1024, 330)])
def test_an_upright_tablet_wastes_no_room_above_the_neck(
    bench: Any, page: Page, width: int, height: int, most: int
) -> None:
    page.set_viewport_size({"width": width, "height": height})
    bench.publish(flags=[flag(7, "treble")])
    expect(page.locator("#flagged")).to_contain_text("7")
    assert box(page.locator("#neck"))["y"] < most
    page.set_viewport_size({"width": 1280, "height": 720})
