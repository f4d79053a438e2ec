"""The worked example in docs says what the program says."""

from pathlib import Path

import pytest

from logger.evaluation.observation import FeatureKey, Observation
from logger.instrument import parse_instrument
from logger.limits import default_limits
from logger.report import Judge

PAGE = Path(__file__).parents[2] / "docs" / "what-the-numbers-mean.md"
NECK = parse_instrument('name = "n"\nscale_mm = 645\nfrets = 20\n', where="test")


@pytest.mark.parametrize(("repeats", "said", "verdict", "more"), [(1, "0.060 ± 0.018 mm", "remeasure", 3),
                                                                  (4, "0.060 ± 0.012 mm", "fail", 0)])  # fmt: skip
def test_the_worked_fret(repeats: int, said: str, verdict: str, more: int):
    readings = [
        Observation(key=FeatureKey(kind="seated_height", fret=7, place=place), value_mm=value, gauge="d", round="1",
                    resolution_mm=0.01, u_mm=0.006, zero_u_mm=0.004)
        for place, value in (("treble", 1.16), ("centre", 1.10))
        for _ in range(repeats)
    ]  # fmt: skip
    found = {one.key: one.judgement for one in Judge(NECK, default_limits("steel-string")).verdicts(readings)}
    one = found["proud_end", 7, "treble"]

    assert f"{one.estimate.value_mm:.3f} ± {one.expanded_u_mm:.3f} mm" == said
    assert said in PAGE.read_text(encoding="utf-8")
    assert (one.verdict, one.repeats_to_settle) == (verdict, more)
    assert round(100 * one.p) == (14 if repeats == 1 else 4)
