"""Cutting lists: bare ends, the best phase by scanning, and packings by brute force."""

from itertools import pairwise, product

import numpy as np
import pytest
from hypothesis import assume, given, settings
from hypothesis import strategies as st

from logger.errors import InsufficientDataError
from logger.evaluation.cutting import Barbs, lengths_mm, plan_cuts

pytestmark = pytest.mark.once

BARBS = Barbs(pitch_mm=2.5, length_mm=0.8)


def _bare_by_scanning(barbs: Barbs, phase: float, length: float) -> tuple[float, float]:
    """Return the bare ends by walking along the piece in small steps: an independent way."""
    grid = np.linspace(phase, phase + length, 20_001)
    in_barb = np.mod(grid, barbs.pitch_mm) <= barbs.length_mm
    where = np.flatnonzero(in_barb)
    if not where.size:
        return length, length
    return float(grid[where[0]] - phase), float(phase + length - grid[where[-1]])


@settings(max_examples=60, deadline=None)
@given(phase=st.floats(0, 2.5), length=st.floats(30, 70))
def test_bare_ends_are_those_found_by_walking_along(phase: float, length: float):
    edges = [abs(place % 2.5 - edge) for place in (phase, phase + length) for edge in (0.0, 0.8, 2.5)]
    assume(min(edges) > 0.02)  # where an end just touches a barb, walking finds it and the wire does not hold
    assert BARBS.bare_mm(phase, length) == pytest.approx(_bare_by_scanning(BARBS, phase, length), abs=0.008)


@settings(max_examples=60, deadline=None)
@given(length=st.floats(30, 70), pitch=st.floats(1.0, 4.0), share=st.floats(0.05, 0.95))
def test_no_phase_is_better_than_the_best(length: float, pitch: float, share: float):
    barbs = Barbs(pitch_mm=pitch, length_mm=share * pitch)
    best = max(barbs.bare_mm(barbs.best_phase_mm(length), length))
    scanned = min(max(barbs.bare_mm(phase, length)) for phase in np.linspace(0, pitch, 2001))

    assert best <= scanned + 1e-6
    assert 0 <= barbs.best_phase_mm(length) < pitch


def test_lengths_follow_the_taper():
    square = np.zeros(2)
    assert lengths_mm(np.array([43.0, 56.0]), square, overhang_mm=2.0, binding_mm=0.0) == pytest.approx([47.0, 60.0])
    assert lengths_mm(np.array([43.0]), square[:1], overhang_mm=0.0, binding_mm=1.5) == pytest.approx([40.0])


def test_a_fret_across_a_slant_is_longer():
    slants = np.array([-9.0, 28.0])
    assert lengths_mm(np.array([40.0, 45.0]), slants, overhang_mm=2.0, binding_mm=1.0) == pytest.approx([43.0, 55.0])


@pytest.mark.parametrize("barbs", [BARBS, None])
def test_pieces_lie_apart_on_their_sticks_and_none_is_missing(barbs: Barbs | None):
    lengths = list(np.linspace(45, 62, 24))
    plan = plan_cuts(range(1, 25), lengths, stick_mm=300.0, barbs=barbs, kerf_mm=0.5)

    assert sorted(cut.fret for stick in plan.sticks for cut in stick) == list(range(1, 25))
    for stick, waste in zip(plan.sticks, plan.waste_mm, strict=True):
        assert stick[-1].end_mm <= 300.0 + 1e-9
        assert waste == pytest.approx(300 - sum(cut.end_mm - cut.start_mm for cut in stick))
        for one, other in pairwise(stick):
            assert other.start_mm - one.end_mm >= 0.5 - 1e-9
            assert barbs is None or other.start_mm - one.end_mm < 0.5 + barbs.pitch_mm + 1e-9
        for cut in stick:
            best = (
                None
                if barbs is None
                else max(barbs.bare_mm(barbs.best_phase_mm(lengths[cut.fret - 1]), lengths[cut.fret - 1]))
            )
            assert cut.bare_mm is None or max(cut.bare_mm) == pytest.approx(best, abs=1e-6)


def test_no_fewer_sticks_would_do():
    rng = np.random.default_rng(3)
    for _ in range(60):
        lengths = [float(one) for one in rng.uniform(20, 70, int(rng.integers(2, 7)))]
        plan = plan_cuts(range(1, len(lengths) + 1), lengths, stick_mm=100.0, barbs=None, kerf_mm=1.0)
        fewest = min(
            len(set(where)) for where in product(range(len(lengths)), repeat=len(lengths))
            if all(sum(x + 1 for x, w in zip(lengths, where, strict=True) if w == stick) <= 101 for stick in where)
        )  # fmt: skip
        assert plan.proven
        assert len(plan.sticks) == fewest


def test_a_fret_longer_than_a_stick_is_said():
    with pytest.raises(InsufficientDataError, match=r"fret 2 needs 60\.0 mm of wire, more than a stick of 50 mm"):
        plan_cuts([1, 2], [40.0, 60.0], stick_mm=50.0, barbs=None, kerf_mm=0.0)


def test_no_frets_no_list():
    with pytest.raises(InsufficientDataError, match="no fret"):
        plan_cuts([], [], stick_mm=50.0, barbs=None, kerf_mm=0.0)
