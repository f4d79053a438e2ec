"""The same neck at two visits, from files."""

import json
from collections.abc import Callable
from pathlib import Path

import pytest

from logger.cli import run

HEAD = "kind,fret,place,value,unit,gauge,taken_at\n"
Write = Callable[[str, str], Path]


@pytest.fixture
def command(write: Write, instrument: Path, gauges: Path) -> list[str]:
    first = write("a.csv", HEAD + "seated_height,3,treble,1.090,mm,depth,2024-01-01T10:00:00+00:00\n"
                           "unworn_height,3,,1.100,mm,depth,2024-01-01T10:01:00+00:00\n")  # fmt: skip
    second = write("b.csv", HEAD + "seated_height,3,treble,1.010,mm,depth,2026-01-01T10:00:00\n"
                            "unworn_height,3,,1.100,mm,depth,2026-01-01T10:01:00\n")  # fmt: skip
    return ["wear", str(first), str(second), "--instrument", str(instrument), "--gauges", str(gauges)]


def _run(arguments: list[str]) -> int:
    return run(arguments, lambda *_: 0)  # type: ignore[arg-type, return-value]


def test_wear_and_its_rate_are_told_with_their_uncertainty(command: list[str], capsys: pytest.CaptureFixture[str]):
    assert _run([*command, "--json"]) == 0
    found = json.loads(capsys.readouterr().out)
    (one,) = found["wear"]

    assert found["days"] == pytest.approx(731, abs=0.1)
    assert (one["fret"], one["place"], one["against_crown"]) == (3, "treble", True)
    assert one["since"]["value_mm"] == pytest.approx(0.08)
    assert one["rate_mm_per_year"] == pytest.approx(0.08 / (731 / 365.25), rel=1e-3)

    assert _run([*command, "--unit", "thou"]) == 0
    said = capsys.readouterr().out
    assert "visits 731 days apart" in said
    assert "fret 3, treble" in said
    assert "thou a year" in said


def test_nothing_in_common_is_said(
    write: Write, instrument: Path, command: list[str], capsys: pytest.CaptureFixture[str]
):
    other = write("c.csv", "kind,fret,place,value,unit\nseated_height,9,bass,1.0,mm\n")

    assert _run(["wear", command[1], str(other), "--instrument", str(instrument)]) == 2
    assert "no seated_height of one fret and place in common" in capsys.readouterr().err


def test_a_date_that_is_none_is_refused(write: Write, instrument: Path, capsys: pytest.CaptureFixture[str]):
    odd = write("d.csv", HEAD + "seated_height,3,treble,1.0,mm,depth,yesterday\n")

    assert _run(["evaluate", str(odd), "--instrument", str(instrument)]) == 2
    assert "line 2: taken_at must be a date and time like" in capsys.readouterr().err
