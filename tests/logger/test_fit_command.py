"""Wire and slots from files: chances, choices, pieces and back-bow."""

import json
from collections.abc import Callable
from pathlib import Path
from typing import Any

import pytest

from logger.cli import run

HEAD = "kind,fret,place,value,unit,gauge,round,u\n"
WIRE = "".join(
    f"{kind},,,{size + off:.3f},mm,caliper,{coil},\n"
    for kind, size in (("tang_thickness", 0.51), ("barb_span", 0.70), ("tang_depth", 1.30))
    for coil, shift in (("one", 0.0), ("two", 0.01)) for off in (shift, shift + 0.005, shift - 0.005)
)  # fmt: skip
NECK = '[neck]\nboard_mm = 6\nnut_mm = 14\njoin_mm = 17\nboard_wood = "Maple, sugar"\nmodulus_mpa = 10000\n'
Write = Callable[[str, str], Path]


def _slots(width: float = 0.56) -> str:
    return "".join(f"slot_width,{fret},centre,{width:.3f},mm,,,0.004\n" for fret in range(1, 21))


@pytest.fixture
def fitted(
    write: Write, instrument: Path, gauges: Path, capsys: pytest.CaptureFixture[str]
) -> Callable[..., tuple[Any, str]]:
    """Return a function that runs `fit` and gives the JSON and the table."""

    def _fitted(rows: str, *more: str, neck: str = "") -> tuple[Any, str]:
        text = instrument.read_text().replace("[wire]", "[wire]\nbarb_pitch_mm = 2.5\nbarb_length_mm = 0.8") + neck
        command = ["fit", str(write("r.csv", HEAD + rows)), "--instrument", str(write("n.toml", text)),
                   "--gauges", str(gauges), *more]  # fmt: skip
        assert run([*command, "--json"], lambda *_: 0) == 0  # type: ignore[arg-type, return-value]
        found = json.loads(capsys.readouterr().out)
        assert run(command, lambda *_: 0) == 0  # type: ignore[arg-type, return-value]
        return found, capsys.readouterr().out

    return _fitted


def test_coils_chances_and_the_slots_that_suit(fitted: Callable[..., Any]):
    found, said = fitted(WIRE + _slots())

    tang = next(one for one in found["fit"]["wire"] if one["kind"] == "tang_thickness")
    assert (tang["coils"], tang["readings"]) == (2, 6)
    assert tang["next_low_mm"] < 0.50 < 0.53 < tang["next_high_mm"]
    assert found["fit"]["slots_that_fit"]["never"] is False
    assert len(found["fit"]["frets"]) == 20
    assert "slots that suit this wire: 0.515 mm to 0.615 mm" in said
    assert "Clipped wire ends fly" in said


def test_a_wire_that_can_never_fit_is_told_why(fitted: Callable[..., Any]):
    found, said = fitted("tang_thickness,,,0.51,mm,caliper,,\nbarb_span,,,0.55,mm,caliper,,\n" + _slots())

    assert found["fit"]["slots_that_fit"]["never"] is True
    assert "this wire never fits: the span over its barbs must be 0.080 mm to 0.400 mm more than its tang" in said


def test_the_back_bow_is_foretold_as_an_interval_and_learnt(fitted: Callable[..., Any], write: Write):
    before, said = fitted(WIRE + _slots(), neck=NECK)
    rows = "".join(f"{0.3 + 0.7 * size:.2f},0.3,{size}\n" for size in (0.2, 0.4, 0.6))
    after, told = fitted(
        WIRE + _slots(), "--reliefs", str(write("rel.csv", "before,after,foretold\n" + rows)), neck=NECK
    )

    bow, learnt = before["back_bow_mm"], after["back_bow_mm"]
    assert 0 < bow["low_mm"] < bow["median_mm"] < bow["high_mm"]
    assert learnt["median_mm"] > 1.8 * bow["median_mm"]
    assert learnt["at_whole_transfer_mm"] == bow["at_whole_transfer_mm"]
    assert "95 % between" in said
    assert "learnt from your necks" in told


def test_what_the_back_bow_lacks_is_said(fitted: Callable[..., Any]):
    found, said = fitted(WIRE + _slots())

    assert found["back_bow_mm"] is None
    assert "back-bow not foretold: the instrument's file does not state [neck] board_mm" in said


def test_pieces_go_where_the_worst_fit_is_best(fitted: Callable[..., Any]):
    rows = ""
    for fret, (tang, slot) in enumerate(((0.56, 0.53), (0.50, 0.59)), 1):
        rows += f"tang_thickness,{fret},,{tang},mm,caliper,,\nbarb_span,{fret},,{tang + 0.2},mm,caliper,,\n"
        rows += f"slot_width,{fret},centre,{slot},mm,,,0.004\n"
    found, said = fitted(rows)

    assert found["fit"]["pieces"] == [{"slot": 1, "piece": 2}, {"slot": 2, "piece": 1}]
    assert "slot 1: the piece measured for fret 2" in said


def test_wires_and_blades_are_ranked(fitted: Callable[..., Any], write: Write):
    choices = write(
        "c.toml",
        '[[wire]]\nname = "thin"\ntang_mm = 0.46\nspan_mm = 0.66\n[[wire]]\nname = "thick"\ntang_mm = 0.56\n'
        'span_mm = 0.76\ntang_sd_mm = 0.005\n[[blade]]\nname = "coarse"\nkerf_mm = 0.61\nkerf_sd_mm = 0.01\n',
    )
    found, said = fitted(WIRE, "--choices", str(choices))

    assert [one["wire"] for one in found["choices"]] == ["thick", "thin"]
    assert found["choices"][0]["chance"] > 0.99
    assert "thick with coarse" in said


@pytest.mark.parametrize(
    ("text", "message"),
    [
        ("", "give at least one [[wire]] and one [[blade]]"),
        ("[wire]\nname = 'a'\n", "list of tables that begin with [[wire]]"),
        ("[[wire]]\nname = 'a'\ntang_mm = 0.5\n", "[[wire]] 1: span_mm is missing"),
        ("[[blade]]\nname = 'a'\nkerf = 0.5\n", "unknown key 'kerf'"),
    ],
)
def test_choices_that_do_not_hold_are_refused_in_one_line(
    write: Write, instrument: Path, text: str, message: str, capsys: pytest.CaptureFixture[str]
):
    readings, choices = write("r.csv", HEAD + WIRE), write("c.toml", text)
    status = run(["fit", str(readings), "--instrument", str(instrument), "--choices", str(choices)], lambda *_: 0)  # type: ignore[arg-type, return-value]

    assert status == 2
    assert message in capsys.readouterr().err


def test_readings_without_wire_or_slots_are_told(write: Write, instrument: Path, capsys: pytest.CaptureFixture[str]):
    readings = write("r.csv", HEAD + "slot_depth,5,centre,1.7,mm,,,0.01\n")

    assert run(["fit", str(readings), "--instrument", str(instrument)], lambda *_: 0) == 2  # type: ignore[arg-type, return-value]
    assert "measure tang_thickness, barb_span and slot_width" in capsys.readouterr().err
