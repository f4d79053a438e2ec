"""The gauges on the page: alive, silent or lost since when, battery, settling, what came last; and the press."""

import re
from collections.abc import Callable
from typing import Any

import pytest
from playwright.sync_api import Page, expect

pytestmark = pytest.mark.browser


@pytest.fixture
def bench(shared: Any) -> Any:
    return shared[0]


@pytest.fixture
def page(shared: Any) -> Page:
    page: Page = shared[1].page
    page.evaluate("() => document.activeElement?.blur()")
    return page


@pytest.fixture
def show(bench: Any, page: Page) -> Callable[..., Any]:
    """Show the neck's first gauge with some of it changed, and return where it stands on the page."""
    first = bench.shown["gauges"][0]

    def change(**changes: Any) -> Any:
        bench.publish(gauges=[{**first, **changes}])
        page.wait_for_function(f"() => fretledger.snap.version === {bench.shown['version']}")
        return page.locator("[data-gauge=depth]")

    return change


@pytest.fixture
def still(show: Callable[..., Any], page: Page) -> None:
    """Show a captured gauge that is still, and wait until a press can take its value."""
    show(captured=True, steadiness=steady("settled", 1.0))
    expect(page.locator("#take-now")).to_be_visible()


def steady(phase: str, fraction: float) -> dict[str, Any]:
    return {"phase": phase, "fraction": fraction, "why": "still for 0.4 s with 20 of at least 5 samples"}


@pytest.mark.parametrize("status", ["silent", "lost"])
def test_a_gauge_that_says_nothing_is_told_with_since_when_and_why(
    show: Callable[..., Any], page: Page, status: str
) -> None:
    gauge = show(status=status, detail="nothing came for 8.0 s; switch the gauge on")
    clock = page.evaluate("() => fretledger.clock('2025-05-06T14:00:00+00:00')")

    expect(gauge).to_have_attribute("data-status", status)
    expect(gauge.locator("b")).to_have_text(f"{status} since {clock}")
    expect(gauge.locator(".detail")).to_have_text("Nothing came for 8.0 s; switch the gauge on")
    expect(gauge.locator(".detail")).to_be_visible()
    show(status="alive")
    expect(gauge.locator("b")).to_have_text("alive")
    expect(gauge.locator(".detail")).to_be_hidden()


@pytest.mark.parametrize(
    ("percent", "text", "low"),
    [
        (80, "battery 80 %", False),
        (15, "battery 15 %", False),
        (14, "battery low, 14 %", True),
        (0, "battery low, 0 %", True),
    ],
)
def test_a_battery_is_low_under_15_percent(show: Callable[..., Any], percent: int, text: str, low: bool) -> None:
    battery = show(battery_percent=percent).locator(".battery")

    expect(battery).to_have_text(text)
    assert (battery.get_attribute("data-low") is not None) is low


def test_a_gauge_that_tells_no_battery_shows_none(show: Callable[..., Any]) -> None:
    expect(show(battery_percent=None).locator(".battery")).to_have_count(0)


@pytest.mark.parametrize(("readings", "unreadable", "many"), [(120, 60, False), (3, 4, False), (4, 9, True)])
def test_unreadable_lines_are_explained_and_stand_out_where_they_are_many(
    show: Callable[..., Any], readings: int, unreadable: int, many: bool
) -> None:
    gauge = show(readings=readings, unreadable=unreadable)
    expect(gauge.locator(".unreadable")).to_have_text(f"{unreadable} unreadable")
    assert (gauge.locator(".unreadable").get_attribute("data-many") == "yes") is many
    gauge.locator("summary").click()
    expect(gauge.locator(".says")).to_contain_text(
        f"lines that were no reading, and are not kept: {unreadable}; where a"
    )
    expect(gauge.locator(".says")).to_contain_text("the demo has its line disturbed on purpose")
    gauge.locator("summary").click()


def test_what_came_last_is_in_the_details_which_stay_open(show: Callable[..., Any]) -> None:
    gauge = show(last_raw="01A0.59\\xff")
    expect(gauge.locator(".says")).to_be_hidden()
    gauge.locator("summary").click()
    expect(gauge.locator(".says")).to_have_text(re.compile(r"last came: 01A0\.59\\xff$"))
    expect(gauge.locator(".says")).to_be_visible()
    for count in (4, 5):
        show(readings=count, last_raw=f"0.{count}")
        expect(gauge.locator(".says")).to_have_text(re.compile(rf"{count} readings; last came: 0\.{count}$"))
        expect(gauge.locator(".says")).to_be_visible()
    gauge.locator("summary").click()
    expect(gauge.locator(".says")).to_be_hidden()


@pytest.mark.parametrize(
    ("phase", "fraction", "words"),
    [
        ("away", 0.0, "moves"),
        ("settling", 0.4, "settles"),
        ("settled", 1.0, "still"),
        ("held", 1.0, "taken; lift it for"),
    ],
)
def test_a_captured_gauge_shows_how_far_it_has_settled(
    show: Callable[..., Any], phase: str, fraction: float, words: str
) -> None:
    gauge = show(captured=True, steadiness=steady(phase, fraction))

    expect(gauge.locator(".phase")).to_have_text(re.compile(f"^{words}"))
    bar = gauge.get_by_role("progressbar", name="How far depth has settled")
    expect(bar).to_have_js_property("value", fraction)


def test_settling_moves_nothing_and_builds_nothing_anew(show: Callable[..., Any], page: Page) -> None:
    gauge = show(captured=True, steadiness=None)
    expect(page.locator("#gauges [data-gauge]")).to_have_count(1)
    expect(page.locator("#take-now")).to_be_visible()
    page.evaluate("() => { window.bar = document.querySelector('#gauges progress'); }")
    places = "() => ['neck', 'next', 'typed'].map((id) => document.getElementById(id).getBoundingClientRect().y)"
    before = page.evaluate(places)
    for step in range(11):
        show(captured=True, steadiness=steady("settling", step / 10))
        expect(gauge.get_by_role("progressbar")).to_have_js_property("value", step / 10)
        assert page.evaluate("() => window.bar.isConnected")
    show(captured=True, steadiness=steady("held", 1.0))
    expect(gauge.locator(".phase")).to_have_text(re.compile("^taken"))
    assert page.evaluate(places) == before


@pytest.mark.parametrize("more", [{"captured": False}, {"captured": True, "status": "lost"}])
def test_there_is_no_bar_and_no_button_without_a_captured_gauge_alive(
    show: Callable[..., Any], bench: Any, page: Page, more: dict[str, Any]
) -> None:
    gauge = show(**more)
    expect(gauge).to_have_attribute("data-status", more.get("status", "alive"))
    expect(gauge.locator(".settling")).to_be_hidden()
    expect(page.locator("#take-now")).to_be_hidden()
    page.keyboard.press("F4")
    page.keyboard.press("Space")
    page.keyboard.press("F2")
    assert bench.wait_for(1) == [{"do": "repeat"}]


@pytest.mark.parametrize("press", ["F4", "Space", "button"])
def test_a_press_takes_the_settled_value(still: None, bench: Any, page: Page, press: str) -> None:
    expect(page.locator("#take-now")).to_have_text(re.compile(r"^Take now\s*F4$"))
    if press == "button":
        page.locator("#take-now").click()
    else:
        page.keyboard.press(press)
    assert bench.wait_for(1) == [{"do": "trigger"}]


def test_a_space_in_the_field_is_typed_and_one_on_a_button_presses_the_button(
    still: None, bench: Any, page: Page
) -> None:
    page.locator("#typed").click()
    page.keyboard.type("0.55 0.60")
    expect(page.locator("#typed")).to_have_value("0.55 0.60")
    page.keyboard.press("Escape")
    page.locator("#repeat").focus()
    page.keyboard.press("Space")
    assert bench.wait_for(1) == [{"do": "repeat"}]


def test_a_key_that_is_held_down_is_one_press(still: None, bench: Any, page: Page) -> None:
    for _ in range(5):
        page.keyboard.down(" ")
    page.keyboard.up(" ")
    page.keyboard.press("F2")
    assert bench.wait_for(2) == [{"do": "trigger"}, {"do": "repeat"}]


def test_a_press_that_does_not_get_through_is_said_and_never_sent_later(still: None, bench: Any, page: Page) -> None:
    page.route("**/act", lambda route: route.abort())
    page.keyboard.press("Space")
    expect(page.locator("#said")).to_have_text(re.compile("^The press did not get through in time; look whether"))
    expect(page.locator("#said")).to_have_attribute("data-done", "no")
    page.unroute("**/act")
    page.keyboard.press("F2")
    assert bench.wait_for(1) == [{"do": "repeat"}]
    page.wait_for_timeout(1000)  # longer than the queue waits before it sends again
    assert bench.asked == [{"do": "repeat"}]
