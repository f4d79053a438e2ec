"""Notes of a visit, written, changed and printed on the view Record, on a real bench."""

from collections.abc import Callable, Iterator
from pathlib import Path
from typing import Any

import pytest
from playwright.sync_api import Page, expect

from logger.begin import default_gauges
from logger.bench import Bench
from logger.instrument import parse_instrument
from logger.limits import default_limits
from logger.store import Store

pytestmark = pytest.mark.browser

NECK = parse_instrument(
    'name = "Invented no. 6"\nkind = "steel-string"\nscale_mm = 645\nfrets = 20\ninvented = true\n', where="test"
)
SLOW_MS = 20_000
SMALL: dict[str, Any] = {"viewport": {"width": 390, "height": 844}, "has_touch": True, "is_mobile": True}
TEXT = "<b>hums</b> at fret 9\nsee the nut"


@pytest.fixture
def bench(tmp_path: Path) -> Iterator[Bench]:
    with Store.create(tmp_path / "s.db") as store:
        here = Bench(store, NECK, default_limits(NECK.kind), specs=default_gauges())
        here.start()
        yield here
        here.stop(reason="test over")


def texts(bench: Bench) -> list[str]:
    with bench.store.reader() as reader:
        return [one.text for one in reader.notes(bench.session)]


def write(page: Page, text: str) -> None:
    page.locator("#note-text").fill(text)
    page.get_by_role("button", name="Keep the note").click()
    expect(page.locator(".visit-notes .told-said")).to_have_text("The note is kept.", timeout=SLOW_MS)


def test_from_the_bench_by_keyboard_a_note_is_written_and_read(bench: Bench, page_of: Callable[..., Any]) -> None:
    looker = page_of(bench.door)
    page = looker.page
    page.locator("#to-note").press("Enter")
    expect(page.locator("#note-text")).to_be_focused(timeout=SLOW_MS)
    first, second = TEXT.split("\n")
    page.keyboard.type(first)
    page.keyboard.press("Enter")
    page.keyboard.type(second)
    page.keyboard.press("Control+Enter")

    shown = page.locator("[data-note] .note-text")
    expect(shown).to_have_text([TEXT], timeout=SLOW_MS)
    assert shown.evaluate("(node) => node.innerText") == TEXT
    expect(page.locator("#note-text")).to_have_value("")
    assert texts(bench) == [TEXT]
    assert looker.problems == []


def test_a_note_is_changed_and_taken_away_and_both_pages_follow(bench: Bench, page_of: Callable[..., Any]) -> None:
    first = page_of(bench.door)
    second = page_of(url=first.page.url, **SMALL)
    for page in (first.page, second.page):
        page.locator("#to-record").click()
    write(first.page, "one")
    expect(second.page.locator(".note-text")).to_have_text(["one"], timeout=SLOW_MS)

    second.page.get_by_role("button", name="Change the note").click()
    second.page.get_by_label("Print it on the customer's sheet too").check()
    write(second.page, "one, changed")
    expect(first.page.locator(".note-text")).to_have_text(["one, changed"], timeout=SLOW_MS)
    expect(first.page.locator("[data-note]")).to_contain_text("on the customer's sheet too")
    first.page.get_by_role("button", name="Take away").click()
    expect(second.page.locator(".note-text")).to_have_count(0, timeout=SLOW_MS)
    assert texts(bench) == ["one", "one, changed", ""]
    assert first.problems + second.problems == []


def test_a_draft_stays_while_readings_come_and_over_a_reload(bench: Bench, page_of: Callable[..., Any]) -> None:
    page = page_of(bench.door).page
    page.locator("#to-note").click()
    expect(page.locator("#note-text")).to_be_focused(timeout=SLOW_MS)
    page.keyboard.type("half a ")
    assert bench.door.act("r", {"do": "typed", "text": "0.51", "unit": "mm"}).done
    expect(page.locator("#view-record .titled")).to_contain_text("1 reading", timeout=SLOW_MS)
    page.keyboard.type("note")
    expect(page.locator("#note-text")).to_have_value("half a note")
    page.reload()
    expect(page.locator("#note-text")).to_have_value("half a note", timeout=SLOW_MS)


def test_what_does_not_hold_is_said_and_the_text_stays(bench: Bench, page_of: Callable[..., Any]) -> None:
    page = page_of(bench.door).page
    page.locator("#to-note").click()
    page.locator("#note-text").fill("\n".join(["x"] * 61))
    page.get_by_role("button", name="Keep the note").click()

    said = page.locator(".visit-notes .told-said")
    expect(said).to_have_text("Not kept: a note must have at most 60 lines, got 61; make two of it", timeout=SLOW_MS)
    assert page.locator("#note-text").input_value().count("x") == 61
    assert texts(bench) == []


PASTE = """(node, text) => {
  const held = new DataTransfer();
  held.setData('text/plain', text);
  node.focus();
  node.dispatchEvent(new ClipboardEvent('paste', {clipboardData: held, bubbles: true, cancelable: true}));
  document.execCommand('insertText', false, text);
}"""
"""What a browser does with a text that is pasted; with maxlength it would cut it here."""


def test_a_text_that_is_too_long_stays_whole_and_is_not_kept_before_it_is_shorter(
    bench: Bench, page_of: Callable[..., Any]
) -> None:
    page = page_of(bench.door).page
    page.locator("#to-note").press("Enter")
    field = page.locator("#note-text")
    expect(field).to_be_focused(timeout=SLOW_MS)
    field.evaluate(PASTE, "\N{GUITAR}" * 2003)
    expect(page.locator(".visit-notes .too-long")).to_have_text(
        "3 characters too many: it holds 2000 at most, shorten it"
    )
    page.get_by_role("button", name="Keep the note").click()
    expect(field).to_be_focused()
    assert field.input_value() == "\N{GUITAR}" * 2003
    assert texts(bench) == []
    for _ in range(3):
        page.keyboard.press("Backspace")
    expect(page.locator(".visit-notes .too-long")).to_have_count(0)
    page.keyboard.press("Control+Enter")
    expect(page.locator(".visit-notes .told-said")).to_have_text("The note is kept.", timeout=SLOW_MS)
    assert texts(bench) == ["\N{GUITAR}" * 2000]


def test_every_text_that_is_told_is_bounded_in_words_and_none_is_cut(bench: Bench, page_of: Callable[..., Any]) -> None:
    page = page_of(bench.door).page
    for view, name in (
        ("record", "#file-note"),
        ("record", "#file-who"),
        ("fit", "#worked-lot"),
        ("fit", "[id^=choose-wire-name]"),
    ):
        page.evaluate("(view) => { location.hash = view; }", view)
        field = page.locator(name).first
        expect(field).to_be_visible(timeout=SLOW_MS)
        field.fill("x" * 1000)
        expect(page.locator(f"{name} ~ small").first).to_contain_text("characters too many")
        assert len(field.input_value()) == 1000


@pytest.mark.parametrize(("sheet", "seen"), [("customer", ["for both"]), ("shop", ["for the shop", "for both"])])
def test_the_printed_page_has_what_is_meant_for_it(
    bench: Bench, page_of: Callable[..., Any], sheet: str, seen: list[str]
) -> None:
    for text, customer in (("for the shop", False), ("for both", True)):
        told = {"do": "note", "session": bench.session, "text": text, "who": "", "customer": customer}
        assert bench.door.act(text, told).done
    page = page_of(bench.door).page
    page.locator("#to-record").click()
    expect(page.locator(".note-text")).to_have_count(2, timeout=SLOW_MS)
    page.emulate_media(media="print")
    page.evaluate("(sheet) => { document.documentElement.dataset.sheet = sheet; }", sheet)

    assert page.locator(".note-text:visible").all_inner_texts() == seen
    assert not page.locator("#note-text").is_visible()


def test_whoever_looks_on_reads_notes_and_writes_none(bench: Bench, page_of: Callable[..., Any]) -> None:
    assert bench.door.act(
        "a", {"do": "note", "session": bench.session, "text": "seen", "who": "", "customer": True}
    ).done
    looker = page_of(bench.door)
    page = looker.page
    page.evaluate("() => { document.documentElement.dataset.role = 'reader'; }")
    page.locator("#to-record").click()

    expect(page.locator(".note-text")).to_have_text(["seen"], timeout=SLOW_MS)
    assert not page.locator("#note-text").is_visible()
    assert not page.get_by_role("button", name="Take away").is_visible()
