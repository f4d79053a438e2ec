"""What comes next in the trade when a sheet is complete, as names; the page has the words."""

from collections.abc import Iterable, Sequence
from typing import Any, Final

from logger.report import CheckVerdict
from logger.sheet import Progress

STEP_OF: Final = {
    "loose_fret": "reseat", "lifted_end": "reseat", "proud_end": "reseat", "both_ends_proud": "reseat",
    "middle_high": "reseat", "uneven_seating": "reseat", "tilted_fret": "reseat",
    "high_fret": "level", "low_fret": "level", "string_clearance": "level",
    "hump": "board", "board_arc": "board", "slot_position": "board",
    "tang_clearance": "fit", "barb_bite": "fit", "slot_depth_spare": "fit",
}  # fmt: skip
"""Which step sees to a check that failed."""
ORDER: Final = ("board", "fit", "reseat", "level")
"""What may pull frets comes before seating, seating before levelling: levelling a loose fret is the classic mistake
(common practice, no source)."""


def next_steps(verdicts: Iterable[CheckVerdict], progress: Sequence[Progress]) -> list[dict[str, Any]]:
    """Return the steps in the order in which hands do them, each as ``step`` with the ``frets`` or ``stages`` it needs.

    What was skipped and what is not settled comes first, the seal last: ``seal`` where nothing failed, ``seal_later``
    where work is to be done and measured before. Nothing is sealed where nothing is judged.
    """
    found = list(verdicts)
    skipped = [one.stage for one in progress if one.skipped]
    steps: list[dict[str, Any]] = [{"step": "skipped", "stages": skipped}] if skipped else []
    again = [one for one in found if one.verdict == "remeasure"]
    if again:
        steps.append({"step": "again", "frets": _frets(again)})
    failed = [one for one in found if one.verdict == "fail"]
    seen: list[int] = []
    for step in ORDER:
        own = [one for one in failed if STEP_OF[one.check] == step]
        frets = [fret for fret in _frets(own) if step != "level" or fret not in seen]  # a fret is re-seated first
        if own:
            steps.append({"step": step, "frets": frets})
        seen += frets if step == "reseat" else []
    return [*steps, {"step": "seal_later" if failed else "seal"}] if found else steps


def _frets(verdicts: Iterable[CheckVerdict]) -> list[int]:
    return sorted({one.fret for one in verdicts if one.fret is not None})
