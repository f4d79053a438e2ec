"""The command line: exit status, one clear line, results alone on stdout."""

import json
import sqlite3
from collections.abc import Callable
from pathlib import Path

import pytest

from logger.cli import run
from logger.door import Door, PageServer
from logger.store import Store

Write = Callable[[str, str], Path]
GOOD = "kind,fret,place,value,unit,gauge\nseated_height,7,bass,1.1,mm,depth\nseated_height,7,centre,1.1,mm,depth\n"
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
        pytest.param(("readings", "--store", "none.db"), 4, "none.db", id="no store"),
        pytest.param(("readings", "--store", "{I}"), 4, "I.toml", id="foreign store"),
        pytest.param(("demo", "--acks", "no/such/folder/f", "--no-browser"), 2, "no/such/folder/f", id="acks"),
        pytest.param(("bench", "--instrument", "none.toml"), 2, "none.toml", id="bench without neck"),
        pytest.param(("bench", "--gauge", "x"), 2, "NAME=PROFILE@PORT", id="gauge text"),
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
        (),
        ("demo", "--seconds", "0"),
        ("demo", "--seconds", "nan"),
        ("demo", "--port", "99999"),
        ("evaluate",),
        ("mend",),
    ],
)
def test_wrong_commands_exit_2(arguments: tuple[str, ...], capsys):
    try:
        status = _run(*arguments)
    except SystemExit as left:
        status = left.code
    assert status == 2
    assert capsys.readouterr().out == ""


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
