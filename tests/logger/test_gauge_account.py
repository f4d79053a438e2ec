"""What a page is told of the gauges, and which steps follow."""

import json
import shlex
from collections.abc import Callable
from dataclasses import replace
from pathlib import Path
from typing import Any

import pytest

from drivers.errors import NamedGaugesError
from drivers.known import NamedGauge
from logger.door import QuestionError
from logger.gauge_account import GaugeAccounts, accounts_at
from logger.gauge_file import GaugeSpec
from logger.gauge_steps import Facts, state_of, step_names, steps, study_command
from logger.gauges import register
from logger.guided_study import begin
from logger.looking import Looking
from logger.recorder import KEEP
from logger.store import ReadingRow, Reassignment, SessionEnd, SessionGauge, Store, TakeBack
from logger.study_session import Wish

NS = 1_000_000_000
DAY_NS = 86_400 * NS
NOW_NS = 2_000 * DAY_NS
SPEC = GaugeSpec(kind="depth_indicator", resolution_mm=0.001, u_mm=0.003, zero_u_mm=0.002)
SEATED = {"bass": 1.10, "centre": 1.10, "treble": 1.10}
Ask = Callable[..., dict[str, Any]]
Visit = Callable[..., None]


@pytest.fixture
def ask(store: Store) -> Ask:
    """Ask for the gauges of the store: session at the bench, gauge, and what `GaugeAccounts` takes."""

    def told(current: str = "", gauge: str = "", **more: Any) -> dict[str, Any]:
        accounts = GaugeAccounts(current=current, clock=lambda: NOW_NS, **more)
        answer = Looking(store.path, current=current, gauges=accounts).ask("gauges", {"gauge": gauge})
        plain: dict[str, Any] = json.loads(json.dumps(answer, allow_nan=False))
        return plain

    return told


def _zero(store: Store, sequence: int, *, when: str, nm: int, gauge: str = "depth") -> None:
    store.put(ReadingRow(session="s1", gauge=gauge, sequence=sequence, kind="gauge_zero", place=f"seating, {when}",
                         round="seating", value_nm=nm, unit="mm", raw=b"", status="ok",
                         taken_at_ns=NOW_NS + sequence, monotonic_ns=0))  # fmt: skip


def test_a_store_without_gauges_tells_of_none(ask: Ask) -> None:
    assert ask() == {"gauges": [], "chosen": None, "trouble": ""}


def test_an_unknown_gauge_is_refused(ask: Ask) -> None:
    with pytest.raises(QuestionError, match="knows no gauge 'blue'; choose one of the list"):
        ask(gauge="blue")


def test_connected_saved_and_typed_gauges_are_told_in_this_order(store: Store, ask: Ask, visit: Visit) -> None:
    visit("Neck", "s1", seated=SEATED, ended=False)
    store.put(SessionGauge(session="s1", gauge="typed caliper", kind="caliper", description="{}", profile="",
                           profile_sha256=""))  # fmt: skip
    register(store, "kept away", SPEC, source="file")
    told = ask(
        "s1", connected=lambda: {"depth": {"profile": "p-1", "port": "COM3", "bluetooth": False}},
        saved=lambda: {"air": NamedGauge(name="air", profile="radio", port="AA:BB", bluetooth_name="gauge 7")},
    )  # fmt: skip
    assert [(one["gauge"], one["way"], one["port"], one["profile"], one["used"]) for one in told["gauges"]] == [
        ("depth", "serial", "COM3", "p-1", True), ("air", "bluetooth", "AA:BB", "radio", False),
        ("kept away", "", "", "", True), ("typed caliper", "typed", "", "", True),
    ]  # fmt: skip


def test_saved_gauges_that_cannot_be_read_are_told_beside_the_others(ask: Ask, store: Store) -> None:
    def saved() -> dict[str, NamedGauge]:
        raise NamedGaugesError("must have format = 1, got 2; mend or move the file", file="gauges.toml")

    register(store, "green", SPEC, source="file")
    told = ask(saved=saved)
    assert "must have format = 1" in told["trouble"]
    assert [one["gauge"] for one in told["gauges"]] == ["green"]


def test_zeros_of_the_sitting_and_their_drift(store: Store, ask: Ask, visit: Visit) -> None:
    visit("Neck", "s1", seated=SEATED, ended=False)
    _zero(store, 11, when="before", nm=1_000)
    _zero(store, 12, when="after", nm=90_000)
    _zero(store, 13, when="after", nm=61_000)
    store.put(TakeBack(session="s1", number=1, gauge="depth", sequence=12, at_ns=NS, who="", why="slipped"))
    told = ask("s1", "depth")["chosen"]
    assert [one["value_mm"] for one in told["zero"]["taken"]] == [0.001, 0.061]
    (moved,) = told["zero"]["moved"]
    assert (moved["during"], moved["moved_mm"]) == ("seating", pytest.approx(0.060))
    assert [told["state"], told["steps"][0]["name"]] == ["fail", "moved"]
    assert ask("", "depth")["chosen"]["zero"] == {"taken": [], "moved": []}


def test_readings_are_counted_over_sittings_and_the_last_is_told(store: Store, ask: Ask, visit: Visit) -> None:
    visit("Neck", "s1", seated=SEATED)
    visit("Neck", "s2", seated=SEATED, at_ns=NOW_NS)
    store.put(TakeBack(session="s2", number=1, gauge="depth", sequence=3, at_ns=NS, who="", why="slipped"))
    store.put(TakeBack(session="s2", number=2, gauge="depth", sequence=3, at_ns=NS, who="", why="twice"))
    store.put(Reassignment(session="s1", number=1, gauge="depth", sequence=2, kind="seated_height", fret=7,
                           place="centre", round="1", at_ns=NS, who="", why=KEEP))  # fmt: skip
    told = ask("s2", "depth")["chosen"]
    assert told["uses"] == {"sittings": 2, "readings": 6, "taken_back": 1, "kept": 1}
    assert told["last"]["words"] == "fret 7, treble: height of the seated fret"
    assert (told["last"]["value_nm"], told["last"]["taken_back"]) == (1_100_000, True)


def test_checks_are_told_worst_first_and_since_when_readings_are_in_doubt(
    store: Store, ask: Ask, keep_check: Callable[..., None]
) -> None:
    register(store, "green", SPEC, source="file", due_days=30)
    for day, off in ((1900, 0.001), (1930, -0.002), (1960, 0.05)):
        keep_check(store, "green", SPEC, at_ns=day * DAY_NS, off_mm=off)
    told = ask(gauge="green")["chosen"]
    assert [one["failed"] for one in told["worst"]] == [True, False, False]
    assert [round(one["error_mm"], 6) for one in told["worst"]] == [0.05, -0.002, 0.001]
    assert told["checks"] == 3
    assert told["check"]["failed"] is True
    assert told["good_until"].startswith("1975-04-15")  # day 1930
    assert told["overdue"] is True
    failed = told["steps"][0]
    assert failed["name"] == "failed"
    assert failed["command"] == ""  # it is done on the page, at the same sizes
    assert told["check_with"] == {
        "sizes": [{"mm": 1, "u_mm": 0.0005}, {"mm": 10, "u_mm": 0.0005}], "both_ways": False, "repeats": 3,
    }  # fmt: skip


def test_a_finished_study_is_told_and_one_under_way_goes_on(store: Store, ask: Ask) -> None:
    green = register(store, "green", SPEC, source="file")
    study = begin(store, green, Wish(parts=["a", "b"], people=["me"], trials=2, seed=3), anew=False)
    store.put(SessionGauge(session=study.session, gauge="typed green", kind="green", description="{}", profile="",
                           profile_sha256=""))  # fmt: skip
    values = iter((1_000_000, 2_000_000, 1_002_000, 2_004_000))
    for number, item in enumerate(study.plan.items(), start=1):
        if number == 4:
            under_way = ask(gauge="green")["chosen"]
            assert (under_way["open_study"], under_way["study"]) == ({"done": 3, "of": 4}, None)
            assert under_way["steps"][1] == {"name": "go_on", "command": "fretledger gauges study green --page"}
        store.put(ReadingRow(session=study.session, gauge="typed green", sequence=number, kind="study",
                             fret=item.feature.fret, place="me", round=item.feature.trial, value_nm=next(values),
                             unit="mm", raw=b"", status="ok", taken_at_ns=NOW_NS, monotonic_ns=0))  # fmt: skip
    store.put(SessionEnd(session=study.session, at_ns=NOW_NS, reason="complete"))
    told = ask(gauge="green")["chosen"]
    assert told["open_study"] is None
    assert (told["study"]["parts"], told["study"]["people"], told["study"]["trials"]) == (2, 1, 2)
    assert told["study"]["intervals"]["repeatability"][0] < told["study"]["repeatability_mm"]
    assert told["uses"]["readings"] == 4, "what is typed in a study of a gauge is the gauge's own"


def test_a_sitting_that_counts_by_an_older_worth_says_so(store: Store, ask: Ask, visit: Visit) -> None:
    visit("Neck", "s1", seated=SEATED, ended=False)
    register(store, "depth", SPEC, source="file")
    assert "restart" not in [one["name"] for one in ask("s1", "depth")["chosen"]["steps"]]
    register(store, "depth", replace(SPEC, u_mm=0.005), source="study")
    assert "restart" in [one["name"] for one in ask("s1", "depth")["chosen"]["steps"]]


def test_a_demo_leaves_a_persons_own_gauges_out_and_another_store_is_named(tmp_path: Path) -> None:
    port = {"green": {"profile": "caliper-mm", "port": "/dev/pts/7", "bluetooth": False}}
    accounts = accounts_at(tmp_path / "a b.db", "s1", lambda: port, demo=True)
    assert accounts.saved() == {}
    assert accounts.connected()["green"]["port"] == "simulated", "nobody can plug anything in there"
    assert shlex.join(accounts.store_words) == f"--store '{tmp_path / 'a b.db'}'"


CALIPER = GaugeSpec(kind="caliper", u_mm=0.004)


@pytest.mark.parametrize(
    ("facts", "names", "state"),
    [
        pytest.param({"checked": True, "u_from": "study"}, [], "pass", id="in good order"),
        pytest.param({}, ["never", "study"], "remeasure", id="new"),
        pytest.param({"checked": True}, ["study"], "pass", id="common practice so far"),
        pytest.param({"spec": GaugeSpec(kind="caliper"), "checked": True}, ["worth_unknown"], "remeasure",
                     id="unknown"),
        pytest.param({"checked": True, "failed": True, "drifts": True, "overdue": True, "u_from": "file"}, ["failed"],
                     "fail", id="one check is asked for once"),
        pytest.param({"checked": True, "drifts": True, "u_from": "file"}, ["drifts"], "fail", id="drift"),
        pytest.param({"spec": GaugeSpec(kind="leaves"), "typed": True}, ["leaves"], "pass", id="leaves"),
        pytest.param({"spec": GaugeSpec(kind="typed"), "typed": True}, [], "pass", id="typed numbers of no kind"),
        pytest.param({"spec": GaugeSpec(kind=""), "used": False, "saved": True}, ["connect"], "pass", id="only saved"),
        pytest.param({"checked": True, "u_from": "file", "connected": True}, ["zero"], "pass", id="not zeroed"),
        pytest.param({"checked": True, "u_from": "file", "connected": True, "zeroed": True, "moved": True}, ["moved"],
                     "fail", id="zero moved"),
    ],
)  # fmt: skip
def test_steps_follow_from_what_is_known(facts: dict[str, Any], names: list[str], state: str) -> None:
    found = step_names(Facts(**{"name": "green", "spec": CALIPER, **facts}))
    assert found == names
    assert state_of(found) == state


def test_a_command_survives_a_shell(store: Store) -> None:
    odd = Facts(name="it's <b>; rm", spec=CALIPER, saved=True)
    commands = [one["command"] for one in steps(odd, open_study=False, store_words=("--store", "a b"))]
    assert [shlex.split(one)[:-2] for one in commands] == [
        [], ["fretledger", "gauges", "study", odd.name, "--page", "--gauge", odd.name],
        ["fretledger", "bench", "--gauge", odd.name],
    ]  # fmt: skip
    assert all(shlex.split(one)[-2:] == ["--store", "a b"] for one in commands[1:])


def test_a_study_begins_with_the_gauge_as_it_is_connected() -> None:
    facts = Facts(name="green", spec=CALIPER, connected=True, profile="caliper-mm")

    assert study_command(facts, port="/dev/ttyUSB0") == (
        "fretledger gauges study green --page --gauge green=caliper-mm@/dev/ttyUSB0"
    )
    assert study_command(Facts(name="typed caliper", spec=CALIPER, typed=True)) == (
        "fretledger gauges study 'typed caliper' --page"
    )


def test_leaves_and_gauges_not_known_here_are_not_checked_on_the_page(store: Store, ask: Ask) -> None:
    register(store, "leaves", GaugeSpec(kind="leaves"), source="file")
    register(store, "depth", GaugeSpec(kind="depth_indicator", u_mm=0.003), source="file")

    assert ask(gauge="leaves")["chosen"]["check_with"] is None
    assert ask(gauge="depth")["chosen"]["check_with"] == {"sizes": [], "both_ways": True, "repeats": 3}
