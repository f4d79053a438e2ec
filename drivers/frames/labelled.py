r"""Lines of text with a label ahead or a verdict behind: ``MEAS: -0.012 mm``, ``CH1 12.34mm OK``, ``D=  1.234``.

Grammar, blanks (space or tab) allowed around the line::

    line     = [label] text [verdict]
    label    = 1 to 12 ASCII letters [["."] 1 to 3 digits] and then ":" or "=", blanks around it, or blanks alone
    text     = what `TextDecoder` reads; after a label without a status of its own
    verdict  = blanks and then "OK" | "NG" | "GO" | "HI" | "LO", in any case; common practice, no source

It is a decoder of its own, for a profile to choose, and not a wider `TextDecoder`: the more a decoder reads, the more
often noise and error messages look like a length, and most gauges send bare numbers. So it stays strict. One thing in
the line may be the measurement, everything else must be known. Beside a label or a verdict the number needs a sign, a
decimal mark or a unit: ``CH1 5`` may be a code. Two numbers, an exponent, a date, a time or a version are refused, and
so is a label that names a fault, a version, another quantity or a unit (``IN 1.0`` is an input as likely as an inch).
A label that is not in that list cannot be understood. Without a default unit a number counts only with the unit of a
length behind it, which is safer for a gauge that sends other quantities under other labels.
"""

import re
from dataclasses import replace
from typing import Final

from drivers.errors import FrameError
from drivers.frames.number import Number, shown
from drivers.frames.text import TextDecoder
from drivers.reading import UNIT_WORDS

_LABEL: Final = re.compile(rb"([A-Za-z]{1,12}(?:\.?[0-9]{1,3})?(?:[ \t]*[:=]|(?=[ \t])))[ \t]*")
_VERDICT: Final = re.compile(rb"[ \t](OK|NG|GO|HI|LO)\Z", re.IGNORECASE)
_LETTERS: Final = re.compile(r"[A-Za-z]+")
_NUMBER: Final = re.compile(rb"[0-9]+(?:[.,][0-9]*)?")

#: Labels of what is no length; common practice, no source.
_NO_LENGTH: Final = frozenset({
    *("E", "ER", "ERR", "ERROR", "FAULT", "FAIL", "ALARM", "NAN", "INF", "OL", "OVER", "UNDER"),
    *("V", "VER", "VERSION", "FW", "HW", "SW", "REV", "SN", "DATE", "TIME"),
    *("BAT", "BATT", "BATTERY", "LOW", "VOLT", "TEMP", "TEMPERATURE", "HUM", "HUMIDITY", "RH"),
    *(word.upper() for word in UNIT_WORDS),
})
#: What a line looks like that is no measurement -> the rule it breaks; linear on any bytes.
_TELLTALES: Final = (
    (re.compile(rb"[0-9][eE][+-]?[0-9]"), "must be a number without an exponent"),
    (re.compile(rb"(?i)(?:^|[^a-z])(?:nan|inf|infinity)(?:[^a-z]|\Z)"), "must be a finite number"),
    (re.compile(rb"[0-9][:/-][0-9]|\.[0-9]+\."), "must be one number, not a date, a time or a version"),
)


class LabelledTextDecoder(TextDecoder):
    """Decodes lines of text with a label ahead of the number or a verdict behind it; both go into the status.

    Takes the same as `TextDecoder` and reads alike whatever that reads, but for a status letter "V".
    """

    def decode(self, line: bytes) -> Number:
        """Return the one number that ``line`` holds.

        Raises:
            FrameError: If the line is anything but one finite number with at most one label, one unit and one verdict.
        """
        label, text, verdict = _parts(line)
        try:
            number = super().decode(text)
        except FrameError as error:
            rule = _telltale(text)
            raise FrameError(line, _told(line, rule) if rule else error.reason) from error
        if rule := _broken_rule(label, number.status, text, verdict):
            raise FrameError(line, _told(line, rule))
        return replace(number, status=" ".join(filter(None, (label, number.status, verdict))))


def _parts(line: bytes) -> tuple[str, bytes, str]:
    """Return the label without blanks, the text between and the verdict; a part that is not there is empty."""
    text = line.strip(b" \t")
    label, verdict = "", ""
    if found := _VERDICT.search(text):
        text, verdict = text[: found.start()].rstrip(b" \t"), found[1].decode()
    if found := _LABEL.match(text):
        text, label = text[found.end() :], b"".join(found[1].split()).decode()
    return label, text, verdict


def _broken_rule(label: str, status: str, text: bytes, verdict: str) -> str:
    """Return the rule that a line of the right shape breaks, empty if it breaks none."""
    word = _LETTERS.search(label or status)
    rules = (
        (not word or word[0].upper() not in _NO_LENGTH, f"must hold a length, not what {label or status!r} stands for"),
        (not (label and status), "must have one label only"),
        (
            not (label or verdict) or not text.isdigit(),
            "must have a sign, a decimal mark or a unit beside a label or verdict, or it may be a code",
        ),
    )
    return next((words for holds, words in rules if not holds), "")


def _telltale(text: bytes) -> str:
    """Return the rule that ``text`` breaks by what it looks like, empty if it looks like nothing known."""
    several = "must hold one number, not several" if len(_NUMBER.findall(text)) > 1 else ""
    return next((rule for shape, rule in _TELLTALES if shape.search(text)), several)


def _told(line: bytes, rule: str) -> str:
    return f"line {rule}, got {shown(line)}"
