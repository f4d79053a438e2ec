"""What a person sees, in a real browser."""

import re
from collections.abc import Callable
from typing import Any

import pytest
from playwright.sync_api import Page, expect

pytestmark = pytest.mark.browser

Look = Callable[..., Any]


@pytest.fixture
def looker(shared: Any) -> Any:
    """The page of the module, loaded anew: nothing chosen, nothing remembered."""
    page = shared[1].page
    page.evaluate("() => localStorage.clear()")
    page.reload()
    expect(page.locator("#link")).to_have_text("live", timeout=20_000)
    shared[1].problems.clear()
    return shared[1]


@pytest.fixture
def bench(shared: Any) -> Any:
    return shared[0]


@pytest.fixture
def page(looker: Any) -> Page:
    page: Page = looker.page
    return page


def cell(page: Page, check: str, fret: int, place: str) -> Any:
    return page.locator(f'[data-check={check}][data-fret="{fret}"][data-place="{place}"]')


def test_every_judged_cell_is_there_with_its_verdict(page: Page) -> None:
    proud = cell(page, "proud_end", 7, "treble")
    expect(proud).to_have_attribute("data-verdict", "fail")
    expect(proud).to_have_text(re.compile(r"0\.083\s*proud"))
    expect(proud.locator("[data-sign=fail]")).to_be_visible()
    expect(cell(page, "proud_end", 6, "treble")).to_have_text(re.compile(r"0\.046\s*again"))
    expect(cell(page, "tilted_fret", 7, "")).to_have_attribute("data-verdict", "pass")
    expect(cell(page, "tang_clearance", 3, "centre")).to_have_text(re.compile(r"−0\.021\s*tight"))
    expect(page.locator("[data-check]")).to_have_count(5)


def test_a_cell_that_is_no_longer_judged_is_emptied(bench: Any, page: Page) -> None:
    expect(cell(page, "proud_end", 7, "treble")).to_have_count(1)
    bench.publish(cells=[one for one in bench.shown["cells"] if one[:3] != ["proud_end", 7, "treble"]])
    expect(cell(page, "proud_end", 7, "treble")).to_have_count(0)
    expect(cell(page, "proud_end", 6, "treble")).to_have_count(1)


def test_the_map_opens_with_the_check_of_the_stage_and_keeps_a_choice(bench: Any, page: Page) -> None:
    expect(cell(page, "proud_end", 7, "treble")).to_be_visible()
    page.locator("[data-tab=tilted_fret]").click()
    expect(cell(page, "tilted_fret", 7, "")).to_be_visible()
    expect(cell(page, "proud_end", 7, "treble")).to_be_hidden()
    bench.take()
    expect(page.locator("#reading")).to_contain_text("1.203")
    expect(cell(page, "tilted_fret", 7, "")).to_be_visible()
    bench.publish(stage="slots")
    expect(cell(page, "tang_clearance", 3, "centre")).to_be_visible()


def test_a_finished_sheet_leaves_the_map_where_it_was(bench: Any, page: Page) -> None:
    expect(cell(page, "proud_end", 7, "treble")).to_be_visible()
    bench.publish(stage=None, state="done", next=None)
    expect(page.locator("#next")).to_contain_text("sheet is complete")
    expect(cell(page, "proud_end", 7, "treble")).to_be_visible()
    page.reload()
    expect(page.locator("[data-tab][aria-pressed=true]")).to_have_attribute("data-tab", "tang_clearance")
    expect(cell(page, "tang_clearance", 3, "centre")).to_be_visible()


def test_worst_verdict_of_each_fret(page: Page) -> None:
    for fret, worst in ((3, "fail"), (6, "remeasure"), (7, "fail"), (8, "")):
        expect(page.locator(f'[data-worst-fret="{fret}"]')).to_have_attribute("data-worst", worst)


def test_next_says_what_with_what_and_the_caution(page: Page) -> None:
    expect(page.locator("#next")).to_contain_text("Fret 8, bass: height of the seated fret")
    expect(page.locator("#next")).to_contain_text("With the depth indicator")
    expect(page.locator("#next")).to_contain_text("Reading 1 of 3")
    expect(page.locator("#next")).to_contain_text("Presses pinch.")


def test_frets_stand_at_their_true_places(page: Page) -> None:
    """Source: twelve-tone equal temperament; fret 12 lies at half the scale, fret 5 at 0.25085 of it."""
    xs = page.locator("#neck line.wire").evaluate_all("all => all.map((one) => Number(one.getAttribute('x1')))")
    nut = float(page.locator("#neck line.nut").get_attribute("x1") or "nan")
    assert len(xs) == 20
    assert (xs[4] - nut) / (xs[11] - nut) == pytest.approx(0.25085 / 0.5, abs=1e-4)
    assert (xs[18] - nut) / (xs[11] - nut) == pytest.approx(2 * (1 - 2 ** (-19 / 12)), abs=1e-6)


def test_the_neck_marks_the_fret_and_the_place(page: Page) -> None:
    wire = page.locator("#neck line.wire").nth(7).bounding_box()
    ring = page.locator("#neck .ring").bounding_box()
    wood = page.locator("#neck .wood").bounding_box()
    assert wire is not None
    assert ring is not None
    assert wood is not None
    assert ring["x"] < wire["x"] < ring["x"] + ring["width"]
    assert ring["y"] + ring["height"] / 2 > wood["y"] + wood["height"] / 2  # bass is the lower edge
    expect(page.locator("#neck")).to_have_attribute("aria-label", re.compile("Next: fret 8, bass"))


@pytest.mark.parametrize(("verdict", "said"), [("pass", "Pass"), ("fail", "Fail"), ("remeasure", "Measure again")])
def test_a_verdict_is_word_and_sign(bench: Any, page: Page, verdict: str, said: str) -> None:
    bench.take(verdict, because="Because of <b>this</b>.")
    tile = page.locator("#reading")
    expect(tile).to_have_attribute("data-verdict", verdict)
    expect(tile.locator(".verdict")).to_have_text(said)
    expect(tile.locator(f"[data-sign={verdict}]")).to_be_visible()
    expect(tile).to_contain_text("1.203 mm")
    expect(tile).to_contain_text("± 0.012 mm (95 %)")
    expect(tile).to_contain_text("Because of <b>this</b>.")


def test_a_bracket_shows_both_ends(bench: Any, page: Page) -> None:
    bench.take(value_nm=575_000, low_nm=550_000, high_nm=600_000)
    expect(page.locator("#reading")).to_contain_text("Between 0.550 and 0.600 mm")


def test_a_reading_taken_back_says_so_where_it_stands_large(bench: Any, page: Page) -> None:
    bench.take(None, taken_back=True, because="")
    expect(page.locator("#reading .verdict")).to_have_text("taken back")


def test_unassigned_reading_says_so(bench: Any, page: Page) -> None:
    bench.take(None, unassigned=True, because="")
    expect(page.locator("#reading .verdict")).to_have_text("Kept, belongs to no feature yet")


def test_inch_applies_to_everything_and_is_remembered(bench: Any, page: Page) -> None:
    bench.take()
    page.locator("#unit-in").click()
    expect(page.locator("#reading")).to_contain_text("0.0474 in")
    expect(page.locator("#reading")).to_contain_text("47.4 thousandths")
    expect(page.locator("#reading")).to_contain_text("± 0.0005 in (95 %)")
    expect(cell(page, "proud_end", 7, "treble")).to_have_text(re.compile(r"0\.0033"))
    expect(page.locator("#flags")).to_contain_text("0.0033 ± 0.0006 in")
    expect(page.locator("#recent")).to_contain_text("0.0474 in")
    expect(page.locator("#instrument")).to_contain_text("25.394 in")
    page.reload()
    expect(page.locator("#reading")).to_contain_text("0.0474 in")
    expect(page.locator("#unit-in")).to_have_attribute("aria-pressed", "true")


def flags_of(bench: Any, **changes: Any) -> None:
    bench.publish(flags=[{**bench.shown["flags"][0], **changes}])


def test_a_flag_prints_its_number_once_with_its_uncertainty(bench: Any, page: Page) -> None:
    mm = "fret 7 treble end stands proud by 0.083 ± 0.016 mm"
    thou = "fret 7 treble end stands proud by 3.3 ± 0.6 thou"
    flags_of(bench, text=mm, text_in=thou)
    expect(page.locator("#flags .text")).to_have_text("F" + mm[1:])
    expect(page.locator("#flags .amount")).to_have_text("")
    page.locator("#unit-in").click()
    expect(page.locator("#flags .text")).to_have_text("F" + thou[1:])
    expect(page.locator("#flags .amount")).to_have_text("")
    assert page.locator("#flags .text").evaluate("one => one.textContent.endsWith('3.3\u00a0±\u00a00.6\u00a0thou')")
    flags_of(bench, text=mm, text_in="")  # told in mm only, so that the number stands beside it in inches
    expect(page.locator("#flags .amount")).to_have_text("0.0033 ± 0.0006 in")


def test_every_sentence_begins_with_a_capital(bench: Any, page: Page) -> None:
    flags_of(bench, text="fret 7, treble: the slot is tight", what_to_do="widen the slot")
    bench.publish(caution="glasses: wear them", trouble="the disk is full")
    bench.take("remeasure", because="fret end 0.046 mm: measure again", settle="its uncertainty is not known")
    said = {
        "#flags .text": "Fret 7, treble: the slot is tight",
        "#flags .todo": "Widen the slot",
        "#next .first": "Fret 8, bass",
        "#next .how": "Base on the board, plunger on the crown",
        "#next .caution": "Caution: Glasses: wear them",
        "#warnings": "The disk is full",
        "#reading .first": "Fret 7, treble",
        "#reading .because": "Fret end 0.046 mm: measure again",
        "#reading .settle": "Its uncertainty is not known",
        "#recent .what > span": "Fret 7, treble: height of the seated fret",
        "#recent small": "Its uncertainty is not known",
        "#map .legend": re.compile("^Lift of the fret"),
        "#say": re.compile("^Fret 7, treble"),
    }
    for where, text in said.items():
        expect(page.locator(where)).to_have_text(text)
    expect(cell(page, "proud_end", 7, "treble")).to_have_attribute("title", re.compile("^Fret 7 treble"))


def step(fret: int, mm: float, **more: Any) -> dict[str, Any]:
    return {
        "kind": "fret_step",
        "fret": fret,
        "place": "centre",
        "words": f"fret {fret}, centre: step over its neighbours",
        "value_nm": round(mm * 1e6),
        "because": "high fret 0.004 ± 0.017 mm: pass",
        **more,
    }


def test_a_step_that_a_neighbour_explains_passes_with_a_word_why(bench: Any, page: Page) -> None:
    bench.take(**step(4, -0.065, shadow_of=[5]))
    why = "The step is explained by fret 5; the verdict is on what is left of it."
    expect(page.locator("#reading .shadow")).to_have_text(why)
    expect(page.locator("#reading .because")).to_have_text("High fret 0.004 ± 0.017 mm: pass")
    expect(page.locator("#recent small")).to_have_text(why)
    expect(page.locator("#say")).to_contain_text(why)
    bench.take(**step(7, -0.001, shadow_of=[]))
    expect(page.locator("#reading .first")).to_have_text("Fret 7, centre")
    expect(page.locator("#reading .shadow")).to_have_count(0)
    bench.take(**step(7, -0.001, shadow_of=[3, 9]))
    expect(page.locator("#reading .shadow")).to_contain_text("explained by fret 3, 9;")


def test_the_button_for_another_reading_has_words_of_its_own(bench: Any, page: Page) -> None:
    bench.take("remeasure")
    expect(page.locator("#repeat")).to_have_text("One more reading F2")
    expect(page.locator(".action").filter(has_text="Measure again")).to_have_count(0)


def test_flags_say_what_to_do_and_do_not_pass_for_cells(page: Page) -> None:
    flag = page.locator('[data-flag-check=proud_end][data-flag-fret="7"][data-flag-place=treble]')
    expect(flag).to_contain_text("Fret 7 treble end stands proud by 0.08 mm")
    expect(flag).to_contain_text("Press-test it, then re-seat")
    expect(page.locator("#flags [data-check]")).to_have_count(0)


def test_gauges_instrument_and_stages(page: Page) -> None:
    expect(page.locator("[data-gauge=depth]")).to_contain_text("alive")
    expect(page.locator("[data-gauge=rocker]")).to_contain_text("Unplugged")
    expect(page.locator("#instrument")).to_contain_text("invented instrument")
    expect(page.locator("[data-stage=seating]")).to_have_attribute("aria-current", "step")


def test_what_was_skipped_reads_as_skipped_and_is_asked_for_again(bench: Any, page: Page) -> None:
    bench.publish(stages=[{"name": "wire", "words": "Wire", "done": 4, "skipped": 12, "of": 16},
                          {"name": "seating", "words": "Seating", "done": 60, "skipped": 0, "of": 60}])  # fmt: skip
    wire, seating = page.locator("[data-stage=wire]"), page.locator("[data-stage=seating]")

    expect(wire).to_contain_text("4/16")
    expect(wire).to_contain_text("12 skipped")
    expect(wire.locator("progress")).to_have_attribute("aria-valuetext", "4 of 16 measured, 12 skipped")
    expect(wire).not_to_have_attribute("data-full", "")
    expect(seating).to_have_attribute("data-full", "")
    expect(seating).not_to_contain_text("skipped")
    box = wire.locator(".bar i").bounding_box()
    assert box
    assert box["width"] > 2 * wire.locator("progress").evaluate("(node) => node.value / node.max") * box["width"]
    wire.get_by_role("button", name="Ask again for what was skipped of Wire").click()
    assert bench.wait_for(1)[0] == {"do": "unskip", "stage": "wire"}


def test_a_reading_on_its_way_to_the_disk_is_no_cause_for_a_cry(bench: Any, page_of: Look) -> None:
    page = page_of(bench.door).page
    page.clock.install()
    page.evaluate("""() => {
        window.said = [];
        new MutationObserver(() => said.push(document.getElementById('warnings').textContent))
            .observe(document.getElementById('warnings'), {childList: true, subtree: true});
    }""")
    for number in range(1, 4):
        bench.publish(seq=number, waiting=1)
        page.wait_for_function(f"() => fretledger.snap.seq === {number}")
        page.clock.run_for(600)
    assert page.evaluate("() => said") == []
    page.clock.run_for(600)  # the third waits on
    expect(page.locator("#warnings")).to_contain_text("1 reading is not on disk yet")
    bench.publish(waiting=0)
    expect(page.locator("#warnings")).to_have_text("")


def test_what_waits_for_the_shop_is_said_once_and_not_loudly(bench: Any, page: Page) -> None:
    text = "the shop at postgresql://bench@shop/fret could not be reached; 17 rows wait here"
    bench.publish(shop={"waiting": 17, "since": "2026-01-02T10:11:12+00:00", "counted": True, "connected": False,
                        "text": text})  # fmt: skip
    expect(page.locator("#warnings")).to_have_text(f"T{text[1:]}")
    expect(page.locator("#warnings .loud")).to_have_count(0)
    bench.publish(shop={"waiting": 0, "since": None, "counted": True, "connected": True, "text": ""})
    expect(page.locator("#warnings")).to_have_text("")


def test_trouble_and_readings_not_on_disk_are_loud(bench: Any, page: Page) -> None:
    bench.publish(waiting=3, trouble="the disk is full")
    warnings = page.get_by_role("alert").filter(has_text="the disk is full")
    expect(warnings).to_contain_text("3 readings are not on disk yet")
    bench.publish(waiting=0, trouble="")
    expect(page.locator("#warnings")).to_have_text("")


def test_a_fail_behind_a_pass_is_still_told(bench: Any, page: Page) -> None:
    bench.take()
    expect(page.locator("#say")).to_contain_text("Pass")
    page.locator("#sound").click()
    page.wait_for_function("() => fretledger.tones.state() === 'running'")
    bench.take("fail")
    page.wait_for_function("() => fretledger.tones.played.length === 1")
    last = {**bench.shown["last"], "verdict": "pass"}
    bench.publish(seq=4, bad_seq=3, last=last)  # reading 3 failed, reading 4 passed, one snapshot tells both
    page.wait_for_function("() => fretledger.tones.played.length === 2")
    bench.take("remeasure")
    page.wait_for_function("() => fretledger.tones.played.length === 3")
    assert page.evaluate("() => fretledger.tones.played") == ["fail", "fail", "remeasure"]
    expect(page.locator("#alarm")).to_have_text("A reading failed, number 3")


def test_no_tone_without_a_new_reading(bench: Any, page: Page) -> None:
    bench.take("fail")
    expect(page.locator("#reading")).to_have_attribute("data-verdict", "fail")
    page.locator("#sound").click()
    page.wait_for_function("() => fretledger.tones.state() === 'running'")
    bench.publish(caution="Wear glasses.")
    expect(page.locator("#next")).to_contain_text("Wear glasses.")
    assert page.evaluate("() => fretledger.tones.played") == []


def test_light_and_dark_follow_the_system_and_the_switch(bench: Any, neck: dict[str, Any], page_of: Look) -> None:
    bench.publish(**neck)
    page = page_of(bench.door, color_scheme="dark").page
    expect(page.locator("html")).to_have_attribute("data-theme", "dark")
    page.locator("#dark").click()
    expect(page.locator("html")).to_have_attribute("data-theme", "light")
    page.reload()
    expect(page.locator("html")).to_have_attribute("data-theme", "light")


@pytest.mark.parametrize("width", [360, 820, 1280, 2560])
def test_nothing_is_wider_than_the_screen(bench: Any, neck: dict[str, Any], page_of: Look, width: int) -> None:
    bench.publish(**neck)
    page = page_of(bench.door, viewport={"width": width, "height": 800}).page
    bench.take("remeasure")
    expect(page.locator("#reading .verdict")).to_be_visible()
    expect(cell(page, "proud_end", 7, "treble")).to_be_visible()
    assert page.evaluate("() => document.documentElement.scrollWidth") <= width
    within = "(card) => card.scrollWidth <= card.clientWidth + 1"
    assert page.evaluate(f"() => [...document.querySelectorAll('.card')].every({within})")


def test_a_first_start_without_anything_shows_a_calm_page(bench: Any, page_of: Look) -> None:
    looker = page_of(type(bench)().door)
    expect(looker.page.locator("#next")).to_contain_text("Waiting for the bench")
    expect(looker.page.locator("#reading")).to_contain_text("No reading yet")
    assert looker.problems == []


@pytest.mark.parametrize(("state", "said"), [("done", "This sheet is complete"), ("idle", "No sheet is open")])
def test_nothing_next_is_said(bench: Any, page: Page, state: str, said: str) -> None:
    bench.publish(state=state, next=None)
    expect(page.locator("#next")).to_contain_text(said)


def test_a_complete_sheet_says_what_comes_next_and_where(bench: Any, page: Page) -> None:
    steps = [{"step": "reseat", "frets": [3, 7]}, {"step": "level", "frets": [9]}, {"step": "seal_later"}]
    skipped = [{"name": "wire", "words": "Wire", "done": 0, "skipped": 16, "of": 16}]
    bench.publish(state="done", next=None, after=[{"step": "skipped", "stages": ["wire"]}, *steps], stages=skipped)

    said = page.locator("#next .after li")
    expect(page.locator("#next")).to_contain_text("or was skipped")
    expect(said).to_have_count(4)
    expect(said.nth(0)).to_contain_text("Wire; Ask again")
    expect(said.nth(1)).to_contain_text("Press-test and re-seat frets 3, 7; before any levelling")
    expect(said.nth(3)).to_contain_text("measured again, or now as it was found")
    for name, view in (("Level", "levelling"), ("Seal the record", "record")):
        expect(page.locator("#next").get_by_role("link", name=name, exact=True)).to_have_attribute("href", f"#{view}")
    page.set_viewport_size({"width": 1280, "height": 800})
    expect(page.locator("#typed")).to_be_in_viewport(ratio=1)
    page.set_viewport_size({"width": 1280, "height": 720})


def test_accessible_names(bench: Any, page: Page) -> None:
    bench.take()
    expect(page.get_by_label("Typed reading")).to_be_visible()
    expect(page.get_by_role("button", name="Take back F9")).to_be_visible()
    expect(page.get_by_role("region", name="Last reading")).to_be_visible()
    expect(page.get_by_role("gridcell").filter(has_text="proud")).to_be_visible()


def test_nothing_is_complained_of_and_nothing_leaves_this_machine(bench: Any, looker: Any) -> None:
    page = looker.page
    bench.take("fail")
    bench.publish(cells=[*bench.shown["cells"], ["proud_end", 5, "bass", "pass", 0.01, 0.016, 0.99]])
    expect(page.locator("#chart-box .mark").first).to_be_visible()
    page.locator("#dark").click()
    page.keyboard.type("0.5\n")
    expect(page.locator("#said")).to_contain_text("Taken")
    assert looker.problems == []  # what the content policy refuses lands here too
    assert {host.split(":")[0] for host in looker.hosts} == {"127.0.0.1"}
