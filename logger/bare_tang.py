"""The bare tang past the last barb: what lifts a fret's end, said beside an end that stands proud."""

from typing import Final

from logger.evaluation.cutting import Barbs
from logger.instrument import Instrument
from logger.sentences import MM_PER_INCH, MM_PER_THOU
from logger.wire_lengths import wire_lengths_mm

ENDS: Final = ("proud_end", "lifted_end")
SEEN_MM: Final = 0.05
"""Less bare tang than this is none: half of what is shown."""


def bare_tang_mm(instrument: Instrument, fret: int) -> float | None:
    """Return the longer bare end of a fret's tang in mm when it is cut as the cutting list says.

    None where the file does not state the barbs, or too little to know how long the wire is.
    """
    stock = instrument.stock
    lengths = wire_lengths_mm(instrument)
    if lengths is None or stock.barb_pitch_mm is None or stock.barb_length_mm is None:
        return None
    barbs = Barbs(pitch_mm=stock.barb_pitch_mm, length_mm=stock.barb_length_mm)
    piece = float(lengths[fret - 1])
    return max(barbs.bare_mm(barbs.best_phase_mm(piece), piece))


def bare_tang_words(check: str, fret: int | None, instrument: Instrument, *, unit: str = "mm") -> str:
    """Return what follows on what to do about an end: how far its tang is bare; empty where that is not known."""
    bare = bare_tang_mm(instrument, fret) if check in ENDS and fret is not None else None
    if bare is None:
        return ""
    if bare < SEEN_MM:
        return "; cut as listed, barbs reach to its ends"
    size = {"mm": f"{bare:.1f}", "in": f"{bare / MM_PER_INCH:.3f}", "thou": f"{bare / MM_PER_THOU:.0f}"}[unit]
    return f"; cut as listed, its tang is bare for up to {size} {unit} past the last barb"
