"""Back-bow from tight tangs: the bimetal strip, its limits, and a transfer that is learnt."""

import numpy as np
import pytest

from logger.errors import InsufficientDataError
from logger.evaluation.scale import fret_positions_mm
from logger.evaluation.wedging import (
    PRIOR,
    Section,
    back_bow_mm,
    learn_transfer,
    predict,
    profile_mm,
    strain,
    wedge_mm,
)

pytestmark = pytest.mark.once

X = fret_positions_mm(645.0, 21)  # nut, 20 frets, and where the next would be
N = 20
SECTION = Section(board_mm=np.full(N, 6.0), neck_mm=np.full(N, 15.0), board_mpa=12_000.0, neck_mpa=10_000.0)


@pytest.mark.parametrize(
    ("board", "neck", "e_b", "e_n"), [(150.0, 150.0, 1.0, 1.0), (6, 15, 12e3, 10e3), (3, 20, 5e3, 2e4)]
)
def test_a_wedge_as_deep_as_the_board_is_a_bimetal_strip(board: float, neck: float, e_b: float, e_n: float):
    # Source: Timoshenko 1925, curvature = 6 strain (1 + m)^2 / {h [3 (1 + m)^2 + (1 + m n)(m^2 + 1/(m n))]}
    m, n, h = neck / board, e_n / e_b, board + neck
    wanted = 6 * (1 + m) ** 2 / (h * (3 * (1 + m) ** 2 + (1 + m * n) * (m**2 + 1 / (m * n))))
    section = Section(board_mm=np.array([board]), neck_mm=np.array([neck]), board_mpa=e_b, neck_mpa=e_n)

    assert section.curvature_per_strain(np.array([board]))[0] == pytest.approx(wanted, rel=1e-12)


def test_the_worked_example_of_a_bimetal_cantilever():
    # Source: jrcho.github.io/Hyfeast E.15: L 3000, h 300, 50 K, 5e-6 and 10e-6 per K: 5.625 mm at the free end
    section = Section(board_mm=np.array([150.0]), neck_mm=np.array([150.0]), board_mpa=1.0, neck_mpa=1.0)
    curvature = section.curvature_per_strain(np.array([150.0]))[0] * 50 * (10e-6 - 5e-6)

    assert curvature * 3000**2 / 2 == pytest.approx(5.625)


def test_even_curvature_bows_as_an_arc():
    # Source: sagitta of a flat arc, kappa L^2 / 8
    positions = np.linspace(0, 210, 22)  # curvature begins half-way to the first fret
    bow = back_bow_mm(np.full(20, 1e-5), positions, 200.0)

    assert bow == pytest.approx(1e-5 * 200**2 / 8, rel=0.01)
    assert profile_mm(np.full(20, 1e-5), positions, 200.0)[[0, -1]] == pytest.approx([0, 0], abs=1e-12)


def test_tight_tangs_and_barbs_wedge_and_loose_ones_do_not():
    wedges = wedge_mm(np.array([0.55, 0.50, 0.50]), np.array([0.51, 0.51, 0.80]), np.array([0.51, 0.71, 0.70]),
                      barb_mm=0.8, pitch_mm=2.5)  # fmt: skip

    assert wedges == pytest.approx([0.04, 0.3 * 2 * 0.10 * 0.8 / 2.5, 0.0])


def test_the_back_bow_grows_with_the_wedge_and_is_given_as_an_interval():
    wedges = np.full(N, 0.02)
    depth = np.full(N, 1.3)
    one = predict(SECTION, wedges, np.full(N, 0.003), depth, X, float(X[14]))
    two = predict(SECTION, 2 * wedges, np.full(N, 0.006), depth, X, float(X[14]))

    assert two.at_whole_transfer_mm == pytest.approx(2 * one.at_whole_transfer_mm)
    assert two.median_mm == pytest.approx(2 * one.median_mm, rel=1e-9)
    assert 0 < one.low_mm < one.median_mm < one.high_mm < one.at_whole_transfer_mm * 1.3
    assert one.median_mm == pytest.approx(PRIOR[0] / sum(PRIOR) * one.at_whole_transfer_mm, rel=0.1)


def test_no_wedge_no_bow():
    found = predict(SECTION, np.zeros(N), np.zeros(N), np.full(N, 1.3), X, float(X[14]))

    assert (found.low_mm, found.high_mm, found.at_whole_transfer_mm) == (0, 0, 0)
    assert not strain(np.zeros(N), X).any()


def test_the_transfer_is_learnt_from_the_shops_own_necks():
    rng = np.random.default_rng(2)
    whole = rng.uniform(0.3, 0.8, 12)
    taken = 0.55 * whole + rng.normal(0, 0.02, 12)
    draws = learn_transfer(list(0.3 + taken), [0.3] * 12, list(whole), u_mm=0.02)

    assert draws.mean() == pytest.approx(0.55, abs=0.03)
    assert draws.std() < 0.03


def test_one_poor_neck_hardly_moves_the_prior():
    draws = learn_transfer([0.3], [0.2], [0.3], u_mm=0.5)

    assert draws.mean() == pytest.approx(0.3, abs=0.02)


def test_nothing_to_learn_from_is_said():
    with pytest.raises(InsufficientDataError, match="relief before"):
        learn_transfer([], [], [], u_mm=0.02)
