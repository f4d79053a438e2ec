"""Keys of the bench: pedal, arrows, Backspace in two presses, the list; none while something is typed."""

from collections.abc import Iterator
from typing import Any

import pytest
from playwright.sync_api import Page, expect

pytestmark = pytest.mark.browser

SKIPPED = "fret 3, bass: slot width"


@pytest.fixture
def page(shared: Any) -> Iterator[Page]:
    """The page of the module with a gauge that waits for a press, nothing chosen, nothing in the field."""
    bench, looker = shared
    page: Page = looker.page
    page.evaluate("() => { localStorage.clear(); document.activeElement.blur(); scrollTo(0, 0); }")
    gauges = [{**bench.shown["gauges"][0], "captured": True}]
    bench.publish(gauges=gauges, skipped=SKIPPED)
    expect(page.locator("#unskip")).to_be_visible()
    expect(page.locator("#take-now")).to_be_visible()
    yield page
    page.evaluate("""() => {
      document.querySelector('dialog[open]')?.close();
      document.getElementById('typed').value = '';
      location.hash = '';
    }""")
    assert looker.problems == []


@pytest.fixture
def bench(shared: Any) -> Any:
    return shared[0]


def done(bench: Any, count: int) -> list[str]:
    return [one["do"] for one in bench.wait_for(count)]


@pytest.mark.parametrize(
    ("pedal", "key"), [("", "Space"), ("space", "Space"), ("enter", "Enter"), ("pagedown", "PageDown"), ("b", "b")]
)
def test_the_pedal_takes_now_wherever_nothing_is_typed(bench: Any, page: Page, pedal: str, key: str) -> None:
    if pedal:
        page.evaluate(f"() => localStorage.setItem('fretledger.pedal', '{pedal}')")
    page.keyboard.press(key)
    assert done(bench, 1) == ["trigger"]
    page.evaluate("() => document.getElementById('typed').focus({preventScroll: true})")  # empty: nothing is typed
    page.keyboard.press(key)
    assert done(bench, 2) == ["trigger", "trigger"]
    assert page.evaluate("() => [scrollY, document.getElementById('typed').value]") == [0, ""]


def test_the_pedal_is_chosen_in_settings_and_kept(bench: Any, page: Page) -> None:
    page.locator("#to-settings").click()
    page.get_by_role("radio", name="Page Down").check()
    expect(page.locator("#view-settings .key-lines")).to_contain_text("Page Down")
    page.locator("#to-bench").click()
    page.locator("#neck").click()
    page.keyboard.press("Space")
    page.keyboard.press("PageDown")
    assert done(bench, 1) == ["trigger"]


def test_arrows_skip_and_undo(bench: Any, page: Page) -> None:
    page.keyboard.press("ArrowRight")
    page.keyboard.press("ArrowLeft")
    assert done(bench, 2) == ["skip", "unskip"]


def test_backspace_names_the_reading_first_and_takes_it_back_then(bench: Any, page: Page) -> None:
    bench.take()
    older = bench.shown["last"]
    bench.publish(recent=[{**older, "sequence": 5, "words": "fret 8, bass: height"}, older])
    expect(page.locator("#recent li")).to_have_count(2)
    page.keyboard.press("Backspace")
    expect(page.locator("#said")).to_contain_text("Backspace once more takes back: Fret 8, bass: height, 1.203 mm")
    page.keyboard.press("Escape")
    expect(page.locator("#said")).to_have_text("Nothing was taken back.")
    page.keyboard.press("Backspace")
    page.keyboard.press("ArrowUp")
    expect(page.locator("#said")).to_contain_text("Fret 7, treble: height of the seated fret, 1.203 mm")
    assert bench.asked == []
    page.keyboard.press("Backspace")
    assert bench.wait_for(1) == [{"do": "take_back", "gauge": "typed", "sequence": 1}]


def test_after_a_typed_reading_the_keys_work_without_leaving_the_field(bench: Any, page: Page) -> None:
    bench.take()
    bench.publish(gauges=[])
    expect(page.locator("#take-now")).to_be_hidden()
    page.locator("#typed").focus()
    page.keyboard.type("1.20\n")
    expect(page.locator("#said")).to_have_text("Taken: 1.20")
    page.keyboard.press("Backspace")
    expect(page.locator("#said")).to_contain_text("Backspace once more takes back: Fret 7, treble")
    page.keyboard.press("Escape")
    expect(page.locator("#typed")).to_be_focused()
    page.keyboard.press("Space")  # the pedal, with no gauge that waits: no space gets into the field
    expect(page.locator("#said")).to_contain_text("No gauge waits to be read")
    expect(page.locator("#typed")).to_have_value("")
    page.keyboard.press("ArrowRight")
    assert done(bench, 2)[1:] == ["skip"]


def test_the_question_of_backspace_is_seen_wherever_the_page_stands(bench: Any, page: Page) -> None:
    bench.take()
    expect(page.locator("#recent li")).to_have_count(1)
    page.evaluate("() => scrollTo(0, document.documentElement.scrollHeight)")
    expect(page.locator("#said")).not_to_be_in_viewport()
    page.keyboard.press("Backspace")
    expect(page.locator("#said")).to_be_in_viewport(ratio=1)
    page.keyboard.press("Escape")


def test_any_other_key_between_leaves_the_reading(bench: Any, page: Page) -> None:
    bench.take()
    expect(page.locator("#recent li")).to_have_count(1)
    page.keyboard.press("Backspace")
    page.keyboard.press("7")
    page.keyboard.press("Backspace")
    expect(page.locator("#typed")).to_have_value("")
    page.keyboard.press("Backspace")  # in the field: too many of them are no request
    page.keyboard.press("ArrowRight")
    assert done(bench, 1) == ["skip"]


@pytest.mark.parametrize("key", ["Space", "ArrowRight", "ArrowLeft", "Backspace", "?", "PageDown"])
def test_nothing_happens_while_something_is_typed(bench: Any, page: Page, key: str) -> None:
    page.evaluate("() => localStorage.setItem('fretledger.pedal', 'pagedown')")
    page.keyboard.type("0.5")
    page.keyboard.press(key)
    page.keyboard.press("End")
    page.keyboard.type("6\n")
    assert [one["do"] for one in bench.wait_for(1)] == ["typed"]
    expect(page.locator("#key-list")).to_be_hidden()


def test_a_question_mark_shows_the_list_and_escape_closes_it(page: Page) -> None:
    page.locator("#typed").focus()
    page.keyboard.press("?")
    box = page.get_by_role("dialog", name="Keys")
    for words in ("Space", "Backspace", "F9", "begin a typed reading", "go from cell to cell", "show this list"):
        expect(box).to_contain_text(words)
    page.keyboard.press("Escape")
    expect(box).to_have_count(0)
    expect(page.locator("#typed")).to_be_focused()
    page.get_by_role("button", name="Keys ?").click()
    expect(box).to_be_visible()
    page.get_by_role("button", name="Close Esc").click()
    expect(box).to_have_count(0)


def test_escape_empties_the_field_then_leaves_it(page: Page) -> None:
    page.keyboard.type("0.5")
    page.keyboard.press("Escape")
    expect(page.locator("#typed")).to_have_value("")
    expect(page.locator("#typed")).to_be_focused()
    page.keyboard.press("Escape")
    expect(page.locator("#typed")).not_to_be_focused()


def test_a_key_held_down_does_it_once(bench: Any, page: Page) -> None:
    page.keyboard.down("ArrowRight")
    page.keyboard.down("ArrowRight")  # the browser's own repeat
    page.keyboard.up("ArrowRight")
    page.keyboard.press("ArrowLeft")
    assert done(bench, 2) == ["skip", "unskip"]
