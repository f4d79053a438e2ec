"""What was measured on the board itself: slots and the arc across it."""

import json
from collections.abc import Callable
from pathlib import Path
from typing import Any

import pytest

from logger.cli import run

HEAD = "kind,fret,place,value,unit,span_mm,gauge\n"
GAUGES = """\
[gauge.long]
kind = "caliper"
u_mm = 0.01
resolution_mm = 0.01
[gauge.depth]
kind = "depth_indicator"
u_mm = 0.003
"""
Write = Callable[[str, str], Path]


@pytest.fixture
def judged(write: Write, instrument: Path, capsys: pytest.CaptureFixture[str]) -> Callable[..., tuple[Any, str]]:
    """Return a function that evaluates rows and gives the JSON and the notes."""

    def _judged(rows: str, instrument_text: str = "") -> tuple[Any, str]:
        path, gauges = write("r.csv", HEAD + rows), write("g.toml", GAUGES)
        where = write("n.toml", instrument_text) if instrument_text else instrument
        run(["evaluate", str(path), "--instrument", str(where), "--gauges", str(gauges), "--json"], lambda *_: 0)
        said = capsys.readouterr()
        return json.loads(said.out), said.err

    return _judged


def _slots(scale: float = 645.0, nut: float = 0.0, off: dict[int, float] | None = None, place: str = "centre") -> str:
    places = {fret: nut + scale * (1 - 2 ** (-fret / 12)) + (off or {}).get(fret, 0.0) for fret in range(1, 21)}
    return "".join(f"slot_position,{fret},{place},{x:.4f},mm,,long\n" for fret, x in places.items())


def _failed(found: Any, check: str) -> list[int]:
    return [one["fret"] for one in found["verdicts"] if one["check"] == check and one["verdict"] == "fail"]


def test_one_slot_off_is_the_only_one_that_fails_and_is_told_in_cents(judged: Callable[..., Any]):
    found, said = judged(_slots(off={12: 0.5}))

    assert _failed(found, "slot_position") == [12]
    (scale,) = found["slots"]
    assert scale["single"] == [12]
    # Source: 1200 log2((L - x) / (L - x - e)) with L - x = 322.5 and e = 0.5
    assert next(one["cents"] for one in scale["slots"] if one["fret"] == 12) == pytest.approx(2.686, abs=0.001)
    assert said == ""


def test_a_shifted_nut_is_named_and_no_slot_fails(judged: Callable[..., Any]):
    found, said = judged(_slots(nut=0.4))

    assert _failed(found, "slot_position") == []
    assert "all slots on the centre side lie 0.40" in said
    assert "too near the bridge: the nut, not the slots" in said


def test_a_wrong_scale_is_named_with_the_scale_that_was_cut(judged: Callable[..., Any]):
    found, said = judged(_slots(scale=647.7, off={5: -0.4}))

    assert _failed(found, "slot_position") == [5]
    assert "follow a scale of 647.70" in said
    assert "not 645 mm" in said


def test_fanned_frets_have_a_scale_on_each_side(judged: Callable[..., Any]):
    fan = 'name = "fan"\nkind = "bass"\nscale_bass_mm = 863.6\nscale_treble_mm = 812.8\nfrets = 20\n'
    found, said = judged(_slots(863.6, place="bass") + _slots(812.8, place="treble") + _slots(838.2), fan)

    assert _failed(found, "slot_position") == []
    assert len([one for one in found["verdicts"] if one["verdict"] == "pass"]) == 60
    assert said == ""


def test_one_slot_alone_is_judged_on_the_stated_scale(judged: Callable[..., Any]):
    found, _ = judged(f"slot_position,5,centre,{645 * (1 - 2 ** (-5 / 12)) + 0.5:.4f},mm,,long\n")

    assert _failed(found, "slot_position") == [5]


def test_the_arc_is_judged_against_the_radius_stated_and_told_as_a_radius(judged: Callable[..., Any]):
    # Source: Pythagoras; radius 400 rises by 0.5003 over 40 mm, radius 300 by 0.6674
    found, _ = judged("board_rise,3,,0.5003,mm,40,depth\nboard_rise,12,,0.6674,mm,40,depth\n")

    assert _failed(found, "board_arc") == [12]
    assert [one["radius_mm"] for one in found["board"]["radii"]] == pytest.approx([400, 300], abs=0.2)
    assert found["board"]["shape"]["kind"] == "cone"


def test_an_arc_without_the_distance_of_its_feet_is_said_to_tell_nothing(judged: Callable[..., Any]):
    found, said = judged("board_rise,3,,0.5,mm,,depth\n")

    assert found["verdicts"] == []
    assert found["board"] is None
    assert "fret 3: rise of the board's arc: span_mm is missing" in said


def test_a_hollow_board_has_no_radius(judged: Callable[..., Any]):
    found, _ = judged("board_rise,3,,-0.1,mm,40,depth\n")

    assert found["board"]["radii"][0]["radius_mm"] is None
    assert _failed(found, "board_arc") == [3]


def test_caul_and_end_gap_come_from_the_shop_and_the_wire(judged: Callable[..., Any]):
    text = (
        'name = "n"\nkind = "electric"\nscale_mm = 645\nfrets = 20\njoin_fret = 14\nradius_mm = 400\n'
        "nut_width_mm = 43\njoin_width_mm = 56\ncauls_mm = [300, 380, 400]\n[wire]\nradius_mm = 350\n"
    )
    found, _ = judged("board_rise,3,,0.5003,mm,40,depth\n", text)

    assert found["board"]["caul_mm"] == 380
    # Source: w^2/8 (1/R_board - 1/R_wire) with w = 46.73 at fret 3
    (gap,) = found["board"]["end_gaps"]
    assert gap["gap_mm"] == pytest.approx(46.73**2 / 8 * (1 / 400 - 1 / 350), abs=0.003)
