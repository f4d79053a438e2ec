"""No view breaks a rule of WCAG 2.2 A or AA that a program can check, in light and in dark.

The rules are those of axe-core (see the fixture `broken`). It measures the contrast of every text as it is drawn. What
only a person can judge, it cannot.
"""

import io
import threading
from collections.abc import Callable, Iterator
from typing import Any

import pytest
from flask import Flask
from playwright.sync_api import Page, expect

from dashboard.network import Network
from dashboard.pairing import Pairing
from dashboard.server import RunningPage, serve
from dashboard.words import PAGE, VIEWS, page_words
from logger.demo.run import DemoOptions, run_demo
from logger.looking import Looking
from logger.store import SessionNote, Store

pytestmark = pytest.mark.browser

Look = Callable[..., Any]
Broken = Callable[[Page], list[str]]


@pytest.fixture(scope="module")
def kept(tmp_path_factory: pytest.TempPathFactory) -> Looking:
    """The whole sheet of the invented neck, as the views ask for it."""
    store = tmp_path_factory.mktemp("kept") / "demo.db"
    options = DemoOptions(seconds=12, seed=7, browser=False, store=store)
    assert run_demo(options, lambda door, *, port: NoPage(), stop=threading.Event(), out=io.StringIO()) == 0
    with Store.open(store) as written, written.reader() as reader:
        session = reader.sessions()[0].id
        written.put(
            SessionNote(session=session, number=1, at_ns=1, who="Ada", text="hums\nat fret 9", audience="customer")
        )
    return Looking(store, current=session)


class NoPage:
    url = "http://127.0.0.1:1/"

    def stop(self) -> None:
        pass


@pytest.fixture(params=["light", "dark"])
def page(request: pytest.FixtureRequest, bench: Any, neck: dict[str, Any], page_of: Look, kept: Looking) -> Page:
    bench.door._on_question = kept.ask
    bench.publish(**neck)
    bench.take("fail", settle="two more readings")
    looker = page_of(bench.door, color_scheme=request.param, reduced_motion="reduce")
    page: Page = looker.page
    expect(page.locator("html")).to_have_attribute("data-theme", request.param)
    return page


def test_axe_finds_what_is_wrong(page: Page, broken: Broken) -> None:
    page.evaluate("""() => {
      const faint = document.createElement('p');
      faint.textContent = 'faint';
      faint.style.cssText = 'color: #777; background: #888';
      document.querySelector('main').append(faint, document.createElement('img'));
    }""")
    found = broken(page)
    assert any(one.startswith("color-contrast") for one in found)
    assert any(one.startswith("image-alt") for one in found)


@pytest.mark.parametrize("view", VIEWS)
def test_no_view_breaks_a_rule(page: Page, broken: Broken, view: str) -> None:
    page.locator(f"#to-{view}").click()
    shown = page.locator(f"#view-{view}")
    expect(shown).not_to_contain_text(PAGE["looking"], timeout=20_000)
    expect(shown).not_to_contain_text(PAGE["not_told"].split("{")[0])
    assert broken(page) == []


@pytest.mark.parametrize("verdict", ["pass", "remeasure", None])
def test_no_verdict_breaks_a_rule(bench: Any, page: Page, broken: Broken, verdict: str | None) -> None:
    bench.take(verdict)
    page.wait_for_function(f"() => fretledger.snap.seq === {bench.shown['seq']}")
    expect(page.locator("#reading")).to_have_attribute("data-verdict", verdict or "")
    assert broken(page) == []


def test_the_guide_breaks_no_rule(bench: Any, neck: dict[str, Any], page: Page, broken: Broken) -> None:
    bench.begin(**{**neck, "demo": False, "stage": "wire"})
    page.reload()
    page.get_by_role("button", name="Show me the invented instrument").click(timeout=20_000)
    assert broken(page) == []


def test_what_is_told_beside_readings_breaks_no_rule(page: Page, broken: Broken) -> None:
    page.locator("#to-fit").click()
    page.locator(".telling summary").click(timeout=20_000)
    page.locator("#worked-blade").fill("no. 3")
    page.get_by_role("button", name="Keep", exact=True).click()
    expect(page.locator(".telling .told-said")).to_have_text("Kept.", timeout=20_000)
    assert broken(page) == []
    page.locator("#to-record").click()
    page.get_by_role("button", name="Change the note").click(timeout=20_000)
    page.locator("#note-text").fill("x" * 1700)
    expect(page.locator("#note-left")).to_have_text("1700 of 2000 characters")
    assert broken(page) == []


def test_a_check_of_a_gauge_breaks_no_rule(bench: Any, page: Page, broken: Broken) -> None:
    page.locator("#to-all-gauges").click()
    page.locator(".gauge-pick", has_text="demo caliper").click(timeout=20_000)
    page.get_by_role("button", name="Another size").click(timeout=20_000)
    assert broken(page) == []
    point = {"nominal_mm": 10, "direction": "up", "value_mm": 10.01}
    check = {"gauge": "demo caliper", "done": 1, "of": 4, "next": {**point, "repeat": 2, "of": 3}, "live": True,
             "said": "this was not kept", "points": [point], "result": None}  # fmt: skip
    bench.publish(check=check)
    expect(page.locator("#check-typed")).to_be_visible(timeout=20_000)
    assert broken(page) == []
    error = {"nominal_mm": 10, "error_mm": 0.01, "expanded_u_mm": 0.002, "readings": 3}
    result = {"gauge": "demo caliper", "at": "2026-05-06T14:00:00+00:00", "failed": True, "drifts": True,
              "corrected": False, "errors": [error], "reads_true": False, "grows": True, "slope": 0.001,
              "hysteresis_mm": None, "hysteresis_at_mm": None}  # fmt: skip
    bench.publish(check={"gauge": "demo caliper", "result": result})
    expect(page.locator("#check-result")).to_be_visible(timeout=20_000)
    assert broken(page) == []


def test_a_cell_of_the_map_and_the_list_of_keys_break_no_rule(
    bench: Any, page: Page, broken: Broken, kept: Looking
) -> None:
    cells = [["proud_end", 13, "bass", "fail", 0.12, 0.01, 0.0], ["tilted_fret", 13, None, "pass", 0.0, 0.02, 1.0]]
    bench.publish(cells=cells)
    page.locator('[data-check=proud_end][data-fret="13"]').click()
    expect(page.locator("#cell")).to_contain_text(PAGE["cell_first"], timeout=20_000)
    assert broken(page) == []
    page.keyboard.press("Escape")
    page.locator("#show-keys").click()
    expect(page.get_by_role("dialog")).to_contain_text(PAGE["key_help_do"])
    assert broken(page) == []


@pytest.fixture
def open_page(bench: Any, neck: dict[str, Any]) -> Iterator[RunningPage]:
    bench.publish(**neck)
    running = serve(bench.door, lan=lambda _line: None)
    yield running
    running.stop()


@pytest.mark.parametrize("theme", ["light", "dark"])
def test_the_code_and_the_links_break_no_rule(
    open_page: RunningPage, page_of: Look, broken: Broken, theme: Any
) -> None:
    page = page_of(url=open_page.url + "#settings", color_scheme=theme).page
    page.get_by_label("For whom").fill("owner of <b>no. 3</b>")
    page.get_by_label("Holds").select_option("1")
    page.get_by_role("button", name="Make a link").click()
    expect(page.get_by_role("textbox", name="Address of the link for owner of <b>no. 3</b>")).to_be_visible()
    expect(page.get_by_label("For whom")).to_have_value("")
    page.locator("#links summary").press("Enter")
    expect(page.get_by_role("img", name="QR code of the link for owner of <b>no. 3</b>")).to_be_visible()
    assert broken(page) == []
    page.get_by_label("For whom").fill("a student")
    page.evaluate("() => fretledger.lookAtNetwork()")
    expect(page.get_by_label("For whom")).to_have_value("a student")
    expect(page.locator("#links details")).to_have_attribute("open", "")
    page.get_by_role("button", name="End the link for owner of <b>no. 3</b>").click()
    expect(page.locator("#links")).to_have_text("There is none.")


@pytest.mark.parametrize("theme", ["light", "dark"])
@pytest.mark.parametrize("wrong", ["", "not it"])
def test_the_page_that_asks_for_the_code_breaks_no_rule(browser: Any, broken: Broken, theme: Any, wrong: str) -> None:
    said = {**page_words()["pair"], "lang": "en-GB"}
    network = Network(pairing=Pairing(), lan=True, address="http://192.0.2.7:8123/", said=said)
    page = browser.new_page(color_scheme=theme)
    with Flask("test").test_request_context():
        form = network._form(403, wrong).get_data(as_text=True)
    page.set_content(form)
    expect(page.get_by_role("button", name="Pair")).to_be_visible()
    assert broken(page) == []
    page.close()
