"""Where frets are along the neck."""

import numpy as np
from numpy.typing import NDArray


def fret_positions_mm(scale_mm: float, frets: int) -> NDArray[np.float64]:
    """Return the distance from nut to fret in mm, shape (frets + 1,); index 0 is the nut.

    Source: twelve-tone equal temperament, x_n = L (1 - 2^(-n/12)); ISO 16 gives the pitch, not the spacing.
    """
    return scale_mm * (1 - 2.0 ** (-np.arange(frets + 1) / 12))
