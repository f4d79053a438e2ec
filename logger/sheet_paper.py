"""The paper of a quality-check sheet: its type, margins and foot, and how lines, titles and sizes are set on it."""

from collections.abc import Mapping
from datetime import datetime
from importlib.resources import files
from pathlib import Path
from typing import Any, Final, cast

from fpdf import FPDF
from fpdf.enums import XPos, YPos
from fpdf.fonts import TTFFont

from logger.sentences import MM_PER_INCH
from logger.sheet_drawings import INK, SOFT, draw_map, draw_profile, draw_sign, map_tall, profile_tall

FONT: Final = "sheet"
MARGIN_MM, FOOT_MM, LINE_MM = 14.0, 14.0, 4.4
TITLE_MM, SIGN_MM = 8.0, 6.0
"""Height of the title of a part with what is around it, and width of a sign before a line."""
MOST_NAME, MOST_LINE = 70, 230
"""Letters of a name, and of a line that people wrote; cautions are never cut."""

Told = Mapping[str, Any]


class Sheet(FPDF):
    """Pages with a foot that says what they belong to."""

    def __init__(self, told: Told, paper: str) -> None:
        super().__init__(format=paper)
        self._told = told
        self._talls: dict[tuple[str, float, float], float] = {}
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
        """Return how high a paragraph would be; what was asked before is not set once more."""
        key = (str(text), size, indent)
        if key not in self._talls:
            self.set_font(FONT, "", size)
            tall = self.multi_cell(
                self.epw - indent, size * 0.49, self.plain(text), align="L", dry_run=True, output="HEIGHT"
            )
            self._talls[key] = float(cast("float", tall))
        return self._talls[key]

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
        name = cut(self._told["instrument"]["name"], MOST_NAME)
        line = f"{name}{invented} · session {self._told['session']} · {self._told['software']}"
        self.cell(self.epw - 24, 4, self.plain(line))
        self.cell(24, 4, f"page {self.page_no()} of {{nb}}", align="R")


def draw_neck(pdf: Sheet, told: Told, profile_mm: float) -> None:
    """Draw the map of verdicts, and the fret tops as high as is said."""
    if told["map"]:
        pdf.title_line("Worst verdict by fret and place")
        pdf.set_font(FONT, "", 8)
        pdf.set_xy(MARGIN_MM, draw_map(pdf, told, MARGIN_MM, pdf.get_y(), pdf.epw))
    if told["profile"]:
        pdf.title_line("Fret tops along the neck")
        pdf.ln(1)
        pdf.set_xy(MARGIN_MM, draw_profile(pdf, told, MARGIN_MM, pdf.get_y(), pdf.epw, profile_mm))


def neck_tall(told: Told, profile_mm: float) -> float:
    """Return how high, in mm, what `draw_neck` draws is at most."""
    map_mm = TITLE_MM + map_tall(told) if told["map"] else 0.0
    return map_mm + (TITLE_MM + 1 + profile_tall(profile_mm) if told["profile"] else 0.0)


def signed(pdf: Sheet, verdict: str, text: str, *, size: float = 9) -> None:
    """Write a line with the sign of a verdict before it."""
    draw_sign(pdf, verdict, MARGIN_MM + 2.4, pdf.get_y() + size * 0.245, 0.4 * size)
    pdf.say(text, size=size, indent=SIGN_MM)


def capital(text: str) -> str:
    """Return a text with a capital at its beginning."""
    return text[:1].upper() + text[1:]


def length_both(value_mm: float, expanded_u_mm: float | None, decimals: int) -> str:
    """Return a length in mm and, in brackets, in inches with one decimal more."""
    spread = "" if expanded_u_mm is None else f" ± {expanded_u_mm:.{decimals}f}"
    text = f"{value_mm:.{decimals}f}{spread} mm ({value_mm / MM_PER_INCH:.{decimals + 1}f} in)"
    return text.replace("-", "\N{MINUS SIGN}")


def cut(text: str, most: int) -> str:
    """Return a text of at most so many letters, the last three dots where it was longer."""
    return text if len(text) <= most else f"{text[: most - 1]}…"


def day(at: str) -> str:
    """Return the day of a time in ISO form in words."""
    when = datetime.fromisoformat(at)
    return f"{when.day} {when:%B %Y}"
