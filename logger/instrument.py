"""What is being built: scale, frets, board and wire, read from TOML, frozen and validated."""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from decimal import Decimal
from pathlib import Path
from typing import Any, Final

import numpy as np
from numpy.typing import NDArray

from logger.errors import InstrumentError
from logger.evaluation.fixture import FixturePlan, plan_fixture
from logger.evaluation.levelling_shape import fall_away_mm, path_bulge_mm, relief_mm, while_levelling_mm
from logger.evaluation.scale import fan_slants_mm, fret_positions_mm
from logger.evaluation.wood import CUTS, FIBRE_SATURATION
from logger.features import NM_PER, PLACES
from logger.input_text import input_text
from logger.instrument_tables import (
    FixtureWishes,
    NeckSection,
    PlanWishes,
    SheetWishes,
    StringSpec,
    Target,
    WireStock,
    read_fixture,
    read_neck,
    read_plan,
    read_sheet,
    read_strings,
    read_target,
    read_wire,
)
from logger.names import text_fault
from logger.toml_input import Table, parse_toml

MM_PER_INCH: Final = Decimal(NM_PER["in"]) / NM_PER["mm"]
PATH_INSET_MM: Final = 3.0
"""How far the outer string paths run inside the edges of the board (common practice, no source)."""
LEAST_SCALE_MM, MOST_SCALE_MM, MOST_FRETS = 150.0, 1500.0, 48
_MOST_COEFFICIENT: Final = 0.01
"""Twice what any wood of the Wood Handbook's table has: beyond it somebody gave percent per percent."""
_KEYS: Final = (
    "name", "kind", "scale_mm", "scale_in", "scale_bass_mm", "scale_treble_mm", "frets", "join_fret", "nut_width_mm",
    "join_width_mm", "radius_mm", "nut_radius_mm", "join_radius_mm", "cauls_mm", "square_fret", "wire", "board",
    "target", "plan", "string", "neck", "sheet", "fixture", "invented",
)  # fmt: skip


@dataclass(frozen=True, slots=True, kw_only=True)
class Instrument:
    """A fretted instrument's neck as far as measuring needs it; lengths in mm, None where not stated.

    Attributes:
        kind: ``electric``, ``steel-string``, ``bass``, ``classical`` or any other word; picks the default limits.
        scale_mm: scale length; of fanned frets that of the middle.
        scale_bass_mm: scale length of the bass side where frets are fanned, with ``scale_treble_mm``.
        square_fret: of fanned frets the one that stands square to the centre line; 0 is the nut, a fraction lies
            between two frets.
        nut_radius_mm: radius of the board at the nut; with a cylinder the same as at the join.
        wire: notes on the wire, as written.
        board: notes on the board, as written; ``wood``, ``cut`` (``quarter`` or ``flat``),
            ``fretted_at_moisture_percent`` and ``coefficient`` (change of width per percent) tell how far it moves.
        target: the shape wanted along the fret tops.
        plan: what a levelling plan must keep to.
        strings: the strings, in the order of the file.
        stock: how the wire comes.
        neck: the neck's section.
        cauls_mm: radii of the shop's cauls.
        sheet: what the sheet asks for beside wire, slots and seating.
        fixture: the shop's rocker fixture.
        invented: there is no such instrument; what is printed about it says so.
        source: the TOML text this was read from.
    """

    name: str
    kind: str
    scale_mm: float
    frets: int
    scale_bass_mm: float | None = None
    scale_treble_mm: float | None = None
    square_fret: float | None = None
    join_fret: int | None = None
    nut_width_mm: float | None = None
    join_width_mm: float | None = None
    nut_radius_mm: float | None = None
    join_radius_mm: float | None = None
    wire: Mapping[str, Any] = field(default_factory=dict)
    board: Mapping[str, Any] = field(default_factory=dict)
    target: Target = field(default_factory=Target)
    plan: PlanWishes = field(default_factory=PlanWishes)
    strings: Sequence[StringSpec] = ()
    stock: WireStock = field(default_factory=WireStock)
    neck: NeckSection = field(default_factory=NeckSection)
    cauls_mm: Sequence[float] = ()
    sheet: SheetWishes = field(default_factory=SheetWishes)
    fixture: FixtureWishes = field(default_factory=FixtureWishes)
    invented: bool = False
    source: str = ""

    @property
    def positions_mm(self) -> NDArray[np.float64]:
        """Distance from nut to fret in mm, shape (frets + 1,); index 0 is the nut."""
        return fret_positions_mm(self.scale_mm, self.frets)

    def positions_of(self, place: str | None) -> NDArray[np.float64]:
        """Return the distance from nut to fret along a path in mm, shape (frets + 1,); fanned frets differ by path."""
        return fret_positions_mm(self.scale_of(place), self.frets)

    def scale_of(self, place: str | None) -> float:
        """Return the scale length along a path in mm."""
        sides = {"bass": self.scale_bass_mm, "treble": self.scale_treble_mm}
        return sides.get(place or "") or self.scale_mm

    @property
    def fixture_plan(self) -> FixturePlan:
        """The settings of the rocker fixture's feet for the steps, and the long steps, that the sheet asks for."""
        paths = [self.positions_of(place) for place in PLACES]
        return plan_fixture(
            paths, reaches=(1, 2) if self.sheet.long_steps else (1,), bars_mm=self.fixture.bars_mm,
            feet_mm=self.fixture.feet_mm, tip_mm=self.fixture.tip_mm,
        )  # fmt: skip

    @property
    def slants_mm(self) -> NDArray[np.float64] | None:
        """How far every fret runs along the neck from edge to edge in mm, shape (frets,).

        Positive where the bass end is nearer the bridge; the two scales are taken to run along the edges. Zeros where
        frets are parallel, None where they are fanned and ``square_fret`` is not stated.
        """
        if self.scale_bass_mm is None or self.scale_treble_mm is None:
            return np.zeros(self.frets)
        if self.square_fret is None:
            return None
        return fan_slants_mm(self.scale_bass_mm, self.scale_treble_mm, frets=self.frets, square_fret=self.square_fret)

    def shape_mm(self, place: str | None) -> NDArray[np.float64]:
        """Return the shape wanted while levelling along a path, shape (frets + 1,), above a straight line.

        The relief wanted strung, less what the strings will add, the fall-away beyond the join, and for the outer paths
        the bulge of a path that runs askew over the board's arc.
        """
        x, wanted = self.positions_of(place), self.target
        shape = self._bulge_mm(place)
        last = self.frets if wanted.relief_to is None else wanted.relief_to
        if wanted.stated and last > wanted.relief_from:
            depth = while_levelling_mm(wanted.relief_of(place), wanted.strung_change_mm)
            shape = shape + relief_mm(x, between_mm=(float(x[wanted.relief_from]), float(x[last])), depth_mm=depth)
        if self.join_fret is not None and self.join_fret < self.frets and wanted.fall_away_mm:
            join, end = float(x[self.join_fret]), float(x[-1])
            shape = shape + fall_away_mm(x, join_mm=join, last_mm=end, drop_mm=wanted.fall_away_mm)
        return shape

    def _bulge_mm(self, place: str | None) -> NDArray[np.float64]:
        x = self.positions_of(place)
        sizes = self.nut_width_mm, self.join_width_mm, self.nut_radius_mm, self.join_radius_mm
        if place not in {"bass", "treble"} or self.join_fret is None or any(one is None for one in sizes):
            return np.zeros(len(x))
        nut_width, join_width, nut_radius, join_radius = (one or 0.0 for one in sizes)
        offset = nut_width / 2 - PATH_INSET_MM, join_width / 2 - PATH_INSET_MM
        join = float(x[self.join_fret])
        return path_bulge_mm(x, offset_mm=offset, radius_mm=(nut_radius, join_radius), join_mm=join)

    def radius_at_mm(self, distance_mm: float) -> float | None:
        """Return the board's radius at a distance from the nut; it changes evenly from nut to join and beyond."""
        nut, join = self.nut_radius_mm, self.join_radius_mm
        if nut is None or join is None:
            return nut if join is None else join
        end = float(self.positions_mm[self.join_fret or self.frets])
        return nut + (join - nut) * distance_mm / end

    def width_at_mm(self, distance_mm: float) -> float | None:
        """Return the board's width at a distance from the nut, tapered evenly from nut to join and beyond."""
        nut, join = self.nut_width_mm, self.join_width_mm
        if nut is None or join is None:
            return nut if join is None else join
        return nut + (join - nut) * distance_mm / float(self.positions_mm[self.join_fret or self.frets])


def read_instrument(path: Path) -> Instrument:
    """Return the instrument that a TOML file describes.

    Raises:
        InstrumentError: the file or a key in it does not hold.
    """
    found = parse_instrument(input_text(path, InstrumentError, what="a TOML file"), where=str(path))
    if fault := text_fault("name", found.name):
        raise InstrumentError(f"{path}: {fault}")
    return found


def parse_instrument(text: str, *, where: str) -> Instrument:
    """Return the instrument that a TOML text describes.

    Raises:
        InstrumentError: the text or a key in it does not hold.
    """
    return _build(parse_toml(text, where=where, error=InstrumentError), where=where, source=text)


def _build(values: Mapping[str, Any], *, where: str, source: str) -> Instrument:
    table = Table(values, where=where, error=InstrumentError)
    table.refuse_unknown(_KEYS)
    invented = values.get("invented", False)
    if not isinstance(invented, bool):
        raise InstrumentError(f"{where}: invented must be true or false, got {invented!r}; leave it out for a real one")
    frets = table.whole("frets", least=1, most=MOST_FRETS)
    radius = table.optional_number("radius_mm", above=0)
    join = table.whole("join_fret", least=1, most=frets) if "join_fret" in values else None
    if radius is not None and ("nut_radius_mm" in values or "join_radius_mm" in values):
        raise InstrumentError(f"{where}: radius_mm is a cylinder, nut_radius_mm and join_radius_mm a cone; give one")
    _check_radii(table)
    scale, bass, treble = _scales(table)
    return Instrument(
        name=table.text("name"),
        kind=table.text("kind", default="steel-string"),
        scale_mm=scale,
        scale_bass_mm=bass,
        scale_treble_mm=treble,
        square_fret=_square_fret(table, frets, fanned=bass is not None),
        frets=frets,
        join_fret=join,
        nut_width_mm=table.optional_number("nut_width_mm", above=0),
        join_width_mm=table.optional_number("join_width_mm", above=0),
        nut_radius_mm=radius or table.optional_number("nut_radius_mm", above=0),
        join_radius_mm=radius or table.optional_number("join_radius_mm", above=0),
        wire=dict(_notes(table, "wire")),
        board=_board(table),
        target=read_target(table.table("target"), frets=frets),
        plan=read_plan(table.table("plan"), frets=frets),
        strings=read_strings(values.get("string", []), where=where, error=InstrumentError),
        stock=read_wire(table.table("wire")),
        neck=read_neck(table.table("neck")),
        sheet=read_sheet(table.table("sheet"), frets=frets),
        fixture=read_fixture(table.table("fixture"), stated="fixture" in values),
        cauls_mm=_cauls(values.get("cauls_mm", []), where),
        invented=invented,
        source=source,
    )


def _scales(table: Table) -> tuple[float, float | None, float | None]:
    """Return the scale length of the middle, and of both sides where frets are fanned.

    Raises:
        InstrumentError: it is given never or more than once, or out of range.
    """
    fanned = ("scale_bass_mm", "scale_treble_mm")
    ways = [key for key in ("scale_mm", "scale_in") if key in table.values] + [
        key for key in fanned[:1] if any(side in table.values for side in fanned)
    ]
    if len(ways) != 1:
        raise InstrumentError(
            f"{table.where}: give the scale length once, as scale_mm or as scale_in, or of fanned frets as "
            "scale_bass_mm and scale_treble_mm"
        )
    if ways == ["scale_in"]:
        inches = table.number("scale_in", least=LEAST_SCALE_MM / 25.4, most=MOST_SCALE_MM / 25.4)
        return float(Decimal(repr(inches)) * MM_PER_INCH), None, None
    if ways == ["scale_mm"]:
        return table.number("scale_mm", least=LEAST_SCALE_MM, most=MOST_SCALE_MM), None, None
    bass, treble = (table.number(side, least=LEAST_SCALE_MM, most=MOST_SCALE_MM) for side in fanned)
    return (bass + treble) / 2, bass, treble


def _square_fret(table: Table, frets: int, *, fanned: bool) -> float | None:
    if "square_fret" in table.values and not fanned:
        raise InstrumentError(
            f"{table.where}: square_fret belongs to fanned frets; give scale_bass_mm and scale_treble_mm, or leave it "
            "out"
        )
    return table.optional_number("square_fret", least=0, most=frets)


def _check_radii(table: Table) -> None:
    """Refuse a radius on which the board's edges could not lie.

    Raises:
        InstrumentError: a radius is below half the board's width.
    """
    widths = {key: table.number(key, above=0) for key in ("nut_width_mm", "join_width_mm") if key in table.values}
    widest = max(widths, key=lambda key: widths[key], default="")
    for key in ("radius_mm", "nut_radius_mm", "join_radius_mm"):
        if key in table.values and widths and table.number(key, above=0) < widths[widest] / 2:
            raise InstrumentError(
                f"{table.where}: {key} must be at least {widths[widest] / 2:g}, half of {widest}, got "
                f"{table.values[key]!r}; give it in mm, a radius of 10 in is 254"
            )


def _cauls(values: object, where: str) -> tuple[float, ...]:
    ok = isinstance(values, list) and all(isinstance(one, int | float) and one > 0 for one in values)
    if not isinstance(values, list) or not ok:
        raise InstrumentError(
            f"{where}: cauls_mm must be a list of radii above 0, like [240, 300, 400], got {values!r}"
        )
    return tuple(float(one) for one in values)


def _notes(table: Table, key: str) -> Mapping[str, Any]:
    notes = table.table(key)
    for name, value in notes.values.items():
        if not isinstance(value, str | int | float):
            raise InstrumentError(f"{notes.where}: {name} must be a text or a number, got {value!r}")
    return notes.values


def _board(table: Table) -> Mapping[str, Any]:
    stated = dict(_notes(table, "board"))
    board = table.table("board")
    if "wood" in stated:
        board.text("wood")
    if "cut" in stated and board.text("cut") not in CUTS:
        raise InstrumentError(f"{board.where}: cut must be one of {', '.join(CUTS)}, got {stated['cut']!r}")
    if "fretted_at_moisture_percent" in stated:
        board.number("fretted_at_moisture_percent", above=0, most=FIBRE_SATURATION)
    if "coefficient" in stated:
        board.number("coefficient", above=0, most=_MOST_COEFFICIENT)
    return stated
