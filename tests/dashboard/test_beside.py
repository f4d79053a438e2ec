"""What stands beside the readings: queries, how sure a verdict is, the air, and what the gauges are worth."""

import re
from collections.abc import Iterator
from typing import Any

import pytest
from playwright.sync_api import Page, expect

pytestmark = pytest.mark.browser

QUERY: dict[str, Any] = {
    "gauge": "typed",
    "sequence": 1,
    "words": "fret 7, treble: height of the seated fret",
    "text": "it stands 0.06 mm from its <b>two</b> repeats",
    "text_in": "it stands 2.4 thou from its two repeats",
    "value_nm": 1_203_000,
}
CLIMATE = {
    "temperature_c": 21.5,
    "humidity_percent": 48.0,
    "moisture_percent": 8.9,
    "at": "2025-05-06T13:20:00+00:00",
}
RECORD: dict[str, Any] = {
    "gauge": "depth",
    "kind": "depth_indicator",
    "resolution_mm": 0.001,
    "u_mm": 0.0031,
    "u_dof": 18,
    "u_from": "study",
    "zero_u_mm": 0.002,
    "last_check": "2025-03-05T09:00:00+00:00",
    "due": "2025-04-04",
    "overdue": True,
    "drifts": True,
    "words": "the newest check stands apart",
    "limits": {"centre_mm": 0.002, "lower_mm": -0.004, "upper_mm": 0.008},
}
FRESH: dict[str, Any] = {
    **RECORD,
    "gauge": "leaves <b>",
    "u_mm": None,
    "u_dof": None,
    "u_from": "default",
    "resolution_mm": None,
    "last_check": None,
    "due": None,
    "overdue": False,
    "drifts": False,
    "words": "",
    "limits": None,
}


@pytest.fixture
def bench(shared: Any) -> Any:
    return shared[0]


@pytest.fixture
def page(shared: Any) -> Page:
    page: Page = shared[1].page
    return page


@pytest.fixture
def laptop(page: Page) -> Iterator[Page]:
    """The page in a window as low as a small laptop has it, with nothing said."""
    before = page.viewport_size
    page.evaluate("() => fretledger.said('')")
    page.set_viewport_size({"width": 1280, "height": 800})
    yield page
    assert before
    page.set_viewport_size(before)


def test_a_query_is_asked_with_its_words_and_two_answers(bench: Any, page: Page) -> None:
    bench.take()
    bench.publish(queries=[QUERY])
    query = page.locator("[data-query]")
    expect(query).to_contain_text("Does this reading belong?")
    expect(query).to_contain_text("It stands 0.06 mm from its <b>two</b> repeats")
    expect(page.locator("#recent em")).to_have_text("asked about")
    query.get_by_role("button", name=re.compile("^Keep fret 7, treble.*1.203 mm")).click()
    assert bench.wait_for(1) == [{"do": "keep", "gauge": "typed", "sequence": 1}]
    expect(query.locator("[data-keep]")).to_be_disabled()
    bench.publish(queries=[])
    expect(query).to_have_count(0)


def test_a_query_of_an_earlier_reading_says_which(bench: Any, page: Page) -> None:
    bench.publish(queries=[QUERY, {**QUERY, "sequence": 2}])
    expect(page.locator("[data-query]")).to_have_count(2)
    expect(page.get_by_text("1 more reading is asked about")).to_be_visible()
    expect(page.locator("[data-query]").first).to_contain_text("Fret 7, treble: height of the seated fret: 1.203 mm")
    page.locator("#unit-in").click()
    expect(page.locator("[data-query]").first).to_contain_text("It stands 2.4 thou")


@pytest.mark.parametrize("count", [1, 2, 5])
def test_open_questions_leave_the_verdict_and_the_field_on_the_screen(bench: Any, laptop: Page, count: int) -> None:
    bench.take("fail", because="Fret 7, treble: the end stands 0.083 ± 0.016 mm above the limit of 0.030 mm")
    bench.publish(queries=[{**QUERY, "sequence": each} for each in range(9, 9 - count, -1)])
    expect(laptop.locator("[data-query]").first).to_be_visible()
    expect(laptop.locator("[data-query]")).to_have_count(count)
    assert sum(each.is_visible() for each in laptop.locator("[data-query]").all()) == 1
    for seen in ("#typed", "#reading .number", "#reading .verdict"):
        expect(laptop.locator(seen)).to_be_in_viewport(ratio=1)
    field, verdict = laptop.locator(".entry").bounding_box(), laptop.locator("#reading .verdict").bounding_box()
    assert field
    assert verdict
    assert verdict["y"] + verdict["height"] <= field["y"], "the field that stays at the foot covers no verdict"
    if count > 2:
        laptop.get_by_text("4 more readings are asked about").click()
        expect(laptop.locator("[data-query]").last).to_be_visible()
        bench.publish(caution="Wear glasses.")  # stays open while readings come
        expect(laptop.locator("[data-query]").last).to_be_visible()


def test_leaves_and_a_long_headline_leave_field_and_caution_on_the_screen(bench: Any, laptop: Page) -> None:
    because = "Fret 14, centre: the board stands 0.228 ± 0.009 mm over the line through both sides of the join"
    bench.take("fail", because=because)
    bench.publish(
        next={
            "kind": "board_gap",
            "fret": 14,
            "place": "centre",
            "words": "fret 14, centre: gap under the straightedge on the bare board, blocks on 1 and 20",
            "how": "edge on two equal blocks; the largest leaf that goes under it, the smallest that does not",
            "gauge_words": "leaves, typed",
            "repeat": 1,
            "of": 1,
            "bracket": True,
        },
        caution="Press-test before you level: levelling a loose fret is the classic mistake. Files and stainless wire"
        " throw splinters: wear glasses.",
        decides="Local rules and licensed practice decide, not this program.",
    )
    expect(laptop.locator("#next .caution")).to_contain_text("splinters")
    field, caution = laptop.locator(".entry").bounding_box(), laptop.locator("#next .caution").bounding_box()
    assert field
    assert caution
    assert field["y"] + field["height"] <= 800
    assert caution["y"] + caution["height"] <= field["y"] + 1
    laptop.locator("#typed").focus()
    assert laptop.evaluate("() => scrollY") == 0, "the field's focus moves no page"


def test_the_question_about_the_newest_reading_comes_first(bench: Any, page: Page) -> None:
    bench.take()
    older, newest = {**QUERY, "sequence": 4}, {**QUERY, "sequence": bench.shown["last"]["sequence"]}
    bench.publish(queries=[older, newest])
    expect(page.locator("[data-query]").first).to_have_attribute("data-query", str(newest["sequence"]))


def test_taking_back_from_a_query_by_key_asks_once(bench: Any, page: Page) -> None:
    bench.publish(queries=[QUERY])
    expect(page.locator("[data-query]")).to_contain_text("1.203 mm")
    page.locator("[data-query] [data-take-back]").focus()
    page.keyboard.press("Enter")
    page.keyboard.press("Enter")
    assert bench.wait_for(1) == [{"do": "take_back", "gauge": "typed", "sequence": 1}]
    expect(page.locator("[data-query] [data-take-back]")).to_be_disabled()
    assert len(bench.asked) == 1


def test_two_presses_within_one_frame_ask_once(bench: Any, page: Page) -> None:
    bench.publish(queries=[{**QUERY, "sequence": 3}])
    expect(page.locator("[data-query] [data-take-back]")).to_be_enabled()
    page.locator("[data-query] [data-take-back]").evaluate("button => { button.click(); button.click(); }")
    assert bench.wait_for(1) == [{"do": "take_back", "gauge": "typed", "sequence": 3}]
    expect(page.locator("[data-query] [data-take-back]")).to_be_disabled()
    assert len(bench.asked) == 1


def test_a_query_that_was_refused_can_be_answered_again(bench: Any, page: Page) -> None:
    page.route("**/act", lambda route: route.fulfill(status=403, body="no"))
    bench.publish(queries=[QUERY])
    page.locator("[data-keep]").click()
    expect(page.locator("#said")).to_contain_text("refused")
    expect(page.locator("[data-keep]")).to_be_enabled()
    page.unroute("**/act")


def test_a_new_query_has_the_tone_of_measure_again(bench: Any, page: Page) -> None:
    page.locator("#sound").click()
    page.wait_for_function("() => fretledger.tones.state() === 'running'")
    page.evaluate("() => { fretledger.tones.played.length = 0; }")
    bench.publish(seq=1, last=None, queries=[QUERY])
    page.wait_for_function("() => fretledger.tones.played.length === 1")
    expect(page.locator("#alarm")).to_have_text(re.compile("^Does this reading belong?.*1.203 mm"))
    bench.publish(queries=[QUERY], caution="Wear glasses.")  # the same one again says nothing
    expect(page.locator("#next")).to_contain_text("Wear glasses.")
    bench.publish(seq=2, bad_seq=2, queries=[QUERY, {**QUERY, "sequence": 2}])
    page.wait_for_function("() => fretledger.tones.played.length === 3")
    assert page.evaluate("() => fretledger.tones.played") == ["remeasure", "fail", "remeasure"]
    page.locator("#sound").click()


def test_what_would_settle_it_is_said(bench: Any, page: Page) -> None:
    said = {"settle": "2 more readings would settle it", "settle_in": "2 more readings, in inches"}
    bench.take("remeasure", **said)
    expect(page.locator("#reading .settle")).to_have_text("2 more readings would settle it")
    expect(page.locator("#recent small")).to_have_text("2 more readings would settle it")
    page.locator("#unit-in").click()
    expect(page.locator("#reading .settle")).to_have_text("2 more readings, in inches")
    expect(page.locator("#recent small")).to_have_text("2 more readings, in inches")
    bench.take(settle="", settle_in="")
    expect(page.locator("#reading .settle")).to_have_count(0)


def test_how_sure_shows_every_part_with_its_share(bench: Any, page: Page) -> None:
    parts = [["repeats <b>", 0.0031, 60.4], ["zero of the gauge", 0.002, 39.6]]
    bench.publish(budgets={"proud_end|7|treble": parts, "tilted_fret|7|": parts[:1]})
    expect(page.locator("#sure summary")).to_be_visible()  # drawn anew: what another reading left there is gone
    expect(page.locator("#sure h3").first).to_be_hidden()
    page.locator("#sure summary").focus()
    page.keyboard.press("Enter")
    expect(page.locator("#sure h3")).to_have_text(["Proud ends, fret 7, treble", "Tilted frets, fret 7"])
    first = page.locator("#sure tbody tr").first
    expect(first.locator("th")).to_have_text("repeats <b>")
    expect(first.locator("td")).to_have_text(["0.0031", "60 %"])
    page.locator("#unit-in").click()
    expect(first.locator("td").first).to_have_text("0.00012")
    bench.publish(budgets={"proud_end|8|bass": parts})
    expect(page.locator("#sure h3")).to_have_text(["Proud ends, fret 8, bass"])
    expect(page.locator("#sure h3")).to_be_visible()  # opened once, open for the next reading
    bench.publish(budgets=None)
    expect(page.locator("#sure")).to_be_hidden()


def test_the_air_is_one_line(bench: Any, page: Page) -> None:
    bench.publish(climate=CLIMATE)
    line = page.locator("#climate .line span")
    expect(line).to_have_text("21.5 °C, 48 % humidity, wood settles at 8.9 % moisture")
    page.locator("#unit-in").click()
    expect(line).to_have_text("71 °F (21.5 °C), 48 % humidity, wood settles at 8.9 % moisture")
    bench.publish(climate={**CLIMATE, "moisture_percent": None})
    expect(line).to_have_text("71 °F (21.5 °C), 48 % humidity")
    moved = {"movement_words": "Once settled 0.21 mm <b>", "movement_words_in": "Once settled 8.3 thou",
             "movement_unknown": "", "movement_source": "as the table says"}  # fmt: skip
    bench.publish(climate={**CLIMATE, **moved})
    expect(line).to_have_text("71 °F (21.5 °C), 48 % humidity, wood settles at 8.9 % moisture. Once settled 8.3 thou")
    expect(line).to_have_attribute("title", re.compile(r"^Noted at .+; as the table says$"))
    page.locator("#unit-mm").click()
    expect(line).to_have_text("21.5 °C, 48 % humidity, wood settles at 8.9 % moisture. Once settled 0.21 mm <b>")
    unmoved = {"movement_words": "", "movement_words_in": "", "movement_unknown": "wood not known"}
    bench.publish(climate={**CLIMATE, **unmoved, "movement_source": ""})
    expect(line).to_have_text(
        "21.5 °C, 48 % humidity, wood settles at 8.9 % moisture; board movement not known: wood not known"
    )
    bench.publish(climate=None)
    expect(line).to_have_text("Temperature and humidity are not noted")


def test_the_air_is_edited_with_the_keyboard_and_stays_out_of_the_reading_field(bench: Any, page: Page) -> None:
    bench.publish(climate=CLIMATE)
    expect(page.locator("#climate .line span")).to_contain_text("48 % humidity")
    page.locator("[data-climate=edit]").focus()
    page.keyboard.press("Enter")
    expect(page.get_by_label("Temperature, °C")).to_be_focused()
    page.keyboard.type("19,5")
    page.keyboard.press("Tab")
    bench.publish(seq=7)  # a snapshot does not disturb what is being typed
    page.wait_for_function("() => fretledger.snap.seq === 7")
    page.keyboard.type("55.5\n")
    assert bench.wait_for(1) == [{"do": "climate", "temperature_c": 19.5, "humidity_percent": 55.5}]
    expect(page.locator("#climate form")).to_be_hidden()
    expect(page.locator("#typed")).to_have_value("")
    expect(page.locator("[data-climate=edit]")).to_be_focused()
    page.keyboard.type("0.5\n")
    assert bench.wait_for(2)[1]["text"] == "0.5"


def test_inch_people_may_write_fahrenheit(bench: Any, page: Page) -> None:
    page.locator("#unit-in").click()
    page.locator("[data-climate=edit]").click()
    page.get_by_label("Temperature, °F").fill("68")
    page.get_by_label("Humidity, %").fill("45 %")
    page.keyboard.press("Enter")
    page.locator("[data-climate=edit]").click()
    page.get_by_label("Temperature, °F").fill("21 C")
    page.get_by_label("Humidity, %").fill("45")
    page.locator("#climate").get_by_role("button", name="Save").click()
    assert [one["temperature_c"] for one in bench.wait_for(2)] == [20.0, 21.0]


@pytest.mark.parametrize(
    ("temperature", "humidity", "said"),
    [("warm", "48", "Temperature must be"), ("21", "", "Humidity must be"), ("21", "148", "from 0 to 100")],
)
def test_air_that_does_not_hold_is_said_and_not_sent(
    bench: Any, page: Page, temperature: str, humidity: str, said: str
) -> None:
    page.locator("[data-climate=edit]").click()
    page.get_by_label("Temperature, °C").fill(temperature)
    page.get_by_label("Humidity, %").fill(humidity)
    page.keyboard.press("Enter")
    expect(page.locator("#climate [role=alert]")).to_contain_text(said)
    page.keyboard.press("Escape")
    expect(page.locator("#climate form")).to_be_hidden()
    assert bench.asked == []


def test_a_refused_climate_is_said_where_it_was_typed(bench: Any, page: Page) -> None:
    page.route("**/act", lambda route: route.fulfill(status=403, body="no"))
    page.locator("[data-climate=edit]").click()
    page.get_by_label("Temperature, °C").fill("21")
    page.get_by_label("Humidity, %").fill("48")
    page.keyboard.press("Enter")
    expect(page.locator("#climate [role=alert]")).to_contain_text("refused the request (403)")
    expect(page.get_by_label("Temperature, °C")).to_have_value("21")
    page.keyboard.press("Escape")
    page.unroute("**/act")


def test_what_a_gauge_is_worth_and_whether_it_drifts(bench: Any, page: Page) -> None:
    bench.publish(gauge_records=[RECORD])
    record = page.get_by_role("article", name="depth")
    expect(record).to_contain_text("0.0031 mm")
    expect(record).to_contain_text("Standard uncertainty, from its repeatability study, 18 degrees of freedom")
    expect(record).to_contain_text("Overdue since 4 Apr 2025")
    expect(record).to_contain_text("The newest check stands apart")
    expect(record.locator(".state")).to_have_text("Drifts")
    expect(record.locator(".state [data-sign=fail]")).to_be_visible()
    expect(record.get_by_role("link", name="depth")).to_have_attribute("href", "#all-gauges/depth")
    page.locator("#unit-in").click()
    expect(record).to_contain_text("0.00012 in")


def test_a_gauge_of_unknown_worth_says_so(bench: Any, page: Page) -> None:
    bench.publish(gauge_records=[FRESH])
    record = page.get_by_role("article", name="leaves <b>")
    expect(record).to_contain_text("Not known: every verdict says measure again")
    expect(record).to_contain_text("Never checked")
    bench.publish(gauge_records=[])
    expect(page.locator("#gauge-records")).to_be_hidden()


@pytest.mark.parametrize("width", [360, 820, 2560])
def test_all_of_it_fits_every_screen_without_a_complaint(bench: Any, shared: Any, page: Page, width: int) -> None:
    page.set_viewport_size({"width": width, "height": 800})
    parts = [["a part of the uncertainty with a long name", 0.0031, 60.4]]
    bench.take("remeasure", settle="2 more readings would settle it")
    more = {"climate": CLIMATE, "gauge_records": [RECORD, FRESH], "budgets": {"proud_end|7|treble": parts}}
    bench.publish(queries=[QUERY], **more)
    expect(page.locator("[data-query]")).to_be_visible()
    expect(page.locator("#worth .state")).to_be_visible()
    page.evaluate("() => { for (const one of document.querySelectorAll('details')) one.open = true; }")
    page.locator("[data-climate=edit]").click()
    assert page.evaluate("() => document.documentElement.scrollWidth") <= width
    within = "(card) => card.scrollWidth <= card.clientWidth + 1"
    assert page.evaluate(f"() => [...document.querySelectorAll('.card, .record, .query')].every({within})")
    page.keyboard.press("Escape")
    page.set_viewport_size({"width": 1280, "height": 720})
    assert shared[1].problems == []
    assert {host.split(":")[0] for host in shared[1].hosts} == {"127.0.0.1"}
