"""What is wrong with a fret, from its deviations on three paths."""

import numpy as np
import pytest

from logger.evaluation.estimate import Cause, Estimate
from logger.evaluation.fret_kinds import PATHS, name_faults


def _three(*sizes: float) -> dict[str | None, Estimate]:
    return {
        path: Estimate(value_mm=size, terms=((Cause(name=path, words=path, u_mm=0.003), 1.0),))
        for path, size in zip(PATHS, sizes, strict=True)
    }


@pytest.mark.parametrize(
    ("sizes", "kind", "place", "size"),
    [
        pytest.param((0.06, 0.06, 0.06), "whole fret", None, 0.06, id="whole fret high"),
        pytest.param((-0.05, -0.06, -0.055), "whole fret", None, -0.055, id="whole fret low"),
        pytest.param((0.08, 0.0, 0.0), "end", "bass", 0.08, id="bass end"),
        pytest.param((0.0, 0.002, 0.06), "end", "treble", 0.06, id="treble end"),
        pytest.param((0.07, 0.0, 0.07), "both ends", None, 0.07, id="both ends"),
        pytest.param((0.0, 0.07, 0.0), "middle", "centre", 0.07, id="middle"),
        pytest.param((0.06, 0.0, -0.06), "tilted", None, 0.12, id="tilted about its middle"),
        pytest.param((0.12, 0.06, 0.0), "tilted", None, 0.12, id="tilted about its treble end"),
    ],
)
def test_the_simplest_shape_that_fits_is_named(sizes: tuple[float, ...], kind: str, place: str | None, size: float):
    (fault,) = name_faults(7, _three(*sizes), ["bass"])

    assert (fault.kind, fault.place) == (kind, place)
    assert fault.size.value_mm == pytest.approx(size, abs=0.003)
    assert 0 < fault.size.u_mm < 0.006


def test_what_fits_no_shape_stands_for_itself():
    found = name_faults(7, _three(0.15, 0.0, 0.07), ["bass", "treble"])

    assert [(one.kind, one.place) for one in found] == [("place", "bass"), ("place", "treble")]


def test_one_path_alone_tells_nothing_of_the_others():
    (fault,) = name_faults(7, {"centre": _three(0, 0.06, 0)["centre"]}, ["centre"])

    assert (fault.kind, fault.place, fault.size.value_mm) == ("place", "centre", 0.06)


def test_a_sound_fret_has_no_fault():
    assert name_faults(7, _three(0.06, 0.06, 0.06), []) == []


def test_mirrored_paths_give_the_mirrored_fault():
    rng = np.random.default_rng(1)
    for _ in range(50):
        sizes = rng.normal(0, 0.05, 3)
        (one, *_), (other, *_) = (name_faults(7, _three(*each), list(PATHS)) for each in (sizes, sizes[::-1]))
        assert one.kind == other.kind
        assert abs(one.size.value_mm) == pytest.approx(abs(other.size.value_mm)) or one.kind == "place"
