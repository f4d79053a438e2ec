"""Fret positions against a published table."""

import csv
import math
from pathlib import Path

import numpy as np
import pytest

from logger.errors import InsufficientDataError
from logger.evaluation.scale import cents_sharp, fan_slants_mm, fit_scale, fret_positions_mm, survey_slots

TABLE = Path(__file__).parents[1] / "reference" / "fret_table_25in_to_bridge.csv"


def test_positions_agree_with_a_published_table_for_25_inches():
    with TABLE.open(encoding="utf-8") as lines:  # source named in the file's first lines
        rows = list(csv.DictReader(line for line in lines if not line.startswith("#")))
    ours = fret_positions_mm(25 * 25.4, 24) / 25.4

    assert len(rows) == 25
    for row in rows:
        assert 25 - ours[int(row["fret"])] == pytest.approx(float(row["in_to_bridge"]), abs=5e-4)


def test_the_octave_stands_in_the_middle():
    assert fret_positions_mm(645.0, 12)[12] == pytest.approx(322.5)


def test_one_published_position():
    # Source: organicdesign.org/peterson/tuning/formulas.html: 650 mm, first fret 36.4816967 mm from the nut
    assert fret_positions_mm(650.0, 1)[1] == pytest.approx(36.4816967, abs=1e-7)


@pytest.mark.parametrize("square", [0, 7, 24])
def test_a_fan_is_two_scales_set_off_so_that_one_fret_is_square(square: int):
    bass, treble = fret_positions_mm(686.0, 24), fret_positions_mm(648.0, 24)
    apart = [(b - bass[square]) - (t - treble[square]) for b, t in zip(bass, treble, strict=True)]

    assert fan_slants_mm(686.0, 648.0, frets=24, square_fret=square) == pytest.approx(apart[1:])


def test_a_fan_may_be_square_between_two_frets():
    slants = fan_slants_mm(686.0, 648.0, frets=24, square_fret=7.5)

    assert slants[6] == pytest.approx(38 * (0.648420 - 0.667420), abs=1e-4)  # 2^(-7.5/12) less 2^(-7/12), from memory
    assert slants[6] < 0 < slants[7]


def test_the_equal_tempered_divisor_and_the_old_rule_of_eighteen():
    # Source: 1/(1 - 2^(-1/12)) = 17.817; dividing by 18 twelve times puts the octave at 1 - (17/18)^12 = 0.4964
    assert pytest.approx(17.817, abs=5e-4) == 1 / (1 - 2 ** (-1 / 12))
    assert fret_positions_mm(1.0, 1)[1] == pytest.approx(1 / 17.817, abs=1e-6)
    octave = 1 - (17 / 18) ** 12
    assert octave == pytest.approx(0.4964, abs=5e-5)
    assert cents_sharp(12, octave - 0.5, 1.0) == pytest.approx(1200 * math.log2(0.5 / (1 - octave)))


def test_cents_by_the_definition_of_pitch():
    length = 645 * 2 ** (-7 / 12)

    assert cents_sharp(7, 0.2, 645) == pytest.approx(1200 * math.log2(length / (length - 0.2)))
    assert cents_sharp(7, 0.0, 645) == 0
    assert cents_sharp(0, -0.5, 645) == pytest.approx(-1.341, abs=1e-3)
    with pytest.raises(ValueError, match="to the bridge"):
        cents_sharp(24, 400.0, 645)


def test_a_wrong_scale_a_shifted_nut_and_one_bad_slot_are_told_apart():
    frets = range(1, 21)
    slots = fret_positions_mm(648.0, 20)[1:] - 0.3
    slots[6] += 0.25

    found = fit_scale(list(frets), list(slots), u_mm=0.03)

    assert found.scale_mm == pytest.approx(648, abs=0.2)
    assert found.nut_mm == pytest.approx(-0.3, abs=0.05)
    assert int(np.argmax(np.abs(found.left_mm))) == 6
    assert found.left_mm[6] == pytest.approx(0.25, abs=0.04)
    assert np.sort(np.abs(found.left_mm))[-2] < 0.05
    with pytest.raises(InsufficientDataError):
        fit_scale([5], [100.0], u_mm=0.03)


def _slots(scale: float = 645.0, nut: float = 0.0, **off: float) -> list[float]:
    return [nut + scale * (1 - 2 ** (-n / 12)) + off.get(f"f{n}", 0.0) for n in range(1, 21)]


FRETS = list(range(1, 21))


def test_good_slots_are_told_to_be_good():
    found = survey_slots(FRETS, _slots(), scale_mm=645.0, u_mm=0.01)

    assert (found.wrong_scale, found.shifted_nut, found.single) == (False, False, ())
    assert found.left_mm == pytest.approx([0.0] * 20, abs=1e-9)


def test_a_wrong_scale_a_shifted_nut_and_a_single_slot_are_told_apart():
    wrong = survey_slots(FRETS, _slots(scale=646.0), scale_mm=645.0, u_mm=0.01)
    shifted = survey_slots(FRETS, _slots(nut=0.3), scale_mm=645.0, u_mm=0.01)
    single = survey_slots(FRETS, _slots(f7=0.3), scale_mm=645.0, u_mm=0.01)
    both = survey_slots(FRETS, _slots(nut=0.3, f7=0.3, f12=-0.25), scale_mm=645.0, u_mm=0.01)

    assert (wrong.wrong_scale, wrong.single) == (True, ())
    assert wrong.fit.scale_mm == pytest.approx(646.0, abs=1e-6)
    assert (shifted.shifted_nut, shifted.wrong_scale, shifted.single) == (True, False, ())
    assert shifted.fit.nut_mm == pytest.approx(0.3, abs=1e-6)
    assert (single.wrong_scale, single.shifted_nut, single.single) == (False, False, (7,))
    assert (both.shifted_nut, both.single) == (True, (7, 12))
    assert both.left_mm[6] == pytest.approx(0.3, abs=0.01)


def test_slots_that_only_scatter_are_hardly_ever_blamed_on_scale_or_nut():
    rng = np.random.default_rng(5)
    blamed = 0
    for _ in range(300):
        slots = np.array(_slots()) + rng.normal(0, 0.03, 20)
        found = survey_slots(FRETS, list(slots), scale_mm=645.0, u_mm=0.005)
        blamed += found.wrong_scale or found.shifted_nut
    assert blamed <= 3


def test_two_slots_tell_no_scale_apart():
    found = survey_slots([5, 12], [645 * (1 - 2 ** (-5 / 12)), 330.0], scale_mm=645.0, u_mm=0.01)

    assert (found.wrong_scale, found.shifted_nut, found.single) == (False, False, ())
    assert found.left_mm == pytest.approx([0.0, 7.5], abs=1e-6)


def test_one_slot_is_no_survey():
    with pytest.raises(InsufficientDataError):
        survey_slots([5], [160.0], scale_mm=645.0, u_mm=0.01)
