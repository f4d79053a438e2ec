"""A cell of the neck map: its readings, budget, verdicts and history."""

import json
from collections.abc import Callable

import pytest

from logger.cell_report import MOST_VISITS
from logger.door import QuestionError
from logger.looking import Looking
from logger.store import Store, TakeBack

Visit = Callable[..., None]
NS = 1_000_000_000
EVEN = {"bass": 1.10, "centre": 1.10, "treble": 1.10}
PROUD = {"bass": 1.10, "centre": 1.10, "treble": 1.25}
TREBLE = {"check": "proud_end", "fret": "7", "place": "treble"}


def test_a_cell_has_the_readings_behind_its_verdict_its_own_place_first(store: Store, visit: Visit) -> None:
    visit("Neck", "s1", seated=PROUD)
    told = Looking(store.path, current="s1").ask("cell", TREBLE)
    json.dumps(told, allow_nan=False)
    assert [(one["place"], one["value_nm"], one["gauge"]) for one in told["readings"]] == [
        ("treble", 1_250_000, "depth"), ("bass", 1_100_000, "depth"), ("centre", 1_100_000, "depth"),
    ]  # fmt: skip
    assert {one["taken_at"] for one in told["readings"]} == {"1970-01-01T00:00:01+00:00"}


def test_a_reading_taken_back_stays_in_the_cell_and_says_why(store: Store, visit: Visit) -> None:
    visit("Neck", "s1", seated=PROUD)
    store.put(TakeBack(session="s1", number=1, gauge="depth", sequence=1, at_ns=NS, who="", why="slipped"))
    told = Looking(store.path, current="s1").ask("cell", {"check": "proud_end", "fret": "7", "place": "treble"})
    assert [(one["sequence"], one["taken_back"], one["why"]) for one in told["readings"] if one["taken_back"]] == [
        (1, True, "slipped")
    ]


def test_the_budget_adds_up_to_the_uncertainty(store: Store, visit: Visit) -> None:
    visit("Neck", "s1", seated=PROUD)
    told = Looking(store.path, current="s1").ask("cell", TREBLE)
    assert sum(one["share"] for one in told["budget"]) == pytest.approx(1, abs=1e-5)
    assert sum(one["u_mm"] ** 2 for one in told["budget"]) == pytest.approx(told["u_mm"] ** 2, rel=1e-5)
    assert told["own"]["U_mm"] > told["u_mm"]
    assert told["coverage_percent"] == 95


def test_every_verdict_on_the_same_place_is_told_with_its_chance(store: Store, visit: Visit) -> None:
    visit("Neck", "s1", seated=PROUD)
    told = Looking(store.path, current="s1").ask("cell", TREBLE)
    assert (told["own"]["verdict"], told["own"]["check"], told["own"]["p"]) == ("fail", "proud_end", 0.0)
    assert told["own"]["text"].startswith("fret 7 treble end stands proud by 0.150")
    assert told["own"]["text_in"].startswith("fret 7 treble end stands proud by 5.9")
    assert told["own"]["todo"].startswith("press the end down again")
    beside = {one["check"]: one["verdict"] for one in told["verdicts"]}
    assert beside["uneven_seating"] == beside["tilted_fret"] == "fail"
    assert all(one["place"] in {"treble", None} for one in told["verdicts"])
    assert told["limits"][1] == pytest.approx(0.05)


def test_the_history_is_of_this_neck_and_ends_at_this_visit(store: Store, visit: Visit) -> None:
    visit("Neck", "s1", seated=PROUD)
    visit("Other", "x", seated=PROUD, at_ns=2 * NS)
    visit("Neck", "s2", seated={"bass": 1.10}, at_ns=3 * NS)
    visit("Neck", "s3", seated=EVEN, at_ns=4 * NS)
    visit("Neck", "s4", seated=EVEN, at_ns=5 * NS)
    told = Looking(store.path, current="s4").ask("cell_history", {"id": "s3", **TREBLE})
    assert [(one["session"], one["verdict"], one["here"]) for one in told["visits"]] == [
        ("s3", "pass", True), ("s2", None, False), ("s1", "fail", False),
    ]  # fmt: skip
    assert told["visits"][2]["value_mm"] == pytest.approx(0.15)
    assert told["more"] == 0


def test_a_long_history_says_how_much_more_there_is(store: Store, visit: Visit) -> None:
    for number in range(MOST_VISITS + 2):
        visit("Neck", f"s{number}", seated=EVEN, at_ns=(1 + number) * NS)
    told = Looking(store.path, current=f"s{MOST_VISITS + 1}").ask("cell_history", TREBLE)
    assert [one["session"] for one in told["visits"]][:2] == [f"s{MOST_VISITS + 1}", f"s{MOST_VISITS}"]
    assert (len(told["visits"]), told["more"]) == (MOST_VISITS, 2)


@pytest.mark.parametrize(
    ("wanted", "said"),
    [
        ({"check": "proud_end", "fret": "8", "place": "treble"}, "nothing is judged there any more"),
        ({"check": "", "fret": "", "place": ""}, "nothing is judged there any more"),
        ({"check": "proud_end", "fret": "-7", "place": "treble"}, "whole number, got '-7'"),
        ({"check": "proud_end", "fret": "²", "place": "treble"}, "whole number, got '²'"),
    ],
)
def test_what_is_no_cell_is_refused(store: Store, visit: Visit, wanted: dict[str, str], said: str) -> None:
    visit("Neck", "s1", seated=PROUD)
    with pytest.raises(QuestionError, match=said):
        Looking(store.path, current="s1").ask("cell", wanted)
