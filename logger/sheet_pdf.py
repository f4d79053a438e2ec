"""The quality-check sheet as a PDF: one page for the customer, more for the shop.

The same record gives the same bytes. Fonts are embedded, so that a sheet prints alike everywhere.
"""

from collections.abc import Sequence
from io import BytesIO
from typing import Final

from logger.sentences import length
from logger.sheet_choices import UNITS
from logger.sheet_customer import GAP_MM, customers_page
from logger.sheet_drawings import INK, PROFILE_MM, RULE, SOFT, draw_code, draw_sign
from logger.sheet_paper import (
    FONT,
    LINE_MM,
    MARGIN_MM,
    MOST_LINE,
    MOST_NAME,
    SIGN_MM,
    Sheet,
    Told,
    capital,
    cut,
    day,
    draw_neck,
    length_both,
    signed,
)

CODE_MM: Final = 26.0
ALBUM_MM, ALBUM_ROW = 42.0, 3
"""How high pictures are on the shop's sheet, and how many stand there side by side."""
MOST_UNDER: Final = 110
COLUMNS: Final = (("check", 44.0), ("where", 30.0), ("mm", 36.0), ("inch", 38.0), ("chance", 16.0), ("verdict", 0.0))
INVENTED: Final = "Invented instrument: it does not exist. This sheet shows what such a sheet looks like."


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
    pdf = Sheet(told, paper)
    pdf.add_page()
    _head(pdf, told)
    _summary(pdf, told)
    if audience == "customer":
        customers_page(pdf, told, unit, pictures)
    else:
        draw_neck(pdf, told, PROFILE_MM)
        _shop(pdf, told, unit, pictures)
    return bytes(pdf.output())


def _head(pdf: Sheet, told: Told) -> None:
    neck, top = told["instrument"], pdf.get_y()
    pdf.say("Fretwork quality check", size=9.5, colour=SOFT)
    pdf.say(cut(neck["name"], MOST_NAME), size=17, style="B")
    facts = [cut(neck["kind"], MOST_NAME), f"scale {length_both(neck['scale_mm'], None, 1)}", f"{neck['frets']} frets"]
    facts += [f"body joins at fret {neck['join_fret']}"] if neck["join_fret"] else []
    facts += [f"wire: {cut(neck['wire'], MOST_NAME)}"] if neck["wire"] else []
    pdf.say(", ".join(facts), colour=SOFT)
    people = f", by {cut(told['people'], MOST_NAME)}" if told["people"] else ""
    when = day(told["taken_at"] or told["started_at"])
    pdf.say(f"{told['readings']} readings, the last on {when}{people}", colour=SOFT)
    if told["note"]:
        pdf.say(cut(told["note"], MOST_LINE))
    if told["seal"] is not None:
        draw_code(pdf, told["seal"]["modules"], pdf.w - MARGIN_MM - CODE_MM, top, CODE_MM)
        pdf.say(f"Record {told['seal']['code']}", size=11, style="B")
        if told["seal"]["rests"]:
            pdf.say(capital(told["seal"]["rests"]), size=7.5, colour=SOFT, right=CODE_MM)
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


def _summary(pdf: Sheet, told: Told) -> None:
    pdf.ln(2)
    y, x = pdf.get_y(), MARGIN_MM
    for name, words in (("fail", "fail"), ("remeasure", "measure again"), ("pass", "pass")):
        draw_sign(pdf, name, x + 3, y + 3, 5.6)
        pdf.set_xy(x + 7, y)
        pdf.set_text_color(*INK)
        pdf.set_font(FONT, "B", 13)
        pdf.cell(50, 6, f"{told['counts'][name]} {words}")
        x += 56
    pdf.set_xy(MARGIN_MM, y + 7)


def _album(pdf: Sheet, told: Told, pictures: Sequence[bytes]) -> None:
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
            pdf.multi_cell(wide, 3.4, pdf.plain(cut(_file_words(one), MOST_UNDER)), align="L")
        pdf.set_xy(MARGIN_MM, top + ALBUM_MM + 3 * 3.4 + 1)
    for one in kept:
        if one not in shown:
            pdf.say(cut(_file_line(one), MOST_LINE), size=8.5)


def _file_words(one: Told) -> str:
    late = " (added after sealing)" if one["sealed"] is False else ""
    return f"{one['name']}{': ' if one['note'] else ''}{one['note']}{late}"


def _file_line(one: Told) -> str:
    return f"{_file_words(one)}, {one['size']} bytes, SHA-256 {one['sha256'][:16]}…"


def _noted(one: Told) -> list[str]:
    """Return a note of the visit, line by line, behind when and by whom it was written."""
    by = f", {one['who']}" if one["who"] else ""
    late = ", added after sealing" if one["sealed"] is False else ""
    first, *rest = [line for line in one["text"].split("\n") if line]
    return [f"{day(one['at'])}{by}{late}: {first}", *rest]


def _fails(told: Told, unit: str) -> list[tuple[str, str]]:
    key = "text_in" if unit == "in" else "text"
    failed = [one for one in told["verdicts"] if one["verdict"] == "fail"]
    return [(capital(one[key]), capital(one["todo"])) for one in (*failed, *told["zeros_moved"])]


def _shop(pdf: Sheet, told: Told, unit: str, pictures: Sequence[bytes]) -> None:
    fails = _fails(told, unit)
    pdf.title_line("Outside the limits, and what to do" if fails else "Nothing lies outside the limits")
    for text, todo in fails:
        if pdf.will_page_break(LINE_MM * 3):
            pdf.add_page()
        signed(pdf, "fail", text)
        pdf.say(todo, size=8, colour=SOFT, indent=SIGN_MM)
    for title, lines in (
        ("Notes of this visit", [line for one in told["visit_notes"] for line in _noted(one)]),
        ("Cautions", told["cautions"]), ("Notes", told["notes"]),
        ("Worked with", [f"{capital(one['words'])}: {one['value']}" for one in told["worked_with"]]),
        ("Gauges and their checks", [_gauge_line(one) for one in told["gauges"]]),
        ("Air", [f"{day(one['at'])}: {one['temperature_c']:.1f} °C, {one['humidity_percent']:.0f} % humidity"
                 for one in told["climate"]]),
        ("Limits", [_limit_line(one) for one in told["limits"]]), ("How to read this", [told["read_off"]]),
    ):  # fmt: skip
        if lines:
            pdf.title_line(title)
            for line in lines:
                pdf.say(line, size=8.5)
    _album(pdf, told, pictures)
    _table(pdf, told["verdicts"])


def _table(pdf: Sheet, verdicts: Sequence[Told]) -> None:
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


def _row(pdf: Sheet, cells: Sequence[str], *, style: str = "") -> None:
    pdf.set_font(FONT, style, 8)
    pdf.set_text_color(*INK)
    pdf.set_draw_color(*RULE)
    pdf.set_line_width(0.1)
    for text, width in zip(cells, (5.0, *(width for _, width in COLUMNS)), strict=True):
        pdf.cell(width, LINE_MM, pdf.plain(text), border="B")
    pdf.ln(LINE_MM)


def _gauge_line(one: Told) -> str:
    name = cut(one["name"], MOST_NAME)
    if one["kind"] == "leaves":
        return f"{name}: {one['words']}; each reading lies between two leaves"
    digit = "" if one["resolution_mm"] is None else f", digit {length_both(one['resolution_mm'], None, 4)}"
    worth = "not known" if one["u_mm"] is None else length_both(one["u_mm"], None, 4)
    when = f" ({day(one['last_check'])})" if one["last_check"] else ""
    return f"{name}: {one['words']}{digit}, standard uncertainty of a reading {worth}; {one['checked']}{when}"


def _limit_line(one: Told) -> str:
    sides = [f"{word} {length_both(one[key], None, 3)}"
             for word, key in (("at least", "lower_mm"), ("at most", "upper_mm")) if one[key] is not None]  # fmt: skip
    return (
        f"{one['words']}: {' and '.join(sides)}; pass from a chance of {100 * one['p_pass']:g} %, "
        f"fail up to {100 * one['p_fail']:g} %"
    )
