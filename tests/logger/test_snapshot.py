"""What a snapshot says of a reading beside its verdict: which neighbours explain a step."""

import pytest

from logger.evaluation.observation import FeatureKey, Observation
from logger.instrument import parse_instrument
from logger.limits import default_limits
from logger.report import Judge
from logger.snapshot import _by_fret, _shadow_of
from logger.store import ReadingRow

NECK = parse_instrument('name = "n"\nscale_mm = 645\nfrets = 12\n', where="a test")
HIGH_BY_MM = {6: 0.0, 7: -0.041, 8: 0.08, 9: -0.039, 10: 0.0}
"""Steps over neighbours one fret away, fret 8 high by 0.08 mm: each neighbour reads half of it low."""


def _row(kind: str, fret: int, mm: float, place: str) -> ReadingRow:
    return ReadingRow(
        session="s", gauge="g", sequence=fret, kind=kind, fret=fret, place=place, value_nm=round(mm * 1e6), unit="mm",
        raw=b"", status="ok", taken_at_ns=0, monotonic_ns=0,
    )  # fmt: skip


def _step(fret: int) -> FeatureKey:
    return FeatureKey(kind="fret_step", fret=fret, place="centre", feet=(fret - 1, fret + 1))


@pytest.mark.parametrize(
    ("fret", "kind", "place", "explained_by"),
    [
        (7, "fret_step", "centre", [8]), (9, "fret_step", "centre", [8]),
        (8, "fret_step", "centre", []),  # the step is its own
        (6, "fret_step", "centre", []), (10, "fret_step", "centre", []),  # nothing to explain
        (7, "fret_step", "bass", []),  # another path
        (7, "seated_height", "centre", []),
    ],
)  # fmt: skip
def test_the_neighbours_that_explain_a_step_are_named(
    fret: int, kind: str, place: str, explained_by: list[int]
) -> None:
    steps = [Observation(key=_step(one), value_mm=mm, u_mm=0.003, gauge="g") for one, mm in HIGH_BY_MM.items()]
    verdicts = Judge(NECK, default_limits(NECK.kind)).verdicts(steps)
    assert _shadow_of(_row(kind, fret, HIGH_BY_MM[fret], place), _by_fret(verdicts)) == explained_by
