"""Which wire, which blade, on the view Fit: typed candidates, the bench's answer, and what is kept in the browser."""

import json
import re
from typing import Any

import pytest
from playwright.sync_api import Page, expect

pytestmark = pytest.mark.browser
SLOW_MS = 20_000


def field(page: Page, kind: str, key: str) -> Any:
    return page.locator(f"input[id^='choose-{kind}-{key}-']").first


def typed(page: Page, kind: str, **values: str) -> None:
    for key, value in values.items():
        field(page, kind, key).fill(value)


def test_a_wire_and_a_blade_typed_by_keyboard_are_answered_and_kept(looker: Any) -> None:
    page, _, look = looker
    look("fit")
    field(page, "wire", "name").focus()
    for text in ("<b>soft</b>", "0.52", "0,70"):
        page.keyboard.type(text)
        page.keyboard.press("Tab")
    typed(page, "blade", name="no. 3", kerf_mm="0.56")

    table = page.locator("table.choosing")
    expect(table.locator("thead")).to_contain_text("no. 3", timeout=SLOW_MS)
    expect(table.locator("tbody th")).to_have_text("<b>soft</b>")
    expect(table.locator("[data-best]")).to_contain_text("best")
    expect(table.locator("td").last).to_contain_text("of 3 fit for sure. Least: Fret 7, bass")
    expect(page.locator(".chosen .lead")).to_have_text(re.compile(r"^Best: <b>soft</b> with no\. 3"))

    page.reload()
    expect(field(page, "wire", "span_mm")).to_have_value("0.7", timeout=SLOW_MS)
    expect(table.locator("tbody th")).to_have_text("<b>soft</b>", timeout=SLOW_MS)


def test_the_unit_of_the_page_is_the_unit_of_the_fields(looker: Any) -> None:
    page, _, look = looker
    look("fit")
    typed(page, "wire", name="soft", tang_mm="0.508")
    page.locator("#unit-in").click()

    expect(field(page, "wire", "tang_mm")).to_have_value("0.02")
    expect(page.locator(".candidate.wire label").nth(1)).to_have_text("Tang, in")
    field(page, "wire", "span_mm").fill("0.03")
    kept = page.evaluate("() => localStorage.getItem('fretledger.choose.wire')")
    assert json.loads(kept)[0]["span_mm"] == "0.762"


def test_what_does_not_hold_is_said_at_its_field_and_left_out(looker: Any) -> None:
    page, _, look = looker
    look("fit")
    typed(page, "wire", name="soft", tang_mm="thick", span_mm="70")
    typed(page, "blade", name="no. 3", kerf_mm="0.56")

    expect(page.locator(".candidate.wire .refused").nth(1)).to_have_text("Is no number: thick")
    expect(page.locator(".candidate.wire .refused").nth(2)).to_have_text("Give a size above 0, at most 10.000 mm")
    expect(field(page, "wire", "tang_mm")).to_have_attribute("aria-invalid", "true")
    expect(page.locator(".chosen")).to_contain_text(
        "soft is left out until its marked field is mended", timeout=SLOW_MS
    )
    typed(page, "wire", tang_mm="0.52", span_mm="0.7")
    expect(page.locator(".candidate.wire [aria-invalid]")).to_have_count(0)
    expect(page.locator("table.choosing tbody tr")).to_have_count(1, timeout=SLOW_MS)


def test_what_this_visit_measured_is_a_touch_away(looker: Any) -> None:
    page, _, look = looker
    page.set_viewport_size({"width": 390, "height": 844})
    look("fit")
    page.get_by_role("button", name=re.compile("wire of this visit: tang 0.520")).click(timeout=SLOW_MS)
    page.get_by_role("button", name=re.compile("slots of this visit: slot .* mean of 3")).click()

    expect(field(page, "wire", "tang_mm")).to_have_value("0.52")
    expect(page.locator("table.choosing tbody th")).to_have_text("wire of this visit", timeout=SLOW_MS)
    assert page.evaluate("() => document.scrollingElement.scrollWidth <= innerWidth")


def test_rows_are_added_to_a_dozen_and_taken_away_one_by_one(looker: Any) -> None:
    page, _, look = looker
    look("fit")
    more = page.locator("#choose-add-blade")
    for _ in range(11):
        more.click()
    expect(page.locator(".candidate.blade")).to_have_count(12)
    expect(more).to_be_disabled()
    page.get_by_role("button", name="Take away Blade 12").click()
    expect(page.locator(".candidate.blade")).to_have_count(11)
    expect(more).to_be_enabled()
    expect(page.get_by_role("button", name="Take away Blade 11")).to_be_focused()


def test_a_wrong_size_that_was_kept_says_so_when_the_page_opens_and_rounding_lifts_no_chance(looker: Any) -> None:
    page, _, look = looker
    look("fit")
    wires = [{"name": "soft", "tang_mm": "0.52", "span_mm": "0.7"}, {"name": "odd", "tang_mm": "0.5", "span_mm": "70"}]
    page.evaluate("(rows) => localStorage.setItem('fretledger.choose.wire', JSON.stringify(rows))", wires)
    typed(page, "blade", name="no. 3", kerf_mm="0.56")
    page.route(
        "**/look/choose*", lambda route: route.fulfill(json={
            "pairs": [{"wire": "soft", "blade": "no. 3", "chance": 0.9496}],
            "slots": [{"wire": "soft", "sure": 0, "of": 0}],
        }),
    )  # fmt: skip
    page.reload()
    expect(page.locator(".candidate.wire .refused").last).to_have_text(
        "Give a size above 0, at most 10.000 mm", timeout=SLOW_MS
    )
    expect(page.locator("table.choosing td")).to_have_text(re.compile("^may fit, 94\u00a0%"), timeout=SLOW_MS)


def test_two_wires_of_one_name_are_said_at_the_field(looker: Any) -> None:
    page, _, look = looker
    look("fit")
    page.locator("#choose-add-wire").click()
    page.locator("#choose-add-wire").click()
    names = page.locator("input[id^='choose-wire-name-']")
    names.nth(0).fill("soft")
    names.nth(1).fill("soft")
    expect(page.locator(".candidate.wire .named .refused").nth(1)).to_have_text("Another one has this name: change one")


@pytest.mark.parametrize("theme", ["light", "dark"])
def test_the_answer_and_a_refused_field_hold_the_rules_for_every_reader(looker: Any, broken: Any, theme: str) -> None:
    page, _, look = looker
    look("fit")
    page.evaluate("(theme) => { localStorage.setItem('fretledger.theme', theme); fretledger.tell('look'); }", theme)
    page.locator("#choose-add-wire").click()
    typed(page, "wire", name="soft", tang_mm="0.52", span_mm="0.7")
    page.locator("input[id^='choose-wire-tang_mm-']").last.fill("thick")
    typed(page, "blade", name="no. 3", kerf_mm="0.56")
    expect(page.locator("table.choosing td").first).to_be_visible(timeout=SLOW_MS)
    page.locator(".candidates details").first.evaluate("(node) => { node.open = true; }")
    assert broken(page) == []
