"""How long the wire of each fret is: the one place that the cutting list and the bare tang take it from."""

import numpy as np

from logger.evaluation.cutting import lengths_mm
from logger.evaluation.statistics import Floats
from logger.instrument import Instrument


def wire_lengths_mm(instrument: Instrument) -> Floats | None:
    """Return the length of every fret's wire in mm, shape (frets,), with what stands over or stays back.

    None where the file does not state both widths of the board, or of fanned frets which one is square.
    """
    slants = instrument.slants_mm
    if slants is None or instrument.nut_width_mm is None or instrument.join_width_mm is None:
        return None
    widths = np.array([instrument.width_at_mm(float(x)) for x in instrument.positions_mm[1:]])
    stock = instrument.stock
    return lengths_mm(widths, slants, overhang_mm=stock.overhang_mm, binding_mm=stock.binding_mm)
