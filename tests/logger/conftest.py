"""Files that a person would write, for the tests of this folder."""

from collections.abc import Callable
from pathlib import Path

import pytest

INSTRUMENT = """\
name = "Invented neck"
kind = "steel-string"
scale_mm = 645.0
frets = 20
join_fret = 14
nut_width_mm = 43.0
join_width_mm = 56.0
radius_mm = 400.0
[wire]
name = "medium"
[board]
wood = "plum"
"""
GAUGES = """\
[gauge.caliper]
kind = "caliper"
resolution_mm = 0.01
u_mm = 0.004
zero_u_mm = 0.003
[gauge.depth]
kind = "depth_indicator"
resolution_mm = 0.001
u_mm = 0.003
zero_u_mm = 0.002
[gauge.rocker]
kind = "rocker"
resolution_mm = 0.001
u_mm = 0.003
zero_u_mm = 0.002
"""


@pytest.fixture
def write(tmp_path: Path) -> Callable[[str, str], Path]:
    """Return a function that writes a text under a name and returns its path."""

    def _write(name: str, text: str) -> Path:
        path = tmp_path / name
        path.write_text(text, encoding="utf-8")
        return path

    return _write


@pytest.fixture
def instrument(write: Callable[[str, str], Path]) -> Path:
    return write("I.toml", INSTRUMENT)


@pytest.fixture
def gauges(write: Callable[[str, str], Path]) -> Path:
    return write("G.toml", GAUGES)
