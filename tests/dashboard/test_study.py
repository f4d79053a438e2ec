"""A repeatability study on the page: whose turn it is, what is taken, what it found."""

import json
import re
from collections.abc import Mapping
from typing import Any

import pytest
from playwright.sync_api import Page, expect
from scipy import stats

pytestmark = pytest.mark.browser

PEOPLE = ["Ada", "Bela <i>B</i>"]
PARTS = ["1", "2", "part 3"]
READINGS = [
    [part, person, trial, round(1.1 + 0.02 * PARTS.index(part) + 0.004 * PEOPLE.index(person) + 0.002 * trial, 3)]
    for trial in (1, 2)
    for person in PEOPLE
    for part in PARTS
]
RESULT: dict[str, Any] = {
    "anova": {
        "part": {"ss": 0.0032, "df": 2, "ms": 0.0016, "f": 400.0, "p": 0.0000001},
        "person": {"ss": 0.000048, "df": 1, "ms": 0.000048, "f": 12.0, "p": 0.0134},
        "part_person": {"ss": 0.0, "df": 2, "ms": 0.0, "f": 0.0, "p": 1.0},
        "repeatability": {"ss": 0.000024, "df": 6, "ms": 0.000004, "f": None, "p": None},
        "total": {"ss": 0.003272, "df": 11, "ms": None, "f": None, "p": None},
    },
    "components": {"repeatability": 4e-6, "person": 9e-6, "part_person": 0.0, "part": 4e-4},
    "pooled": {"repeatability": 5e-6, "person": 9e-6, "part_person": 0.0, "part": 4e-4},
    "shares": {"repeatability": 9.8, "person": 14.8, "part_person": 0.0, "measuring": 17.7, "part": 98.4},
    "intervals": {"repeatability": [0.0013, 0.0044], "part": [0.0103, 0.1265]},
    "sizes": 7,
    "repeatability_mm": 0.002,
    "dof": 6,
    "method": "exact chi-square",
}


def study(done: int, **more: Any) -> dict[str, Any]:
    following = READINGS[done : done + 1]
    turn = dict(zip(("part", "person", "trial"), following[0], strict=False)) if following else None
    return {
        "gauge": "green",
        "parts": PARTS,
        "people": PEOPLE,
        "trials": 2,
        "done": done,
        "of": 12,
        "next": turn,
        "readings": READINGS[:done],
        "result": None if following else RESULT,
        **more,
    }


@pytest.fixture
def bench(shared: Any) -> Any:
    return shared[0]


@pytest.fixture
def page(shared: Any) -> Page:
    page: Page = shared[1].page
    return page


def test_the_turn_is_said_large_instead_of_the_neck(bench: Any, page: Page) -> None:
    expect(page.locator("#neck")).to_be_visible()
    bench.publish(study=study(4), next=None)
    expect(page.locator("#next .first")).to_have_text("Part 2, Bela <i>B</i>, trial 1 of 2")
    expect(page.locator("#next")).to_contain_text("With green")
    expect(page.locator("#instrument")).to_contain_text("Repeatability study of green")
    expect(page.locator("#instrument")).to_contain_text("3 parts, 2 people, 2 readings of each")
    for gone in ("#neck", "#stages", ".mapped", "#skip", "#repeat", "#study"):
        expect(page.locator(gone)).to_be_hidden()


def test_a_part_called_part_is_not_called_so_twice(bench: Any, page: Page) -> None:
    bench.publish(study=study(2))
    expect(page.locator("#next .first")).to_have_text("Part 3, Ada, trial 1 of 2")


def test_what_is_taken_is_counted_and_the_turn_is_marked(bench: Any, page: Page) -> None:
    bench.publish(study=study(7))
    taken = page.locator("#taken")
    expect(taken).to_contain_text("7 of 12 readings")
    assert [cell.get_attribute("data-taken") for cell in taken.locator("[data-taken]").all()] == list("211111")
    expect(taken.locator("td.here")).to_have_text("1 of 2")
    expect(taken.locator("th.here")).to_have_text(["2", "Ada"])


def test_the_last_reading_is_kept_and_can_be_taken_back(bench: Any, page: Page) -> None:
    bench.take(None, words="part 1, Ada, trial 1", because="", study=None)
    bench.publish(study=study(1))
    expect(page.locator("#reading .verdict")).to_have_text("Kept for the study")
    page.keyboard.press("F2")  # what has no button here has no key either
    page.keyboard.press("F9")
    assert bench.wait_for(1) == [{"do": "take_back", "gauge": "typed", "sequence": 1}]


def test_without_a_last_reading_the_study_gives_its_own(bench: Any, page: Page) -> None:
    bench.publish(study=study(2), last=None)
    expect(page.locator("#reading")).to_contain_text("Part 2, Ada, trial 1")
    expect(page.locator("#reading .number")).to_have_text("1.122")


def test_the_outcome_in_numbers_and_words(bench: Any, page: Page) -> None:
    bench.publish(study=study(12))
    expect(page.locator("#next .first")).to_have_text("Every reading of this study is taken")
    expect(page.locator("#taken")).to_be_hidden()
    answers = page.locator("#outcome .answer")
    expect(answers.nth(0)).to_have_text(re.compile(r"Sizes it can tell apart\s*7"))
    expect(answers.nth(1)).to_contain_text("0.0020 mm")
    expect(answers.nth(1)).to_contain_text("6 degrees of freedom")
    expect(page.locator("#study .spreads [data-row=part] td")).to_have_text(["0.0200", "0.0103 – 0.1265", "98 %"])
    expect(page.locator("#study .spreads [data-row=measuring] td")).to_have_text(["0.0036", "–", "18 %"])
    expect(page.locator("#study .pooled [data-row=measuring] td")).to_have_text("0.0037")
    expect(page.locator("#study .anova [data-row]")).to_have_count(5)
    anova = page.locator("#study .anova [data-row=part] td")
    expect(anova).to_have_text(["3200", "2", "1600", "400.00", "< 0.001"])
    expect(page.locator("#study .anova [data-row=total] td")).to_have_text(["3272", "11", "", "–", "–"])


def test_squares_of_lengths_follow_the_unit(bench: Any, page: Page) -> None:
    bench.publish(study=study(12))
    page.locator("#unit-in").click()
    expect(page.locator("#study .anova thead")).to_contain_text("sum of squares, thou²")
    expect(page.locator("#study .anova [data-row=part] td").first).to_have_text("4.960")  # 3200 / 25.4^2
    expect(page.locator("#outcome")).to_contain_text("0.00008 in")


@pytest.mark.parametrize(("sizes", "said"), [(None, "Not known from one part"), (1, "all alike to this gauge")])
def test_few_sizes_are_said_in_words(bench: Any, page: Page, sizes: int | None, said: str) -> None:
    bench.publish(study=study(12, result=RESULT | {"sizes": sizes}))
    expect(page.locator("#outcome")).to_contain_text(said)


def test_one_person_leaves_out_what_the_study_cannot_see(bench: Any, page: Page) -> None:
    none: Mapping[str, None] = {"person": None, "part_person": None}
    alone = RESULT | {"anova": RESULT["anova"] | none, "components": RESULT["components"] | none, "pooled": none}
    rows = [row for row in READINGS if row[1] == "Ada"]
    bench.publish(study=study(12, people=["Ada"], readings=rows, result=alone))
    expect(page.locator("#study .spreads [data-row]")).to_have_count(3)
    expect(page.locator("#study .anova [data-row=person]")).to_have_count(0)


def test_every_mean_has_its_interval(bench: Any, page: Page) -> None:
    """The interval is the one that Student's t gives for the study's repeatability; quantile from scipy."""
    bench.publish(study=study(12))
    expect(page.locator("#study-chart .legend")).to_contain_text("Bela <i>B</i>", timeout=20_000)
    drawn = "() => document.querySelector('#study-chart .js-plotly-plot').data"
    page.wait_for_function(f"() => ({drawn})().find((one) => one.name === 'Ada').y[0] > 1")  # in mm once more
    data = json.loads(page.evaluate(f"() => JSON.stringify(({drawn})())"))
    ada = next(one for one in data if one.get("name") == "Ada")
    half = stats.t.ppf(0.975, 6) * 0.002 / 2**0.5
    assert ada["y"] == pytest.approx([1.103, 1.123, 1.143])
    assert ada["error_y"]["array"] == pytest.approx([half] * 3)
    assert [len(one["y"]) for one in data] == [6, 3, 6, 3]
    expect(page.locator("#study .means [data-row='1'] td").first).to_have_text("1.103 ± 0.003")


@pytest.mark.parametrize("dof", [1, 2, 3, 4, 7, 18, 60, 401])
def test_student_agrees_with_scipy(page: Page, dof: int) -> None:
    assert page.evaluate(f"() => fretledger.student({dof})") == pytest.approx(stats.t.ppf(0.975, dof), rel=1e-10)


def test_what_is_opened_stays_open(bench: Any, page: Page) -> None:
    bench.publish(study=study(12))
    fold = page.locator("#study details").first
    expect(fold).not_to_have_attribute("open", "")
    fold.locator("summary").click()
    expect(fold).to_have_attribute("open", "")
    page.locator("#unit-in").click()
    expect(fold.locator("summary")).to_contain_text("in")
    expect(fold).to_have_attribute("open", "")


@pytest.mark.parametrize("width", [360, 820, 2560])
def test_a_study_fits_every_screen(bench: Any, shared: Any, page: Page, width: int) -> None:
    page.set_viewport_size({"width": width, "height": 800})
    for done in (5, 12):
        bench.publish(study=study(done), last=None)
        expect(page.locator("#outcome" if done == 12 else "#taken")).to_be_visible()
        page.wait_for_function("(width) => document.documentElement.scrollWidth <= width", arg=width)
    within = "(card) => card.scrollWidth <= card.clientWidth + 1"
    assert page.evaluate(f"() => [...document.querySelectorAll('.card')].every({within})")
    page.set_viewport_size({"width": 1280, "height": 720})
    assert shared[1].problems == []
    assert {host.split(":")[0] for host in shared[1].hosts} == {"127.0.0.1"}
