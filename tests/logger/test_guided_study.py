"""Studies taken reading by reading: in the terminal, through a pipe, killed and gone on with, on the live page."""

import io
import json
import os
import signal
import subprocess
import sys
import threading
import time
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import pytest

from logger.begin import default_gauges
from logger.cli import run
from logger.door import Door, PageServer
from logger.errors import InputFileError
from logger.gauges import Known, find, known, stored_worth
from logger.guided_study import PageOptions, ask_readings, begin, conclude, run_page
from logger.store import SessionRow, Store, StoreReader
from logger.study_session import OpenStudy, StudyError, Wish, make_plan, plan_from
from logger.terminal import Terminal

REFERENCE = Path(__file__).parents[1] / "reference"
SMALL = Wish(parts=("A", "B"), people=("Ada", "Ben"), trials=2, seed=4)


@pytest.fixture
def store(tmp_path: Path) -> Iterator[Store]:
    with Store.create(tmp_path / "s.db") as one:
        yield one


@pytest.fixture
def gauge(store: Store) -> Known:
    return find(store, "green", kind="caliper", defaults=default_gauges(), file={})


def _published() -> dict[tuple[str, str, str], str]:
    # Source: Montgomery, problem 13.1; see the first lines of the file
    lines = (REFERENCE / "crossed_study_montgomery_p13_1.csv").read_text(encoding="utf-8").splitlines()
    rows = [line.split(",") for line in lines if not line.startswith("#")][1:]
    return {(part, person, trial): value for part, person, trial, value in rows}


def _answer(study: OpenStudy, values: dict[tuple[str, str, str], str]) -> list[str]:
    plan = study.plan
    return [values[plan.parts[part], plan.people[person], str(trial)] for part, person, trial in plan.order]


def _terminal(*lines: str) -> Terminal:
    return Terminal(io.StringIO("".join(f"{line}\n" for line in lines)), io.StringIO(), io.StringIO())


def _notes(terminal: Terminal) -> str:
    assert isinstance(terminal.notes, io.StringIO)
    return terminal.notes.getvalue()


def _take(store: Store, gauge: Known, *lines: str, wish: Wish = SMALL) -> tuple[Any, Terminal]:
    terminal = _terminal(*lines)
    study = begin(store, gauge, wish, anew=False)
    recorder = ask_readings(store, study, terminal, unit="mm")
    return conclude(store, study, recorder, terminal), terminal


def test_the_same_seed_gives_the_same_order_and_every_trial_is_a_round():
    plan, again = make_plan("green", SMALL), make_plan("green", SMALL)

    assert plan == again == plan_from(plan.json())
    assert [trial for _, _, trial in plan.order] == [1] * 4 + [2] * 4
    assert {(part, person) for part, person, _ in plan.order[:4]} == {(0, 0), (0, 1), (1, 0), (1, 1)}
    assert make_plan("green", Wish(seed=5)).order != make_plan("green", Wish(seed=6)).order


@pytest.mark.parametrize(
    ("wish", "words"),
    [
        (Wish(parts=("A", "A")), "part 'A' stands twice"),
        (Wish(people=("Ada", " ")), "name of a person must have 1 to 64 characters"),
        (Wish(trials=1), "at least 2 trials"),
        (Wish(parts=tuple(map(str, range(999))), people=("a", "b"), trials=9), "at most 10000 readings"),
    ],
)
def test_a_plan_that_does_not_hold_is_refused(wish: Wish, words: str):
    with pytest.raises(StudyError, match=words):
        make_plan("green", wish)


def test_a_published_study_typed_in_random_order_gives_the_published_figures(store: Store, gauge: Known):
    values = _published()
    parts, people, trials = (list(dict.fromkeys(key[index] for key in values)) for index in range(3))
    wish = Wish(parts=parts, people=people, trials=len(trials), seed=1)
    lines = _answer(begin(store, gauge, wish, anew=False), values)

    found, _ = _take(store, gauge, *lines, wish=wish)

    assert found.result.anova["part"].f == pytest.approx(18.28, abs=5e-3)
    assert found.result.components["repeatability"] == pytest.approx(1.5)
    assert found.result.components["part"] == pytest.approx(1.73333, abs=1e-5)


def test_a_complete_study_becomes_the_gauges_repeatability(store: Store, gauge: Known):
    found, _ = _take(store, gauge, *["1.00", "1.02"] * 4)

    with store.reader() as reader:
        one = known(reader)["green"]
        assert reader.open_sessions() == []
        assert stored_worth(reader)["green"].u_mm == found.result.repeatability_mm
    assert (one.source, one.u_from, one.spec.u_dof) == ("study", "study", 4)


def test_back_takes_the_last_reading_back_and_asks_again(store: Store, gauge: Known):
    found, terminal = _take(store, gauge, "9.99", "back", "1.00", "rubbish", *["1.02", "1.00"] * 3, "1.01")

    assert len(found.rows) == 8
    assert 9.99 not in [row[3] for row in found.rows]
    assert "taken back: part" in _notes(terminal)
    assert "'rubbish' is neither a number" in _notes(terminal)
    with store.reader() as reader:
        assert [one.row.raw for one in reader.readings() if one.taken_back] == [b"9.99"]


def test_back_after_a_restart_asks_for_that_very_trial_again(store: Store, gauge: Known):
    _take(store, gauge, "1", "2", "3", "4", "5")
    _take(store, gauge, "back", "back")
    found, _ = _take(store, gauge, "40", "50", "6", "7", "8")

    assert [row[3] for row in found.rows] == [1, 2, 3, 40, 50, 6, 7, 8]
    assert [row[2] for row in found.rows] == ["1"] * 4 + ["2"] * 4


def test_too_few_answers_are_kept_and_gone_on_with(store: Store, gauge: Known):
    first, terminal = _take(store, gauge, "1.00", "1.01")
    found, again = _take(store, gauge, *["1.02"] * 6, wish=Wish())

    assert first is None
    assert "2 of 8 readings are kept" in _notes(terminal)
    assert "going on with the study of green: 2 of 8" in _notes(again)
    assert [row[3] for row in found.rows] == [1.00, 1.01, *[1.02] * 6]


def test_a_study_with_other_people_is_refused_until_begun_anew(store: Store, gauge: Known):
    begin(store, gauge, SMALL, anew=False)

    with pytest.raises(InputFileError, match=r"other people \(Ada,Ben\) is not finished; .* begin anew with --new"):
        begin(store, gauge, Wish(people=("Cleo",)), anew=False)
    assert begin(store, gauge, Wish(people=("Cleo",)), anew=True).plan.people == ("Cleo",)
    with store.reader() as reader:
        assert len(reader.open_sessions()) == 1


def test_one_person_and_a_digit_that_hides_the_spread(store: Store, gauge: Known):
    wish = Wish(parts=("1", "2"), trials=2)

    found, terminal = _take(store, gauge, "1", "1", "1", "1", wish=wish)

    assert found.result.anova["person"] is None
    assert "digit of green hides part of its spread" in _notes(terminal)


def test_a_study_is_no_instrument_and_no_readings_of_one(store: Store, gauge: Known, capsys):
    _take(store, gauge, *["1.00", "1.02"] * 4)
    with store.reader() as reader:
        assert reader.instruments() == []
        (session,) = reader.sessions()
        assert list(known(reader)) == ["green"]
    path = store.path
    store.close()

    assert run(["readings", "--store", str(path)], _no_page) == 0
    assert capsys.readouterr().out.count("\n") == 1
    assert run(["readings", "--store", str(path), "--session", session.id], _no_page) == 2
    assert "is a repeatability study" in capsys.readouterr().err


def _no_page(_door: Door, *, port: int) -> PageServer:
    raise AssertionError("no page")


@pytest.mark.parametrize(
    ("arguments", "words"),
    [
        ((), "name the gauge to study"),
        (("green", "--parts", "0"), "--parts must be from 1 to 999"),
        (("green", "--people", "Ada,,Ben"), "name of a person must have"),
    ],
)
def test_arguments_that_do_not_hold_are_exit_2(tmp_path: Path, capsys, arguments: tuple[str, ...], words: str):
    assert run(["gauges", "study", *arguments, "--store", str(tmp_path / "s.db")], _no_page) == 2
    assert words in capsys.readouterr().err


def test_a_study_from_a_file_becomes_a_named_gauges_repeatability(tmp_path: Path, capsys):
    path = tmp_path / "s.csv"
    path.write_text(
        "part,person,trial,value\n1,Ada,1,0.50\n1,Ada,2,0.52\n2,Ada,1,0.61\n2,Ada,2,0.63\n", encoding="utf-8"
    )

    assert run(["gauges", "study", "green", "--from", str(path), "--store", str(tmp_path / "s.db")], _no_page) == 0
    with StoreReader(tmp_path / "s.db") as reader:
        assert known(reader)["green"].spec.u_mm == pytest.approx(0.02 / 2**0.5)


# -- as a process ----------------------------------------------------------------------------------------------------

COMMAND = [sys.executable, "-c", "import sys; from dashboard.command import main; main()", "gauges", "study", "green"]


def _start(folder: Path, *more: str) -> subprocess.Popen[str]:
    return subprocess.Popen(
        [*COMMAND, "--store", str(folder / "s.db"), *more], stdin=subprocess.PIPE, stdout=subprocess.PIPE,
        stderr=subprocess.PIPE, text=True, cwd=folder,
    )  # fmt: skip


def _asked(process: subprocess.Popen[str]) -> str:
    """Return the next question for a reading."""
    assert process.stderr is not None
    for line in process.stderr:
        if " of 8: part " in line:
            return line
    raise AssertionError("it asked for no reading")


@pytest.mark.skipif(sys.platform == "win32", reason="no kill -9")
@pytest.mark.parametrize("how", [signal.SIGKILL, signal.SIGINT], ids=["kill -9", "Ctrl-C"])
def test_a_study_that_is_stopped_goes_on_where_it_was(tmp_path: Path, how: signal.Signals):
    with _start(tmp_path, "--parts", "A,B", "--people", "Ada,Ben", "--trials", "2", "--seed", "4") as first:
        assert first.stdin is not None
        asked = [_asked(first)]
        for value in ("1.00", "1.01", "1.02"):
            first.stdin.write(f"{value}\n")
            first.stdin.flush()
            asked.append(_asked(first))  # asked for the next: the last is on disk
        os.kill(first.pid, how)
        first.communicate(timeout=30)
    assert first.returncode == (-signal.SIGKILL if how is signal.SIGKILL else 0)

    with _start(tmp_path, "--json") as second:
        out, err = second.communicate("1.03\n1.00\n1.01\n1.02\n1.00\n", timeout=60)

    assert second.returncode == 0, err
    assert "3 of 8 readings are kept" in err
    assert asked[3] in err, "the same question, so the same random order"
    assert json.loads(out)["dof"] == 4
    with StoreReader(tmp_path / "s.db") as reader:
        assert [one.row.value_nm for one in reader.readings()][:4] == [1_000_000, 1_010_000, 1_020_000, 1_030_000]
        assert known(reader)["green"].u_from == "study"


# -- on the page -----------------------------------------------------------------------------------------------------


class _Page:
    url = "http://127.0.0.1:1/"

    def stop(self) -> None:
        """Nothing to stop."""


def _when(door: Door, holds: Any) -> Any:
    give_up = time.monotonic() + 20
    while not holds(door.snapshot()):
        assert time.monotonic() < give_up, door.snapshot()
        door.wait(door.snapshot()["version"], timeout_s=1)
    return door.snapshot()


def _study_on_page(door: Door, stop: threading.Event, seen: list[Any]) -> None:
    try:
        seen.append(_when(door, lambda s: s.get("study") and s["study"]["next"]))
        seen.append(door.act("skip", {"do": "skip"}))
        seen.append(door.act("repeat", {"do": "repeat"}))
        for number in range(8):
            door.act(f"t{number}", {"do": "typed", "text": f"1.0{number}", "unit": "mm"})
        seen.append(_when(door, lambda s: s["study"]["done"] == 8))
    finally:
        stop.set()


def test_a_study_on_the_page(store: Store, gauge: Known):
    seen: list[Any] = []
    stop = threading.Event()

    def serve(door: Door, *, port: int) -> PageServer:
        threading.Thread(target=_study_on_page, args=(door, stop, seen), daemon=True).start()
        return _Page()

    options = PageOptions(wish=SMALL, browser=False)
    found = run_page(store, gauge, options, serve, stop=stop, terminal=_terminal())

    before, skipped, repeated, after = seen
    assert before["study"]["parts"] == ["A", "B"]
    assert before["study"]["result"] is None
    assert before["next"]["words"].startswith(f"part {before['study']['next']['part']}, ")
    assert (skipped.done, repeated.done) == (False, False)
    assert (after["study"]["next"], after["state"], len(after["study"]["readings"])) == (None, "done", 8)
    assert set(after["study"]["result"]["anova"]) == {"part", "person", "part_person", "repeatability", "total"}
    assert after["last"]["words"].startswith(("part A", "part B"))
    assert [one["gauge"] for one in after["gauge_records"]] == ["green"]
    json.dumps(after, allow_nan=False)
    assert found is not None
    with store.reader() as reader:
        assert known(reader)["green"].u_from == "study"


def test_a_session_row_is_kept_for_a_study_without_an_instrument(store: Store, gauge: Known):
    study = begin(store, gauge, SMALL, anew=False)

    with store.reader() as reader:
        row: SessionRow = reader.session(study.session)
        (purpose,) = reader.purposes()
    assert (row.instrument, purpose.purpose, json.loads(purpose.description)["seed"]) == ("none", "study", 4)
