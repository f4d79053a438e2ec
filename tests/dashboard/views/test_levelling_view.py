"""The view Levelling, on a store of an invented neck, in a real browser."""

import re
from typing import Any

import pypdfium2
import pytest
from playwright.sync_api import expect

pytestmark = pytest.mark.browser
SLOW_MS = 20_000

AS_LONG_AS_CAN_BE = """(length) => {
    const list = document.querySelector('#view-levelling .deeds'), {deedRows} = fretledger;
    const sizes = ['bass', 'centre', 'treble'].map((place) => ({place, mm: 0.123, U_mm: 0.045}));
    const one = {task: 'file', sizes, noise: true, crown_left_mm: 1.001, flat_mm: 0.701};
    const deeds = Array.from({length}, (_, i) => ({...one, fret: i + 1}));
    list.replaceWith(deedRows('printed', deeds)[0]);
    document.querySelector('.worklist').dataset.long = fretledger.howLong(deeds);
}"""
"""So many frets, each with all that can be said of it."""
DONE = "Object.keys(localStorage).find((key) => key.includes('done.'))"


def test_a_tick_is_kept_in_the_browser_and_belongs_to_its_amount(looker: Any):
    page, _, look = looker
    look("levelling")
    boxes = page.locator("#view-levelling .deeds input")
    count = boxes.count()
    assert count >= 2

    boxes.first.focus()
    page.keyboard.press("Space")

    expect(page.locator("#view-levelling .worklist")).to_contain_text(f"1 of {count} ticked")
    page.reload()
    expect(boxes.first).to_be_checked(timeout=SLOW_MS)
    expect(boxes.nth(1)).not_to_be_checked()
    page.evaluate(f"(localStorage[{DONE}] = localStorage[{DONE}].replace('0.0', '0.1'))")
    page.reload()
    expect(boxes.first).not_to_be_checked(timeout=SLOW_MS)


def test_an_unfinished_sweep_has_a_warning_and_no_boxes_on_the_page_and_on_paper(looker: Any, site: Any):
    page, _, _ = looker
    page.goto(f"{site[0]}#levelling/{site[4]}")
    warning = page.locator("#view-levelling .worklist h2 + .caution")

    expect(warning).to_contain_text("The sweep is not finished: 17 of 18 steps. Do not file yet;", timeout=SLOW_MS)
    expect(page.locator("#view-levelling .deeds:not(:has(input)) li").first).to_be_visible()
    expect(page.locator("#view-levelling .deeds input")).to_have_count(0)
    made = pypdfium2.PdfDocument(page.pdf(format="A4"))
    assert "17 of 18 steps. Do not file yet" in " ".join(made[0].get_textpage().get_text_bounded().split())
    made.close()
    page.evaluate("fretledger.snap.stages = [{name: 'sweep', done: 20, of: 22}]; fretledger.lookAgain()")
    expect(warning).to_contain_text("20 of 22 steps")  # at the bench its sheet counts


def test_what_is_less_than_it_is_known_to_is_no_order(looker: Any, site: Any):
    page, _, _ = looker
    page.goto(f"{site[0]}#levelling/{site[5]}")
    apart = page.locator(".worklist h3:text-is('Less than it is known to: measure again first')")

    expect(apart.locator("+ .deeds li")).to_contain_text(re.compile(r"Fret 16.*0\.004\s±\s0\.005"), timeout=SLOW_MS)
    expect(apart.locator("+ .deeds input")).to_have_count(0)
    expect(page.locator("#view-levelling .worklist")).to_contain_text("0 of 1 ticked")
    expect(page.locator("#view-levelling .worklist")).not_to_contain_text("The sweep is not finished")


def test_a_tick_is_followed_in_another_tab(looker: Any):
    page, _, look = looker
    look("levelling")
    other = page.context.new_page()
    other.goto(page.url)
    boxes = page.locator("#view-levelling .deeds input")

    other.locator("#view-levelling .deeds input").nth(1).check(timeout=SLOW_MS)

    expect(boxes.nth(1)).to_be_checked()
    expect(page.locator("#view-levelling .worklist")).to_contain_text("1 of ")
    other.locator("#view-levelling .deeds input").nth(1).uncheck()
    expect(boxes.nth(1)).not_to_be_checked()
    other.close()


def test_another_way_shows_its_own_list_and_what_stands_beside_follows_the_wishes(looker: Any):
    page, _, look = looker
    look("levelling")
    others = page.locator("#view-levelling .others")
    expect(page.locator("#view-levelling .compare thead")).to_have_text("what it costsby the file")
    filed = others.locator("tr", has_text="Level, no re-seat")
    total = filed.locator("td").first.inner_text()

    filed.get_by_role("button", name="Show the work list of: Level, no re-seat").press("Enter")

    expect(page.locator("#wish-reseats")).to_have_value("0")
    expect(page.locator("#wish-reseats")).to_be_focused()
    expect(page.locator("#view-levelling .worklist .sum")).to_contain_text(f"In all {total} off", timeout=SLOW_MS)
    expect(page.locator("#view-levelling .deeds [data-task=reseat]")).to_have_count(0)
    expect(page.locator("#view-levelling")).to_contain_text("By the wishes above", timeout=SLOW_MS)
    expect(others).to_contain_text("Level with re-seats (up to 1)")  # what the file allows stays beside
    page.get_by_role("button", name="As in the file").click()
    expect(page.locator("#view-levelling")).not_to_contain_text("By the wishes above")


@pytest.mark.parametrize("unit", ["mm", "in"])
def test_whatever_there_is_to_do_is_one_sheet_of_paper(looker: Any, unit: str):
    page, _, look = looker
    look("levelling")
    if page.evaluate("() => fretledger.unit") != unit:  # the view is asked anew, and would be drawn over the long list
        with page.expect_response("**/look/**"):
            page.locator(f"#unit-{unit}").click()
        page.evaluate("() => new Promise((done) => setTimeout(() => requestAnimationFrame(done), 200))")
    for count in (24, 15, 12, 7):
        page.evaluate(AS_LONG_AS_CAN_BE, count)
        for paper in ("A4", "Letter"):
            with pypdfium2.PdfDocument(page.pdf(format=paper)) as made:
                text = made[0].get_textpage().get_text_bounded()
                assert len(made) == 1, f"{count} frets on {paper}"
            assert all(words in text for words in (f"Fret {count}", "Press-test before you level"))


def test_another_wish_is_answered_as_the_value_changes(looker: Any):
    page, _, look = looker
    look("levelling")
    before = page.locator("#view-levelling .deeds li").count()

    page.locator("#wish-relief_mm").fill("0.2")

    total = page.locator("#view-levelling .compare tbody tr").first
    expect(total).to_have_attribute("data-changed", "yes", timeout=SLOW_MS)
    expect(page.locator("#view-levelling .deeds li")).to_have_count(before)
    page.locator("#follow-wishes").check()
    expect(page.locator("#view-levelling .worklist")).to_contain_text("By the wishes beside")
    assert page.locator("#view-levelling .deeds li").count() > before
    page.get_by_role("button", name="As in the file").click()
    expect(page.locator("#view-levelling .deeds li")).to_have_count(before)
    expect(page.locator("#wish-relief_mm")).to_have_value("0.100")


def test_wishes_out_of_bounds_are_one_sentence_and_a_crown_in_the_way_is_said(looker: Any):
    page, _, look = looker
    look("levelling")
    refused = page.locator("#view-levelling .refused")

    page.locator("#wish-reseats").fill("9")
    expect(refused).to_have_text("Frets to re-seat, at most: give a whole number from 0 to 8")
    page.locator("#wish-reseats").fill("1")
    expect(refused).to_have_count(0, timeout=SLOW_MS)
    page.locator("#wish-crown_min_mm").fill("-1")
    expect(refused).to_have_text("Least crown to leave, mm: give a number from 0 to 2.000 mm")
    page.locator("#wish-crown_min_mm").fill("1.09")
    expect(page.locator("#view-levelling .answered")).to_contain_text("the least crown left", timeout=SLOW_MS)
    expect(page.locator("#view-levelling .deeds")).to_be_visible()


def test_in_inches_the_same_wish_is_asked(looker: Any):
    page, _, look = looker
    look("levelling")
    page.locator("#unit-in").click()
    expect(page.locator("#wish-relief_mm")).to_have_value("0.0039")
    with page.expect_request(re.compile("/look/levelling")) as asked:
        page.locator("#wish-relief_mm").fill("0.01")
    assert "relief_mm=0.254" in asked.value.url
    expect(page.locator("#view-levelling .compare")).to_contain_text("in", timeout=SLOW_MS)
    page.locator("#unit-mm").click()
    expect(page.locator("#wish-relief_mm")).to_have_value("0.254")


def test_only_the_list_is_printed_with_its_caution(looker: Any):
    page, _, look = looker
    look("levelling")

    page.emulate_media(media="print")

    expect(page.locator("#view-levelling .deeds")).to_be_visible()
    expect(page.locator("#view-levelling .caution")).to_be_visible()
    for hidden in ("#views", "header", "#view-levelling .wishes", "#view-levelling .others", "#view-levelling button"):
        expect(page.locator(hidden).first).to_be_hidden()
    assert (
        page.locator("#view-levelling .deeds label").first.evaluate(
            "(node) => parseFloat(getComputedStyle(node).fontSize)"
        )
        > 20
    )


def test_what_a_gauge_types_while_a_tick_is_held_is_a_reading(looker: Any, site: Any):
    page, _, look = looker
    look("levelling")
    box = page.locator("#view-levelling .deeds input").first
    box.focus()

    with page.expect_response(re.compile("/act$")):
        page.keyboard.type("1.203\n")

    assert site[3][-1] == {"do": "typed", "text": "1.203", "unit": "mm"}
    expect(box).not_to_be_checked()
    with page.expect_response(re.compile("/look/levelling")):  # what a person types into a wish is none
        page.locator("#wish-relief_mm").press_sequentially("5", delay=1)
    assert len(site[3]) == 1


def test_a_later_sweep_stands_against_the_plan(looker: Any):
    page, _, look = looker
    look("levelling")

    second = page.locator("#view-levelling .second")
    expect(second).to_contain_text(re.compile(r"\d+ of 20 places within the tolerance"), timeout=SLOW_MS)
    expect(second).to_contain_text(re.compile(r"Fret 12, centre: .*±.* off the shape wanted, outside"))
    expect(second).not_to_contain_text("Fret 7,")


def test_without_a_later_sweep_it_is_said_how_there_comes_to_be_one(looker: Any):
    page, _, look = looker
    look("levelling")
    second = page.locator("#view-levelling .second")
    expect(second).to_contain_text("places within the tolerance", timeout=SLOW_MS)
    page.route(re.compile("/look/second_sweep"), lambda route: route.fulfill(json={"session": None}))
    page.reload()
    expect(second).to_contain_text("Begin a new session of this neck (fretledger bench --new", timeout=SLOW_MS)
    page.emulate_media(media="print")
    expect(second.locator(".for-screen")).to_be_hidden()
    page.emulate_media(media="screen")
    page.unroute(re.compile("/look/second_sweep"))
