"""The shape of what a person tells the bench beside readings; what it means is for the bench to judge."""

from collections.abc import Callable, Mapping
from typing import Any, Final

from dashboard import told_words

MOST_FACTORS: Final = 20
MOST_TEXT: Final = 200

MOST_NOTE: Final = 4000
"""Characters that are handed on as a note; how long one may be is for the bench to say."""

KEYS: Final[Mapping[str, frozenset[str]]] = {
    "factors": frozenset({"factors"}),
    "note": frozenset({"session", "text", "who", "customer", "replaces"}),
}
"""What each of these actions carries beside ``do``."""


def _fault_of_factors(action: Mapping[str, Any]) -> str | None:
    given = action.get("factors")
    if not isinstance(given, dict) or not 1 <= len(given) <= MOST_FACTORS:
        return told_words.BAD_FACTORS.format(most=MOST_FACTORS)
    for name, value in given.items():
        if not isinstance(value, str) or len(value) > MOST_TEXT:
            return told_words.BAD_TEXT.format(name=name[:40], most=MOST_TEXT)
    return None


def _fault_of_note(action: Mapping[str, Any]) -> str | None:
    for name, most in (("session", MOST_TEXT), ("text", MOST_NOTE), ("who", MOST_TEXT)):
        value = action.get(name)
        if not isinstance(value, str) or len(value) > most:
            return told_words.BAD_TEXT.format(name=name, most=most)
    replaces = action.get("replaces")
    if not isinstance(action.get("customer"), bool) or isinstance(replaces, bool):
        return told_words.BAD_NOTE
    return None if replaces is None or isinstance(replaces, int) else told_words.BAD_NOTE


FAULTS: Final[Mapping[str, Callable[[Mapping[str, Any]], str | None]]] = {
    "factors": _fault_of_factors, "note": _fault_of_note,
}  # fmt: skip
"""What is wrong with the shape of each of these actions, None where nothing is."""
