"""Temperature and humidity at the bench: checked, kept with the session, and what wood settles at in them."""

import math
from datetime import UTC, datetime
from typing import Any, Final

from logger.errors import InputFileError
from logger.evaluation.wood import moisture_content_percent
from logger.store import Climate

COLDEST_C, WARMEST_C, DRIEST_PERCENT, DAMPEST_PERCENT = -20, 50, 0, 100
"""What a workshop can be; beyond it somebody has mistyped."""
_THOUSAND: Final = 1000


class ClimateError(InputFileError):
    """A temperature or humidity does not hold."""


def check_climate(temperature_c: object, humidity_percent: object) -> tuple[int, int]:
    """Return temperature and relative humidity in thousandths, as the store keeps them.

    Raises:
        ClimateError: one is no number or out of range.
    """
    return (
        _thousandths("temperature_c", temperature_c, COLDEST_C, WARMEST_C, "°C"),
        _thousandths("humidity_percent", humidity_percent, DRIEST_PERCENT, DAMPEST_PERCENT, "%"),
    )


def parse_climate(text: str) -> tuple[int, int]:
    """Return temperature and humidity in thousandths from ``21.5,48``.

    Raises:
        ClimateError: the text does not hold.
    """
    temperature, _, humidity = text.partition(",")
    try:
        values = float(temperature), float(humidity)
    except ValueError as cause:
        raise ClimateError(
            f"climate must be degrees Celsius and percent like 21.5,48 with decimal points, got {text!r}"
        ) from cause
    return check_climate(*values)


def _thousandths(name: str, value: object, least: int, most: int, unit: str) -> int:
    if isinstance(value, bool) or not isinstance(value, int | float) or not math.isfinite(value):
        raise ClimateError(f"{name} must be a number from {least} to {most} {unit}, got {value!r}")
    if not least <= value <= most:
        raise ClimateError(f"{name} must be from {least} to {most} {unit}, got {value!r} {unit}")
    return round(value * _THOUSAND)


def climate_json(row: Climate) -> dict[str, Any]:
    """Return a kept climate as plain JSON values, with the moisture content in percent at which wood settles in it.

    ``moisture_percent`` is None below -10 °C, where its equation is not stated.
    """
    temperature, humidity = row.temperature_mc / _THOUSAND, row.humidity_mpercent / _THOUSAND
    try:
        moisture = round(moisture_content_percent(temperature, humidity), 2)
    except ValueError:
        moisture = None
    at = datetime.fromtimestamp(row.at_ns / 1e9, UTC).isoformat(timespec="seconds")
    return {"temperature_c": temperature, "humidity_percent": humidity, "moisture_percent": moisture, "at": at}
