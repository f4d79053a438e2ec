"""The bare tang past the last barb stands beside an end that is proud."""

from collections.abc import Callable
from pathlib import Path
from typing import Any

import numpy as np
import pytest

from logger.bare_tang import bare_tang_mm, bare_tang_words
from logger.cli import run
from logger.cut_command import cutting_list
from logger.instrument import Instrument, read_instrument

NECK = """\
name = "bare"
kind = "electric"
scale_mm = 645
frets = 20
join_fret = 14
nut_width_mm = 43
join_width_mm = 56
"""
WIRE = "[wire]\npiece_mm = 600\nbarb_pitch_mm = 4.0\nbarb_length_mm = 1.0\n"
SEATED = """kind,fret,place,value,unit,u
seated_height,7,bass,1.25,mm,0.004
seated_height,7,centre,1.10,mm,0.004
seated_height,7,treble,1.10,mm,0.004
"""
Write = Callable[[str, str], Path]


@pytest.fixture
def neck(write: Write) -> Callable[..., Instrument]:
    return lambda more=WIRE: read_instrument(write("N.toml", NECK + more))


def test_it_is_what_the_cutting_list_says(neck: Callable[..., Instrument], write: Write):
    one = neck()
    cuts = {cut.fret: cut for stick in cutting_list(write("N.toml", NECK + WIRE)).plan.sticks for cut in stick}
    for fret in range(1, 21):
        assert bare_tang_mm(one, fret) == pytest.approx(max(cuts[fret].bare_mm or ()), abs=1e-6)


def test_no_other_cut_leaves_less_bare(neck: Callable[..., Instrument]):
    """Counted over 4000 phases, barb by barb."""
    one = neck()
    for fret in (1, 7, 14, 20):
        piece = one.width_at_mm(float(one.positions_mm[fret])) or 0.0
        least = np.inf
        for phase in np.linspace(0, 4.0, 4000, endpoint=False):
            starts = np.arange(0, piece + 8, 4.0) - phase
            inside = [(max(a, 0.0), min(a + 1.0, piece)) for a in starts if a + 1.0 > 0 and a < piece]
            least = min(least, max(inside[0][0], piece - inside[-1][1]))
        assert bare_tang_mm(one, fret) == pytest.approx(least, abs=2e-3)


@pytest.mark.parametrize("more", ["", "[wire]\npiece_mm = 600\n"])
def test_unknown_barbs_say_nothing(neck: Callable[..., Instrument], more: str):
    assert bare_tang_words("proud_end", 7, neck(more)) == ""


def test_only_an_end_speaks_of_it(neck: Callable[..., Instrument]):
    assert bare_tang_words("high_fret", 7, neck()) == ""


# 12 pitches and a barb are 49 mm of a piece of 43 + 13 * 214.5 / 357.7 = 50.8 mm; 1.8 mm are left for both ends
@pytest.mark.parametrize(("unit", "size"), [("mm", "0.9 mm"), ("thou", "35 thou"), ("in", "0.035 in")])
def test_evaluate_shows_it(write: Write, capsys: pytest.CaptureFixture[str], unit: str, size: str):
    page: Any = lambda *_: None  # noqa: E731
    run(
        ["evaluate", str(write("r.csv", SEATED)), "--instrument", str(write("N.toml", NECK + WIRE)), "--unit", unit],
        page,
    )

    assert f"its tang is bare for up to {size} past the last barb" in capsys.readouterr().out
