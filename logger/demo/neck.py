"""The invented neck: its true geometry and the faults planted in it. Judgement cannot import this package.

Everything here is invented: no such instrument exists. Lengths in mm; heights are up, away from the board.
"""

import math
import random
from dataclasses import dataclass, field
from typing import Final

from logger.evaluation.levelling_shape import path_bulge_mm
from logger.features import GAPS, PLACES, STEPS, SURVEY_KINDS, Feature
from logger.instrument import PATH_INSET_MM

SCALE_MM, FRETS, JOIN_FRET = 645.0, 20, 14
NUT_WIDTH_MM, JOIN_WIDTH_MM, RADIUS_MM = 43.0, 56.0, 400.0
TANG_MM, BARB_SPAN_MM, TANG_DEPTH_MM, CROWN_MM = 0.51, 0.70, 1.30, 1.10
GOOD_CLEARANCE_MM, GOOD_SPARE_MM = 0.05, 0.45
RELIEF_MM, BLOCK_MM = 0.15, 0.5
HUMP_WIDTH = 3
"""Places on either side of the join over which the hump dies away."""
FIRST_FAULTY, LAST_FAULTY = 3, FRETS - 2
KEEP_APART: Final = 2
"""Fewest frets from one planted fault to the next."""

DESCRIPTION: Final = f"""\
# Invented for the demonstration: no such instrument exists.
name = "Rill no. 3 (invented)"
kind = "steel-string"
invented = true
scale_mm = {SCALE_MM}
frets = {FRETS}
join_fret = {JOIN_FRET}
nut_width_mm = {NUT_WIDTH_MM}
join_width_mm = {JOIN_WIDTH_MM}
radius_mm = {RADIUS_MM}

[wire]
name = "invented medium wire"
tang_mm = {TANG_MM}

crown_width_mm = 2.3
piece_mm = 1500.0
barb_pitch_mm = 2.5
barb_length_mm = 0.8

[board]
wood = "invented plum, quarter-sawn"

[sheet]
board = ["centre"]
sweep = ["bass", "centre", "treble"]
long_steps = true
gaps = [5, 8, 11, 14]
block_mm = {BLOCK_MM}

[target]
relief_mm = {RELIEF_MM}

[plan]
tolerance_mm = 0.02
crown_min_mm = 0.9
reseats = 3
exceptions = 2
"""


@dataclass(frozen=True, slots=True, kw_only=True)
class Planted:
    """A check that the planted geometry truly violates: which, where, and the true size in mm."""

    check: str
    fret: int
    place: str | None
    size_mm: float


@dataclass(slots=True)
class Neck:
    """True dimensions of the invented neck, by fret and place.

    The board is surveyed bare, with its hump; it is then sanded, and gets its relief, before the frets go in.
    """

    slot_width_mm: dict[tuple[int, str], float] = field(default_factory=dict)
    slot_depth_mm: dict[tuple[int, str], float] = field(default_factory=dict)
    seated_mm: dict[tuple[int, str], float] = field(default_factory=dict)
    board_mm: dict[int, float] = field(default_factory=dict)
    bulge_mm: dict[tuple[int, str], float] = field(default_factory=dict)
    bare_mm: dict[int, float] = field(default_factory=dict)
    planted: list[Planted] = field(default_factory=list)

    def true_mm(self, feature: Feature) -> float:
        """Return the true value of a feature in mm.

        Raises:
            ValueError: the feature names no fret or no place where it needs one.
        """
        wire = {
            "tang_thickness": TANG_MM,
            "barb_span": BARB_SPAN_MM,
            "tang_depth": TANG_DEPTH_MM,
            "crown_height": CROWN_MM,
        }
        if feature.kind in wire:
            return wire[feature.kind]
        if feature.fret is None or feature.place is None:
            raise ValueError(f"feature must name fret and place, got {feature!r}")
        at = feature.fret, feature.place
        if feature.kind in {*STEPS, *GAPS}:
            feet = feature.feet or (feature.fret - 1, feature.fret + 1)
            over = self._over_mm(feature.fret, feature.place, feet, bare=feature.kind in SURVEY_KINDS)
            return BLOCK_MM - over if feature.kind in GAPS else over
        return {"slot_width": self.slot_width_mm, "slot_depth": self.slot_depth_mm, "seated_height": self.seated_mm}[
            feature.kind
        ][at]

    def _top_mm(self, fret: int, place: str) -> float:
        return self.board_mm[fret] + self.bulge_mm[fret, place] + self.seated_mm[fret, place]

    def _over_mm(self, fret: int, place: str, feet: tuple[int, int], *, bare: bool) -> float:
        """Return how far a place stands over the line through the feet, of the bare board or of the fret tops."""
        low, high = feet
        x, x_low, x_high = (_position_mm(n) for n in (fret, low, high))
        share = (x - x_low) / (x_high - x_low)
        z, z_low, z_high = (self.bare_mm[n] if bare else self._top_mm(n, place) for n in (fret, low, high))
        return z - (1 - share) * z_low - share * z_high


def _position_mm(fret: int) -> float:
    return SCALE_MM * (1 - math.pow(2, -fret / 12))


def invent(seed: int) -> Neck:
    """Return the neck of a seed: mostly sound, with one fault of each sort."""
    rng = random.Random(f"neck {seed}")  # noqa: S311 - a seeded scenario, nothing secret
    neck = _sound(rng)
    proud, tight, loose, tilted, uneven, high = _choose_frets(rng)
    _plant_proud_end(neck, rng, proud)
    _plant_tight_slot(neck, rng, tight)
    _plant_loose_slot(neck, rng, loose)
    _plant_tilt(neck, rng, tilted)
    _plant_uneven(neck, rng, uneven)
    _plant_high(neck, rng, high)
    _plant_hump(neck, random.Random(f"bare board {seed}"))  # noqa: S311 - as above
    return neck


def _sound(rng: random.Random) -> Neck:
    neck = Neck(bulge_mm=_bulge_mm())
    for fret in range(1, FRETS + 1):
        neck.board_mm[fret] = _within(rng, 0.004, 0.008) - _relief_mm(fret)
        for place in PLACES:
            at = fret, place
            neck.slot_width_mm[at] = TANG_MM + GOOD_CLEARANCE_MM + _within(rng, 0.011, 0.020)
            neck.slot_depth_mm[at] = TANG_DEPTH_MM + GOOD_SPARE_MM + _within(rng, 0.02, 0.05)
            neck.seated_mm[at] = CROWN_MM + _within(rng, 0.003, 0.006)
    return neck


def _bulge_mm() -> dict[tuple[int, str], float]:
    """Return how high the outer paths, which run askew, lie over their own chords on the board's arc."""
    positions = [_position_mm(fret) for fret in range(FRETS + 1)]
    aside = NUT_WIDTH_MM / 2 - PATH_INSET_MM, JOIN_WIDTH_MM / 2 - PATH_INSET_MM
    outer = path_bulge_mm(
        positions, offset_mm=aside, radius_mm=(RADIUS_MM, RADIUS_MM), join_mm=_position_mm(JOIN_FRET)
    )  # fmt: skip
    return {(fret, place): 0.0 if place == "centre" else float(outer[fret]) for fret in range(1, FRETS + 1)
            for place in PLACES}  # fmt: skip


def _relief_mm(fret: int) -> float:
    """Return how far the board lies below the chord through its first and last fret."""
    first, last = _position_mm(1), _position_mm(FRETS)
    t = (_position_mm(fret) - first) / (last - first)
    return 4 * RELIEF_MM * t * (1 - t)


def _within(rng: random.Random, sd: float, most: float) -> float:
    return max(-most, min(most, rng.gauss(0, sd)))


def _choose_frets(rng: random.Random) -> list[int]:
    """Return six frets in random order, no two closer than ``KEEP_APART``."""
    slack = LAST_FAULTY - FIRST_FAULTY - 5 * (KEEP_APART - 1)
    steps = sorted(rng.sample(range(slack + 1), 6))
    frets = [FIRST_FAULTY + step + index * (KEEP_APART - 1) for index, step in enumerate(steps)]
    rng.shuffle(frets)
    return frets


def _plant(neck: Neck, check: str, fret: int, place: str | None, size_mm: float) -> None:
    neck.planted.append(Planted(check=check, fret=fret, place=place, size_mm=round(size_mm, 4)))


def _seat(neck: Neck, fret: int, lifts: dict[str, float]) -> None:
    for place, lift in lifts.items():
        neck.seated_mm[fret, place] = CROWN_MM + lift


def _plant_proud_end(neck: Neck, rng: random.Random, fret: int) -> None:
    """Lift one end; the fret is then uneven and tilted by the same amount, and high on that path."""
    place, size = rng.choice(("bass", "treble")), rng.uniform(0.095, 0.14)
    _seat(neck, fret, dict.fromkeys(PLACES, 0.0) | {place: size})
    _plant(neck, "proud_end", fret, place, size)
    _plant(neck, "uneven_seating", fret, None, size)
    _plant(neck, "tilted_fret", fret, None, size)
    _plant(neck, "high_fret", fret, place, size)


def _plant_tight_slot(neck: Neck, rng: random.Random, fret: int) -> None:
    place, size = rng.choice(PLACES), rng.uniform(0.040, 0.050)
    neck.slot_width_mm[fret, place] = TANG_MM - size
    _plant(neck, "tang_clearance", fret, place, -size)


def _plant_loose_slot(neck: Neck, rng: random.Random, fret: int) -> None:
    """Widen a slot until the barbs hardly bite; the clearance is then too large as well."""
    place, bite = rng.choice(PLACES), rng.uniform(0.0, 0.008)
    neck.slot_width_mm[fret, place] = BARB_SPAN_MM - 2 * bite
    _plant(neck, "barb_bite", fret, place, bite)
    _plant(neck, "tang_clearance", fret, place, BARB_SPAN_MM - 2 * bite - TANG_MM)


def _plant_tilt(neck: Neck, rng: random.Random, fret: int) -> None:
    """Turn a fret about its centre; each end alone stays within its limit, the pair does not."""
    half = rng.choice((-1, 1)) * rng.uniform(0.0375, 0.0385)
    _seat(neck, fret, {"bass": half, "centre": 0.0, "treble": -half})
    _plant(neck, "tilted_fret", fret, None, 2 * abs(half))
    _plant(neck, "uneven_seating", fret, None, 2 * abs(half))


def _plant_uneven(neck: Neck, rng: random.Random, fret: int) -> None:
    """Leave the middle standing; the rocker finds it on the centre path too."""
    size = rng.uniform(0.095, 0.13)
    _seat(neck, fret, {"bass": 0.0, "centre": size, "treble": 0.0})
    _plant(neck, "uneven_seating", fret, None, size)
    _plant(neck, "middle_high", fret, "centre", size)
    _plant(neck, "high_fret", fret, "centre", size)


def _plant_high(neck: Neck, rng: random.Random, fret: int) -> None:
    """Raise the board under one fret: seated well, and high on every path."""
    size = rng.uniform(0.095, 0.13)
    neck.board_mm[fret] += size
    for place in PLACES:
        _plant(neck, "high_fret", fret, place, size)


def _plant_hump(neck: Neck, rng: random.Random) -> None:
    """Raise the bare board around the join; it is sanded away before the frets go in."""
    neck.bare_mm.update((fret, _within(rng, 0.004, 0.008)) for fret in range(1, FRETS + 1))
    size = rng.uniform(0.17, 0.24)
    for fret in range(JOIN_FRET - HUMP_WIDTH, JOIN_FRET + HUMP_WIDTH + 1):
        away = (fret - JOIN_FRET) / HUMP_WIDTH
        neck.bare_mm[fret] += size * (1 + math.cos(math.pi * away)) / 2
    _plant(neck, "hump", JOIN_FRET, "centre", size)
