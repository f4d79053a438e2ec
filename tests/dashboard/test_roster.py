"""The view Gauges on a store of eight invented gauges, in a real browser."""

import threading
from collections.abc import Callable, Iterator
from typing import Any

import pytest
from playwright.sync_api import Page, expect

from logger.begin import keep_instrument
from logger.gauge_account import GaugeAccounts
from logger.gauge_file import GaugeSpec
from logger.gauges import register
from logger.guided_study import begin
from logger.instrument import parse_instrument
from logger.looking import Looking
from logger.store import ReadingRow, SessionEnd, SessionGauge, SessionRow, Store, TakeBack
from logger.study_session import Wish

pytestmark = pytest.mark.browser
Keep = Callable[..., None]
DAY_NS = 86_400_000_000_000
NOW_NS = 1_790_000_000_000_000_000
SPEC = GaugeSpec(kind="caliper", resolution_mm=0.01, u_mm=0.004, zero_u_mm=0.003)
DEPTH = GaugeSpec(kind="depth_indicator", resolution_mm=0.001, u_mm=0.003, zero_u_mm=0.002)
LONG = '<b>long</b> & "odd" ' + "0123456789" * 18
MANY = 500
SLOW_MS = 20_000
LIVE = {
    "kind": "caliper", "words": "caliper", "status": "alive", "since": "2026-05-06T14:00:00+00:00", "detail": "",
    "readings": 3, "unreadable": 0, "last_raw": "1.203", "captured": False, "steadiness": None,
}  # fmt: skip
CONNECTED = {
    "green": {"profile": "caliper-mm", "port": "port 1", "bluetooth": False},
    "air": {"profile": "indicator-radio", "port": "AA:BB:CC:00:11:22", "bluetooth": True},
}
WORTH = '{"resolution_mm": 0.001, "u_mm": 0.003, "zero_u_mm": 0.002}'


def _study(store: Store) -> None:
    """Keep a study of green of four parts, three trials and two people that is complete."""
    green = register(store, "green", SPEC, source="file")
    study = begin(store, green, Wish(parts=["1", "2", "3", "4"], people=["one", "two"], trials=3, seed=1), anew=False)
    store.put(SessionGauge(session=study.session, gauge="green", kind="caliper", description=WORTH,
                           profile="caliper-mm", profile_sha256="0"))  # fmt: skip
    for number, item in enumerate(study.plan.items(), start=1):
        part, place = item.feature.fret or 0, item.feature.place
        nm = 1_000_000 + 300_000 * part + 2_000 * ((number * 7) % 5) + (3_000 if place == "two" else 0)
        store.put(ReadingRow(session=study.session, gauge="green", sequence=number, kind="study", fret=part,
                             place=place, round=item.feature.trial, value_nm=nm, unit="mm", raw=b"", status="ok",
                             taken_at_ns=NOW_NS - 9 * DAY_NS + number, monotonic_ns=number))  # fmt: skip
    store.put(SessionEnd(session=study.session, at_ns=NOW_NS, reason="complete"))


def _sitting(store: Store) -> str:
    """Keep a sitting in which the zero of green moved, and one reading was taken back."""
    neck = parse_instrument('name = "Invented"\nscale_mm = 645.0\nfrets = 20\ninvented = true\n', where="a test")
    identity, revision = keep_instrument(store, neck)
    store.put(SessionRow(id="now", instrument=identity, revision=revision, started_at_ns=NOW_NS, monotonic_ns=0,
                         boot_id="b", software="a test"))  # fmt: skip
    for name in ("green", "air", LONG, "typed caliper", "leaves"):
        kind = {"air": "depth_indicator", "leaves": "leaves"}.get(name, "caliper")
        store.put(SessionGauge(session="now", gauge=name, kind=kind, description=WORTH, profile="", profile_sha256=""))
    rows = [("gauge_zero", "wire, before", 0), ("tang_thickness", None, 520_000), ("gauge_zero", "wire, after", 50_000)]
    for number, (kind, place, nm) in enumerate(rows, start=1):
        store.put(ReadingRow(session="now", gauge="green", sequence=number, kind=kind, place=place, round="wire",
                             value_nm=nm, unit="mm", raw=b"", status="ok", taken_at_ns=NOW_NS + number,
                             monotonic_ns=number))  # fmt: skip
    store.put(TakeBack(session="now", number=1, gauge="green", sequence=2, at_ns=NOW_NS, who="", why="slipped"))
    return "now"


@pytest.fixture(scope="module")
def kept(tmp_path_factory: pytest.TempPathFactory, keep_check: Keep) -> Iterator[Looking]:
    """Eight gauges: one studied and connected, one by radio, one with 500 checks, one with a long odd name..."""
    with Store.create(tmp_path_factory.mktemp("roster") / "s.db") as store:
        for name, spec in (("green", SPEC), ("air", DEPTH), ("old", SPEC), ("many", DEPTH), (LONG, SPEC),
                           ("bare", GaugeSpec(kind="caliper", resolution_mm=0.01))):  # fmt: skip
            register(store, name, spec, source="file", due_days=60)
        for month, off in enumerate((0.0, 0.001, -0.001, 0.0, 0.001, 0.06)):
            keep_check(store, "old", SPEC, at_ns=NOW_NS - (300 - 50 * month) * DAY_NS, off_mm=off)
        for number in range(MANY):
            off = (number * 37 % 11 - 5) * 0.0003
            keep_check(store, "many", DEPTH, at_ns=NOW_NS - (MANY - number) * DAY_NS, off_mm=off, wait=False)
        keep_check(store, "green", SPEC, at_ns=NOW_NS - DAY_NS, off_mm=0.001)
        _study(store)
        session = _sitting(store)
        accounts = GaugeAccounts(current=session, connected=lambda: CONNECTED, clock=lambda: NOW_NS)
        yield Looking(store.path, current=session, gauges=accounts)


@pytest.fixture(scope="module")
def looked(stage: Any, kept: Looking) -> Any:
    bench, looker = stage
    bench.door._on_question = kept.ask
    return bench, looker


@pytest.fixture
def page(looked: Any, neck: dict[str, Any]) -> Iterator[Page]:
    """The view of gauges in mm, with green and air connected; no complaint so far."""
    bench, looker = looked
    page: Page = looker.page
    page.evaluate("() => { location.hash = '#bench'; }")
    bench.begin(**{**neck, "next": {**neck["next"], "gauge": ""}})
    bench.publish(gauges=[{**LIVE, "name": "green"}, {**LIVE, "name": "air", "kind": "depth_indicator"}])
    looker.problems.clear()
    page.locator("#unit-mm").click()
    page.locator("#to-all-gauges").click()
    expect(page.locator("#gauge-name")).to_be_visible(timeout=SLOW_MS)
    yield page
    assert looker.problems == []


def _pick(page: Page, name: str) -> None:
    page.locator(".gauge-pick", has=page.get_by_text(name, exact=True)).click()
    expect(page.locator("#gauge-name")).to_have_text(name, timeout=SLOW_MS)


def test_every_gauge_is_listed_and_the_one_in_doubt_is_shown(page: Page) -> None:
    names = page.locator(".gauge-pick .name")
    expect(names).to_have_text(["green", "air", LONG, "old", "many", "bare", "typed caliper", "leaves"])
    how = page.locator(".gauge-pick .how")
    expect(how).to_have_text(["alive", "alive", *["not connected"] * 4, "typed", "typed"])
    expect(page.locator("#gauge-name")).to_have_text("green")
    expect(page.locator("[aria-current=true]")).to_contain_text("In doubt: Zero it and take readings again")


def test_its_zero_its_study_and_its_sittings_are_told(page: Page) -> None:
    shown = page.locator(".gauge")
    expect(shown).to_contain_text("serial port port 1")
    expect(shown).to_contain_text("+0.0500\u00a0mm from its first zero of this sitting, 2 taken")
    expect(shown.locator(".moved")).to_contain_text("during Wire")
    expect(shown.locator(".spreads tr")).to_have_count(6)
    expect(shown).to_contain_text("4 parts, 2 people, 3 readings of each")
    numbers = shown.locator(".looked").last.locator("dd")
    expect(numbers).to_have_text(["2", "27", "1", "0", "0"])  # sittings, readings, taken back, kept, asked about


def test_how_a_gauge_is_now_follows_the_bench(looked: Any, page: Page) -> None:
    bench = looked[0]
    lost = {"status": "lost", "detail": "<i>unplugged</i>", "battery_percent": 9}
    bench.publish(gauges=[{**LIVE, "name": "green", **lost}])
    first = page.locator(".gauge-steps li").first
    expect(first).to_contain_text("See to its connection")
    expect(first).to_contain_text("<i>unplugged</i>")
    expect(page.locator(".gauge-steps .caution")).to_contain_text("dangerous when swallowed")
    expect(page.locator(".gauge-pick .alive").first).to_have_attribute("data-status", "lost")
    bench.publish(gauges=[{**LIVE, "name": "green"}], next={"kind": "gauge_zero", "gauge": "", "gauge_kind": "caliper",
                                                         "words": "wire, before: zero of the gauge", "fret": None,
                                                         "place": "wire, before", "how": "", "gauge_words": "caliper",
                                                         "repeat": 1, "of": 1, "bracket": False})  # fmt: skip
    expect(page.locator(".gauge-steps li").first).to_contain_text("The bench asks for its zero now")
    page.get_by_role("link", name="To the bench").click()
    expect(page.locator("#view-bench")).to_be_visible()


def test_checks_are_drawn_along_time_between_their_limits_the_worst_first(page: Page) -> None:
    _pick(page, "old")
    expect(page.locator(".over-time .mark")).to_have_count(6 + 2)  # two of them in the key
    expect(page.locator(".plot .mark[data-place=out]")).to_have_count(1)
    expect(page.get_by_role("img", name="Mean error at each of 6 checks")).to_be_visible()
    band = page.locator(".plot .span").bounding_box() or {}
    marks = [one.bounding_box() or {} for one in page.locator(".plot .mark .outline").all()]
    middles = [one["y"] + one["height"] / 2 for one in marks]
    inside = [band["y"] < middle < band["y"] + band["height"] for middle in middles]
    assert inside == [True] * 5 + [False]
    expect(page.locator(".worst li").first).to_contain_text("0.0600\u00a0±\u00a00.0099\u00a0mm too much at 10.000 mm")
    expect(page.locator(".worst li").first).to_contain_text("Fail")
    since = "What it read since its last good check, 13 Jun 2026, is in doubt."
    expect(page.locator(".gauge-steps")).to_contain_text(since)
    page.locator(".gauge-steps").get_by_role("button", name="Check it here").first.click()
    expect(page.get_by_label("Size 1, mm", exact=True)).to_be_focused()
    sizes = [one.input_value() for one in page.locator(".known-size input").all()]
    assert sizes == ["1", "0.0005", "10", "0.0005"]  # as at its last check
    page.locator("#unit-in").click()
    expect(page.locator(".worst li").first).to_contain_text("0.00236\u00a0±\u00a00.00039\u00a0in too much at 0.3937 in")


def test_five_hundred_checks_are_one_picture(page: Page) -> None:
    _pick(page, "many")
    expect(page.locator(".plot .mark")).to_have_count(MANY)
    expect(page.locator(".plot .band")).to_have_count(1)
    expect(page.locator(".worst li")).to_have_count(8)
    expect(page.locator(".gauge-steps")).to_contain_text("Nothing: it is in good order")
    page.get_by_text(f"All {MANY} checks at these sizes as numbers").click()
    expect(page.locator(".figures.checks tbody tr")).to_have_count(MANY)


def test_a_gauge_never_checked_says_so_and_how(page: Page) -> None:
    _pick(page, "bare")
    expect(page.locator(".gauge")).to_contain_text("It was never checked here.")
    expect(page.locator(".gauge-steps").get_by_role("button", name="Check it here")).to_be_visible()
    expect(page.locator(".gauge-steps")).to_contain_text("Find out how far its readings repeat")
    expect(page.locator(".gauge")).to_contain_text("not known: every verdict with it says measure again")


def test_the_view_is_used_with_keys_alone(page: Page) -> None:
    page.locator(".gauge-pick").nth(2).focus()
    page.keyboard.press("Tab")
    page.keyboard.press("Enter")
    expect(page.locator("#gauge-name")).to_have_text("old", timeout=SLOW_MS)
    expect(page.locator("#gauge-name")).to_be_focused()


@pytest.mark.parametrize("width", [360, 1000, 2560])
def test_all_of_it_fits_every_screen_and_every_finger(page: Page, width: int) -> None:
    page.set_viewport_size({"width": width, "height": 800})
    for name in ("old", LONG, "green"):
        _pick(page, name)
        page.locator("#view-all-gauges details").evaluate_all("(all) => { for (const one of all) one.open = true; }")
        assert page.evaluate("() => document.documentElement.scrollWidth") <= width
        within = "(card) => card.scrollWidth <= card.clientWidth + 1"
        assert page.evaluate(f"() => [...document.querySelectorAll('#view-all-gauges .card')].every({within})")
        touched = page.locator("#view-all-gauges :is(a, summary, button)")
        assert touched.evaluate_all("(all) => Math.min(...all.map((one) => one.getBoundingClientRect().height))") >= 44
    page.set_viewport_size({"width": 1280, "height": 720})


@pytest.mark.parametrize("theme", ["light", "dark"])
def test_no_gauge_breaks_a_rule(page: Page, broken: Callable[[Page], list[str]], theme: str) -> None:
    if page.locator("html").get_attribute("data-theme") != theme:
        page.locator("#dark").click()
    for name in ("green", "old"):
        _pick(page, name)
        assert broken(page) == []


def test_without_a_gauge_the_view_leads_on(looked: Any, page: Page, kept: Looking) -> None:
    bench = looked[0]
    bench.door._on_question = lambda *_: {"gauges": [], "chosen": None, "trouble": "gauges.toml must be TOML"}
    try:
        bench.publish(gauges=[])
        expect(page.locator("#view-all-gauges")).to_contain_text("No gauge is known yet", timeout=SLOW_MS)
        expect(page.locator("#view-all-gauges [role=alert]")).to_have_text("gauges.toml must be TOML")
        expect(page.locator("#view-all-gauges pre")).to_contain_text("fretledger gauges listen PORT")
    finally:
        bench.door._on_question = kept.ask


def test_an_unknown_gauge_is_told(looked: Any, page: Page) -> None:
    page.evaluate("() => { location.hash = '#all-gauges/none'; }")
    said = page.locator("#view-all-gauges [role=alert]")
    expect(said).to_contain_text("this bench knows no gauge 'none'", timeout=SLOW_MS)
    assert looked[1].problems == []


def test_a_gauge_picked_while_another_is_asked_for_is_shown(looked: Any, page: Page, kept: Looking) -> None:
    asked, go_on = threading.Event(), threading.Event()

    def slowly(what: str, wanted: Any) -> Any:
        if wanted.get("gauge") == "air":
            asked.set()
            assert go_on.wait(20)
        return kept.ask(what, wanted)

    looked[0].door._on_question = slowly
    try:
        page.evaluate("() => { location.hash = '#all-gauges/air'; }")
        assert asked.wait(20)
        page.evaluate("() => { location.hash = '#all-gauges/bare'; }")
        go_on.set()
        expect(page.locator("#gauge-name")).to_have_text("bare", timeout=SLOW_MS)
    finally:
        looked[0].door._on_question = kept.ask
