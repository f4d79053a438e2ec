"""Temperature and humidity at the bench: checked, kept with the session, and what wood settles at in them."""

import math
from collections.abc import Sequence
from datetime import UTC, datetime
from typing import Any, Final

from logger.board import Board, board_of, movement_json
from logger.errors import InputFileError
from logger.evaluation.wood import moisture_content_percent
from logger.instrument import Instrument
from logger.store import Climate, StoreReader

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


def _moisture_percent(row: Climate) -> float | None:
    """Return the moisture content at which wood settles, or None below -10 °C, where its equation is not stated."""
    try:
        return moisture_content_percent(row.temperature_mc / _THOUSAND, row.humidity_mpercent / _THOUSAND)
    except ValueError:
        return None


def climate_json(row: Climate, board: Board | None = None, first: Climate | None = None) -> dict[str, Any]:
    """Return a kept climate as plain JSON values, with the moisture content in percent at which wood settles in it.

    ``moisture_percent`` is None where it is not known.

    Args:
        row: the climate.
        board: with it the movement since then is told as well, as `logger.board.movement_json` does.
        first: the first climate kept for the instrument.
    """
    temperature, humidity = row.temperature_mc / _THOUSAND, row.humidity_mpercent / _THOUSAND
    exact = _moisture_percent(row)
    moisture = None if exact is None else round(exact, 2)
    at = datetime.fromtimestamp(row.at_ns / 1e9, UTC).isoformat(timespec="seconds")
    told = {"temperature_c": temperature, "humidity_percent": humidity, "moisture_percent": moisture, "at": at}
    if board is None:
        return told
    earlier = None if first is None or first == row else _moisture_percent(first)
    return told | movement_json(board, exact, earlier)


class Air:
    """Tell the newest climate of a session, and what the instrument's board does in it.

    Args:
        reader: the store as it is when the session is opened.
        session: the session's id.
        instrument: whose board moves; None in a session that measures no instrument.
    """

    def __init__(self, reader: StoreReader, session: str, instrument: Instrument | None) -> None:
        self._board = None if instrument is None else board_of(instrument)
        self._first = None if instrument is None else reader.first_climate(reader.session(session).instrument)

    def told(self, climates: Sequence[Climate]) -> dict[str, Any] | None:
        """Return the newest climate as `climate_json` does, or None when there is none."""
        return climate_json(climates[-1], self._board, self._first or climates[0]) if climates else None

    def words(self, climates: Sequence[Climate]) -> list[str]:
        """Return the newest climate in one line for a terminal, or nothing when there is none."""
        told = self.told(climates)
        if told is None:
            return []
        degrees = f"{told['temperature_c']:g}".replace("-", "\N{MINUS SIGN}")
        line = f"air at the bench: {degrees} °C, {told['humidity_percent']:g} % humidity"
        if told["moisture_percent"] is not None:
            line += f", wood settles at {told['moisture_percent']:.1f} % moisture"
        if told.get("movement_words"):
            line += f". {told['movement_words']}"
        elif told.get("movement_unknown"):
            line += f"; board movement not known: {told['movement_unknown']}"
        return [line]
