"""JSON in its one canonical form, and the strict reading of it.

Source: RFC 8785 (JSON Canonicalization Scheme): no space, keys sorted by their UTF-16 code units, numbers as ECMAScript
writes a double. Whole numbers from 2^53 on and nanosecond times do not survive in a double: they are written as text.
"""

import json
import math
from typing import Any, Final, NoReturn

import rfc8785

from logger.errors import RecordError

MOST_BYTES: Final = 32 * 1024 * 1024
"""The largest file that is read: some two hundred sittings of 576 readings."""
EXACT: Final = 1 << 53
"""From here on not every whole number is a double."""
_LONGEST_NUMBER: Final = 40


def canonical(value: Any) -> bytes:
    """Return the canonical form of plain JSON values, UTF-8.

    Raises:
        RecordError: a value has none: not finite, a whole number from 2^53 on, a lone surrogate, nested too deep.
    """
    try:
        return rfc8785.dumps(value)
    except RecursionError as error:
        raise RecordError("not canonical: nested too deep") from error
    except rfc8785.FloatDomainError as error:
        raise RecordError("not canonical: a number is not finite") from error
    except rfc8785.IntegerDomainError as error:
        raise RecordError("not canonical: a whole number from 2^53 on must be written as text") from error
    except ValueError as error:  # a lone surrogate in a text or a key, or no value of JSON
        raise RecordError("not canonical: a text holds half of a character, or a value is none of JSON") from error


def parse(text: bytes) -> Any:
    """Return the values of a JSON text that has a canonical form; the text itself need not be in it.

    A byte order mark before it is passed over, as RFC 8259, 8.1 lets a parser do.

    Raises:
        RecordError: it is too large, not UTF-8, not JSON, names a key twice, or holds what has no canonical form.
    """
    if len(text) > MOST_BYTES:
        raise RecordError(f"too large: a record file has at most {MOST_BYTES >> 20} MiB")
    try:
        return json.loads(
            text.decode("utf-8-sig"), object_pairs_hook=_once, parse_constant=_no_constant, parse_int=_whole,
            parse_float=_decimal,
        )  # fmt: skip
    except RecordError:
        raise
    except UnicodeDecodeError as error:
        raise RecordError(f"not UTF-8 text: byte {error.start} does not belong") from error
    except RecursionError as error:
        raise RecordError("not canonical: nested too deep") from error
    except json.JSONDecodeError as error:
        raise RecordError(
            f"not JSON: it breaks off or goes wrong at line {error.lineno}, column {error.colno}"
        ) from error


def _once(pairs: list[tuple[str, Any]]) -> dict[str, Any]:
    found = dict(pairs)
    if len(found) < len(pairs):
        names = [name for name, _ in pairs]
        twice = next(name for name in found if names.count(name) > 1)
        raise RecordError(f"not canonical: the key {twice[:40]!r} stands twice in one object")
    return found


def _no_constant(text: str) -> NoReturn:
    raise RecordError(f"not canonical: {text} is not a number of JSON")


def _whole(text: str) -> int:
    if len(text) > _LONGEST_NUMBER or abs(value := int(text)) >= EXACT:
        raise RecordError("not canonical: a whole number from 2^53 on must be written as text")
    return value


def _decimal(text: str) -> float:
    value = float(text) if len(text) <= _LONGEST_NUMBER else math.inf
    if not math.isfinite(value):
        raise RecordError("not canonical: a number is too long or too large for a double")
    return value
