"""The command line: exit status, one clear line, results alone on stdout."""

import argparse
import json
import signal
import sqlite3
import subprocess
import sys
import threading
from collections.abc import Callable
from pathlib import Path

import numpy as np
import pytest
from scipy import stats

import logger.cli
from logger.cli import run
from logger.cli_arguments import stopped_by_signal
from logger.door import Door, PageServer
from logger.store import Store, StoreReader

Write = Callable[[str, str], Path]
GOOD = "kind,fret,place,value,unit,gauge\nseated_height,7,bass,1.1,mm,depth\nseated_height,7,centre,1.1,mm,depth\n"
GAUGES = ("--gauge", "a=caliper-mm@/dev/p", "--gauge")
PROUD = GOOD + "seated_height,7,treble,1.19,mm,depth\n"


class _Page:
    url = "http://127.0.0.1:1/"

    def stop(self) -> None:
        """Nothing to stop."""


def _serve(door: Door, *, port: int) -> PageServer:
    return _Page()


def _run(*arguments: object) -> int:
    return run([str(one) for one in arguments], _serve)


def test_evaluate_says_what_is_wrong_first_and_exits_1(write: Write, instrument: Path, gauges: Path, capsys):
    status = _run("evaluate", write("r.csv", PROUD), "--instrument", instrument, "--gauges", gauges)

    out, err = capsys.readouterr()
    assert status == 1
    assert out.startswith("!! fret 7 treble end stands proud by 0.090 ± ")
    assert err == ""


def test_evaluate_of_a_sound_fret_exits_0(write: Write, instrument: Path, gauges: Path, capsys):
    assert _run("evaluate", write("r.csv", GOOD), "--instrument", instrument, "--gauges", gauges, "--unit", "thou") == 0
    assert "thou" in capsys.readouterr().out


def test_json_is_exactly_one_object(write: Write, instrument: Path, gauges: Path, capsys):
    status = _run("evaluate", write("r.csv", PROUD), "--instrument", instrument, "--gauges", gauges, "--json")

    result = json.loads(capsys.readouterr().out)
    assert status == 1
    proud = [one for one in result["verdicts"] if one["verdict"] == "fail" and one["check"] == "proud_end"]
    assert [(one["fret"], one["place"], round(one["value_mm"], 6)) for one in proud] == [(7, "treble", 0.09)]
    assert {"check", "fret", "place", "value_mm", "u_mm", "p", "verdict", "flag"} <= set(result["verdicts"][0])


def test_json_of_unknown_uncertainty_is_null(write: Write, instrument: Path, capsys):
    assert _run("evaluate", write("r.csv", PROUD), "--instrument", instrument, "--json") == 0
    out, err = capsys.readouterr()
    assert {(one["p"], one["verdict"]) for one in json.loads(out)["verdicts"]} == {(None, "remeasure")}
    assert "gauge 'depth' has no stated uncertainty" in err


def test_own_limits_count(write: Write, instrument: Path, gauges: Path):
    loose = write("l.toml", "".join(f"[{c}]\nupper_mm = 0.5\n" for c in ("proud_end", "uneven_seating", "tilted_fret")))

    assert (
        _run("evaluate", write("r.csv", PROUD), "--instrument", instrument, "--gauges", gauges, "--limits", loose) == 0
    )


def test_a_stated_process_gives_the_risks_of_both_sides(write: Write, instrument: Path, gauges: Path, capsys):
    process = write("l.toml", "[proud_end]\nupper_mm = 0.03\nprocess_mean_mm = 0.01\nprocess_sd_mm = 0.02\n")
    common = ("evaluate", write("r.csv", GOOD), "--instrument", instrument, "--gauges", gauges, "--limits", process)

    _run(*common, "--json")
    by_check = {one["check"]: one for one in json.loads(capsys.readouterr().out)["verdicts"]}
    u, risk = by_check["proud_end"]["u_mm"], by_check["proud_end"]["risk"]
    rng = np.random.default_rng(5)  # independent of the integrals: true values, then readings, then our rule
    true = rng.normal(0.01, 0.02, 400_000)
    seen = true + rng.normal(0, u, true.size)
    p = stats.norm.cdf((0.03 - seen) / u)
    assert risk["false_pass"] == pytest.approx(np.mean((p >= 0.95) & (true > 0.03)), abs=5e-4)
    assert risk["false_fail"] == pytest.approx(np.mean((p <= 0.05) & (true <= 0.03)), abs=5e-4)
    assert risk["remeasure"] == pytest.approx(np.mean((p > 0.05) & (p < 0.95)), abs=2e-3)
    assert by_check["uneven_seating"]["risk"] is None

    _run(*common)
    assert "fret end: over the process stated, " in capsys.readouterr().out


def test_what_is_odd_in_a_file_is_noted(write: Write, instrument: Path, gauges: Path, capsys):
    text = (
        "kind,fret,place,value,unit,gauge,taken_back\n"
        + "".join(f"seated_height,7,bass,{value},mm,depth,\n" for value in (1.1, 1.1, 5.1))
        + "seated_height,7,centre,1.1,mm,depth,\nseated_height,7,centre,9.9,mm,depth,maybe\n"
    )
    odd = write("odd.toml", instrument.read_text().replace("steel-string", "electirc"))

    _run("evaluate", write("r.csv", text), "--instrument", odd, "--gauges", gauges)
    out, err = capsys.readouterr()
    assert "?? fret end             fret 7, bass      1.333" in out, "its own spread makes it undecided"
    assert "note: kind 'electirc' is none of electric, steel-string, bass, classical: the general limits are" in err
    assert "note: fret 7, bass: height of the seated fret: its repeats differ by more than the gauge is worth" in err
    assert "note: 1 reading is marked as taken back and not judged" in err


def test_readings_without_a_feature_are_counted_and_not_judged(write: Write, instrument: Path, gauges: Path, capsys):
    head, *rows = GOOD.splitlines()
    text = "\n".join([f"{head},sequence", *(f"{row},{n}" for n, row in enumerate(rows)), ",,,1.2,mm,depth,9"]) + "\n"
    path = write("r.csv", text.replace("\n\n", "\n"))

    assert _run("evaluate", path, "--instrument", instrument, "--gauges", gauges) == 0
    assert f"1 of {len(rows) + 1} readings belong to no feature and are not judged" in capsys.readouterr().err


def test_several_sessions_are_not_mixed_by_accident(write: Write, instrument: Path, gauges: Path, capsys):
    head, *rows = PROUD.splitlines()
    text = "\n".join([f"{head},session", *(f"{row},{'ab'[n == 2]}" for n, row in enumerate(rows))]) + "\n"
    path = write("r.csv", text)
    common = ("evaluate", path, "--instrument", instrument, "--gauges", gauges)

    assert _run(*common) == 2
    assert "holds 2 sessions; choose one with --session" in capsys.readouterr().err
    assert _run(*common, "--session", "a") == 0
    assert _run(*common, "--session", "all") == 1
    assert _run(*common, "--session", "c") == 2


@pytest.mark.parametrize(
    ("arguments", "status", "words"),
    [
        pytest.param(("evaluate", "none.csv", "--instrument", "{I}"), 2, "none.csv: no such file", id="no readings"),
        pytest.param(("evaluate", "{I}", "--instrument", "none.toml"), 2, "none.toml: no such file", id="no neck"),
        pytest.param(("evaluate", "{I}", "--instrument", "{I}"), 2, "column 'kind' is missing", id="no header"),
        pytest.param(
            ("evaluate", "{I}", "--instrument", "{I}", "--covariance"), 2, "--covariance is a matrix for", id="matrix"
        ),
        pytest.param(("readings", "--store", "none.db"), 4, "none.db", id="no store"),
        pytest.param(("readings", "--store", "{I}"), 4, "I.toml", id="foreign store"),
        pytest.param(("demo", "--acks", "no/such/folder/f", "--no-browser"), 2, "no/such/folder/f", id="acks"),
        pytest.param(("bench", "--instrument", "none.toml"), 2, "none.toml", id="bench without neck"),
        pytest.param(("bench", "--gauge", "x"), 2, "NAME=PROFILE@PORT", id="gauge text"),
        pytest.param(("bench", *GAUGES, "a=caliper-mm@/dev/q"), 2, "two gauges are named 'a'", id="one name twice"),
        pytest.param(("bench", *GAUGES, "b=caliper-mm@/dev/p"), 2, "'a' and 'b' name one port, /dev/p", id="one port"),
        pytest.param(("bench", "--gauge", "leaves=caliper-mm@/p"), 2, "that name is for readings", id="leaves"),
        pytest.param(("bench", "--gauge", "typed=caliper-mm@/p"), 2, "that name is for readings", id="typed"),
        pytest.param(("bench", "--gauge", "typed caliper=caliper-mm@/p"), 2, "that name is", id="typed kind"),
        pytest.param(
            (
                "gauges",
                "study",
                "a",
                "--kind",
                "caliper",
                "--store",
                "{T}/s.db",
                "--page",
                "--no-browser",
                *GAUGES,
                "a=caliper-mm@/dev/q",
            ),
            2,
            "two gauges are named 'a'",
            id="study with one name twice",
        ),
        pytest.param(("bench", "--gauge", "a=b@c"), 2, "unknown profile 'b'", id="profile"),
        pytest.param(("bench", "--store", "{T}/b.db", "--gauge", "a=caliper-mm@/dev/none"), 3, "/dev/none", id="port"),
    ],
)
def test_trouble_is_one_line_with_its_status(
    arguments: tuple[str, ...], status: int, words: str, instrument: Path, tmp_path: Path, capsys
):
    given = [one.replace("{I}", str(instrument)).replace("{T}", str(tmp_path)) for one in arguments]

    assert _run(*given) == status
    out, err = capsys.readouterr()
    assert out == ""
    assert words in err
    assert err.startswith("fretledger: ")
    assert err.count("\n") == 1


@pytest.mark.parametrize(
    "arguments",
    [
        ("demo", "--seconds", "0"),
        ("demo", "--seconds", "nan"),
        ("demo", "--seconds", "1_0"),
        ("demo", "--seconds", " 10"),
        ("demo", "--seed", "x"),
        ("demo", "--seed", "1_0"),
        ("demo", "--port", "99999"),
        ("gauges", "check", "a", "--temperature", "warm"),
        ("evaluate",),
        ("mend",),
    ],
)
def test_wrong_commands_exit_2_and_say_so_in_one_line(arguments: tuple[str, ...], capsys):
    with pytest.raises(SystemExit) as left:
        _run(*arguments)
    out, err = capsys.readouterr()

    assert left.value.code == 2
    assert out == ""
    assert err.startswith("fretledger: ")
    assert err.endswith("--help\n")
    assert err.count("\n") == 1


def test_no_command_shows_the_help_and_exits_2(capsys):
    assert _run() == 2
    assert "usage: fretledger" in capsys.readouterr().err


FULL = pytest.mark.skipif(not Path("/dev/full").exists(), reason="this system has no /dev/full")


@FULL
def test_a_full_disk_is_said_in_one_line(write: Write, instrument: Path):
    command = [
        Path(sys.executable).with_name("fretledger"),
        "evaluate",
        write("r.csv", GOOD),
        "--instrument",
        instrument,
    ]
    with open("/dev/full", "w") as full:  # noqa: PTH123 - a device
        ended = subprocess.run(command, stdout=full, stderr=subprocess.PIPE, text=True, check=False)

    assert ended.returncode == 2
    assert ended.stderr.splitlines()[-1].startswith("fretledger: no space to write in (")
    assert "Exception" not in ended.stderr


@FULL
@pytest.mark.skipif(sys.platform == "win32", reason="the demo has no pseudo-terminals there")
def test_acknowledgements_that_cannot_be_written_end_the_demo_in_one_line(tmp_path: Path):
    command = [Path(sys.executable).with_name("fretledger"), "demo", "--no-browser", "--seconds", "60"]
    ended = subprocess.run(
        [*command, "--acks", "/dev/full", "--store", tmp_path / "d.db"], capture_output=True, text=True, check=False
    )

    assert ended.returncode == 2
    assert ended.stderr.startswith("fretledger: /dev/full: cannot be written (")
    assert ended.stderr.count("\n") == 1


def test_limits_given_to_a_session_that_goes_on_are_said_not_to_count(write: Write, tmp_path: Path, capsys):
    loose = write("l.toml", "[proud_end]\nupper_mm = 0.5\n")
    common = ("bench", "--store", tmp_path / "s.db", "--no-browser")
    at_once = threading.Event()
    at_once.set()

    def sit(*more: object) -> str:
        sitting = vars(logger.cli._parser().parse_args([str(one) for one in (*common, *more)]))
        assert logger.cli._run_bench(argparse.Namespace(**sitting), _serve, at_once) == 0
        return capsys.readouterr().err

    assert "goes on with the limits" not in sit()
    assert "fretledger: this session goes on with the limits it was begun with; give --new" in sit("--limits", loose)
    assert "goes on with the limits" not in sit("--limits", loose, "--new")
    assert "goes on with the limits" not in sit("--limits", loose)
    with StoreReader(tmp_path / "s.db") as reader:
        assert len(reader.sessions()) == 2


def test_a_bench_whose_port_is_missing_leaves_no_open_session(tmp_path: Path, capsys):
    path = tmp_path / "s.db"

    assert _run("bench", "--store", path, "--no-browser", "--gauge", "a=caliper-mm@/dev/none") == 3
    with StoreReader(path) as reader:
        assert reader.open_sessions() == []


def test_a_newer_store_and_a_busy_store_exit_4(tmp_path: Path, capsys):
    path = tmp_path / "s.db"
    with Store.create(path):
        assert _run("bench", "--store", path, "--no-browser") == 4
    assert "is in use by fretledger (process " in capsys.readouterr().err
    changed = sqlite3.connect(path)
    changed.execute("PRAGMA user_version = 999")
    changed.close()

    assert _run("readings", "--store", path) == 4
    assert "999" in capsys.readouterr().err


def test_the_store_of_the_environment_is_used(tmp_path: Path, monkeypatch: pytest.MonkeyPatch, capsys):
    path = tmp_path / "s.db"
    Store.create(path).close()
    monkeypatch.setenv("FRETLEDGER_STORE", str(path))

    assert _run("readings") == 0
    assert capsys.readouterr().out.startswith(
        "kind,fret,place,value,unit,feet,low,high,gauge,round,span_mm,resolution,u"
    )


def test_our_own_fault_is_one_line_and_70(write: Write, instrument: Path, monkeypatch: pytest.MonkeyPatch, capsys):
    monkeypatch.setattr("logger.evaluate.read_instrument", lambda path: 1 / 0)

    assert _run("evaluate", write("r.csv", GOOD), "--instrument", instrument) == 70
    assert "our own fault: ZeroDivisionError" in capsys.readouterr().err


@pytest.mark.parametrize("number", [signal.SIGINT, signal.SIGTERM])
def test_a_signal_that_comes_while_the_stop_is_looked_at_is_heard(number: signal.Signals) -> None:
    with stopped_by_signal() as stop:
        with stop._cond:  # type: ignore[attr-defined]  # as `Event.wait` holds it for a moment whenever its time is over
            signal.raise_signal(number)
        assert stop.wait(10)
