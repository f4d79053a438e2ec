"""Chances of a fit, ranked pairs, and pieces given to slots."""

from itertools import permutations

import numpy as np
import pytest

from logger.errors import InsufficientDataError
from logger.evaluation.conformity import Limits
from logger.evaluation.estimate import Cause, Estimate
from logger.evaluation.matching import Wire, assign, chance_of_fit, rank, scattered, worst_and_sum

pytestmark = pytest.mark.once

CLEARANCE, BITE = Limits(lower_mm=0.0, upper_mm=0.10), Limits(lower_mm=0.04, upper_mm=0.15)


def _size(value: float, name: str, u: float) -> Estimate:
    return Estimate(value_mm=value, terms=((Cause(name=name, words=name, u_mm=u), 1.0),) if u else ())


@pytest.mark.parametrize("slot", [0.50, 0.53, 0.56, 0.60, 0.63])
def test_the_chance_is_that_of_a_simulation(slot: float):
    rng = np.random.default_rng(1)
    draws = 400_000
    w, t, s = (rng.normal(mean, u, draws) for mean, u in ((slot, 0.015), (0.51, 0.008), (0.70, 0.012)))
    fits = (w - t >= 0) & (w - t <= 0.10) & ((s - w) / 2 >= 0.04) & ((s - w) / 2 <= 0.15)
    found = chance_of_fit(_size(slot, "w", 0.015), _size(0.51, "t", 0.008), _size(0.70, "s", 0.012), CLEARANCE, BITE)

    assert found == pytest.approx(fits.mean(), abs=0.003)


@pytest.mark.parametrize(("slot", "chance"), [(0.56, 1.0), (0.50, 0.0), (0.63, 0.0)])
def test_exact_sizes_fit_or_do_not(slot: float, chance: float):
    assert chance_of_fit(_size(slot, "w", 0), _size(0.51, "t", 0), _size(0.70, "s", 0), CLEARANCE, BITE) == chance


def test_pairs_are_ranked_by_their_chance():
    wires = [Wire(name="thin", tang=_size(0.46, "a", 0.005), span=_size(0.66, "b", 0.005)),
             Wire(name="thick", tang=_size(0.56, "c", 0.005), span=_size(0.76, "d", 0.005))]  # fmt: skip
    blades = [
        (name, scattered(_size(kerf, name, 0.005), 0.01, f"{name} cut"))
        for name, kerf in (("fine", 0.51), ("coarse", 0.61))
    ]
    found = rank(wires, blades, CLEARANCE, BITE)

    assert {(one.wire, one.blade) for one in found[:2]} == {("thin", "fine"), ("thick", "coarse")}
    assert [one.chance for one in found] == sorted((one.chance for one in found), reverse=True)


def test_the_worst_fit_is_as_good_as_any_order_of_pieces_can_make_it():
    rng = np.random.default_rng(4)
    for _ in range(300):
        slots = int(rng.integers(1, 6))
        chances = np.round(rng.random((slots, slots + int(rng.integers(0, 2)))), 1)
        found = worst_and_sum(chances, assign(chances))
        best = max(worst_and_sum(chances, order) for order in permutations(range(chances.shape[1]), slots))
        assert found == pytest.approx(best)


def test_every_slot_gets_a_piece_of_its_own():
    pieces = assign(np.full((4, 6), 0.5))

    assert len(set(pieces)) == 4


def test_too_few_pieces_are_said():
    with pytest.raises(InsufficientDataError, match="3 slots need as many pieces, got 2"):
        assign(np.ones((3, 2)))


def test_no_slots_need_no_pieces():
    assert assign(np.ones((0, 3))) == []
