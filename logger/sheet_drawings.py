"""What is drawn on a printed sheet: signs of verdicts, the neck map, the height profile, the code of a seal.

Everything is told apart by shape as well as by colour, so that a copy in black and white says the same. Places on the
paper are in mm from its upper left corner.
"""

from collections.abc import Mapping, Sequence
from typing import Any, Final

from fpdf import FPDF

from logger.sentences import MM_PER_INCH

INK, SOFT, RULE, PAPER = (28, 36, 43), (85, 96, 106), (205, 197, 182), (255, 255, 255)
COLOURS: Final = {"pass": (11, 97, 164), "fail": (179, 58, 0), "remeasure": (243, 215, 74)}
"""As on the page: blue, vermilion and yellow after Okabe and Ito, 2008."""
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
    """Draw a verdict's sign around (x, y): a disc with a tick, a diamond with a cross, a square with a bar."""
    half = size / 2
    pdf.set_line_width(size / 9)
    pdf.set_fill_color(*COLOURS[verdict])
    pdf.set_draw_color(*COLOURS[verdict])
    if verdict == "pass":
        pdf.ellipse(x - half * 0.85, y - half * 0.85, size * 0.85, size * 0.85, style="F")
        _stroke(
            pdf, PAPER, ((x - half * 0.4, y), (x - half * 0.1, y + half * 0.35), (x + half * 0.45, y - half * 0.35))
        )
    elif verdict == "fail":
        pdf.polygon([(x, y - half), (x + half, y), (x, y + half), (x - half, y)], style="F")
        _stroke(pdf, PAPER, ((x - half * 0.3, y - half * 0.3), (x + half * 0.3, y + half * 0.3)))
        _stroke(pdf, PAPER, ((x - half * 0.3, y + half * 0.3), (x + half * 0.3, y - half * 0.3)))
    else:
        pdf.set_draw_color(*INK)
        pdf.rect(x - half * 0.85, y - half * 0.85, size * 0.85, size * 0.85, style="FD")
        _stroke(pdf, INK, ((x - half * 0.4, y), (x + half * 0.4, y)))


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


def draw_profile(pdf: FPDF, told: Mapping[str, Any], x: float, y: float, width: float) -> float:
    """Draw the heights along the neck, each with twice its standard uncertainty, and return where the drawing ends."""
    heights, frets = told["profile"], told["instrument"]["frets"]
    low = min(one["height_mm"] - 2 * one["u_mm"] for one in heights)
    high = max(one["height_mm"] + 2 * one["u_mm"] for one in heights)
    span = max(high - low, 0.02)
    left, right = x + LABEL_MM, x + width - LABEL_MM
    place = _along(frets)

    def at(fret: int, height_mm: float) -> tuple[float, float]:
        return left + 2 + place(fret) * (right - left - 4), y + (high - height_mm) / span * PROFILE_MM

    _axes(pdf, low, span, (left, right), lambda height: at(1, height)[1])
    for path, (colour, dashes) in PATHS.items():
        _path(pdf, [one for one in heights if one["place"] == path], colour, dashes, at)
    pdf.set_text_color(*SOFT)
    pdf.set_font(size=7.5)
    end = y + PROFILE_MM + 1
    for fret in range(1, frets + 1, 1 if frets < 21 else 2):
        _text(pdf, at(fret, low)[0] - 4, end, 8, str(fret), height=4)
    return _profile_key(pdf, x, end + 4, drawn_times(told, width, span), {one["place"] for one in heights})


def drawn_times(told: Mapping[str, Any], width: float, span: float) -> float:
    """Return how many times larger heights are drawn than lengths along the neck."""
    frets, scale = told["instrument"]["frets"], told["instrument"]["scale_mm"]
    along = scale * (2 ** (-1 / 12) - 2 ** (-frets / 12))
    return float((PROFILE_MM / span) / ((width - 2 * LABEL_MM - 4) / along))


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
