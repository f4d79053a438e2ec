"""The quality-check sheet as a PDF: one page for the customer, more for the shop.

The same record gives the same bytes. Fonts are embedded, so that a sheet prints alike everywhere.
"""

from collections.abc import Mapping, Sequence
from datetime import datetime
from importlib.resources import files
from io import BytesIO
from pathlib import Path
from typing import Any, Final, cast

from fpdf import FPDF
from fpdf.enums import XPos, YPos
from fpdf.fonts import TTFFont

from logger.sentences import MM_PER_INCH, length
from logger.sheet_choices import MOST_PICTURES, UNITS
from logger.sheet_drawings import INK, RULE, SOFT, draw_code, draw_map, draw_profile, draw_sign

FONT: Final = "sheet"
MARGIN_MM, FOOT_MM, LINE_MM = 14.0, 14.0, 4.4
CODE_MM: Final = 26.0
MOST_LISTED: Final = (6, 4, 3, 2, 1)
"""Gauges and notes on the customer's page: as many as leave room for what failed; the shop's has all."""
LEAST_ROOM_MM: Final = 16.0
STRIP_MM, ALBUM_MM, ALBUM_ROW, GAP_MM = 20.0, 42.0, 3, 3.0
"""How high pictures are in the customer's strip and on the shop's sheet, and how many stand there side by side."""
MOST_UNDER: Final = 110
MOST_NAME, MOST_LINE = 70, 230
"""Letters of a name, and of a line that people wrote; cautions are never cut."""
COLUMNS: Final = (("check", 44.0), ("where", 30.0), ("mm", 36.0), ("inch", 38.0), ("chance", 16.0), ("verdict", 0.0))
INVENTED: Final = "Invented instrument: it does not exist. This sheet shows what such a sheet looks like."

Told = Mapping[str, Any]


def sheet_pdf(
    told: Told, pictures: Sequence[bytes] = (), *, audience: str = "customer", unit: str = "mm", paper: str = "a4"
) -> bytes:
    """Return the sheet of a record.

    Args:
        told: the record, as `logger.instrument_record.record_of` gives it.
        pictures: small copies of the first attached pictures, as `logger.small_picture` makes them.
        audience: one of `AUDIENCES`.
        unit: of sentences, one of `UNITS`; tables have both.
        paper: one of `PAPERS`.
    """
    pdf = _Sheet(told, paper)
    pdf.add_page()
    _head(pdf, told)
    _summary(pdf, told)
    _drawings(pdf, told)
    if audience == "customer":
        _customer(pdf, told, unit, pictures)
    else:
        _shop(pdf, told, unit, pictures)
    return bytes(pdf.output())


class _Sheet(FPDF):
    """Pages with a foot that says what they belong to."""

    def __init__(self, told: Told, paper: str) -> None:
        super().__init__(format=paper)
        self._told = told
        folder = files("logger.fonts")
        self.add_font(FONT, "", Path(str(folder / "DejaVuSansCondensed.ttf")))
        self.add_font(FONT, "B", Path(str(folder / "DejaVuSansCondensed-Bold.ttf")))
        font = self.fonts[FONT]
        self._known = frozenset(font.cmap) if isinstance(font, TTFFont) else frozenset[int]()
        self.set_font(FONT, size=9)
        self.set_margins(MARGIN_MM, MARGIN_MM, MARGIN_MM)
        self.c_margin = 0
        self.set_auto_page_break(auto=True, margin=FOOT_MM)
        self.set_title(self.plain(f"Quality check of {told['instrument']['name']}"))
        self.set_creation_date(datetime.fromisoformat(told["taken_at"] or told["started_at"]))

    def plain(self, text: object) -> str:
        """Return a text as the font can set it: one line, a question mark for a letter that it does not have."""
        line = " ".join(str(text).split())
        return "".join(one if ord(one) in self._known else "?" for one in line)

    def say(
        self, text: object, *, size: float = 9, style: str = "", colour: Any = INK, indent: float = 0, right: float = 0
    ) -> None:
        """Write a paragraph, ``indent`` and ``right`` millimetres away from the margins."""
        self.set_font(FONT, style, size)
        self.set_text_color(*colour)
        self.set_x(MARGIN_MM + indent)
        self.multi_cell(
            self.epw - indent - right, size * 0.49, self.plain(text), align="L", new_x=XPos.LMARGIN, new_y=YPos.NEXT
        )

    def tall(self, text: object, *, size: float = 9, indent: float = 0) -> float:
        """Return how high a paragraph would be."""
        self.set_font(FONT, "", size)
        tall = self.multi_cell(
            self.epw - indent, size * 0.49, self.plain(text), align="L", dry_run=True, output="HEIGHT"
        )
        return float(cast("float", tall))

    def title_line(self, text: str) -> None:
        """Write the title of a part."""
        self.ln(1.6)
        self.say(text, size=10.5, style="B")
        self.ln(0.6)

    def footer(self) -> None:
        """Write what the page belongs to at its foot."""
        self.set_y(-FOOT_MM + 3)
        self.set_font(FONT, "", 7)
        self.set_text_color(*SOFT)
        invented = ", invented" if self._told["instrument"]["invented"] else ""
        name = _cut(self._told["instrument"]["name"], MOST_NAME)
        line = f"{name}{invented} · session {self._told['session']} · {self._told['software']}"
        self.cell(self.epw - 24, 4, self.plain(line))
        self.cell(24, 4, f"page {self.page_no()} of {{nb}}", align="R")


def _head(pdf: _Sheet, told: Told) -> None:
    neck, top = told["instrument"], pdf.get_y()
    pdf.say("Fretwork quality check", size=9.5, colour=SOFT)
    pdf.say(_cut(neck["name"], MOST_NAME), size=17, style="B")
    facts = [_cut(neck["kind"], MOST_NAME), f"scale {length_both(neck['scale_mm'], None, 1)}", f"{neck['frets']} frets"]
    facts += [f"body joins at fret {neck['join_fret']}"] if neck["join_fret"] else []
    facts += [f"wire: {_cut(neck['wire'], MOST_NAME)}"] if neck["wire"] else []
    pdf.say(", ".join(facts), colour=SOFT)
    people = f", by {_cut(told['people'], MOST_NAME)}" if told["people"] else ""
    when = _day(told["taken_at"] or told["started_at"])
    pdf.say(f"{told['readings']} readings, the last on {when}{people}", colour=SOFT)
    if told["note"]:
        pdf.say(_cut(told["note"], MOST_LINE))
    if told["seal"] is not None:
        draw_code(pdf, told["seal"]["modules"], pdf.w - MARGIN_MM - CODE_MM, top, CODE_MM)
        pdf.say(f"Record {told['seal']['code']}", size=11, style="B")
        if told["seal"]["rests"]:
            pdf.say(_capital(told["seal"]["rests"]), size=7.5, colour=SOFT, right=CODE_MM)
    if neck["invented"]:
        pdf.ln(1)
        pdf.set_draw_color(*INK)
        pdf.set_line_width(0.3)
        pdf.set_dash_pattern(dash=1.5, gap=1)
        pdf.rect(MARGIN_MM, pdf.get_y(), pdf.epw, 6)
        pdf.set_dash_pattern()
        pdf.set_xy(MARGIN_MM + 2, pdf.get_y() + 0.7)
        pdf.say(INVENTED, style="B", indent=2)
        pdf.ln(0.8)


def _summary(pdf: _Sheet, told: Told) -> None:
    pdf.ln(2)
    y, x = pdf.get_y(), MARGIN_MM
    for name, words in (("fail", "fail"), ("remeasure", "measure again"), ("pass", "pass")):
        draw_sign(pdf, name, x + 3, y + 3, 6)
        pdf.set_xy(x + 7, y)
        pdf.set_text_color(*INK)
        pdf.set_font(FONT, "B", 13)
        pdf.cell(50, 6, f"{told['counts'][name]} {words}")
        x += 56
    pdf.set_xy(MARGIN_MM, y + 7)


def _drawings(pdf: _Sheet, told: Told) -> None:
    if told["map"]:
        pdf.title_line("Worst verdict by fret and place")
        pdf.set_font(FONT, "", 8)
        pdf.set_xy(MARGIN_MM, draw_map(pdf, told, MARGIN_MM, pdf.get_y(), pdf.epw))
    if told["profile"]:
        pdf.title_line("Fret tops along the neck")
        pdf.ln(1)
        pdf.set_xy(MARGIN_MM, draw_profile(pdf, told, MARGIN_MM, pdf.get_y(), pdf.epw))


def _customer(pdf: _Sheet, told: Told, unit: str, pictures: Sequence[bytes]) -> None:
    """Fill the rest of the one page: as many failed checks as there is room for above what must stand."""
    pdf.set_auto_page_break(auto=False)
    strip = STRIP_MM + 8 if pictures else 0.0
    left = pdf.h - FOOT_MM - 1 - pdf.get_y() - strip
    for most in MOST_LISTED:
        tail = _tail(told, most)
        room = left - sum(8 + sum(map(pdf.tall, lines)) for _, lines in tail)
        if room >= LEAST_ROOM_MM:
            break
    fails = _fails(told, unit)
    pdf.title_line("Outside the limits" if fails else "Nothing lies outside the limits")
    room -= 8
    for index, (text, _) in enumerate(fails):
        tall, more = pdf.tall(text, indent=6), LINE_MM if index + 1 < len(fails) else 0
        if tall + more > room:
            pdf.say(f"and {len(fails) - index} more, which the shop's sheet lists", colour=SOFT, indent=6)
            break
        _signed(pdf, "fail", text)
        room -= tall
    _strip(pdf, pictures)
    for title, lines in tail:
        pdf.title_line(title)
        for line in lines:
            pdf.say(line)


def _strip(pdf: _Sheet, pictures: Sequence[bytes]) -> None:
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


def _album(pdf: _Sheet, told: Told, pictures: Sequence[bytes]) -> None:
    """Draw the pictures large enough to look at, each with what is said of it, and name every other file."""
    kept = told["attachments"]
    if not kept:
        return
    shown = [one for one in kept if one["picture"]][: len(pictures)]
    pdf.title_line("Pictures and other files")
    pdf.ln(0.6)
    wide = (pdf.epw - (ALBUM_ROW - 1) * GAP_MM) / ALBUM_ROW
    for start in range(0, len(shown), ALBUM_ROW):
        row = list(zip(shown, pictures, strict=True))[start : start + ALBUM_ROW]
        if pdf.will_page_break(ALBUM_MM + 2 * LINE_MM):
            pdf.add_page()
        top = pdf.get_y()
        for index, (one, picture) in enumerate(row):
            left = MARGIN_MM + index * (wide + GAP_MM)
            pdf.image(BytesIO(picture), left, top, wide, ALBUM_MM, keep_aspect_ratio=True)
            pdf.set_font(FONT, "", 7.5)
            pdf.set_text_color(*SOFT)
            pdf.set_xy(left, top + ALBUM_MM + 0.5)
            pdf.multi_cell(wide, 3.4, pdf.plain(_cut(_file_words(one), MOST_UNDER)), align="L")
        pdf.set_xy(MARGIN_MM, top + ALBUM_MM + 3 * 3.4 + 1)
    for one in kept:
        if one not in shown:
            pdf.say(_cut(_file_line(one), MOST_LINE), size=8.5)


def _file_words(one: Told) -> str:
    late = " (added after sealing)" if one["sealed"] is False else ""
    return f"{one['name']}{': ' if one['note'] else ''}{one['note']}{late}"


def _file_line(one: Told) -> str:
    return f"{_file_words(one)}, {one['size']} bytes, SHA-256 {one['sha256'][:16]}…"


def _tail(told: Told, most: int) -> list[tuple[str, list[str]]]:
    gauges = [_gauge_line(one) for one in told["gauges"]]
    notes = [_cut(one, MOST_LINE) for one in told["notes"]]
    sentences = [one.strip(". ") for told_of in told["cautions"] for one in told_of.split(". ")]
    parts = [
        ("Measured with", _first(gauges, most)), ("Notes", _first(notes, most)),
        ("Cautions for whoever works on it", [". ".join(dict.fromkeys(sentences)) + "." if sentences else ""]),
        ("How to read this", [told["read_off"]]),
    ]  # fmt: skip
    return [(title, lines) for title, lines in parts if any(lines)]


def _first(lines: list[str], most: int) -> list[str]:
    return lines if len(lines) <= most else [*lines[:most], f"and {len(lines) - most} more on the shop's sheet"]


def _fails(told: Told, unit: str) -> list[tuple[str, str]]:
    key = "text_in" if unit == "in" else "text"
    failed = [one for one in told["verdicts"] if one["verdict"] == "fail"]
    return [(_capital(one[key]), _capital(one["todo"])) for one in (*failed, *told["zeros_moved"])]


def _capital(text: str) -> str:
    return text[:1].upper() + text[1:]


def _signed(pdf: _Sheet, verdict: str, text: str) -> None:
    draw_sign(pdf, verdict, MARGIN_MM + 2.4, pdf.get_y() + LINE_MM / 2, 3.6)
    pdf.say(text, indent=6)


def _shop(pdf: _Sheet, told: Told, unit: str, pictures: Sequence[bytes]) -> None:
    fails = _fails(told, unit)
    pdf.title_line("Outside the limits, and what to do" if fails else "Nothing lies outside the limits")
    for text, todo in fails:
        if pdf.will_page_break(LINE_MM * 3):
            pdf.add_page()
        _signed(pdf, "fail", text)
        pdf.say(todo, size=8, colour=SOFT, indent=6)
    for title, lines in (
        ("Cautions", told["cautions"]), ("Notes", told["notes"]),
        ("Gauges and their checks", [_gauge_line(one) for one in told["gauges"]]),
        ("Air", [f"{_day(one['at'])}: {one['temperature_c']:.1f} °C, {one['humidity_percent']:.0f} % humidity"
                 for one in told["climate"]]),
        ("Limits", [_limit_line(one) for one in told["limits"]]), ("How to read this", [told["read_off"]]),
    ):  # fmt: skip
        if lines:
            pdf.title_line(title)
            for line in lines:
                pdf.say(line, size=8.5)
    _album(pdf, told, pictures)
    _table(pdf, told["verdicts"])


def _table(pdf: _Sheet, verdicts: Sequence[Told]) -> None:
    """Write every verdict as a row, the worst first, with the head again on every page."""
    pdf.add_page()
    pdf.title_line(f"All {len(verdicts)} verdicts")
    _row(pdf, ["", *(name for name, _ in COLUMNS)], style="B")
    for one in verdicts:
        if pdf.will_page_break(LINE_MM):
            pdf.add_page()
            _row(pdf, ["", *(name for name, _ in COLUMNS)], style="B")
        draw_sign(pdf, one["verdict"], MARGIN_MM + 2, pdf.get_y() + LINE_MM / 2, 3)
        sizes = (length(one["value_mm"], one["U_mm"], unit) for unit in UNITS)
        chance = "" if one["p"] is None else f"{100 * one['p']:.0f} %"
        _row(pdf, ["", one["words"], one["where"], *sizes, chance, one["said"]])


def _row(pdf: _Sheet, cells: Sequence[str], *, style: str = "") -> None:
    pdf.set_font(FONT, style, 8)
    pdf.set_text_color(*INK)
    pdf.set_draw_color(*RULE)
    pdf.set_line_width(0.1)
    for text, width in zip(cells, (5.0, *(width for _, width in COLUMNS)), strict=True):
        pdf.cell(width, LINE_MM, pdf.plain(text), border="B")
    pdf.ln(LINE_MM)


def _gauge_line(one: Told) -> str:
    name = _cut(one["name"], MOST_NAME)
    if one["kind"] == "leaves":
        return f"{name}: {one['words']}; each reading lies between two leaves"
    digit = "" if one["resolution_mm"] is None else f", digit {length_both(one['resolution_mm'], None, 4)}"
    worth = "not known" if one["u_mm"] is None else length_both(one["u_mm"], None, 4)
    when = f" ({_day(one['last_check'])})" if one["last_check"] else ""
    return f"{name}: {one['words']}{digit}, standard uncertainty of a reading {worth}; {one['checked']}{when}"


def _limit_line(one: Told) -> str:
    sides = [f"{word} {length_both(one[key], None, 3)}"
             for word, key in (("at least", "lower_mm"), ("at most", "upper_mm")) if one[key] is not None]  # fmt: skip
    return (
        f"{one['words']}: {' and '.join(sides)}; pass from a chance of {100 * one['p_pass']:g} %, "
        f"fail up to {100 * one['p_fail']:g} %"
    )


def length_both(value_mm: float, expanded_u_mm: float | None, decimals: int) -> str:
    """Return a length in mm and, in brackets, in inches with one decimal more."""
    spread = "" if expanded_u_mm is None else f" ± {expanded_u_mm:.{decimals}f}"
    text = f"{value_mm:.{decimals}f}{spread} mm ({value_mm / MM_PER_INCH:.{decimals + 1}f} in)"
    return text.replace("-", "\N{MINUS SIGN}")


def _cut(text: str, most: int) -> str:
    return text if len(text) <= most else f"{text[: most - 1]}…"


def _day(at: str) -> str:
    when = datetime.fromisoformat(at)
    return f"{when.day} {when:%B %Y}"
