"""The cutting list from an instrument's file."""

import json
from collections.abc import Callable
from pathlib import Path

import pytest

from logger.cli import run

STOCK = "[wire]\npiece_mm = 300\nbarb_pitch_mm = 2.5\nbarb_length_mm = 0.8\npieces = 2\n"
Write = Callable[[str, str], Path]


def _run(*arguments: str) -> int:
    return run(list(arguments), lambda *_: 0)  # type: ignore[arg-type, return-value]


def test_every_fret_is_on_the_list_with_barbs_at_its_ends(
    write: Write, instrument: Path, capsys: pytest.CaptureFixture[str]
):
    neck = str(write("n.toml", instrument.read_text().replace("[wire]\n", STOCK)))
    assert _run("cut", "--instrument", neck, "--json") == 0
    found = json.loads(capsys.readouterr().out)
    cuts = [cut for stick in found["sticks"] for cut in stick["cuts"]]

    assert sorted(cut["fret"] for cut in cuts) == list(range(1, 21))
    assert next(cut["length_mm"] for cut in cuts if cut["fret"] == 14) == pytest.approx(60.0)  # 56 and 2 on each side
    assert max(max(cut["bare_mm"]) for cut in cuts) <= 0.85 + 1e-6  # half of what lies between two barbs

    assert _run("cut", "--instrument", neck) == 0
    said = capsys.readouterr().out
    assert "stick 1, from its end" in said
    assert "longest bare tang at an end" in said
    assert "more than the 2 that the file states" in said
    assert "Clipped wire ends fly: wear glasses" in said


def test_without_barbs_the_list_says_what_is_missing(
    write: Write, instrument: Path, capsys: pytest.CaptureFixture[str]
):
    neck = write("n.toml", instrument.read_text().replace("[wire]\n", "[wire]\npiece_mm = 1500\n"))

    assert _run("cut", "--instrument", str(neck), "--unit", "thou") == 0
    assert "state [wire] barb_pitch_mm and barb_length_mm" in capsys.readouterr().out


@pytest.mark.parametrize(
    ("piece", "message"), [("", "needs [wire] piece_mm; state it"), ("piece_mm = 50\n", "more than a stick of 50 mm")]
)
def test_what_the_list_lacks_is_named(
    write: Write, instrument: Path, piece: str, message: str, capsys: pytest.CaptureFixture[str]
):
    neck = write("n.toml", instrument.read_text().replace("[wire]\n", f"[wire]\n{piece}"))

    assert _run("cut", "--instrument", str(neck)) == 2
    assert message in capsys.readouterr().err
