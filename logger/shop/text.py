"""Text as PostgreSQL can hold it, and back.

A store keeps any Unicode text; PostgreSQL keeps all of it but U+0000 (manual, 8.3). So U+0000 is written as U+001A
(SUBSTITUTE) and ``0``, and U+001A itself doubled: nothing else changes and nothing is lost.
"""

from typing import Final

from logger.store.tables import Value

_MARK: Final = "\x1a"


def to_shop(value: Value) -> Value:
    """Return a value as the shop writes it."""
    if isinstance(value, str) and ("\0" in value or _MARK in value):
        return value.replace(_MARK, _MARK * 2).replace("\0", f"{_MARK}0")
    return value


def from_shop(value: Value) -> Value:
    """Return a value of the shop as the bench kept it."""
    if isinstance(value, str) and _MARK in value:
        return _MARK.join(part.replace(f"{_MARK}0", "\0") for part in value.split(_MARK * 2))
    return value
