"""Readings to verdicts: every check with its limit, one truth for all callers."""

import math
from collections.abc import Callable
from pathlib import Path

import numpy as np
import pytest

from logger.evaluation.conformity import Limits
from logger.evaluation.observation import FeatureKey, Observation
from logger.instrument import Instrument, read_instrument
from logger.limits import default_limits
from logger.report import CheckVerdict, Judge, verdict_json


@pytest.fixture
def neck(instrument: Path) -> Instrument:
    return read_instrument(instrument)


def _reading(
    kind: str, value: float, fret: int | None = None, place: str | None = None, u: float = 0.003, **more: object
) -> Observation:
    feet = (fret - 1, fret + 1) if kind == "fret_step" and fret else None
    return Observation(
        key=FeatureKey(kind=kind, fret=fret, place=place, feet=feet), value_mm=value, gauge="g", u_mm=u, **more
    )  # type: ignore[arg-type]


def _judge(neck: Instrument, *readings: Observation) -> dict[tuple[str, int | None, str | None], CheckVerdict]:
    return {one.key: one for one in Judge(neck, default_limits(neck.kind)).verdicts(readings)}


BOTH = {"lower_mm": -0.03, "upper_mm": 0.03}
WIRE = (
    _reading("tang_thickness", 0.51),
    _reading("barb_span", 0.70),
    _reading("tang_depth", 1.30),
    _reading("crown_height", 1.10),
)


@pytest.mark.parametrize(
    ("slot", "check", "value", "verdict", "words"),
    [
        pytest.param(0.56, "tang_clearance", 0.05, "pass", None, id="fits"),
        pytest.param(0.47, "tang_clearance", -0.04, "fail", "tight", id="tight"),
        pytest.param(0.65, "tang_clearance", 0.14, "fail", "loose", id="loose slot"),
        pytest.param(0.513, "tang_clearance", 0.003, "remeasure", None, id="at the limit"),
        pytest.param(0.56, "barb_bite", 0.07, "pass", None, id="bites"),
        pytest.param(0.66, "barb_bite", 0.02, "fail", "loose", id="hardly bites"),
        pytest.param(0.36, "barb_bite", 0.17, "fail", "chip", id="bites too much"),
    ],
)
def test_fit(neck: Instrument, slot: float, check: str, value: float, verdict: str, words: str | None):
    one = _judge(neck, *WIRE, _reading("slot_width", slot, 5, "bass"))[check, 5, "bass"]

    assert one.judgement.estimate.value_mm == pytest.approx(value)
    assert one.verdict == verdict
    assert words is None or words in (one.flag or "")
    assert (one.flag is None) == (verdict != "fail")


@pytest.mark.parametrize(
    ("check", "limits", "lift", "words"),
    [
        pytest.param(
            "proud_end", {"lower_mm": -0.03, "upper_mm": 0.03}, -0.1, "treble end lies low by 0.1", id="low end"
        ),
        pytest.param("proud_end", {"lower_mm": -0.03, "upper_mm": 0.03}, 0.1, "stands proud by 0.1", id="proud end"),
    ],
)
def test_limits_on_the_unusual_side_have_words_of_their_own(
    neck: Instrument, check: str, limits: dict[str, float], lift: float, words: str
):
    found = Judge(neck, {**default_limits(neck.kind), check: Limits(**limits)}).verdicts(_seated(0.0, 0.0, lift))

    (one,) = (each for each in found if each.key == (check, 7, "treble"))

    assert one.verdict == "fail"
    assert words in (one.flag or "")


@pytest.mark.parametrize(
    ("lower", "upper", "slot", "words"),
    [
        pytest.param(0.06, 0.10, 0.54, "is tighter than wanted, only 0.030 ", id="wide limits, below them"),
        pytest.param(0.00, 0.02, 0.56, "is loose, 0.050 ", id="narrow limits, above them"),
        pytest.param(-0.10, -0.06, 0.49, "is looser than wanted, the tang is only 0.020 ", id="tight fit wanted"),
        pytest.param(-0.10, -0.06, 0.38, "is tight, the tang is 0.130 ", id="tighter than a tight fit"),
        pytest.param(None, -0.06, 0.49, "is looser than wanted, the tang is only 0.020 ", id="upper limit alone"),
    ],
)
def test_a_fit_is_told_by_the_limit_it_breaks(
    neck: Instrument, lower: float | None, upper: float, slot: float, words: str
):
    limits = {**default_limits(neck.kind), "tang_clearance": Limits(lower_mm=lower, upper_mm=upper)}
    found = Judge(neck, limits).verdicts([*WIRE, _reading("slot_width", slot, 5, "bass")])

    (one,) = (each for each in found if each.check == "tang_clearance")

    assert one.verdict == "fail"
    assert words in (one.flag or "")


@pytest.mark.parametrize(("depth", "verdict"), [(1.75, "pass"), (1.40, "fail"), (2.30, "fail"), (1.50, "remeasure")])
def test_spare_depth(neck: Instrument, depth: float, verdict: str):
    assert _judge(neck, *WIRE, _reading("slot_depth", depth, 5, "treble"))["slot_depth_spare", 5, "treble"].verdict == (
        verdict
    )


def _seated(bass: float, centre: float, treble: float, fret: int = 7, u: float = 0.003) -> list[Observation]:
    places = zip(("bass", "centre", "treble"), (bass, centre, treble), strict=True)
    return [_reading("seated_height", 1.10 + lift, fret, place, u) for place, lift in places]


@pytest.mark.parametrize(
    ("lifts", "failing"),
    [
        pytest.param((0.0, 0.0, 0.0), set(), id="sound"),
        pytest.param(
            (0.0, 0.0, 0.09),
            {("proud_end", "treble"), ("uneven_seating", None), ("tilted_fret", None)},
            id="treble end proud",
        ),
        pytest.param(
            (0.09, 0.0, 0.09),
            {("proud_end", "bass"), ("proud_end", "treble"), ("uneven_seating", None), ("both_ends_proud", None)},
            id="both ends proud",
        ),
        pytest.param((0.0, 0.09, 0.0), {("uneven_seating", None), ("middle_high", "centre")}, id="middle high"),
        pytest.param((0.036, 0.0, -0.036), {("uneven_seating", None), ("tilted_fret", None)}, id="tilted"),
        pytest.param((0.09, 0.09, 0.09), {("proud_end", "bass"), ("proud_end", "treble")}, id="not down anywhere"),
    ],
)
def test_seating(neck: Instrument, lifts: tuple[float, float, float], failing: set[tuple[str, str | None]]):
    found = _judge(neck, *WIRE, *_seated(*lifts))

    assert {(check, place) for (check, _, place), one in found.items() if one.verdict == "fail"} == failing


def test_a_proud_end_is_named_with_its_size(neck: Instrument):
    one = _judge(neck, *_seated(0.0, 0.0, 0.08))["proud_end", 7, "treble"]

    assert one.flag == "fret 7 treble end stands proud by 0.080 ± 0.008 mm"
    assert one.what_to_do.startswith("press the end down again")


def test_advice_on_the_bare_slot_changes_when_its_own_fret_is_seated(neck: Instrument):
    judge = Judge(neck, default_limits(neck.kind))
    tight = _reading("slot_width", 0.45, 5, "bass")

    def todo(*more: Observation) -> str:
        (one,) = (one for one in judge.verdicts([*WIRE, tight, *more]) if one.key == ("tang_clearance", 5, "bass"))
        return one.what_to_do

    bare = todo()
    assert bare.startswith("widen the slot or choose a thinner tang")
    assert todo(*_seated(0.0, 0.0, 0.0)) == bare  # that is fret 7
    seated = todo(_reading("seated_height", 1.2, 5, "bass"))
    assert seated == f"leave the fret while it sits level and holds; if it comes out, {bare}"
    assert todo() == bare


def test_sizes_are_never_negative(neck: Instrument):
    found = _judge(neck, *_seated(0.0, 0.0, 0.09))

    assert found["tilted_fret", 7, None].judgement.estimate.value_mm == pytest.approx(0.09)
    assert found["uneven_seating", 7, None].judgement.estimate.value_mm == pytest.approx(0.09)


def test_ends_without_any_reference_are_not_judged(neck: Instrument):
    assert ("proud_end", 7, "bass") not in _judge(neck, _reading("seated_height", 1.2, 7, "bass"))


def test_a_shared_zero_error_does_not_blur_the_tilt(neck: Instrument):
    readings = [
        Observation(key=one.key, value_mm=one.value_mm, gauge="g", u_mm=0.003, zero_u_mm=0.02, round="1")
        for one in _seated(0.0, 0.0, 0.08)
    ]

    tilt = _judge(neck, *readings)["tilted_fret", 7, None]

    assert tilt.judgement.estimate.u_mm == pytest.approx(0.003 * math.sqrt(2))


def test_a_high_fret_raises_one_flag_and_its_shadows_none(neck: Instrument):
    values = {6: 0.0, 7: -0.041, 8: 0.08, 9: -0.039, 10: 0.0}
    found = _judge(neck, *(_reading("fret_step", value, fret, "centre") for fret, value in values.items()))

    assert [key for key, one in found.items() if one.verdict == "fail"] == [("high_fret", 8, "centre")]
    assert found["low_fret", 7, "centre"].verdict == "pass"


def test_a_low_fret_is_named_low(neck: Instrument):
    values = {6: 0.0, 7: 0.041, 8: -0.08, 9: 0.039, 10: 0.0}
    found = _judge(neck, *(_reading("fret_step", value, fret) for fret, value in values.items()))

    assert [key for key, one in found.items() if one.verdict == "fail"] == [("low_fret", 8, None)]


def test_a_piece_of_its_own_comes_before_the_wire(neck: Instrument):
    own = _reading("tang_thickness", 0.60, 5)
    found = _judge(neck, *WIRE, own, _reading("slot_width", 0.56, 5, "bass"), _reading("slot_width", 0.56, 6, "bass"))

    assert found["tang_clearance", 5, "bass"].verdict == "fail"
    assert found["tang_clearance", 6, "bass"].verdict == "pass"


def test_unknown_uncertainty_gives_null_and_remeasure(neck: Instrument):
    bare = Observation(key=FeatureKey(kind="tang_thickness"), value_mm=0.51, gauge="x")
    found = _judge(neck, bare, _reading("slot_width", 0.30, 5, "bass"))

    plain = verdict_json(found["tang_clearance", 5, "bass"])
    assert (plain["p"], plain["u_mm"], plain["verdict"], plain["flag"]) == (None, None, "remeasure", None)


def test_a_judge_asked_again_says_the_same_as_a_fresh_one(neck: Instrument):
    readings = [
        *WIRE,
        *_seated(0.0, 0.0, 0.09),
        *(_reading("fret_step", 0.01, fret, "centre") for fret in range(2, 20)),
        _reading("slot_width", 0.56, 5, "bass"),
        _reading("seated_height", 1.10, 7, "treble"),
    ]
    old = Judge(neck, default_limits(neck.kind))

    for count in range(1, len(readings) + 1):
        incremental = [verdict_json(one) for one in old.verdicts(readings[:count])]
        fresh = [verdict_json(one) for one in Judge(neck, default_limits(neck.kind)).verdicts(readings[:count])]
        assert incremental == fresh


def test_order_of_readings_does_not_matter(neck: Instrument):
    readings = [*WIRE, *_seated(0.0, 0.05, 0.09), *(_reading("fret_step", 0.01 * fret, fret) for fret in range(2, 8))]

    assert {k: v.verdict for k, v in _judge(neck, *readings).items()} == {
        k: v.verdict for k, v in _judge(neck, *reversed(readings)).items()
    }


@pytest.mark.parametrize("kind", ["straightedge_gap", "board_rise", "board_gap"])
def test_readings_that_do_not_say_where_their_feet_stood_tell_nothing(neck: Instrument, kind: str):
    assert _judge(neck, _reading(kind, 0.1, 5)) == {}


@pytest.mark.parametrize(
    ("pressed", "verdict"), [(1.10, "pass"), (1.062, "fail"), (1.072, "remeasure"), (1.14, "pass")]
)
def test_a_fret_that_goes_down_when_pressed_is_loose(neck: Instrument, pressed: float, verdict: str):
    found = _judge(neck, _reading("seated_height", 1.10, 7, "bass"), _reading("pressed_height", pressed, 7, "bass"))

    assert found["loose_fret", 7, "bass"].verdict == verdict


@pytest.mark.parametrize(
    ("leaves", "verdict"), [((0.0, 0.02), "pass"), ((0.05, 0.06), "fail"), ((0.03, 0.05), "remeasure")]
)
def test_a_leaf_under_the_end_needs_no_wire_height(neck: Instrument, leaves: tuple[float, float], verdict: str):
    low, high = leaves
    key = FeatureKey(kind="end_lift", fret=7, place="treble")
    reading = Observation(key=key, value_mm=(low + high) / 2, low_mm=low, high_mm=high, gauge="leaves")

    (one,) = _judge(neck, reading).values()

    assert (one.check, one.verdict) == ("lifted_end", verdict)
    assert verdict != "fail" or "fret 7 treble end is lifted" in (one.flag or "")


def test_a_bare_board_with_a_hump_at_the_join_fails_there(neck: Instrument):
    x, board = neck.positions_mm, np.zeros(21)
    board[[12, 13, 14, 15, 16]] = (0.05, 0.15, 0.20, 0.15, 0.05)
    readings = []
    for reach in (1, 2):
        for fret in range(1 + reach, 21 - reach):
            feet = fret - reach, fret + reach
            over = float(board[fret] - np.interp(x[fret], x[list(feet)], board[list(feet)]))
            key = FeatureKey(kind="board_step", fret=fret, place="centre", feet=feet)
            readings.append(
                Observation(key=key, value_mm=over, gauge="r", round=f"{reach}", u_mm=0.003, zero_u_mm=0.002)
            )
    found = _judge(neck, *readings)

    hump = found["hump", 14, "centre"]
    assert hump.verdict == "fail"
    assert hump.judgement.estimate.value_mm == pytest.approx(0.20, abs=0.005)
    assert "the board stands 0.2" in (hump.flag or "")
    assert len(found) == 1


def test_neck_with_a_step_at_the_first_fret(neck: Instrument, write: Callable[[str, str], Path]):
    assert all(one.fret and one.fret >= 1 for one in _judge(neck, _reading("fret_step", 0.2, 1)).values())
