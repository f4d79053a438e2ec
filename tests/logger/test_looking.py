"""What pages ask of a store: its rack, a record, and what changed between two visits."""

import json
from collections.abc import Callable

import pytest

from logger.begin import keep_instrument
from logger.door import QuestionError
from logger.instrument import parse_instrument
from logger.looking import Looking
from logger.looking_over import MOST_ROWS
from logger.store import SessionRow, Store, TakeBack

Visit = Callable[..., None]
NS = 1_000_000_000
DAY_NS = 86_400 * NS
NECK = 'name = "{name}"\nscale_mm = 645.0\nfrets = 20\n'

EVEN = {"bass": 1.10, "centre": 1.10, "treble": 1.10}
PROUD = {"bass": 1.10, "centre": 1.10, "treble": 1.25}


def test_the_rack_is_newest_first_with_every_visit(store: Store, visit: Visit) -> None:
    visit("First", "s1", seated=EVEN)
    visit("Second", "s2", seated=EVEN)
    visit("First", "s3", seated=PROUD, ended=False)
    told = Looking(store.path, current="s3").ask("rack", {})
    assert [one["name"] for one in told["instruments"]] == ["First", "Second"]
    assert [(one["session"], one["ended"], one["here"]) for one in told["instruments"][0]["sessions"]] == [
        ("s3", None, True), ("s1", "done", False),
    ]  # fmt: skip
    assert told["of"] == 2


@pytest.mark.parametrize(
    ("wanted", "names"),
    [
        ({"find": "ÄRE"}, ["Bärenhals"]),
        ({"find": "%"}, []),
        ({"state": "measuring"}, ["Open"]),
        ({"state": "ended"}, ["Bärenhals"]),
        ({"state": "ended", "find": "open"}, []),
        ({"page": "1"}, []),
        ({"page": "9" * 40}, []),
    ],
)
def test_the_rack_is_searched_filtered_and_paged(
    store: Store, visit: Visit, wanted: dict[str, str], names: list[str]
) -> None:
    visit("Bärenhals", "s1", seated=EVEN)
    visit("Open", "s2", seated=EVEN, ended=False)
    told = Looking(store.path, current="s2").ask("rack", wanted)
    assert [one["name"] for one in told["instruments"]] == names


def test_a_page_of_the_rack_holds_no_more_than_its_rows(store: Store) -> None:
    for number in range(MOST_ROWS + 2):
        keep_instrument(store, parse_instrument(NECK.format(name=f"No. {number}"), where="a test"))
    looking = Looking(store.path, current="")
    first, second = looking.ask("rack", {"state": "unmeasured"}), looking.ask("rack", {"page": "1"})
    assert (len(first["instruments"]), len(second["instruments"]), first["of"]) == (MOST_ROWS, 2, MOST_ROWS + 2)
    assert not {one["name"] for one in first["instruments"]} & {one["name"] for one in second["instruments"]}


def test_an_unknown_filter_is_refused(store: Store) -> None:
    with pytest.raises(QuestionError, match=r"filtered by measuring, ended, unmeasured, failed, got 'lost'"):
        Looking(store.path, current="").ask("rack", {"state": "lost"})


def test_failed_are_those_that_were_judged(store: Store, visit: Visit) -> None:
    visit("Even", "s1", seated=EVEN)
    visit("Proud", "s2", seated=PROUD)
    looking = Looking(store.path, current="s2")
    assert looking.ask("rack", {"state": "failed"})["of"] == 0
    for session in ("s1", "s2"):
        looking.ask("outcome", {"id": session})
    told = looking.ask("rack", {"state": "failed"})
    assert [one["name"] for one in told["instruments"]] == ["Proud"]
    assert told["judged"] == 2
    assert told["instruments"][0]["sessions"][0]["outcome"]["counts"]["fail"] == 3  # proud, uneven, tilted


def test_an_outcome_is_forgotten_once_a_reading_is_taken_back(store: Store, visit: Visit) -> None:
    visit("Proud", "s1", seated=PROUD)
    looking = Looking(store.path, current="s1")
    assert looking.ask("outcome", {})["counts"]["fail"] == 3
    store.put(TakeBack(session="s1", number=1, gauge="depth", sequence=3, at_ns=NS, who="", why="slipped"))
    assert looking.ask("rack", {})["instruments"][0]["sessions"][0]["outcome"] is None
    assert looking.ask("outcome", {})["counts"]["fail"] == 0


def test_an_outcome_says_why_there_is_none(store: Store) -> None:
    identity, _ = keep_instrument(store, parse_instrument(NECK.format(name="Old"), where="a test"))
    store.put(SessionRow(id="s1", instrument=identity, revision=1, started_at_ns=0, monotonic_ns=0, boot_id="b",
                         software="a test", limits="[proud_end]\nupper_mm = 'wide'\n"))  # fmt: skip
    told = Looking(store.path, current="s1").ask("outcome", {})
    assert told["counts"] is None
    assert "upper_mm" in told["why"]


def test_a_record_holds_the_worst_first(store: Store, visit: Visit) -> None:
    visit("Proud", "s1", seated=PROUD)
    told = Looking(store.path, current="").ask("record", {"id": "s1"})
    json.dumps(told, allow_nan=False)
    verdicts = [one["verdict"] for one in told["verdicts"]]
    assert verdicts == sorted(verdicts, key=("fail", "remeasure", "pass").index)
    assert told["counts"] == {"fail": 3, "remeasure": verdicts.count("remeasure"), "pass": verdicts.count("pass")}
    assert {"fret": 7, "place": "treble", "verdict": "fail", "checks": ["proud_end"]} in told["map"]
    assert told["instrument"]["invented"] is True
    assert told["seal"] is None
    assert [one["checked"] for one in told["gauges"]] == ["never checked"]
    assert told["verdicts"][0]["text"].startswith("fret 7 treble end stands proud by 0.150")
    assert told["verdicts"][0]["text_in"].startswith("fret 7 treble end stands proud by 0.0059")
    assert any("Presses pinch" in one for one in told["cautions"])


def test_two_visits_tell_what_changed(store: Store, visit: Visit) -> None:
    visit("Neck", "s1", seated=PROUD)
    visit("Neck", "s2", seated=EVEN | {"centre": 1.09}, at_ns=40 * DAY_NS)
    told = Looking(store.path, current="").ask("compare", {"earlier": "s1", "later": "s2"})
    assert told["days"] == 40
    proud = next(one for one in told["changes"] if one["check"] == "proud_end" and one["where"] == "fret 7, treble")
    assert (proud["before"]["verdict"], proud["after"]["verdict"]) == ("fail", "pass")
    assert told["same"] + sum(None not in (one["before"], one["after"]) for one in told["changes"]) == told["of"]
    heights = {one["place"]: one for one in told["heights"]}
    assert heights["treble"]["change_mm"] == pytest.approx(-0.15)
    assert heights["treble"]["told_apart"] is True
    assert heights["bass"]["told_apart"] is False


@pytest.mark.parametrize(
    ("wanted", "said"),
    [
        ({"earlier": "s1", "later": "s2"}, "two visits must be of one instrument"),
        ({"earlier": "s1", "later": "nothing"}, "no session 'nothing'"),
    ],
)
def test_visits_of_two_instruments_are_not_compared(
    store: Store, visit: Visit, wanted: dict[str, str], said: str
) -> None:
    visit("Neck", "s1", seated=EVEN)
    visit("Other", "s2", seated=EVEN)
    with pytest.raises(QuestionError, match=said):
        Looking(store.path, current="s1").ask("compare", wanted)


def test_what_all_instruments_say_is_told_with_what_there_is(store: Store, visit: Visit) -> None:
    empty = Looking(store.path, current="").ask("shop", {})
    visit("Even", "s1", seated=EVEN)
    visit("Proud", "s2", seated=PROUD)
    told = Looking(store.path, current="").ask("shop", {})
    json.dumps(told, allow_nan=False)
    assert (empty["here"]["instruments"], empty["lessons"]["necks"], empty["checks"]) == (0, 0, {})
    assert told["here"] == {"instruments": 2, "sessions": 2, "readings": 6}
    assert told["judging"] == {"judged": 2, "of": 2, "due": 0, "background": False, "trouble": ""}
    assert told["lessons"]["proud_ends"]["all"]["bad"] == 1
    assert told["checks"]["proud_end"] == {"fail": 1, "remeasure": 0, "pass": 3}
    assert (told["shop"], told["there"], told["away"]) == (False, None, "")


@pytest.mark.parametrize("what", ["rack", "shop"])
def test_an_unknown_place_is_refused(store: Store, what: str) -> None:
    with pytest.raises(QuestionError, match=r"looks at this bench \(an empty text\) or at the shop, got 'moon'"):
        Looking(store.path, current="").ask(what, {"where": "moon"})


def test_without_a_shop_the_whole_of_it_is_this_bench(store: Store, visit: Visit) -> None:
    visit("Even", "s1", seated=EVEN)
    looking = Looking(store.path, current="")
    assert looking.ask("rack", {"where": "shop"})["of"] == 1
    assert looking.ask("shop", {"where": "shop"})["lessons"]["necks"] == 1
