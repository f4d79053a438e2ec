"""What is drawn on a printed sheet: signs of verdicts, the neck map, the height profile, the code of a seal.

Everything is told apart by shape as well as by colour, so that a copy in black and white says the same. Places on the
paper are in mm from its upper left corner.
"""

import math
from collections.abc import Mapping, Sequence
from typing import Any, Final

from fpdf import FPDF

from logger.sentences import MM_PER_INCH

INK, SOFT, RULE, PAPER = (28, 36, 43), (85, 96, 106), (205, 197, 182), (255, 255, 255)
COLOURS: Final = {"pass": (11, 97, 164), "fail": (179, 58, 0), "remeasure": (243, 215, 74)}
"""As on the page: blue, vermilion and yellow after Okabe and Ito, 2008."""
SIGN_BOX: Final = 24.0
"""Signs are drawn in a box of 24 by 24, with the numbers of the page's own."""
DIAMOND: Final = ((12, 0.5), (23.5, 12), (12, 23.5), (0.5, 12))


def _turning(middle: tuple[float, float], radius: float, first: float, last: float) -> list[tuple[float, float]]:
    """Return points of an arc between two angles in degrees, clockwise from the right."""
    angles = (math.radians(first + (last - first) * step / 24) for step in range(25))
    return [(middle[0] + radius * math.cos(one), middle[1] + radius * math.sin(one)) for one in angles]


STROKES: Final[Mapping[str, Sequence[Sequence[tuple[float, float]]]]] = {
    "pass": [[(7, 12.5), (10.5, 16), (17, 8.5)]],
    "fail": [[(8.5, 8.5), (15.5, 15.5)], [(15.5, 8.5), (8.5, 15.5)]],
    "remeasure": [_turning((12.054, 12.237), 5.5, -36.05, -352.03), [(17.5, 5.5), (17.5, 9.5), (13.5, 9.5)]],
}
"""What is drawn within the outlines; the arc goes from (16.5, 9) to (17.5, 13) the long way round."""
PATHS: Final = {
    "treble": ((138, 47, 126), ()),
    "centre": ((85, 96, 106), (1.6, 1.0)),
    "bass": ((11, 97, 164), (0.5, 0.9)),
}
"""Colour of a path in the profile, and its dashes."""
ROWS: Final = {"treble": "treble", "centre": "centre", "bass": "bass", "": "whole fret"}
ROW_MM, LABEL_MM = 6.2, 19.0
PROFILE_MM: Final = 40.0


def draw_sign(pdf: FPDF, verdict: str, x: float, y: float, size: float) -> None:
    """Draw a verdict's sign around (x, y) as the page does: a disc, a diamond, a square with a turning arrow."""
    unit = size / SIGN_BOX
    left, top = x - size / 2, y - size / 2
    pdf.set_line_width(2.4 * unit)
    pdf.set_fill_color(*COLOURS[verdict])
    if verdict == "pass":
        pdf.ellipse(left + 2 * unit, top + 2 * unit, 20 * unit, 20 * unit, style="F")
    elif verdict == "fail":
        pdf.polygon([(left + at * unit, top + down * unit) for at, down in DIAMOND], style="F")
    else:
        pdf.set_draw_color(*INK)
        pdf.set_line_width(1.2 * unit)
        pdf.rect(left + 2 * unit, top + 2 * unit, 20 * unit, 20 * unit, style="FD", round_corners=True,
                 corner_radius=3 * unit)  # fmt: skip
        pdf.set_line_width(2 * unit)
    for line in STROKES[verdict]:
        _stroke(pdf, INK if verdict == "remeasure" else PAPER, [(left + a * unit, top + b * unit) for a, b in line])


def _stroke(pdf: FPDF, colour: tuple[int, int, int], points: Sequence[tuple[float, float]]) -> None:
    pdf.set_draw_color(*colour)
    pdf.polyline(list(points), style="D")


def draw_map(pdf: FPDF, told: Mapping[str, Any], x: float, y: float, width: float) -> float:
    """Draw the worst verdict of every fret and place, and return where the map ends."""
    frets = told["instrument"]["frets"]
    step = (width - LABEL_MM) / frets
    used = [place for place in ROWS if any(one["place"] == place for one in told["map"])]
    pdf.set_text_color(*SOFT)
    pdf.set_font(size=7.5)
    _text(pdf, x, y, LABEL_MM, "fret", align="L")
    for fret in range(1, frets + 1):
        _text(pdf, x + LABEL_MM + (fret - 1) * step, y, step, str(fret))
    for row, place in enumerate(used, start=1):
        top = y + row * ROW_MM
        pdf.set_draw_color(*RULE)
        pdf.set_line_width(0.15)
        pdf.line(x, top, x + width, top)
        _text(pdf, x, top, LABEL_MM, ROWS[place], align="L")
        for one in told["map"]:
            if one["place"] == place:
                middle = x + LABEL_MM + (one["fret"] - 0.5) * step
                draw_sign(pdf, one["verdict"], middle, top + ROW_MM / 2, min(step, ROW_MM) * 0.72)
    return float(y + (len(used) + 1) * ROW_MM)


def _text(pdf: FPDF, x: float, y: float, width: float, text: str, *, align: str = "C", height: float = ROW_MM) -> None:
    pdf.set_xy(x, y)
    pdf.cell(width, height, text, align=align)


def map_tall(told: Mapping[str, Any]) -> float:
    """Return how high the map is in mm."""
    return (len({one["place"] for one in told["map"]}) + 1) * ROW_MM


def profile_tall(tall: float) -> float:
    """Return how high the profile is in mm with its numbers and its key, when its heights take ``tall``."""
    return tall + 1 + 4 + 5


def draw_profile(
    pdf: FPDF, told: Mapping[str, Any], x: float, y: float, width: float, tall: float = PROFILE_MM
) -> float:
    """Draw the heights along the neck, each with twice its standard uncertainty, and return where the drawing ends.

    Args:
        pdf: what is drawn on.
        told: the record.
        x: left end of the drawing.
        y: its upper end.
        width: how wide it is with its scales.
        tall: how high the span of all heights is drawn.
    """
    heights, frets = told["profile"], told["instrument"]["frets"]
    low = min(one["height_mm"] - 2 * one["u_mm"] for one in heights)
    high = max(one["height_mm"] + 2 * one["u_mm"] for one in heights)
    span = max(high - low, 0.02)
    left, right = x + LABEL_MM, x + width - LABEL_MM
    place = _along(frets)

    def at(fret: int, height_mm: float) -> tuple[float, float]:
        return left + 2 + place(fret) * (right - left - 4), y + (high - height_mm) / span * tall

    _axes(pdf, low, span, (left, right), lambda height: at(1, height)[1])
    for path, (colour, dashes) in PATHS.items():
        _path(pdf, [one for one in heights if one["place"] == path], colour, dashes, at)
    pdf.set_text_color(*SOFT)
    pdf.set_font(size=7.5)
    end = y + tall + 1
    for fret in range(1, frets + 1, 1 if frets < 21 else 2):
        _text(pdf, at(fret, low)[0] - 4, end, 8, str(fret), height=4)
    return _profile_key(pdf, x, end + 4, drawn_times(told, width, span, tall), {one["place"] for one in heights})


def drawn_times(told: Mapping[str, Any], width: float, span: float, tall: float = PROFILE_MM) -> float:
    """Return how many times larger heights are drawn than lengths along the neck."""
    frets, scale = told["instrument"]["frets"], told["instrument"]["scale_mm"]
    along = scale * (2 ** (-1 / 12) - 2 ** (-frets / 12))
    return float((tall / span) / ((width - 2 * LABEL_MM - 4) / along))


def _along(frets: int) -> Any:
    """Return how far along the drawing a fret stands, from 0 at the first to 1 at the last (equal temperament)."""
    first, last = 2 ** (-1 / 12), 2 ** (-frets / 12)
    return lambda fret: (first - 2 ** (-fret / 12)) / (first - last) if frets > 1 else 0.5


def _axes(pdf: FPDF, low: float, span: float, sides: tuple[float, float], height_at: Any) -> None:
    step = next(one for one in (0.005, 0.01, 0.02, 0.05, 0.1, 0.2, 0.5, 1.0, 2.0, 5.0, 1000.0) if span / one <= 6)
    pdf.set_text_color(*SOFT)
    pdf.set_font(size=7)
    pdf.set_draw_color(*RULE)
    pdf.set_line_width(0.15)
    tick = -(-low // step) * step
    while tick <= low + span + 1e-9:
        level = height_at(tick)
        pdf.line(sides[0], level, sides[1], level)
        shown, inches = _figure(tick, 3), _figure(tick / MM_PER_INCH, 4)
        _text(pdf, sides[0] - LABEL_MM, level - 1.5, LABEL_MM - 1, f"{shown} mm", align="R", height=3)
        _text(pdf, sides[1] + 1, level - 1.5, LABEL_MM - 1, f"{inches} in", align="L", height=3)
        tick += step


def _figure(value: float, decimals: int) -> str:
    return f"{round(value, decimals) + 0.0:.{decimals}f}".replace("-", "\N{MINUS SIGN}")


def _path(pdf: FPDF, heights: Sequence[Mapping[str, Any]], colour: Any, dashes: tuple[float, ...], at: Any) -> None:
    points = [at(one["fret"], one["height_mm"]) for one in heights]
    pdf.set_draw_color(*colour)
    pdf.set_fill_color(*colour)
    pdf.set_line_width(0.2)
    for one, (across, level) in zip(heights, points, strict=True):
        reach = at(one["fret"], one["height_mm"] - 2 * one["u_mm"])[1] - level
        pdf.line(across, level - reach, across, level + reach)
        pdf.ellipse(across - 0.5, level - 0.5, 1.0, 1.0, style="F")
    pdf.set_line_width(0.3)
    if len(points) > 1:
        if dashes:
            pdf.set_dash_pattern(dash=dashes[0], gap=dashes[1])
        pdf.polyline(points, style="D")
        pdf.set_dash_pattern()


def _profile_key(pdf: FPDF, x: float, y: float, times: float, places: set[str]) -> float:
    across = x + LABEL_MM
    for path, (colour, dashes) in PATHS.items():
        if path in places:
            pdf.set_draw_color(*colour)
            pdf.set_line_width(0.4)
            if dashes:
                pdf.set_dash_pattern(dash=dashes[0], gap=dashes[1])
            pdf.line(across, y + 2, across + 8, y + 2)
            pdf.set_dash_pattern()
            _text(pdf, across + 9, y, 14, path, align="L", height=4)
            across += 24
    words = f"heights drawn {times:.0f} times; upright bars: twice the standard uncertainty"
    _text(pdf, across, y, 90, words, align="L", height=4)
    return y + 5


def draw_code(pdf: FPDF, modules: Sequence[str], x: float, y: float, size: float) -> None:
    """Draw a square code from rows of 1 (dark) and 0, with the four light modules around it that readers need.

    Source: ISO/IEC 18004 (quiet zone of four modules).
    """
    side = size / (len(modules) + 8)
    pdf.set_fill_color(0, 0, 0)
    for row, line in enumerate(modules):
        for column, module in enumerate(line):
            if module == "1":
                pdf.rect(x + (column + 4) * side, y + (row + 4) * side, side, side, style="F")
