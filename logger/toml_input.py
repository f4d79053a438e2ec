"""Read TOML that a person wrote and say in one line which key does not hold."""

import math
import tomllib
from collections.abc import Collection, Mapping
from pathlib import Path
from typing import Any, Final

from logger.errors import InputFileError
from logger.input_text import input_text
from logger.names import brief

_LARGEST: Final = 10**15
_LONGEST: Final = 60


def load_toml(path: Path, error: type[InputFileError]) -> dict[str, Any]:
    """Return the tables of a TOML file.

    Raises:
        InputFileError: the file is missing, unreadable or not TOML; raised as the given class.
    """
    return parse_toml(input_text(path, error, what="a TOML file"), where=str(path), error=error)


def parse_toml(text: str, *, where: str, error: type[InputFileError]) -> dict[str, Any]:
    """Return the tables of a TOML text.

    Raises:
        InputFileError: the text is not TOML, too deep or with a number too long; raised as the given class.
    """
    try:
        return tomllib.loads(text)
    except (tomllib.TOMLDecodeError, RecursionError, ValueError) as cause:
        raise error(f"{where}: not TOML that can be read: {str(cause)[:120]}") from cause


def _shown(value: object) -> str:
    """Return a value as it was written, cut where it is long."""
    if isinstance(value, int) and not isinstance(value, bool) and abs(value) > _LARGEST:
        return "a whole number of too many digits"
    text = repr(value)
    return text if len(text) <= _LONGEST else f"{text[:_LONGEST]}..."


class Table:
    """One TOML table with the words for where it stands; every getter checks type and range."""

    def __init__(self, values: object, *, where: str, error: type[InputFileError]) -> None:
        if not isinstance(values, Mapping):
            raise error(f"{where} must be a table, got {_shown(values)}")
        self.values: Mapping[str, Any] = values
        self.where = where
        self.error = error

    def refuse_unknown(self, known: Collection[str]) -> None:
        """Refuse a key that is not among the known ones.

        Raises:
            InputFileError: a key is unknown.
        """
        for key in self.values:
            if key not in known:
                raise self.error(f"{self.where}: unknown key {brief(key)}; known are {', '.join(sorted(known))}")

    def table(self, key: str) -> "Table":
        """Return a sub-table, empty when absent."""
        return Table(self.values.get(key, {}), where=f"{self.where}: [{key}]", error=self.error)

    def number(
        self, key: str, *, above: float | None = None, least: float = -math.inf, most: float = math.inf
    ) -> float:
        """Return a number that must be there and lie in range.

        Raises:
            InputFileError: it is absent, no finite number or out of range.
        """
        value = self.values.get(key)
        if value is None:
            raise self.error(f"{self.where}: {key} is missing; it must be a number")
        huge = isinstance(value, int) and abs(value) > _LARGEST
        if isinstance(value, bool) or not isinstance(value, int | float) or huge or not math.isfinite(value):
            raise self.error(f"{self.where}: {key} must be a number, got {_shown(value)}")
        if value < least or value > most or (above is not None and value <= above):
            low = f"above {above:g}" if above is not None else f"at least {least:g}"
            bounds = low if most == math.inf else f"{low} and at most {most:g}"
            raise self.error(f"{self.where}: {key} must be {bounds}, got {_shown(value)}")
        return float(value)

    def optional_number(
        self, key: str, *, above: float | None = None, least: float = -math.inf, most: float = math.inf
    ) -> float | None:
        """Return a number in range, or None when the key is absent."""
        return self.number(key, above=above, least=least, most=most) if key in self.values else None

    def whole(self, key: str, *, least: int, most: int) -> int:
        """Return a whole number that must be there and lie in range.

        Raises:
            InputFileError: it is absent, not whole or out of range.
        """
        value = self.values.get(key)
        if isinstance(value, bool) or not isinstance(value, int) or not least <= value <= most:
            found = "is missing; it" if value is None else ""
            got = "" if value is None else f", got {_shown(value)}"
            raise self.error(
                f"{self.where}: {key} {found} must be a whole number from {least} to {most}{got}".replace("  ", " ")
            )
        return value

    def text(self, key: str, *, default: str | None = None) -> str:
        """Return a text that is not blank.

        Raises:
            InputFileError: it is absent without a default, no text or blank.
        """
        value = self.values.get(key, default)
        if value is None:
            raise self.error(f"{self.where}: {key} is missing; it must be a text in quotes")
        if not isinstance(value, str) or not value.strip():
            raise self.error(f"{self.where}: {key} must be a text in quotes, got {_shown(value)}")
        return value
