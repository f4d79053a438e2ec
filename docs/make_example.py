"""Make the files of docs/example again: an invented neck, measured before and after levelling.

.venv/bin/python docs/make_example.py
"""

import math
import random
from collections.abc import Mapping
from pathlib import Path

from logger.instrument import read_instrument

FOLDER = Path(__file__).parent / "example"
FRETS, PLACES = 20, ("bass", "centre", "treble")
HEADER = "kind,fret,place,value,unit,feet,low,high,gauge,round\n"
INSTRUMENT = """\
# Invented: no such instrument exists.
name = "Alder Lane no. 5 (invented)"
kind = "steel-string"
scale_mm = 645.0
frets = 20
join_fret = 14
nut_width_mm = 43.0
join_width_mm = 56.0
radius_mm = 400.0

[wire]
name = "invented medium wire"
crown_width_mm = 2.3
piece_mm = 600
barb_pitch_mm = 2.5
barb_length_mm = 0.8

[target]
relief_mm = 0.15          # wanted with the strings on
strung_change_mm = 0.05   # what the strings will add

[plan]
tolerance_mm = 0.015
crown_min_mm = 0.85
reseats = 1
"""
GAUGES = """\
[gauge.rocker]
kind = "rocker"
resolution_mm = 0.001
u_mm = 0.003
zero_u_mm = 0.002
[gauge.indicator]
kind = "depth_indicator"
resolution_mm = 0.001
u_mm = 0.003
zero_u_mm = 0.002
[gauge.leaves]
kind = "leaves"
"""
HIGH = {7: 0.090, 12: 0.050, 13: 0.050}
PROUD = (17, "treble", 0.100)
ZERO_MM = {1: 0.0015, 2: -0.0010}


def main() -> None:
    """Write instrument, gauges and both sweeps."""
    FOLDER.mkdir(exist_ok=True)
    (FOLDER / "instrument.toml").write_text(INSTRUMENT, encoding="utf-8")
    (FOLDER / "gauges.toml").write_text(GAUGES, encoding="utf-8")
    neck = read_instrument(FOLDER / "instrument.toml")
    rng = random.Random(5)
    shape = {(fret, place): float(neck.shape_mm(place)[fret]) + rng.gauss(0, 0.003)
             for place in PLACES for fret in range(FRETS + 1)}  # fmt: skip
    before = {at: z + HIGH.get(at[0], 0.0) + (PROUD[2] if at == PROUD[:2] else 0.0) for at, z in shape.items()}
    after = {at: z + (0.012 if at[0] in HIGH else 0.0) for at, z in shape.items()}
    positions = [float(x) for x in neck.positions_mm]
    seated = _seated(rng)
    (FOLDER / "readings.csv").write_text(HEADER + seated + _sweep(before, positions, rng), encoding="utf-8")
    (FOLDER / "second.csv").write_text(HEADER + _sweep(after, positions, rng), encoding="utf-8")


def _seated(rng: random.Random) -> str:
    rows = [f"crown_height,,,{1.10 + rng.gauss(0, 0.003):.3f},mm,,,,indicator,wire" for _ in range(3)]
    for fret in range(1, FRETS + 1):
        for place in PLACES:
            lift = PROUD[2] if (fret, place) == PROUD[:2] else 0.0
            rows.append(f"seated_height,{fret},{place},{1.10 + lift + rng.gauss(0, 0.003):.3f},mm,,,,indicator,seating")
    return "\n".join(rows) + "\n"


def _sweep(heights: Mapping[tuple[int, str], float], positions: list[float], rng: random.Random) -> str:
    rows = []
    for reach in (1, 2):
        for place in PLACES:
            for fret in range(1 + reach, FRETS + 1 - reach):
                feet = fret - reach, fret + reach
                value = _over(heights, positions, fret, place, feet) + ZERO_MM[reach] + rng.gauss(0, 0.003)
                rows.append(f"fret_step,{fret},{place},{value:.3f},mm,{feet[0]}-{feet[1]},,,rocker,setting {reach}")
    for place in PLACES:
        for fret in (5, 8, 11, 14):
            gap = -_over(heights, positions, fret, place, (1, FRETS)) + 0.5  # on blocks of 0.5 mm, taken off below
            low = math.floor(gap / 0.025) * 0.025 - 0.5
            rows.append(f"straightedge_gap,{fret},{place},,mm,1-{FRETS},{low:.3f},{low + 0.025:.3f},leaves,")
    return "\n".join(rows) + "\n"


def _over(
    heights: Mapping[tuple[int, str], float], positions: list[float], fret: int, place: str, feet: tuple[int, int]
) -> float:
    share = (positions[fret] - positions[feet[0]]) / (positions[feet[1]] - positions[feet[0]])
    return heights[fret, place] - (1 - share) * heights[feet[0], place] - share * heights[feet[1], place]


if __name__ == "__main__":
    main()
