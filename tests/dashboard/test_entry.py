"""Typed readings and buttons: exactly once, none lost, refusals shown."""

import json
import threading
from collections.abc import Callable, Iterator
from typing import Any

import pytest
from playwright.sync_api import Page, expect

pytestmark = pytest.mark.browser


@pytest.fixture
def page(bench: Any, neck: dict[str, Any], page_of: Callable[..., Any]) -> Page:
    bench.publish(**neck)
    page: Page = page_of(bench.door).page
    return page


@pytest.fixture
def busy(bench: Any) -> Iterator[None]:
    """Publish 30 snapshots a second meanwhile."""
    stop = threading.Event()

    def publish() -> None:
        while not stop.wait(1 / 30):
            bench.take()

    thread = threading.Thread(target=publish)
    thread.start()
    yield
    stop.set()
    thread.join()


def typed(text: str, unit: str = "mm") -> dict[str, str]:
    return {"do": "typed", "text": text, "unit": unit}


def test_a_typed_reading_reaches_the_bench_once_and_is_answered(bench: Any, page: Page) -> None:
    page.locator("#typed").click()
    page.keyboard.type("0.55 0.60\n")
    expect(page.locator("#said")).to_have_text("Taken: 0.55 0.60")
    expect(page.locator("#typed")).to_have_value("")
    assert bench.asked == [typed("0.55 0.60")]


def test_the_enter_button_does_the_same(bench: Any, page: Page) -> None:
    page.locator("#typed").fill("0.55")
    page.locator("#enter").click()
    expect(page.locator("#said")).to_have_text("Taken: 0.55")
    assert bench.asked == [typed("0.55")]


def test_the_unit_goes_with_the_reading(bench: Any, page: Page) -> None:
    page.locator("#unit-in").click()
    page.keyboard.type("0.0217\n")
    assert bench.wait_for(1) == [typed("0.0217", "in")]


def test_a_decimal_comma_goes_as_it_was_typed(bench: Any, page: Page) -> None:
    page.keyboard.type("1,23\n")
    assert bench.wait_for(1) == [typed("1,23")]
    page.locator("#typed").focus()
    page.keyboard.type("-0,05\n")
    assert bench.wait_for(2) == [typed("1,23"), typed("-0,05")]


def test_a_refused_reading_is_shown_and_can_be_edited(bench: Any, page: Page) -> None:
    page.keyboard.type("0,5,5\n0.5\n")
    refused = page.locator("[data-refused='0,5,5']")
    expect(refused).to_contain_text("0,5,5 not taken: a reading has one decimal sign")
    expect(page.get_by_role("alert").filter(has=refused)).to_be_visible()
    expect(page.locator("#said")).to_have_text("Taken: 0.5")
    expect(refused).to_be_visible()  # a later good one does not wipe it away
    page.keyboard.type("9")
    refused.get_by_role("button", name="Edit").click()
    expect(page.locator("#typed")).to_have_value("9")  # nothing half typed is overwritten
    page.keyboard.press("Escape")
    refused.get_by_role("button", name="Edit").click()
    expect(page.locator("#typed")).to_have_value("0,5,5")
    expect(page.locator("#typed")).to_be_focused()
    expect(refused).to_have_count(0)


def test_refused_text_is_never_html(page: Page) -> None:
    page.locator("#typed").fill("<img src=x onerror=alert(1)>..")
    page.keyboard.press("Enter")
    expect(page.locator("#refused")).to_contain_text("<img src=x onerror=alert(1)>.. not taken")
    expect(page.locator("#page img")).to_have_count(0)


def test_a_hundred_readings_at_full_speed_lose_nothing(bench: Any, page: Page, busy: None) -> None:
    wanted = [f"{100 + n}.{n:02d}" for n in range(100)]
    page.locator("#typed").click()
    for text in wanted:
        page.keyboard.type(text, delay=1)
        page.keyboard.press("Enter")
    bench.wait_for(100)
    expect(page.locator("#typed")).to_have_value("")
    assert bench.asked == [typed(text) for text in wanted]


def test_keys_typed_elsewhere_are_led_into_the_field(bench: Any, page: Page, busy: None) -> None:
    page.locator("#map").click()
    page.keyboard.type("-7.25\n", delay=1)
    page.locator("#dark").click()  # a button has been pressed last
    page.keyboard.type("12.02\n", delay=1)
    assert bench.wait_for(2) == [typed("-7.25"), typed("12.02")]


def test_enter_after_a_button_does_not_press_it_again(bench: Any, page: Page) -> None:
    page.locator("#repeat").click()
    bench.wait_for(1)
    page.keyboard.press("Enter")
    page.keyboard.type("0.5\n")
    assert bench.wait_for(2) == [{"do": "repeat"}, typed("0.5")]


def test_a_skip_can_be_undone_while_there_is_one(bench: Any, page: Page) -> None:
    expect(page.locator("#unskip")).to_be_hidden()
    bench.publish(skipped="fret 3, bass: slot width")
    page.get_by_role("button", name="Undo skip: fret 3, bass: slot width").click()
    assert bench.wait_for(1) == [{"do": "unskip"}]
    bench.publish(skipped=None)
    expect(page.locator("#unskip")).to_be_hidden()


def test_backspace_with_nothing_typed_takes_nothing_back(bench: Any, page: Page) -> None:
    for _ in range(3):
        page.keyboard.press("Backspace")
    page.locator("#typed").click()
    page.keyboard.type("9")
    for _ in range(3):  # whoever deletes presses once too often
        page.keyboard.press("Backspace")
    page.keyboard.type("0.5\n")
    assert bench.wait_for(1) == [typed("0.5")]


def test_several_pasted_lines_are_several_readings(bench: Any, page: Page) -> None:
    page.locator("#typed").focus()
    page.evaluate("""() => {
        const held = new DataTransfer();
        held.setData('text', '0.51\\r\\n0.52\\n0.53\\n');
        const paste = new ClipboardEvent('paste', {clipboardData: held, cancelable: true});
        document.getElementById('typed').dispatchEvent(paste);
    }""")
    assert bench.wait_for(3) == [typed("0.51"), typed("0.52"), typed("0.53")]


@pytest.mark.parametrize(("key", "action"), [("F2", "repeat"), ("F8", "skip"), ("F9", "take_back")])
def test_keys_do_what_the_buttons_say(bench: Any, page: Page, key: str, action: str) -> None:
    expect(page.locator(f"#{action.replace('_', '-')}")).to_contain_text(key)
    page.keyboard.press(key)
    assert bench.wait_for(1) == [{"do": action}]


def test_a_refused_button_is_a_warning(page: Page) -> None:
    page.locator("#skip").click()
    expect(page.locator("#said")).to_have_text("Nothing is left to skip")
    expect(page.locator("#said")).to_have_attribute("data-done", "no")


def test_take_back_means_the_reading_that_is_seen(bench: Any, page: Page) -> None:
    bench.take()
    expect(page.locator("#reading")).to_contain_text("1.203")
    expect(page.locator("#recent")).to_contain_text("1.203")
    page.locator("#take-back").click()
    page.locator("#recent [data-take-back]").click()
    assert bench.wait_for(2) == [{"do": "take_back", "gauge": "typed", "sequence": 1}] * 2


def test_a_reading_already_taken_back_is_passed_over(bench: Any, page: Page) -> None:
    bench.take()
    older = bench.shown["last"]
    bench.publish(recent=[{**older, "sequence": 9, "taken_back": True}, older])
    expect(page.locator("[data-taken-back=yes]")).to_contain_text("taken back")
    page.locator("#take-back").click()
    assert bench.wait_for(1) == [{"do": "take_back", "gauge": "typed", "sequence": 1}]


def test_a_lost_answer_is_asked_for_again_with_the_same_id(bench: Any, page: Page) -> None:
    posts: list[Any] = []

    def lose_first(route: Any) -> None:
        posts.append(json.loads(route.request.post_data))
        if len(posts) == 1:
            route.fetch()  # the bench gets it, the page does not hear of it
            route.abort()
        else:
            route.continue_()

    page.route("**/act", lose_first)
    page.keyboard.type("0.5\n")
    expect(page.locator("#said")).to_have_text("Taken: 0.5")
    assert posts[0] == posts[1]
    assert bench.asked == [typed("0.5")]


def test_unsent_readings_survive_a_reload(bench: Any, page: Page) -> None:
    page.route("**/act", lambda route: route.abort())
    page.keyboard.type("0.5\n0.6\n")
    page.on("dialog", lambda dialog: dialog.accept())
    page.wait_for_function("() => fretledger.unsent() === 2")
    page.unroute("**/act")
    page.reload()
    assert bench.wait_for(2) == [typed("0.5"), typed("0.6")]


def test_a_post_the_server_refuses_puts_the_text_back(page: Page) -> None:
    page.route("**/act", lambda route: route.fulfill(status=403, body="no"))
    page.keyboard.type("0.5\n")
    expect(page.locator("#refused")).to_contain_text("0.5 not taken: the bench refused the request (403)")
