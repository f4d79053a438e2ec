"""The customer's page of a quality-check sheet: all faults on one page, and around them what there is room for."""

import textwrap
from bisect import bisect_right
from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from io import BytesIO
from itertools import accumulate, product
from typing import Final

from logger.counted import are, counted
from logger.sentences import cautions_together, frets_words
from logger.sheet_choices import MOST_PICTURES
from logger.sheet_drawings import PROFILE_MM, SOFT
from logger.sheet_paper import (
    FOOT_MM,
    MARGIN_MM,
    MOST_LINE,
    MOST_NAME,
    SIGN_MM,
    TITLE_MM,
    Sheet,
    Told,
    capital,
    cut,
    day,
    draw_neck,
    neck_tall,
    signed,
)

MOST_BESIDE: Final = ((6, 6000), (6, 3000), (6, 1800), (6, 900), (4, 600), (3, 400), (2, 230), (1, 110))
"""Gauges and notes, and letters of the notes of a visit: the first pair that leaves room for all faults counts."""
FULL: Final = "the workshop's full record"
"""Where a customer, who has this page alone, hears of what has no room on it."""
CUT: Final = f" … (it goes on in {FULL})"
LINE_LETTERS: Final = 90
"""A line of a note takes the room of so many letters at least."""
WAYS: Final = ((9.0, PROFILE_MM), (8.0, 28.0))
"""Points of the type and height of the fret tops: the usual, and where that leaves no room for all faults."""
STRIP_MM, GAP_MM = 20.0, 3.0
"""How high the strip of pictures is, and how far they stand apart."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Fault:
    """A line of the page: its text, the frets that it tells of and how many verdicts it stands for."""

    text: str
    frets: Sequence[int] = ()
    of: int = 1


def customers_page(pdf: Sheet, told: Told, unit: str, pictures: Sequence[bytes]) -> None:
    """Fill the page below its head: every fault has its line before lists and pictures get the room that is left."""
    pdf.set_auto_page_break(auto=False)
    faults = _faults(told, unit)
    left = pdf.h - FOOT_MM - 1 - pdf.get_y() - TITLE_MM
    for shown, (size, profile_mm), most in product((pictures, ()) if pictures else ((),), WAYS, MOST_BESIDE):
        tail = _tail(told, *most, hidden=len(pictures) - len(shown))
        room = left - neck_tall(told, profile_mm) - (STRIP_MM + TITLE_MM if shown else 0.0)
        room -= sum(TITLE_MM + _tall(pdf, lines, size) for _, lines in tail)
        told_of = _fitting(pdf, faults, size, room)
        if told_of == len(faults) and room >= 0:
            break
    draw_neck(pdf, told, profile_mm)
    pdf.title_line("Outside the limits" if faults else "Nothing lies outside the limits")
    for one in faults[:told_of]:
        signed(pdf, "fail", one.text, size=size)
    if told_of < len(faults):
        pdf.say(_more(faults[told_of:]), size=size, colour=SOFT, indent=SIGN_MM)
    _strip(pdf, shown)
    for title, lines in tail:
        pdf.title_line(title)
        for line in lines:
            pdf.say(line, size=size)


def _tall(pdf: Sheet, lines: Iterable[str], size: float, *, indent: float = 0.0) -> float:
    return sum(pdf.tall(line, size=size, indent=indent) for line in lines)


def _fitting(pdf: Sheet, faults: Sequence[Fault], size: float, room: float) -> int:
    """Return how many faults have room, with the line that tells of the others."""
    ends = list(accumulate(pdf.tall(one.text, size=size, indent=SIGN_MM) for one in faults))
    if not ends or ends[-1] <= room:
        return len(faults)
    for n in range(bisect_right(ends, room), 0, -1):
        if ends[n - 1] + pdf.tall(_more(faults[n:]), size=size, indent=SIGN_MM) <= room:
            return n
    return 0


def _more(faults: Sequence[Fault]) -> str:
    """Say how many failed checks have no line on the page, and at which frets they are."""
    frets = sorted({fret for one in faults for fret in one.frets})
    at = f" at fret{'' if len(frets) == 1 else 's'} {frets_words(frets)}" if frets else ""
    return f"and {sum(one.of for one in faults)} more{at}, which {FULL} lists"


def _faults(told: Told, unit: str) -> list[Fault]:
    key = "text_in" if unit == "in" else "text"
    groups = [Fault(text=capital(one[key]), frets=one["frets"], of=one["of"]) for one in told["faults"]]
    return [*groups, *(Fault(text=capital(one[key])) for one in told["zeros_moved"])]


def _strip(pdf: Sheet, pictures: Sequence[bytes]) -> None:
    """Draw the pictures side by side in one strip."""
    if not pictures:
        return
    pdf.title_line("Pictures")
    pdf.ln(0.6)
    top, wide = pdf.get_y(), (pdf.epw - (MOST_PICTURES - 1) * GAP_MM) / MOST_PICTURES
    for index, picture in enumerate(pictures):
        left = MARGIN_MM + index * (wide + GAP_MM)
        pdf.image(BytesIO(picture), left, top, wide, STRIP_MM, keep_aspect_ratio=True)
    pdf.set_xy(MARGIN_MM, top + STRIP_MM)


def _tail(told: Told, most: int, letters: int, *, hidden: int) -> list[tuple[str, list[str]]]:
    gauges = [_gauge_line(one) for one in told["gauges"]]
    notes = [cut(one, MOST_LINE) for one in told["notes"]]
    off = [f"{counted(hidden, 'picture')} {are(hidden)} in {FULL}."] if hidden else []
    parts = [
        ("From the workshop", _said(told, letters)),
        ("Measured with", _first(gauges, most)), ("Notes", _first(notes, most)),
        ("Cautions for whoever works on it", [cautions_together(told["cautions"])]),
        ("How to read this", [told["read_off"], *off]),
    ]  # fmt: skip
    return [(title, lines) for title, lines in parts if any(lines)]


def _said(told: Told, most: int) -> list[str]:
    """Return what the workshop noted for the customer, line by line, cut behind a word after so many letters in all."""
    lines: list[str] = []
    for line in [line for one in told["visit_notes"] if one["customer"] for line in one["text"].split("\n") if line]:
        if len(line) > most:
            return [*lines, textwrap.shorten(line, most, placeholder=CUT) if most > len(CUT) else CUT.strip()]
        lines.append(line)
        most -= max(len(line), LINE_LETTERS)
    return lines


def _gauge_line(one: Told) -> str:
    """Return what a gauge is and how it stood at its last check; what it is worth is on the sheet for the shop."""
    name = cut(one["name"], MOST_NAME)
    if one["kind"] == "leaves":
        return f"{name}: {one['words']}; each reading lies between two leaves"
    when = f" ({day(one['last_check'])})" if one["last_check"] else ""
    return f"{name}: {one['words']}; {one['checked']}{when}"


def _first(lines: list[str], most: int) -> list[str]:
    return lines if len(lines) <= most else [*lines[:most], f"and {len(lines) - most} more in {FULL}"]
