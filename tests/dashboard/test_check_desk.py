"""A gauge checked on the page: typed and sent by the gauge itself, on a real bench."""

import sys
from collections.abc import Callable, Iterator
from pathlib import Path
from typing import Any

import pytest
from playwright.sync_api import Page, expect

from drivers.profiles import load_profiles
from drivers.simulated import SimulatedGauge
from logger.begin import default_gauges
from logger.bench import Bench
from logger.gauge_file import GaugeSpec
from logger.gauges import register
from logger.instrument import parse_instrument
from logger.limits import default_limits
from logger.store import Store

pytestmark = pytest.mark.browser

NECK = parse_instrument(
    'name = "Invented no. 7"\nkind = "steel-string"\nscale_mm = 645\nfrets = 20\ninvented = true\n', where="test"
)
SPEC = GaugeSpec(kind="caliper", resolution_mm=0.01, u_mm=0.004, zero_u_mm=0.003)
SLOW_MS = 20_000
SMALL: dict[str, Any] = {"viewport": {"width": 390, "height": 844}, "has_touch": True, "is_mobile": True}


@pytest.fixture
def bench(tmp_path: Path) -> Iterator[Bench]:
    with Store.create(tmp_path / "s.db") as store:
        for name in ("green", "<b>red</b>"):
            register(store, name, SPEC, source="file")
        here = Bench(store, NECK, default_limits(NECK.kind), specs=default_gauges())
        here.start()
        yield here
        here.stop(reason="test over")


def to_gauge(page: Page, name: str = "green") -> None:
    page.evaluate("(name) => { location.hash = `#all-gauges/${encodeURIComponent(name)}`; }", name)
    expect(page.locator("#gauge-name")).to_have_text(name, timeout=SLOW_MS)


def checks(bench: Bench) -> list[dict[str, Any]]:
    told: list[dict[str, Any]] = bench.door.ask("gauges", {"gauge": "green"})["chosen"]
    return told


def test_by_keyboard_a_check_is_begun_typed_and_judged(bench: Bench, page_of: Callable[..., Any]) -> None:
    looker = page_of(bench.door)
    page = looker.page
    to_gauge(page)
    page.locator(".gauge-steps").get_by_role("button", name="Check it here").press("Enter")
    expect(page.get_by_label("Size 1, mm", exact=True)).to_be_focused()
    page.keyboard.type("10")
    page.keyboard.press("Tab")
    page.keyboard.type("0.001")
    page.get_by_label("Readings of each").fill("2")
    page.get_by_label("Readings of each").press("Enter")
    expect(page.locator(".check-next")).to_contain_text("At zero", timeout=SLOW_MS)
    expect(page.locator("#check-typed")).to_be_focused()
    page.keyboard.type("0.00 0.01")
    page.keyboard.press("Enter")
    expect(page.locator(".check-next")).to_contain_text("At 10.000\u00a0mm", timeout=SLOW_MS)
    page.keyboard.type("10,01")
    page.keyboard.press("Enter")
    expect(page.locator(".check-next")).to_contain_text("reading 2 of 2", timeout=SLOW_MS)
    page.keyboard.type("10.00")
    page.keyboard.press("Enter")
    expect(page.locator("#check-finish")).to_be_focused(timeout=SLOW_MS)
    page.keyboard.press("Enter")
    expect(page.locator("#check-result")).to_be_focused(timeout=SLOW_MS)

    expect(page.locator(".check-desk")).to_contain_text("It reads true within its uncertainty")
    expect(page.locator(".gauge")).to_contain_text("Limits of its own need four checks at the same sizes; there is 1.")
    page.get_by_role("button", name="Done").click()
    expect(page.get_by_label("Size 1, mm", exact=True)).to_be_visible()
    assert bench.recorder.kept().readings == []
    assert looker.problems == []


def test_what_does_not_hold_is_said_and_can_be_mended(bench: Bench, page_of: Callable[..., Any]) -> None:
    page = page_of(bench.door).page
    to_gauge(page)
    page.get_by_label("Size 1, mm", exact=True).fill("ten")
    page.get_by_label("Known to, mm").fill("0.001")
    page.get_by_role("button", name="Begin the check").click()
    said = page.locator(".checking .told-said")
    expect(said).to_contain_text("Not taken: known size 1:", timeout=SLOW_MS)
    page.get_by_label("Size 1, mm", exact=True).fill("10")
    page.get_by_role("button", name="Begin the check").click()
    page.locator("#check-typed").fill("0 0 O")
    page.locator("#check-typed").press("Enter")
    expect(page.locator(".check-desk .told-said").last).to_contain_text("Not taken: a reading:", timeout=SLOW_MS)
    expect(page.locator("#check-typed")).to_have_value("0 0 O")
    page.get_by_role("button", name="Break it off").click()
    expect(page.locator(".check-desk .told-said").last).to_contain_text("Press once more")
    page.get_by_role("button", name="Break it off").click()
    expect(page.get_by_role("button", name="Begin the check")).to_be_visible(timeout=SLOW_MS)
    assert checks(bench)["checks"] == 0


def test_sizes_mean_the_same_in_the_other_unit(bench: Bench, page_of: Callable[..., Any]) -> None:
    page = page_of(bench.door).page
    to_gauge(page)
    page.get_by_label("Size 1, mm", exact=True).fill("12.7")
    page.get_by_label("Known to, mm").fill("0.00254")
    page.locator("#unit-in").click()

    expect(page.get_by_label("Size 1, inch")).to_have_value("0.5")
    expect(page.get_by_label("Known to, inch")).to_have_value("0.0001")
    page.get_by_role("button", name="Begin the check").click()
    expect(page.locator("#check-typed")).to_be_visible(timeout=SLOW_MS)
    assert [size.nominal_nm for size, _ in bench._checks._open.asked] == [0] * 3 + [12_700_000] * 3


@pytest.mark.skipif(sys.platform == "win32", reason="no pseudo-terminals")
def test_the_gauge_sends_its_readings_and_every_page_follows(bench: Bench, page_of: Callable[..., Any]) -> None:
    profile = load_profiles()["caliper-mm"]
    with SimulatedGauge("green", profile=profile) as far:
        bench.add_gauge("green", profile, far.port)
        first = page_of(bench.door)
        second = page_of(url=first.page.url, **SMALL)
        to_gauge(first.page)
        first.page.get_by_role("button", name="Begin the check").click()  # of the zero alone
        expect(second.page.locator("#warnings")).to_contain_text("What green reads goes to its check", timeout=SLOW_MS)
        for value_nm in (0, 10_000, 0):
            far.press(value_nm)
        second.page.get_by_role("link", name="To that check").click()
        expect(second.page.locator(".check-points li")).to_have_count(3, timeout=SLOW_MS)
        second.page.get_by_role("button", name="Judge it").click()
        expect(first.page.locator(".check-desk")).to_contain_text("It reads true", timeout=SLOW_MS)
        assert second.page.evaluate("() => document.scrollingElement.scrollWidth <= innerWidth")
        assert first.problems + second.problems == []
        bench.stop()


def test_what_to_measure_first_is_on_the_screen_once_a_check_is_begun(
    bench: Bench, page_of: Callable[..., Any]
) -> None:
    page = page_of(bench.door, viewport={"width": 1280, "height": 800}).page
    to_gauge(page)
    page.get_by_role("button", name="Another size").click()
    page.get_by_role("button", name="Begin the check").click()
    expect(page.locator(".check-next")).to_be_in_viewport(ratio=1, timeout=SLOW_MS)
    expect(page.locator("#check-typed")).to_be_in_viewport(ratio=1)


def test_an_open_check_of_a_gauge_that_sends_nothing_is_told_on_every_view(
    bench: Bench, page_of: Callable[..., Any]
) -> None:
    page = page_of(bench.door).page
    to_gauge(page)
    page.get_by_role("button", name="Begin the check").click()
    expect(page.locator("#check-typed")).to_be_visible(timeout=SLOW_MS)
    expect(page.locator("#warnings")).not_to_contain_text("The check of")
    for view in ("bench", "fit", "record"):
        page.locator(f"#to-{view}").click()
        expect(page.locator("#warnings")).to_contain_text("The check of green is open and waits", timeout=SLOW_MS)
    page.get_by_role("link", name="To that check").click()
    page.get_by_role("button", name="Break it off").click()
    page.get_by_role("button", name="Break it off").click()
    expect(page.get_by_role("button", name="Begin the check")).to_be_visible(timeout=SLOW_MS)
    page.locator("#to-bench").click()
    expect(page.locator("#warnings")).to_be_empty(timeout=SLOW_MS)


def test_another_gauges_check_is_led_to(bench: Bench, page_of: Callable[..., Any]) -> None:
    page = page_of(bench.door).page
    to_gauge(page, "<b>red</b>")
    page.get_by_role("button", name="Begin the check").click()
    expect(page.locator("#check-typed")).to_be_visible(timeout=SLOW_MS)
    to_gauge(page)

    expect(page.locator(".check-desk")).to_contain_text("A check of <b>red</b> is under way.")
    page.locator(".check-desk").get_by_role("link", name="To that check").click()
    expect(page.locator("#check-typed")).to_be_visible(timeout=SLOW_MS)


def test_the_error_found_is_taken_off_on_the_page(bench: Bench, page_of: Callable[..., Any]) -> None:
    page = page_of(bench.door).page
    to_gauge(page)
    page.get_by_label("Size 1, mm", exact=True).fill("10")
    page.get_by_label("Known to, mm").fill("0.001")
    page.get_by_role("button", name="Begin the check").click()
    page.locator("#check-typed").fill("0 0 0 10.1 10.1 10.1")
    page.locator("#check-typed").press("Enter")
    page.get_by_role("button", name="Judge it").click()
    expect(page.locator(".check-desk [data-verdict=fail]")).to_contain_text(
        "too much at 10.000\u00a0mm", timeout=SLOW_MS
    )
    page.get_by_role("button", name="Take the error found off").click()

    expect(page.locator(".check-desk")).to_contain_text("subtracted from its readings", timeout=SLOW_MS)
    expect(page.locator(".gauge")).to_contain_text("Known error", timeout=SLOW_MS)


def test_a_study_has_its_command_to_copy_and_why(bench: Bench, page_of: Callable[..., Any]) -> None:
    page = page_of(bench.door).page
    to_gauge(page)
    command = page.locator("#do-begin-study")
    expect(command).to_contain_text("fretledger gauges study green --page --store ")
    expect(page.locator(".gauge")).to_contain_text("A study is a sitting of its own")
    copy, said = (page.locator(f"#do-begin-study + .copying {one}") for one in ("button", "[role=status]"))
    copy.click()
    expect(said).to_have_text("Copied.")
    page.evaluate("() => Object.defineProperty(navigator, 'clipboard', {value: undefined})")  # as on a tablet's http
    copy.click()
    expect(said).to_have_text("It is selected: copy it with Ctrl-C.")
    assert page.evaluate("() => getSelection().toString()").startswith("fretledger gauges study green")
