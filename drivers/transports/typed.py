"""Values that a person types: a number, or the two leaves between which a gap lies."""

import re
import threading
from dataclasses import dataclass
from decimal import Decimal
from typing import Final

from drivers.errors import FrameError
from drivers.frames.text import MOST_DIGITS
from drivers.reading import NM_PER_UNIT, UNIT_WORDS, Clock, Reading, scaled_to_nm, system_clock

LONGEST_TEXT: Final = 64

# One number and its unit. No possessive quantifiers, for the reason given in drivers/frames/text.py.
_QUANTITY: Final = r"[+-]?(?:[0-9]+(?:\.[0-9]*)?|\.[0-9]+)(?:[ ]?(?:mm|inch|in|\"|thou|[u\u00b5\u03bc]m))?"
_ONE: Final = re.compile(_QUANTITY)
_PAIR: Final = re.compile(rf"({_QUANTITY})[ ]({_QUANTITY})")
_SENTENCE: Final = re.compile(
    rf"({_QUANTITY})[ ]goes(?:[ ]in)?,?[ ]({_QUANTITY})[ ](?:does[ ]not|doesn't)(?:[ ]go(?:[ ]in)?)?"
)
_BETWEEN: Final = re.compile(r"[ ]?(?:\.{2,3}|\u2026|/)[ ]?")
_PARTS: Final = re.compile(r"([+-]?[0-9.]+)[ ]*(.*)")
_DECIMAL_COMMA: Final = re.compile(r"([0-9]*),([0-9]+)")
_TAKEN_COMMA: Final = re.compile(r"(?<=[0-9]),(?=[0-9]{1,3}(?![0-9]))")


@dataclass(frozen=True, slots=True, kw_only=True)
class TypedValue:
    """What was typed, in nanometres, with its unit ("mm", "in" or "thou").

    For a leaf bracket ``low_nm`` is the largest leaf that goes in, ``high_nm`` the smallest that does not, and
    ``value_nm`` lies half-way, rounded down; otherwise both are None.
    """

    value_nm: int
    unit: str
    low_nm: int | None = None
    high_nm: int | None = None


def parse_typed(text: str, *, unit: str) -> TypedValue:
    """Return the value that ``text`` holds, in ``unit`` ("mm", "in" or "thou") where the text names none.

    A leaf bracket is written ``0.55 0.60``, ``0.55/0.60``, ``0.55..0.60`` or ``0.55 goes, 0.60 does not``; a unit
    after one of its two numbers is the unit of both. In millimetres, one comma between digits, at most three of them
    after it, and no point, is a decimal comma: ``0,58``.

    Raises:
        FrameError: If the text is neither a number nor a leaf bracket.
        ValueError: If ``unit`` is none of the three.
    """
    if unit not in NM_PER_UNIT:
        raise ValueError(f"unit must be mm, in or thou, got {unit!r}")
    if len(text) > LONGEST_TEXT:
        rule = f"starts a text longer than {LONGEST_TEXT} characters; type one number or two leaves"
        raise FrameError(*_told(text[:LONGEST_TEXT], rule))
    plain = " ".join(text.replace("\u2212", "-").replace("\u2019", "'").lower().split())
    alone = plain.count(",") == 1 and "." not in plain
    pointed = _TAKEN_COMMA.sub(".", plain) if alone else plain
    words = _words_of(pointed, text)
    numbers = [_PARTS.fullmatch(word) for word in words]
    spelled = [found for found in numbers if found is not None]
    unit, nm_per_unit = _common_unit({found[2] for found in spelled if found[2]}, unit, text)
    if pointed != plain and nm_per_unit != NM_PER_UNIT["mm"]:
        raise FrameError(*_told(text, _unreadable(plain)))
    values = [_nm(found[1], nm_per_unit, text) for found in spelled]
    if len(values) == 1:
        return TypedValue(value_nm=values[0], unit=unit)
    return _bracket(values[0], values[1], unit, text)


def _words_of(plain: str, text: str) -> list[str]:
    """Return the one or two quantities in ``plain``.

    Raises:
        FrameError: If there are none, or more.
    """
    if _ONE.fullmatch(plain):
        return [plain]
    found = _PAIR.fullmatch(plain) or _SENTENCE.fullmatch(plain)
    words = [found[1], found[2]] if found else _BETWEEN.split(plain)
    if len(words) != 2 or not all(_ONE.fullmatch(word) for word in words):
        raise FrameError(*_told(text, _unreadable(plain)))
    return words


def _unreadable(plain: str) -> str:
    if not plain:
        return "is empty; type a number, or the leaf that goes in and the leaf that does not"
    if comma := _DECIMAL_COMMA.search(plain):
        return f"has a decimal comma; type a point: {comma[1] or 0}.{comma[2]}"
    return (
        "is neither a number nor a pair of leaves; type for example 0.58, or 0.55/0.60 when the 0.55 leaf goes in "
        "and the 0.60 leaf does not"
    )


def _common_unit(words: set[str], unit: str, text: str) -> tuple[str, int]:
    known = {UNIT_WORDS[word] for word in words} or {(unit, NM_PER_UNIT[unit])}
    if len(known) > 1:
        raise FrameError(*_told(text, "has two different units; give both leaves in the same unit"))
    return known.pop()


def _nm(number: str, nm_per_unit: int, text: str) -> int:
    if len(number.lstrip("+-").replace(".", "").lstrip("0")) > MOST_DIGITS:
        raise FrameError(*_told(text, f"has more than {MOST_DIGITS} significant digits; no gauge shows that many"))
    try:
        return scaled_to_nm(Decimal(number), nm_per_unit)
    except FrameError as error:
        raise FrameError(*_told(text, "is more than 10 m; check the point and the unit")) from error


def _bracket(low_nm: int, high_nm: int, unit: str, text: str) -> TypedValue:
    if min(low_nm, high_nm) < 0:
        raise FrameError(*_told(text, "has a negative leaf; leaves have no sign"))
    if low_nm >= high_nm:
        raise FrameError(
            *_told(text, "must name the thinner leaf first; type the one that goes in, then the one that does not")
        )
    return TypedValue(value_nm=(low_nm + high_nm) // 2, unit=unit, low_nm=low_nm, high_nm=high_nm)


def _told(text: str, rule: str) -> tuple[bytes, str]:
    """Return the frame and the sentence of a refusal."""
    return text.encode(errors="surrogatepass"), f"{text!r} {rule}"


class TypedGauge:
    """A gauge whose values a person reads off and types; may be used from any thread."""

    def __init__(self, name: str, *, first_sequence: int = 1, clock: Clock = system_clock) -> None:
        self.name = name
        self._next = first_sequence
        self._clock = clock
        self._lock = threading.Lock()

    def submit(self, text: str, *, unit: str) -> Reading:
        """Return the next reading, from ``text``; what is refused takes no sequence number.

        Raises:
            FrameError: If the text is neither a number nor a leaf bracket.
            ValueError: If ``unit`` is not mm, in or thou.
        """
        typed = parse_typed(text, unit=unit)
        with self._lock:
            now = self._clock()
            sequence, self._next = self._next, self._next + 1
        return Reading(
            gauge=self.name,
            sequence=sequence,
            value_nm=typed.value_nm,
            unit=typed.unit,
            raw=text.encode(),
            taken_at=now.at,
            monotonic_ns=now.monotonic_ns,
            low_nm=typed.low_nm,
            high_nm=typed.high_nm,
        )
