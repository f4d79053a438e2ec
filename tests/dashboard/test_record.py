"""The views Record and Rack over a real store, in a real browser."""

import json
import re
from collections.abc import Callable, Iterator
from pathlib import Path
from typing import Any

import pypdfium2
import pytest
from cryptography.hazmat.primitives.asymmetric.ed25519 import Ed25519PrivateKey
from playwright.sync_api import Page, Route, expect

from logger.begin import keep_instrument
from logger.door import Answer, Door
from logger.instrument import parse_instrument
from logger.limits import default_limits, limits_toml
from logger.looking import Looking
from logger.sealing.keys import SigningKey
from logger.sealing.seal import choose, seal
from logger.store import ReadingRow, SessionEnd, SessionGauge, SessionRow, Store, StoreEvent

pytestmark = pytest.mark.browser

NECK = 'name = "{name}"\nkind = "steel-string"\ninvented = true\nscale_mm = 645.0\nfrets = 20\njoin_fret = 14\n'
WORTH = '{"resolution_mm": 0.001, "u_mm": 0.003, "zero_u_mm": 0.002}'
DAY_NS = 86_400 * 10**9
EVEN = {"bass": 1.10, "centre": 1.10, "treble": 1.10}
PROUD = {"bass": 1.10, "centre": 1.10, "treble": 1.25}
LOOKED_MS = 20_000


def visit(store: Store, name: str, session: str, seated: dict[str, float], *, day: int, frets: range) -> None:
    """Keep an ended session that measured the seated heights of some frets, all alike."""
    neck = parse_instrument(NECK.format(name=name), where="a test")
    identity, revision = keep_instrument(store, neck)
    begun = (20_000 + day) * DAY_NS
    store.put(SessionRow(id=session, instrument=identity, revision=revision, started_at_ns=begun, monotonic_ns=0,
                         boot_id="b", software="a test", limits=limits_toml(default_limits(neck.kind))))  # fmt: skip
    store.put(SessionGauge(session=session, gauge="depth", kind="depth_indicator", description=WORTH, profile="p",
                           profile_sha256="0"))  # fmt: skip
    every = [(fret, place, mm) for fret in frets for place, mm in seated.items()]
    for number, (fret, place, mm) in enumerate(every, start=1):
        store.put(ReadingRow(session=session, gauge="depth", sequence=number, kind="seated_height", fret=fret,
                             place=place, round="1", value_nm=round(mm * 1e6), unit="mm", raw=b"", status="ok",
                             taken_at_ns=begun + number, monotonic_ns=number))  # fmt: skip
    store.put(SessionEnd(session=session, at_ns=begun + 10**9, reason="done"))


EVENTS = (
    ("recovered", {"store": "s", "file_sha256": "ab" * 32, "log_sha256": "", "witnessed": True,
                   "lost": {"reading": 3, "skip": 1}, "changed": {}}),
    ("recovered", {"store": "", "file_sha256": "cd" * 32, "log_sha256": "", "witnessed": False, "lost": {},
                   "changed": {}}),
    ("counted", {"because": "no witness lay beside the store when it was opened"}),
)  # fmt: skip
"""A store that was recovered twice, and then lost its witness."""


def sealed(store: Store, name: str) -> None:
    """Seal all sessions of an instrument."""
    with store.reader() as reader:
        sessions = choose(reader, session=None, name=name)
    key = SigningKey(Ed25519PrivateKey.from_private_bytes(b"\x01" * 32))
    seal(store, sessions, key, certificate=None, software="a test", now_ns=20_100 * DAY_NS)


@pytest.fixture(scope="module")
def door(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Door]:
    """A door to a store with a neck visited twice, another one, and one whose name is markup."""
    path: Path = tmp_path_factory.mktemp("rack") / "s.db"
    with Store.create(path) as store:
        visit(store, "Reed no. 1", "first", PROUD, day=0, frets=range(5, 17))
        visit(store, "Ärmel no. 2", "other", EVEN, day=1, frets=range(7, 8))
        visit(store, "<b>bold</b>", "markup", EVEN, day=2, frets=range(7, 8))
        visit(store, "Reed no. 1", "second", EVEN, day=40, frets=range(5, 17))
        sealed(store, "Ärmel no. 2")
        for number, (kind, told) in enumerate(EVENTS, start=1):
            store.put(
                StoreEvent(
                    number=number, at_ns=20_000 * DAY_NS + number * 1000, kind=kind, description=json.dumps(told)
                )
            )
        sealed(store, "<b>bold</b>")
    made = Door(lambda _id, _action: Answer(done=True), Looking(path, current="second").ask)
    yield made
    made.close()


@pytest.fixture
def opened(door: Door, page_of: Callable[..., Any], neck: dict[str, Any]) -> Callable[..., Any]:
    """Open a view at an address and return its page with what it complained of."""

    def look(where: str, **context: Any) -> Any:
        door.publish({
            "version": door.snapshot()["version"] + 1,
            "store": "s",
            "boot": "b",
            "seq": 0,
            "bad_seq": 0,
            **neck,
        })
        looker = page_of(door, **context)
        looker.page.evaluate("(where) => { location.hash = where; }", where)
        name = where.split("/", maxsplit=1)[0]
        expect(looker.page.locator(f"#view-{name} h2").first).to_be_visible(timeout=LOOKED_MS)
        return looker

    return look


def rows(page: Page) -> list[str]:
    return page.locator("#view-rack .racked h3 > span:first-child").all_inner_texts()


def test_the_rack_is_newest_first_and_markup_is_text(opened: Callable[..., Any]) -> None:
    looker = opened("rack")
    page = looker.page
    expect(page.locator(".racked")).to_have_count(3)
    assert rows(page) == ["Reed no. 1", "<b>bold</b>", "Ärmel no. 2"]
    expect(page.locator("[data-visit=second] .outcome")).to_contain_text("pass", timeout=LOOKED_MS)
    assert looker.problems == []


def test_search_follows_the_keys_and_keeps_the_focus(opened: Callable[..., Any]) -> None:
    page = opened("rack").page
    page.locator("#rack-find").focus()
    page.keyboard.type("äRM")
    expect(page.locator(".racked")).to_have_count(1)
    assert rows(page) == ["Ärmel no. 2"]
    assert page.evaluate("() => document.activeElement.id") == "rack-find"
    page.keyboard.type("q")
    expect(page.locator(".rack .shown")).to_contain_text("No instrument here")


def test_failed_are_found_once_they_were_judged(opened: Callable[..., Any]) -> None:
    page = opened("rack").page
    page.locator("[data-instrument] summary").first.press("Enter")
    page.evaluate("() => fretledger.look('outcome', {id: 'first'})")
    expect(page.locator("[data-visit=markup] .outcome")).to_contain_text("pass", timeout=LOOKED_MS)
    page.locator("[data-rack-state=failed]").press("Enter")
    expect(page.locator(".rack .judged")).to_have_text("All 4 visits are judged.")
    expect(page.locator(".racked")).to_have_count(0)  # the newest visit of each passes
    page.locator("[data-rack-state=ended]").click()
    expect(page.locator(".racked")).to_have_count(3)
    expect(page.locator("[data-rack-state=ended]")).to_have_attribute("aria-pressed", "true")


def test_two_visits_are_compared_in_the_unit_that_is_shown(opened: Callable[..., Any]) -> None:
    page = opened("rack").page
    page.locator(".racked", has_text="Reed").locator("summary").first.press("Enter")
    page.locator("form.compare button").press("Enter")
    compared = page.locator(".compared")
    expect(compared).to_contain_text("40 days apart; 36 failed before, 0 after", timeout=LOOKED_MS)
    proud = compared.locator("tr", has_text="Fret end").filter(has_text="Fret 7, treble")
    expect(proud.locator("td").nth(2)).to_have_text(re.compile(r"Fail\s*0\.150 ± 0\.008"))
    expect(proud.locator("td").nth(3)).to_have_text(re.compile(r"Pass\s*0\.000 ± 0\.008"))
    expect(compared.locator("tr", has_text="Fret 7, treble").last).to_be_attached()
    expect(compared).to_contain_text("−0.150 ± ")
    page.locator("#unit-in").click()
    expect(compared).to_contain_text("−0.0059 ± ")
    expect(compared).to_contain_text("change, in")


def test_visits_stay_open_when_a_reading_comes(opened: Callable[..., Any]) -> None:
    page = opened("rack").page
    row = page.locator(".racked", has_text="Reed")
    row.locator("summary").press("Enter")
    one_more_comes(page)
    expect(row.locator(".when").first).to_contain_text("99 readings")
    expect(row.locator("details")).to_have_attribute("open", "")


def one_more_comes(page: Page) -> None:
    """Tell the rack of a reading that came in the newest visit."""

    def one_more(route: Route) -> None:
        told = route.fetch().json()
        visit = next(one for one in told["instruments"] if one["name"].startswith("Reed"))["sessions"][0]
        visit["readings"] = 99
        route.fulfill(json=told)

    page.route("**/look/rack*", one_more)
    page.evaluate("() => fretledger.lookAgain()")


def test_a_comparison_stays_and_is_asked_again_when_a_reading_comes(opened: Callable[..., Any]) -> None:
    """The visits chosen, what was found, what is open and the focus are as before; the bench is asked what changed."""
    looker = opened("rack")
    page = looker.page
    row = page.locator(".racked", has_text="Reed")
    row.locator("summary").first.press("Enter")
    earlier, later = (row.locator(f"[data-side=compare_{name}]") for name in ("earlier", "later"))
    earlier.select_option("second")
    later.select_option("first")
    row.locator("form.compare button").press("Enter")
    expect(row.locator(".compared")).to_contain_text("0 failed before, 36 after", timeout=LOOKED_MS)
    row.locator(".compared summary").press("Enter")
    later.focus()
    with page.expect_request("**/look/compare*"):
        one_more_comes(page)
    expect(row.locator(".when").first).to_contain_text("99 readings")
    expect(row.locator(".compared")).to_contain_text("0 failed before, 36 after")
    expect(row.locator(".compared details")).to_have_attribute("open", "")
    assert (earlier.input_value(), later.input_value()) == ("second", "first")
    expect(later).to_be_focused()
    assert looker.problems == []


def test_the_record_is_drawn_when_it_has_a_width_and_again_with_another(opened: Callable[..., Any]) -> None:
    page = opened("rack", viewport={"width": 1280, "height": 800}).page
    heights = [{"fret": fret, "place": "centre", "height_mm": 0.01 * fret, "u_mm": 0.002} for fret in (5, 6, 7)]
    page.route("**/look/record*", lambda route: route.fulfill(json=route.fetch().json() | {"profile": heights}))
    hidden = page.add_style_tag(content="#view-record { display: none !important; }")

    with page.expect_response(re.compile("/look/record")):
        page.evaluate("() => { location.hash = 'record/first'; }")

    expect(page.locator("#view-record .whole-record")).to_be_attached()
    expect(page.locator("#view-record .tops")).to_have_count(0)
    hidden.evaluate("(node) => node.remove()")
    drawn = page.locator("#view-record .tops .plot svg")
    for width, drawn_wide in ((1280, re.compile("^0 0 1[12]")), (700, re.compile("^0 0 6"))):
        page.set_viewport_size({"width": width, "height": 800})
        expect(drawn).to_have_attribute("viewBox", drawn_wide)


def test_a_row_opens_the_record_of_its_visit(opened: Callable[..., Any]) -> None:
    looker = opened("rack")
    page = looker.page
    page.locator(".racked", has_text="Reed").locator("summary").first.click()
    page.locator("[data-visit=first] a", has_text="Record").press("Enter")
    assert page.url.endswith("#record/first")
    expect(page.locator("[data-count=fail] b")).to_have_text("36", timeout=LOOKED_MS)
    assert looker.problems == []


def test_the_record_has_the_worst_first_and_the_rest_folded(opened: Callable[..., Any]) -> None:
    looker = opened("record/first")
    page = looker.page
    expect(page.locator("#view-record .invented")).to_contain_text("Invented instrument: it does not exist")
    expect(page.locator(".fails .text").first).to_have_text(
        "Fret 5 treble end stands proud by 0.150\xa0±\xa00.008\xa0mm"
    )
    expect(page.locator('td[data-worst-of="fail"]')).to_have_count(24)  # 12 treble ends, 12 whole frets
    expect(page.locator("td[data-worst-of=fail] .unseen").first).to_have_text("Fret 5, treble: Fail, proud ends")
    folded = page.locator(".verdicts details table")
    expect(folded).to_be_hidden()
    page.locator(".verdicts summary").press("Enter")
    expect(folded).to_be_visible()
    expect(page.locator(".caution-list")).to_contain_text("Thin cyanoacrylate: eyes")
    expect(page.locator(".with")).to_contain_text("depth: indicator in its depth base")
    expect(page.locator("#view-record .code")).to_have_count(0)  # no record was sealed
    page.locator("#unit-in").click()
    expect(page.locator(".fails .text").first).to_contain_text("0.0059")
    assert looker.problems == []


def test_a_seal_says_on_what_it_rests(opened: Callable[..., Any]) -> None:
    page = opened("record/other").page
    rests = page.locator("#view-record .code .rests")
    expect(rests).to_have_text(["Every row counted since the store was made"], timeout=LOOKED_MS)
    page.evaluate("() => { location.hash = 'record/markup'; }")
    expect(rests).to_have_text([
        re.compile(r"From a damaged store, recovered on \w+ \w+,? \d{4}; rows lost: 4, changed: 0 or more"),
        re.compile("From a damaged store, recovered on .*: what was lost is not known"),
        re.compile("Rows counted only since .*: what was lost or changed before would not be seen"),
    ], timeout=LOOKED_MS)  # fmt: skip


def test_a_session_that_is_not_there_is_told(door: Door, opened: Callable[..., Any]) -> None:
    page = opened("record/first").page
    page.evaluate("() => { location.hash = 'record/nowhere'; }")
    alert = page.locator("#view-record [role=alert]")
    expect(alert).to_contain_text("no session 'nowhere'", timeout=LOOKED_MS)
    page.set_viewport_size({"width": 1000, "height": 700})  # another width draws no record over it
    page.wait_for_timeout(600)
    expect(alert).to_contain_text("no session 'nowhere'")
    page.evaluate("() => { location.hash = 'record/other'; }")
    expect(page.locator("#view-record h2").first).to_have_text("Ärmel no. 2", timeout=LOOKED_MS)


@pytest.mark.parametrize("paper", ["A4", "Letter"])
@pytest.mark.parametrize("scheme", ["light", "dark"])
def test_the_customers_sheet_is_one_page_of_paper(opened: Callable[..., Any], paper: str, scheme: str) -> None:
    page = opened("record/first", color_scheme=scheme).page
    made = pypdfium2.PdfDocument(page.pdf(format=paper))
    assert len(made) == 1
    text = " ".join(made[0].get_textpage().get_text_bounded().split())
    assert "Fretwork quality check Reed no. 1" in text
    assert "Frets 5 to 16, treble: an end stands proud by 0.150 mm (each ± 0.008 mm)" in text
    assert "Frets 5 to 16: tilted" in text
    assert "the readings do not decide" in text
    assert "PDF for the shop" not in text
    corner = made[0].render().to_numpy()[5:20, 5:20]
    assert corner.min() == 255  # paper stays white
    made.close()
    assert page.locator("html").get_attribute("data-theme") == scheme


def test_the_shop_prints_all_of_it(opened: Callable[..., Any]) -> None:
    page = opened("record/first").page
    page.evaluate("() => { window.print = () => { window.printed = document.documentElement.dataset.sheet; }; }")
    page.locator("[data-print=shop]").press("Enter")
    assert page.evaluate("() => window.printed") == "shop"
    made = pypdfium2.PdfDocument(page.pdf(format="A4"))
    text = " ".join(" ".join(one.get_textpage().get_text_bounded() for one in made).split())
    made.close()
    assert text.count("stands proud by 0.150 ± 0.008 mm") == 12
    assert "an end stands proud" not in text
    assert "Press the end down again" in text
    assert "Both fret ends Fret 16" in text  # folded on the screen
    expect(page.locator(".verdicts details table")).to_be_hidden()


def test_the_sheet_is_downloaded_as_pdf(opened: Callable[..., Any]) -> None:
    page = opened("record/first").page
    page.locator("#paper").select_option("letter")
    with page.expect_download() as waiting:
        page.locator("a[data-sheet=customer]").press("Enter")
    assert waiting.value.suggested_filename == "quality-check-customer.pdf"
    made = pypdfium2.PdfDocument(waiting.value.path())
    assert made[0].get_size() == pytest.approx((612, 792))
    made.close()


def test_who_looks_on_is_offered_the_customers_sheet_alone(opened: Callable[..., Any]) -> None:
    page = opened("record/first").page
    expect(page.locator("a[data-sheet=shop]")).to_be_visible()
    page.evaluate("() => { document.documentElement.dataset.role = 'reader'; }")
    for name in ("data-sheet", "data-print"):
        expect(page.locator(f"[{name}=customer]")).to_be_visible()
        expect(page.locator(f"[{name}=shop]")).to_be_hidden()


@pytest.mark.parametrize("width", [360, 820, 2560])
@pytest.mark.parametrize("where", ["record/first", "rack"])
def test_nothing_is_wider_than_the_screen(opened: Callable[..., Any], where: str, width: int) -> None:
    page = opened(where, viewport={"width": width, "height": 900}).page
    assert page.evaluate("() => document.documentElement.scrollWidth") <= width


@pytest.mark.parametrize(
    ("query", "status", "said"),
    [
        ("for=museum", 400, "for must be customer or shop, got 'museum'"),
        ("paper=a3", 400, "paper must be a4 or letter, got 'a3'"),
        ("unit=furlong", 400, "unit must be mm or in, got 'furlong'"),
        ("id=nowhere", 404, "no session 'nowhere' in this store"),
    ],
)
def test_a_sheet_that_cannot_be_is_refused(opened: Callable[..., Any], query: str, status: int, said: str) -> None:
    page = opened("rack").page
    reply = page.request.get(f"{page.url.split('#')[0]}sheet.pdf?{query}")
    assert reply.status == status
    assert said in reply.text()
    assert reply.headers["content-type"].startswith("text/plain")
