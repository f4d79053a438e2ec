"""Wood and weather: the moisture that wood settles at, how much a board moves, how far fret ends come out.

Source: USDA Forest Products Laboratory, Wood Handbook, GTR-190 (2010): equations 4-5, 13-2 and 13-3, table 13-5.
"""

import math
from types import MappingProxyType
from typing import Final

from logger.errors import InsufficientDataError

LINEAR_FROM, LINEAR_TO = 6.0, 14.0
"""Moisture content in percent between which equation 13-2 holds."""
FIBRE_SATURATION: Final = 30.0

COEFFICIENTS: Final = MappingProxyType({
    # species: radial, tangential change per percent of moisture content
    "maple, sugar": (0.00165, 0.00353),
    "maple, black": (0.00165, 0.00353),
    "maple, red": (0.00137, 0.00289),
    "maple, silver": (0.00102, 0.00252),
    "maple, bigleaf": (0.00126, 0.00248),
    "walnut, black": (0.0019, 0.00274),
    "cherry, black": (0.00126, 0.00248),
    "ash, white": (0.00169, 0.00274),
    "beech, american": (0.0019, 0.00431),
    "persimmon, common": (0.00278, 0.00403),
    "mahogany": (0.00172, 0.00238),
    "khaya": (0.00141, 0.00201),
    "spanish-cedar": (0.00141, 0.00219),
    "spruce, sitka": (0.00148, 0.00263),
    "spruce, engelmann": (0.0013, 0.00248),
    "cedar, western red": (0.00111, 0.00234),
    "fir, white": (0.00112, 0.00245),
    "teak": (0.00101, 0.00186),
    "greenheart": (0.0039, 0.0043),
})
"""Source: Wood Handbook table 13-5. Rosewood and ebony are not in it."""
SOURCE: Final = "USDA Wood Handbook GTR-190, table 13-5"
CUTS: Final = ("quarter", "flat")
"""How a board may be sawn: its width lies along the rings' radius, or along the rings."""


def moisture_content_percent(temperature_c: float, humidity_percent: float) -> float:
    """Return the moisture content in percent at which wood settles (Hailwood-Horrobin).

    Source: Wood Handbook equation 4-5, temperature in degrees Celsius. Some copies print the last coefficient of K as
    -2.73e-7; it is -2.73e-6.

    Args:
        temperature_c: temperature of the air in degrees Celsius, -10 to 100.
        humidity_percent: relative humidity, 0 to 100.

    Raises:
        ValueError: out of range.
    """
    if not (-10 <= temperature_c <= 100 and 0 <= humidity_percent <= 100):
        raise ValueError(
            f"temperature must be from -10 to 100 °C and humidity from 0 to 100 %, got {temperature_c!r}, "
            f"{humidity_percent!r}"
        )
    t, h = temperature_c, humidity_percent / 100
    w = 349 + 1.29 * t + 0.0135 * t**2
    k = 0.805 + 0.000736 * t - 0.00000273 * t**2
    k1 = 6.27 - 0.00938 * t - 0.000303 * t**2
    k2 = 1.91 + 0.0407 * t - 0.000293 * t**2
    kh = k * h
    bound = (k1 * kh + 2 * k1 * k2 * kh**2) / (1 + k1 * kh + k1 * k2 * kh**2)
    return 1800 / w * (kh / (1 - kh) + bound)


def movement_mm(
    width_mm: float, coefficient: float, from_percent: float, to_percent: float, *,
    shrinkage_percent: float | None = None,
) -> float:  # fmt: skip
    """Return the change of a board's width in mm, positive when it grows.

    Source: Wood Handbook equation 13-2, change = width C (M2 - M1), within 6 to 14 % moisture; outside, equation 13-3
    (`movement_from_shrinkage_mm`), which needs the total shrinkage.

    Args:
        width_mm: width at the first moisture content, across the grain.
        coefficient: change per percent, radial or tangential.
        from_percent: first moisture content.
        to_percent: second moisture content.
        shrinkage_percent: total shrinkage from green to oven-dry in the same direction, or None when not known.

    Raises:
        InsufficientDataError: a moisture content lies outside and the total shrinkage is not given.
        ValueError: the width or the coefficient is not above zero, or a moisture content is out of range.
    """
    if not (0 < width_mm < math.inf and 0 < coefficient < 1):
        raise ValueError(f"width must be above 0 mm and coefficient from 0 to 1, got {width_mm!r}, {coefficient!r}")
    if not all(LINEAR_FROM <= one <= LINEAR_TO for one in (from_percent, to_percent)):
        if shrinkage_percent is not None:
            return movement_from_shrinkage_mm(width_mm, shrinkage_percent, from_percent, to_percent)
        raise InsufficientDataError(
            f"the coefficient holds from {LINEAR_FROM:g} to {LINEAR_TO:g} % moisture, got {from_percent:.1f} and "
            f"{to_percent:.1f} %; give the total shrinkage instead"
        )
    return width_mm * coefficient * (to_percent - from_percent)


def movement_from_shrinkage_mm(
    width_mm: float, shrinkage_percent: float, from_percent: float, to_percent: float
) -> float:
    """Return the change of a board's width in mm from its total shrinkage, for moisture from 0 to 30 %.

    Source: Wood Handbook equation 13-3 (from memory): width (M2 - M1) / (30 * 100 / S - 30 + M1).

    Raises:
        ValueError: a moisture content or the shrinkage is out of range.
    """
    if not (0 < shrinkage_percent < 100 and all(0 <= one <= FIBRE_SATURATION for one in (from_percent, to_percent))):
        raise ValueError(f"moisture must be from 0 to 30 % and shrinkage from 0 to 100 %, got {from_percent!r}, "
                         f"{to_percent!r}, {shrinkage_percent!r}")  # fmt: skip
    below = FIBRE_SATURATION * 100 / shrinkage_percent - FIBRE_SATURATION + from_percent
    return width_mm * (to_percent - from_percent) / below


def fret_sprout_mm(
    width_mm: float, coefficient: float, from_percent: float, to_percent: float, *,
    shrinkage_percent: float | None = None,
) -> float:  # fmt: skip
    """Return how far fret ends stand out on each side in mm when the board has shrunk; 0 when it has grown.

    Half of the shrinkage along the width on each side; arguments and errors as for `movement_mm`.
    """
    grown = movement_mm(width_mm, coefficient, from_percent, to_percent, shrinkage_percent=shrinkage_percent)
    return max(0.0, -grown / 2)


def coefficients_of(species: str) -> tuple[float, float]:
    """Return the radial and tangential coefficient of a species, named ``maple, sugar`` or ``sugar maple``.

    Raises:
        InsufficientDataError: none is published for it in the Wood Handbook's table.
    """
    name = " ".join(species.lower().split())
    rest, _, last = name.rpartition(" ")
    found = COEFFICIENTS.get(name) or COEFFICIENTS.get(f"{last}, {rest}")
    if found is None:
        raise InsufficientDataError(
            f"no published coefficient for {species!r} (rosewood and ebony are not in the Wood Handbook's table); "
            f"give one, or choose of {', '.join(COEFFICIENTS)}"
        )
    return found


def coefficient_across(species: str, cut: str) -> float:
    """Return the change of a board's width per percent of moisture content: radial when quarter-sawn, else tangential.

    Raises:
        InsufficientDataError: none is published for the species.
        ValueError: the cut is neither ``quarter`` nor ``flat``.
    """
    if cut not in CUTS:
        raise ValueError(f"`cut` must be one of {', '.join(CUTS)}, got {cut!r}")
    return coefficients_of(species)[CUTS.index(cut)]
