"""The views Fit, Board and sweep, and Levelling, on a store of an invented neck, in a real browser."""

import re
from collections.abc import Callable, Iterator
from pathlib import Path
from typing import Any

import pypdfium2
import pytest
from playwright.sync_api import Browser, Page, Route, expect

from dashboard.server import serve
from logger.door import Answer, Door
from logger.looking import Looking
from logger.readings_import import import_readings

pytestmark = pytest.mark.browser
SLOW_MS, AGAIN_MS = 20_000, 2_500
NAME = "Rill <b>no. 5</b> (invented)"
NECK = f"""\
name = "{NAME}"
kind = "steel-string"
scale_mm = 645.0
frets = 20
join_fret = 14
[target]
relief_mm = 0.1
[plan]
tolerance_mm = 0.01
crown_min_mm = 0.8
reseats = 1
"""
GAUGES = "".join(
    f'[gauge.{name}]\nkind = "{kind}"\nresolution_mm = 0.001\nu_mm = 0.003\nzero_u_mm = 0.002\n'
    for name, kind in (("caliper", "caliper"), ("depth", "depth_indicator"), ("rocker", "rocker"))
)
HEAD = "kind,fret,place,value,unit,feet,gauge,round\n"
READINGS = (
    f"{HEAD}"
    "tang_thickness,,,0.52,mm,,caliper,\nbarb_span,,,0.70,mm,,caliper,\ncrown_height,,,1.10,mm,,depth,\n"
    "slot_width,5,bass,0.56,mm,,caliper,\nslot_width,6,bass,0.49,mm,,caliper,\nslot_width,7,bass,0.75,mm,,caliper,\n"
    "seated_height,7,centre,1.18,mm,,depth,\n"
)
FIRST_TO_SEVENTH = """(path) => {
    const line = document.querySelectorAll('#view-sweep .plot')[path].querySelector('.line.found').getAttribute('d');
    const at = line.slice(1).split('L').map((point) => point.split(' ').map(Number));
    return [at[6][0] - at[0][0], at[6][1] - at[0][1]];
}"""
"""How far the seventh fret is drawn from the first: along, and down."""
AS_LONG_AS_CAN_BE = """(length) => {
    const list = document.querySelector('#view-levelling .deeds'), {deedRows} = fretledger;
    const sizes = ['bass', 'centre', 'treble'].map((place) => ({place, mm: 0.123, U_mm: 0.045}));
    const one = {task: 'file', sizes, noise: true, crown_left_mm: 1.001, flat_mm: 0.701};
    const deeds = Array.from({length}, (_, i) => ({...one, fret: i + 1}));
    list.replaceWith(deedRows('printed', deeds)[0]);
    document.querySelector('.worklist').dataset.long = fretledger.howLong(deeds);
}"""
"""So many frets, each with all that can be said of it."""
CROWD = """() => {
    const at = [[5, 0.10], [6, 0.11], [7, 0.10], [8, 0.02], [9, 0.01]], x = (fret) => 645 * (1 - 2 ** (-fret / 12));
    const marks = at.map(([fret, mm]) => ({x: x(fret), mm, U: 0.01, verdict: 'fail', label: `${fret} high`}));
    const spec = {x: [0, 470], low: 0, high: 0.2, words: '', ticks: [], marks};
    document.querySelector('#view-fit').append(fretledger.plot(spec));
}"""
"""Five frets side by side, each with its name, in a drawing of their own."""
DONE = "Object.keys(localStorage).find((key) => key.includes('done.'))"


def _stored(folder: Path, readings: str, neck: str = NECK) -> tuple[Looking, str]:
    """Return who answers about a store of these readings, and the session in it."""
    for name, text in (("n.toml", neck), ("g.toml", GAUGES), ("r.csv", readings)):
        (folder / name).write_text(text, encoding="utf-8")
    import_readings(folder / "r.csv", folder / "s.db", instrument=folder / "n.toml", gauges=folder / "g.toml")
    looking = Looking(folder / "s.db", current="")
    session: str = looking.ask("rack", {})["instruments"][0]["sessions"][0]["session"]
    return looking, session


@pytest.fixture(scope="module")
def site(browser: Browser, tmp_path_factory: pytest.TempPathFactory, sweep_rows: Callable[..., str]) -> Iterator[Any]:
    """A page on a store with a full session and one with a single reading."""
    swept = READINGS + sweep_rows({7: 0.08, 12: 0.05}) + sweep_rows({12: 0.05}, "bass")
    folder = tmp_path_factory.mktemp("full")
    full, full_session = _stored(folder, swept)
    (folder / "after.csv").write_text(HEAD + sweep_rows({12: 0.05}), encoding="utf-8")
    import_readings(folder / "after.csv", folder / "s.db", instrument=folder / "n.toml", gauges=folder / "g.toml")
    bare, bare_session = _stored(tmp_path_factory.mktemp("bare"), "\n".join(READINGS.split("\n")[:2]))

    missing = [row for row in sweep_rows({7: 0.08, 12: 0.05}).splitlines() if not row.startswith("fret_step,10,")]
    folder = tmp_path_factory.mktemp("partly")
    _, partly_session = _stored(folder, f"{READINGS}{chr(10).join(missing)}\n")
    partly = Looking(folder / "s.db", current=partly_session)
    hardly, hardly_session = _stored(tmp_path_factory.mktemp("hardly"), READINGS + sweep_rows({12: 0.05, 16: 0.0235}))
    others = {bare_session: bare, partly_session: partly, hardly_session: hardly}

    def ask(what: str, wanted: Any) -> Any:
        return others.get(wanted.get("id"), full).ask(what, wanted)

    typed: list[Any] = []

    def act(_id: str, action: Any) -> Answer:
        typed.append(action)
        return Answer(done=True)

    door = Door(act, ask)
    door.publish({"version": 1, "store": "s", "boot": "b", "seq": 0, "bad_seq": 0})
    server = serve(door)
    yield server.url, full_session, bare_session, typed, partly_session, hardly_session
    server.stop()
    door.close()


@pytest.fixture
def looker(site: Any, browser: Browser) -> Iterator[tuple[Page, list[str], Callable[..., None]]]:
    """A page, what it complained of, and a function that opens a view of a session."""
    context = browser.new_context(viewport={"width": 1280, "height": 800})
    page, problems = context.new_page(), []
    page.on("console", lambda said: problems.append(said.text) if said.type in {"error", "warning"} else None)
    page.on("pageerror", lambda error: problems.append(str(error)))
    url, full, bare, *_ = site

    def look(view: str, *, empty: bool = False) -> None:
        page.goto(f"{url}#{view}/{bare if empty else full}")
        expect(page.locator(f"#view-{view} .standing")).to_contain_text(NAME, timeout=SLOW_MS)

    yield page, problems, look
    context.close()
    assert problems == []


def test_a_view_that_waits_for_another_is_not_blank(looker: Any):
    page, _, look = looker
    look("fit")
    waiting: list[Route] = []
    page.route("**/look/gauges*", lambda route: waiting.append(route))
    page.evaluate("() => { location.hash = '#all-gauges'; }")
    expect(page.locator("#view-all-gauges")).to_contain_text("One moment")
    page.evaluate("() => { location.hash = '#rack'; }")
    expect(page.locator("#view-rack")).to_contain_text("One moment")  # while the first is still asked for
    waiting[0].continue_()
    expect(page.locator("#view-rack")).to_contain_text("Rill", timeout=SLOW_MS)


@pytest.mark.parametrize("width", [1280, 390])
def test_names_of_frets_that_stand_close_never_lie_over_each_other(looker: Any, width: int):
    page, _, look = looker
    page.set_viewport_size({"width": width, "height": 844})
    look("fit")
    expect(page.locator("#view-fit .plot .named")).to_have_count(2)

    page.evaluate(CROWD)
    labels = page.locator("#view-fit > .plotted .named")
    expect(labels).to_have_text([f"{fret} high" for fret in range(5, 10)])
    for found in (page.locator("#view-fit .whole .plot").first.locator(".named"), labels):
        boxes = [one.bounding_box() for one in found.all()]
        for index, one in enumerate(boxes):
            assert one["x"] >= 0
            assert one["x"] + one["width"] <= width
            for other in boxes[:index]:
                apart_x = max(one["x"], other["x"]) - min(one["x"] + one["width"], other["x"] + other["width"])
                apart_y = max(one["y"], other["y"]) - min(one["y"] + one["height"], other["y"] + other["height"])
                assert max(apart_x, apart_y) >= -3  # a line of type is a little less high than its box


def test_what_fails_first_stands_first_with_what_to_do(looker: Any):
    page, _, look = looker
    look("fit")

    first = page.locator("#view-fit .judged li")
    expect(first.first).to_have_text(re.compile(r"^Fail: Fret [67], bass"))
    expect(page.locator("#view-fit")).to_contain_text(re.compile(r"Fret 7, bass, tang clearance 0\.230\s±\s0\.\d+\smm"))
    expect(page.locator("#view-fit")).to_contain_text("choose a wire with a thicker tang, or set the fret in glue")
    expect(page.locator("#view-fit")).to_contain_text("limits 0.000 to 0.100 mm")
    expect(page.locator("#view-fit")).to_contain_text("Clipped wire ends fly")
    assert sorted(page.locator("#view-fit .plot .named").all_text_contents()) == ["6 tight", "7 loose"]
    page.locator("#view-fit summary").click()
    expect(page.locator("#view-fit .slots tbody tr")).to_have_count(3)


def test_the_profile_says_how_far_it_is_exaggerated_and_that_is_true(looker: Any):
    page, _, look = looker
    look("sweep")

    captions = page.locator("#view-sweep .plotted > p")
    expect(captions.first).to_have_text(re.compile(r"Heights are drawn \d+ times as large as lengths\."))
    said = {int(re.sub(r"\D", "", text)) for text in captions.all_text_contents()}
    along_px, down_px = page.evaluate(FIRST_TO_SEVENTH, 1)
    page.locator("#view-sweep summary").click()
    mm = page.locator("#view-sweep .heights tbody tr").nth(6).locator("td").nth(1).inner_text()

    assert len(said) == 1, "all paths are drawn alike"
    along_mm = 645 * (2 ** (-1 / 12) - 2 ** (-7 / 12))
    down_mm = -float(mm.split("\u00a0")[0].replace("\u2212", "-"))
    assert (down_px / down_mm) / (along_px / along_mm) == pytest.approx(said.pop(), rel=0.03)


def test_high_frets_are_named_in_words_and_in_the_drawing(looker: Any):
    page, _, look = looker
    look("sweep")

    expect(page.locator("#view-sweep .judged")).to_contain_text(re.compile(r"Fret 7: .* stands 0\.08\d\s±\s0\.\d+\smm"))
    assert "7 high" in page.locator("#view-sweep .plot .named").all_text_contents()
    expect(page.locator("#view-sweep")).to_contain_text("Press-test before you level")
    expect(page.locator("#view-sweep .zeros tbody tr").first).to_contain_text("±")
    page.locator("#unit-in").click()
    expect(page.locator("#view-sweep .judged")).to_contain_text(
        re.compile(r"Fret 7: .* stands 0\.003\d\s±\s0\.\d+\sin")
    )
    page.locator("#unit-mm").click()


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
    apart = page.locator(".worklist h3:text-is('Less than it is known to: measure again before filing')")

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


@pytest.mark.parametrize(
    ("view", "says"),
    [
        pytest.param("fit", "Too little is measured yet", id="fit"),
        pytest.param("sweep", "The frets are not swept yet", id="sweep"),
        pytest.param("levelling", "Too little is known for a plan", id="levelling"),
    ],
)
def test_a_view_without_readings_says_what_is_missing(looker: Any, view: str, says: str):
    page, _, look = looker
    look(view, empty=True)
    expect(page.locator(f"#view-{view}")).to_contain_text(says)


@pytest.mark.parametrize("view", ["fit", "sweep", "levelling"])
@pytest.mark.parametrize("width", [360, 820, 2560])
def test_no_view_is_wider_than_its_screen(looker: Any, view: str, width: int):
    page, _, look = looker
    page.set_viewport_size({"width": width, "height": 900})
    look(view)
    assert page.evaluate("document.documentElement.scrollWidth <= innerWidth")


def test_a_view_opened_while_another_is_awaited_is_shown(looker: Any, site: Any):
    page, _, look = looker
    look("fit")
    held: list[Route] = []

    def hold_the_first(route: Route) -> None:
        if held:
            route.continue_()
        held.append(route)

    page.route(re.compile("look/session"), hold_the_first)
    page.evaluate("(id) => { location.hash = `sweep/${id}`; }", site[1])
    page.evaluate("(id) => { location.hash = `levelling/${id}`; }", site[1])
    page.wait_for_timeout(AGAIN_MS)  # by now the page no longer looks again by itself

    held[0].continue_()

    expect(page.locator("#view-levelling .worklist")).to_be_visible(timeout=SLOW_MS)


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
