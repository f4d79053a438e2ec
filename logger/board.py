"""How far the fingerboard moves with the air, and its fret ends with it, once its wood has settled."""

from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any, Final

from logger.errors import InsufficientDataError
from logger.evaluation.wood import SOURCE, coefficient_across, fret_sprout_mm, movement_mm
from logger.instrument import Instrument
from logger.sentences import MM_PER_THOU

WOOD_NOT_STATED, WOOD_NOT_KNOWN, CUT_NOT_STATED = "wood not stated", "wood not known", "cut not stated"
WIDTH_NOT_STATED, NO_EARLIER_CLIMATE = "width not stated", "no earlier climate"
MOISTURE_NOT_KNOWN, OUT_OF_RANGE = "moisture not known", "moisture beyond 6 to 14 %"
_DIGITS: Final = 4


@dataclass(frozen=True, slots=True, kw_only=True)
class Board:
    """What is known of a board's movement.

    Attributes:
        width_mm: across the grain, at the join or the widest that is stated; None where none is.
        coefficient: change of width per percent of moisture content; None where it is not known.
        source: where the coefficient comes from; empty without one.
        fretted_at_percent: moisture content at which it was fretted, or None.
        unknown: why there is no coefficient; empty when there is one.
    """

    width_mm: float | None
    coefficient: float | None
    source: str
    fretted_at_percent: float | None
    unknown: str


def board_of(instrument: Instrument) -> Board:
    """Return what an instrument's description says of its board; a wood that is not known is no error."""
    coefficient, source, unknown = _coefficient(instrument.board)
    widths = [one for one in (instrument.nut_width_mm, instrument.join_width_mm) if one is not None]
    return Board(
        width_mm=max(widths, default=None), coefficient=coefficient, source=source, unknown=unknown,
        fretted_at_percent=instrument.board.get("fretted_at_moisture_percent"),
    )  # fmt: skip


def _coefficient(stated: Mapping[str, Any]) -> tuple[float | None, str, str]:
    own = stated.get("coefficient")
    if own is not None:
        return own, f"{own:g} of the width per percent of moisture, stated with the instrument", ""
    wood, cut = stated.get("wood"), stated.get("cut")
    if wood is None:
        return None, "", WOOD_NOT_STATED
    try:
        found = coefficient_across(str(wood), cut or "quarter")
    except InsufficientDataError:
        return None, "", WOOD_NOT_KNOWN
    if cut is None:
        return None, "", CUT_NOT_STATED
    return found, f"{found:g} of the width per percent of moisture, {wood}, {cut}-sawn: {SOURCE}", ""


def movement_json(board: Board, moisture_percent: float | None, earlier_percent: float | None) -> dict[str, Any]:
    """Return how far a board has moved once it has settled, as plain JSON values.

    The reference is the moisture content at which it was fretted, where that is stated, else the earlier one.

    Args:
        board: the board.
        moisture_percent: at which wood settles now, or None.
        earlier_percent: at which it settled in the first air noted for it, or None when there is no earlier air.

    Returns:
        ``movement_mm`` (positive: wider) and ``sprout_mm`` on each side, None when they cannot be told;
        ``movement_words``, ``movement_words_in`` (empty then), ``movement_unknown`` (why), ``movement_source``.
    """
    fretted = board.fretted_at_percent
    since = earlier_percent if fretted is None else fretted
    told: dict[str, Any] = {
        "movement_mm": None, "sprout_mm": None, "movement_words": "", "movement_words_in": "",
        "movement_unknown": _unknown(board, moisture_percent, since), "movement_source": board.source,
    }  # fmt: skip
    width, coefficient = board.width_mm, board.coefficient
    if told["movement_unknown"] or width is None or coefficient is None or moisture_percent is None or since is None:
        return told
    try:
        moved = movement_mm(width, coefficient, since, moisture_percent)
        sprout = fret_sprout_mm(width, coefficient, since, moisture_percent)
    except InsufficientDataError:
        return told | {"movement_unknown": OUT_OF_RANGE}
    than = f"in the first air noted for it ({since:.1f} %)" if fretted is None else f"when fretted at {since:.1f} %"
    return told | {
        "movement_mm": round(moved, _DIGITS), "sprout_mm": round(sprout, _DIGITS),
        "movement_words": _sentence(moved, sprout, than, 1.0, 2, "mm"),
        "movement_words_in": _sentence(moved, sprout, than, 1 / MM_PER_THOU, 1, "thou"),
    }  # fmt: skip


def _unknown(board: Board, moisture_percent: float | None, since_percent: float | None) -> str:
    if board.unknown:
        return board.unknown
    if board.width_mm is None:
        return WIDTH_NOT_STATED
    if moisture_percent is None:
        return MOISTURE_NOT_KNOWN
    return NO_EARLIER_CLIMATE if since_percent is None else ""


def _sentence(moved_mm: float, sprout_mm: float, than: str, scale: float, digits: int, unit: str) -> str:
    size, ends = f"{abs(moved_mm) * scale:.{digits}f}", f"{sprout_mm * scale:.{digits}f}"
    if float(size) == 0:
        return f"Once it has settled, the board is about as wide as {than}"
    if moved_mm > 0:
        return f"Once it has settled, the board is about {size} {unit} wider than {than}: no fret end comes out"
    return (
        f"Once it has settled, the board is about {size} {unit} narrower than {than}: feel for fret ends, about "
        f"{ends} {unit} on each side"
    )
