"""The shape of what a person tells the bench beside readings; what it means is for the bench to judge."""

from collections.abc import Callable, Mapping
from typing import Any, Final

from dashboard import told_words

MOST_FACTORS: Final = 20
MOST_TEXT: Final = 200

KEYS: Final[Mapping[str, frozenset[str]]] = {"factors": frozenset({"factors"})}
"""What each of these actions carries beside ``do``."""


def _fault_of_factors(action: Mapping[str, Any]) -> str | None:
    given = action.get("factors")
    if not isinstance(given, dict) or not 1 <= len(given) <= MOST_FACTORS:
        return told_words.BAD_FACTORS.format(most=MOST_FACTORS)
    for name, value in given.items():
        if not isinstance(value, str) or len(value) > MOST_TEXT:
            return told_words.BAD_FACTOR.format(name=name[:40], most=MOST_TEXT)
    return None


FAULTS: Final[Mapping[str, Callable[[Mapping[str, Any]], str | None]]] = {"factors": _fault_of_factors}
"""What is wrong with the shape of each of these actions, None where nothing is."""
