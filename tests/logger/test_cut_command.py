"""The cutting list from an instrument's file."""

import json
import re
from collections.abc import Callable
from pathlib import Path

import pytest

from logger.bare_tang import bare_tang_mm
from logger.cli import run
from logger.instrument import read_instrument

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


FAN = "scale_bass_mm = 686.0\nscale_treble_mm = 648.0\n"


def _fan(write: Write, instrument: Path, more: str) -> Path:
    text = instrument.read_text().replace("scale_mm = 645.0\n", FAN + more)
    return write(
        "fan.toml", text.replace("[wire]\n", "[wire]\npiece_mm = 1500\nbarb_pitch_mm = 2.5\nbarb_length_mm = 0.8\n")
    )


def test_a_fanned_fret_is_as_long_as_it_lies_across_the_board(
    write: Write, instrument: Path, capsys: pytest.CaptureFixture[str]
):
    path = _fan(write, instrument, "square_fret = 7\n")
    assert _run("cut", "--instrument", str(path), "--json") == 0
    cuts = [cut for stick in json.loads(capsys.readouterr().out)["sticks"] for cut in stick["cuts"]]
    length = {cut["fret"]: cut["length_mm"] for cut in cuts}
    neck = read_instrument(path)

    bass, treble = neck.positions_of("bass"), neck.positions_of("treble")
    for fret in range(1, 21):
        across = neck.width_at_mm(float(neck.positions_mm[fret]))
        one, other = complex(bass[fret] - bass[7], across), complex(treble[fret] - treble[7], 0)
        assert length[fret] == pytest.approx(abs(one - other) + 4, abs=1e-3)
        bare = next(cut["bare_mm"] for cut in cuts if cut["fret"] == fret)
        assert bare_tang_mm(neck, fret) == pytest.approx(max(bare), abs=1e-3)
    assert length[20] == pytest.approx(64.56, abs=0.01)  # 59.06 across, 13.39 along: 1.5 mm more than square


def test_a_fan_without_its_square_fret_is_refused(write: Write, instrument: Path, capsys: pytest.CaptureFixture[str]):
    path = _fan(write, instrument, "")

    assert _run("cut", "--instrument", str(path)) == 2
    said = capsys.readouterr().err
    assert "needs square_fret (of fanned frets the one that stands square to the centre line, 0 is the nut)" in said
    assert said.count("\n") == 1
    assert bare_tang_mm(read_instrument(path), 7) is None


@pytest.mark.parametrize(
    ("piece", "message"), [("", "needs [wire] piece_mm; state it"), ("piece_mm = 50\n", "more than a stick of 50 mm")]
)
def test_what_the_list_lacks_is_named(
    write: Write, instrument: Path, piece: str, message: str, capsys: pytest.CaptureFixture[str]
):
    neck = write("n.toml", instrument.read_text().replace("[wire]\n", f"[wire]\n{piece}"))

    assert _run("cut", "--instrument", str(neck)) == 2
    assert message in capsys.readouterr().err


@pytest.mark.parametrize("unit", ["in", "thou"])
def test_inches_are_told_to_three_decimals(
    write: Write, instrument: Path, unit: str, capsys: pytest.CaptureFixture[str]
):
    neck = write("n.toml", instrument.read_text().replace("[wire]\n", "[wire]\npiece_mm = 1524\n"))

    assert _run("cut", "--instrument", str(neck), "--unit", unit) == 0
    said = capsys.readouterr().out
    assert "20 frets from 1 stick of 60.000 in" in said
    assert re.search(r"fret 14  mark at \d+\.\d{3} and \d+\.\d{3} in, 2\.362 in long", said)  # 60.0 mm
