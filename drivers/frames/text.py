r"""Lines of text that gauges send: ``12.34``, ``-0.0005 in``, ``01A+00012.340``.

Grammar, blanks (space or tab) allowed between the parts::

    line    = [status] [sign] digits [unit]
    status  = two digits and one letter ("01A") | one letter ("A") | one letter, one or two digits, ":" ("G1:")
    sign    = "+" | "-" | U+2212 in UTF-8
    digits  = ASCII digits with at most one decimal mark; ".5" and "5." are numbers
    unit    = "mm" | "in" | "inch" | '"' | "thou" | "um" | "µm", in any case, the micro sign in UTF-8 or Latin-1

A status letter is a capital other than E: computers write 100 000 as ``01E5``, and gauges report a fault as ``E5``.
For the same reason a status with a bare whole number ("B2") is no measurement: it needs a sign, a mark or a unit.
"""

import re
from decimal import Decimal
from typing import Final

from drivers.errors import FrameError
from drivers.frames.number import Number, number_from, shown
from drivers.reading import NM_PER_UNIT, UNIT_WORDS

__all__ = ["MOST_DIGITS", "Number", "TextDecoder"]

#: A gauge of this trade shows at most 8 digits; 12 leaves room and keeps arithmetic small.
MOST_DIGITS: Final = 12

# Linear on any bytes: two runs that may hold the same byte never stand side by side, so there is one way to match.
# No possessive quantifiers and no atomic groups: CPython 3.11.0 to 3.11.4 matches them wrongly (python/cpython issues
# 100061 and 106052) and read 12.34 as status "12" and value .34.
_LINE: Final = re.compile(
    rb"""
    (?: (?P<status> [0-9]{2}[A-DF-Z] | [A-DF-Z](?:[0-9]{1,2}:)? ) [ \t]* )?
    (?: (?P<sign> [+-] | \xe2\x88\x92 ) [ \t]* )?
    (?P<digits> [0-9]+ (?: [.,] [0-9]* )? | [.,] [0-9]+ )
    (?: [ \t]* (?P<unit> [A-Za-z"\x80-\xff]+ ) )?
    """,
    re.VERBOSE,
)
_MARKS: Final = re.compile(rb"[.,]")


class TextDecoder:
    """Decodes lines of text.

    Takes the unit of a number that comes without one ("mm", "in", "thou"; None refuses such numbers) and whether the
    gauge writes a decimal comma (then a point is refused).

    Raises:
        ValueError: If the unit is none of these.
    """

    def __init__(self, default_unit: str | None = "mm", decimal_comma: bool = False) -> None:
        if default_unit is not None and default_unit not in NM_PER_UNIT:
            raise ValueError(f"default_unit must be mm, in, thou or None, got {default_unit!r}")
        self._default_unit = (default_unit or "").encode()
        self._mark = b"," if decimal_comma else b"."

    def decode(self, line: bytes) -> Number:
        """Return the number that ``line`` holds.

        Raises:
            FrameError: If the line is anything but one finite number with at most one status and one unit.
        """
        found = _LINE.fullmatch(line.strip(b" \t"))
        if found is None:
            raise FrameError(line, _told(line, "must be one decimal number with at most one unit"))
        status, sign, digits, unit_word = (part or b"" for part in found.groups())
        if broken := self._broken_rule(status, sign, digits, unit_word):
            raise FrameError(line, _told(line, broken))
        unit, nm_per_unit = UNIT_WORDS[_word(unit_word or self._default_unit)]
        minus = "" if sign in {b"", b"+"} else "-"
        value = Decimal(minus + digits.replace(b",", b".").decode())  # exact; arithmetic would round to the context
        return number_from(line, value, unit=unit, nm_per_unit=nm_per_unit, status=status.decode())

    def _broken_rule(self, status: bytes, sign: bytes, digits: bytes, unit: bytes) -> str:
        """Return the rule that a line of the right shape breaks, empty if it breaks none."""
        mark = _MARKS.search(digits)
        rules = (
            (mark is None or mark[0] == self._mark, f"must have {self._mark.decode()!r} as its decimal mark"),
            (
                not status or sign or mark or unit,
                "must have a sign, a decimal mark or a unit after a status, or it may be a fault code",
            ),
            (
                len(_MARKS.sub(b"", digits).lstrip(b"0")) <= MOST_DIGITS,
                f"must have at most {MOST_DIGITS} significant digits",
            ),
            (unit or self._default_unit, "must name its unit"),
            (not unit or _word(unit) in UNIT_WORDS, 'must end with mm, in, inch, ", thou or um'),
        )
        return next((words for holds, words in rules if not holds), "")


def _word(unit: bytes) -> str:
    try:
        return unit.decode().lower()
    except UnicodeDecodeError:
        return unit.decode("latin-1").lower()


def _told(line: bytes, rule: str) -> str:
    return f"line {rule}, got {shown(line)}"
