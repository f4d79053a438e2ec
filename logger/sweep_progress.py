"""How far a sweep has come: places that the sheet asks for on begun paths, and those that have a reading."""

from collections.abc import Iterable
from typing import Final

from logger.evaluation.observation import FeatureKey
from logger.instrument import Instrument
from logger.sheet import standard_items
from logger.sweep_report import SWEEP_WAYS

UNFINISHED: Final = "The sweep is not finished: {n} of {of} steps. Do not file yet; this list will change."
"""Said over a plan that is made from part of a sweep, on the page and by the command."""


def sweep_progress(measured: Iterable[FeatureKey], instrument: Instrument) -> tuple[int, int]:
    """Return how many places of the begun paths have a reading, and how many the sheet asks for there.

    Steps hang together: one that is missing leaves the heights beyond it hardly known, so that a path counts as begun
    with its first step. A place has a reading where anything of the sweep was measured on its fret, a gap or a height
    as well. Paths with gaps or heights alone do not count, for each of those stands by itself.

    Args:
        measured: the features that have a reading.
        instrument: its frets and what its sheet asks for.
    """
    swept = [key for key in measured if key.kind in SWEEP_WAYS and key.fret is not None]
    begun = {key.place for key in swept if key.kind == "fret_step"}
    frets = {item.feature.fret for item in standard_items(instrument) if item.feature.kind == "fret_step"}
    wanted = {(fret, path) for fret in frets for path in begun}
    return len(wanted & {(key.fret, key.place) for key in swept}), len(wanted)


def unfinished_words(done: int, of: int) -> str:
    """Return the warning that goes with a plan from part of a sweep; nothing when the sweep is whole."""
    return UNFINISHED.format(n=done, of=of) if done < of else ""
