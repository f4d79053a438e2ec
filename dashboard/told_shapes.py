"""The shape of what a person tells the bench beside readings; what it means is for the bench to judge."""

from collections.abc import Callable, Mapping
from functools import partial
from typing import Any, Final

from dashboard import told_words

MOST_FACTORS: Final = 20
MOST_TEXT: Final = 200

MOST_ROWS: Final = 20
MOST_CELSIUS: Final = 1000
MOST_NOTE: Final = 4000
"""Characters that are handed on as a note; how long one may be is for the bench to say."""

KEYS: Final[Mapping[str, frozenset[str]]] = {
    "factors": frozenset({"factors"}),
    "note": frozenset({"session", "text", "who", "customer", "replaces"}),
    "check_begin": frozenset({"gauge", "sizes", "unit", "repeats", "both_ways", "who", "temperature_c"}),
    "check_typed": frozenset({"text", "unit"}),
    "check_back": frozenset(),
    "check_press": frozenset(),
    "check_finish": frozenset(),
    "check_stop": frozenset(),
    "check_correct": frozenset({"gauge"}),
    "check_close": frozenset(),
}
"""What each of these actions carries beside ``do``."""


def _fault_of_texts(given: Mapping[str, Any], most: Mapping[str, int]) -> str | None:
    """Say which of some texts, each with the most characters that it may have, is none or too long."""
    for name, length in most.items():
        value = given.get(name)
        if not isinstance(value, str) or len(value) > length:
            return told_words.BAD_TEXT.format(name=name[:40], most=length)
    return None


def _fault_of_factors(action: Mapping[str, Any]) -> str | None:
    given = action.get("factors")
    if not isinstance(given, dict) or not 1 <= len(given) <= MOST_FACTORS:
        return told_words.BAD_FACTORS.format(most=MOST_FACTORS)
    return _fault_of_texts(given, dict.fromkeys(given, MOST_TEXT))


def _fault_of_note(action: Mapping[str, Any]) -> str | None:
    fault = _fault_of_texts(action, {"session": MOST_TEXT, "text": MOST_NOTE, "who": MOST_TEXT})
    if fault is not None:
        return fault
    replaces = action.get("replaces")
    if not isinstance(action.get("customer"), bool) or isinstance(replaces, bool):
        return told_words.BAD_NOTE
    return None if replaces is None or isinstance(replaces, int) else told_words.BAD_NOTE


def _fault_of_check(action: Mapping[str, Any]) -> str | None:
    fault = _fault_of_texts(action, {"gauge": MOST_TEXT, "who": MOST_TEXT})
    if fault is not None:
        return fault
    rows, repeats, at_c = action.get("sizes"), action.get("repeats"), action.get("temperature_c")
    if not isinstance(rows, list) or len(rows) > MOST_ROWS or not all(map(_is_size, rows)):
        return told_words.BAD_SIZES.format(most=MOST_ROWS)
    whole = isinstance(repeats, int) and not isinstance(repeats, bool)
    warm = at_c is None or (isinstance(at_c, int | float) and not isinstance(at_c, bool) and abs(at_c) < MOST_CELSIUS)
    return None if whole and warm and isinstance(action.get("both_ways"), bool) else told_words.BAD_CHECK


def _is_size(row: object) -> bool:
    return (
        isinstance(row, list) and len(row) == 3 and all(isinstance(one, str) and len(one) <= MOST_TEXT for one in row)
    )


FAULTS: Final[Mapping[str, Callable[[Mapping[str, Any]], str | None]]] = {
    "factors": _fault_of_factors, "note": _fault_of_note, "check_begin": _fault_of_check,
    "check_typed": partial(_fault_of_texts, most={"text": MOST_NOTE}),
    "check_correct": partial(_fault_of_texts, most={"gauge": MOST_TEXT}),
}  # fmt: skip
"""What is wrong with the shape of each of these actions, None where nothing is."""
