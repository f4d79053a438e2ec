"""The further tables of an instrument file: shape, plan, strings, wire stock, the neck's section, sheet and fixture."""

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any, Final

from logger.evaluation.fixture import TIP_MM
from logger.features import PLACES, STAGES
from logger.toml_input import Table

OBJECTIVES: Final = ("total", "largest")
_MOST_MM, _MOST_PA = 10.0, 1e12
_MOST_BLOCK_MM: Final = 50.0
_MOST_FOOT_MM: Final = 500.0
_LONGEST_MM: Final = 100_000.0


@dataclass(frozen=True, slots=True, kw_only=True)
class Target:
    """The shape wanted along the fret tops, lengths in mm.

    Attributes:
        relief_mm: how far the middle lies below the chord from ``relief_from`` to ``relief_to``, strung.
        relief_bass_mm: the same on the bass path where it differs.
        relief_treble_mm: the same on the treble path where it differs.
        relief_from: fret at which the relief begins; 0 is the nut.
        relief_to: fret at which it ends, None for the last.
        fall_away_mm: drop of the last fret below the line, beginning at the join.
        strung_change_mm: how much relief the strings will add after the frets are levelled.
        stated: whether the file states a target at all.
    """

    relief_mm: float = 0.0
    relief_bass_mm: float | None = None
    relief_treble_mm: float | None = None
    relief_from: int = 1
    relief_to: int | None = None
    fall_away_mm: float = 0.0
    strung_change_mm: float = 0.0
    stated: bool = False

    def relief_of(self, place: str | None) -> float:
        """Return the relief wanted strung on a path, in mm; the centre lies between the outer ones."""
        bass = self.relief_mm if self.relief_bass_mm is None else self.relief_bass_mm
        treble = self.relief_mm if self.relief_treble_mm is None else self.relief_treble_mm
        return {"bass": bass, "treble": treble}.get(place or "", (bass + treble) / 2)


@dataclass(frozen=True, slots=True, kw_only=True)
class PlanWishes:
    """What a levelling plan must keep to, lengths in mm.

    Attributes:
        tolerance_mm: how far a crown may stand off the shape wanted.
        crown_min_mm: least crown left.
        recrowning_mm: crown that rounding it again takes.
        step_mm: largest change of what is left from fret to fret; None for twice the tolerance.
        file_error_mm: how far the file itself may err.
        reseats: most frets that may be seated again.
        exceptions: most frets that may be left too low, to be replaced or shimmed.
        objective: ``total`` or ``largest`` removal is made least.
    """

    tolerance_mm: float = 0.010
    crown_min_mm: float = 0.75
    recrowning_mm: float = 0.015
    step_mm: float | None = None
    file_error_mm: float = 0.0
    reseats: int = 0
    exceptions: int = 0
    objective: str = "total"


@dataclass(frozen=True, slots=True, kw_only=True)
class StringSpec:
    """One string; lengths in mm, None where not stated.

    Attributes:
        place: the path it runs along: ``bass``, ``centre`` or ``treble``.
        gauge_mm: diameter; of plain steel it gives the mass.
        mass_g_per_m: mass of a metre.
        pitch_hz: what it is tuned to, open.
        tension_n: tension.
        action_12_mm: from the top of fret 12 to the underside of the open string.
        saddle_height_mm: from the plane of the frets to the string on the saddle.
        nut_height_mm: from the plane of the frets to the string on the nut.
        pluck_n: force of the pluck toward the frets, in N (0.5 is common practice, no source).
        pluck_from_saddle_mm: where it is plucked; None for a fifth of the scale.
    """

    name: str
    place: str = "centre"
    gauge_mm: float | None = None
    mass_g_per_m: float | None = None
    pitch_hz: float | None = None
    tension_n: float | None = None
    action_12_mm: float | None = None
    saddle_height_mm: float | None = None
    nut_height_mm: float | None = None
    pluck_n: float = 0.5
    pluck_from_saddle_mm: float | None = None


@dataclass(frozen=True, slots=True, kw_only=True)
class WireStock:
    """How the wire comes, lengths in mm; None where not stated.

    Attributes:
        piece_mm: length of a stick, or of the coil.
        pieces: how many there are.
        barb_pitch_mm: from one barb to the next along the tang.
        barb_length_mm: length of a barb.
        crown_width_mm: width of the crown.
        radius_mm: what the wire is bent to.
        overhang_mm: how far the wire stands over the board on each side before it is clipped.
        binding_mm: how far its tang stays back from the edge on each side.
        kerf_mm: what a cut takes.
    """

    piece_mm: float | None = None
    pieces: int | None = None
    barb_pitch_mm: float | None = None
    barb_length_mm: float | None = None
    crown_width_mm: float | None = None
    radius_mm: float | None = None
    overhang_mm: float = 2.0
    binding_mm: float = 0.0
    kerf_mm: float = 0.0


@dataclass(frozen=True, slots=True, kw_only=True)
class NeckSection:
    """The neck's cross-section, lengths in mm, moduli in MPa; None where not stated.

    Attributes:
        board_mm: thickness of the board.
        nut_mm: thickness of the neck without the board, at the nut.
        join_mm: the same at the join.
        board_modulus_mpa: modulus of elasticity of the board along the neck.
        modulus_mpa: of the neck's wood.
        wood: name of the neck's wood.
        board_wood: name of the board's wood.
    """

    board_mm: float | None = None
    nut_mm: float | None = None
    join_mm: float | None = None
    board_modulus_mpa: float | None = None
    modulus_mpa: float | None = None
    wood: str = ""
    board_wood: str = ""


@dataclass(frozen=True, slots=True, kw_only=True)
class SheetWishes:
    """What the sheet asks for beside wire, slots and seating.

    Attributes:
        board: paths that are surveyed on the bare board.
        sweep: paths that are swept once the frets are in.
        long_steps: whether steps over frets two away are asked for too, on the centre path: they tell the shape of the
            neck, and the zero that all paths share.
        gaps: frets at which the gap under a straightedge is asked for, on every path surveyed or swept.
        block_mm: height of the two equal blocks under the straightedge, taken off every gap.
        board_as_fretted: whether the board is still as it was surveyed when it is fretted, so that the crowns' heights
            above it count in the sweep; a board that was sanded since says nothing about the frets.
        zeros: stages at whose beginning and end the zero of their gauge is asked for; a sweep whose fixture is
            described has zeros of its own.
        pieces: whether the tang and the barbs of every fret's own piece of wire are asked for, after those of the coil,
            so that it is told which piece suits which slot.
    """

    board: tuple[str, ...] = ()
    sweep: tuple[str, ...] = ("centre",)
    long_steps: bool = False
    gaps: tuple[int, ...] = ()
    block_mm: float = 0.0
    board_as_fretted: bool = False
    zeros: tuple[str, ...] = ()
    pieces: bool = False


@dataclass(frozen=True, slots=True, kw_only=True)
class FixtureWishes:
    """The shop's rocker fixture, lengths in mm along the neck.

    Attributes:
        bars_mm: lengths of the bars to choose from; with none the length is worked out.
        feet_mm: distances of the feet, from centre to centre, where only some can be set.
        tip_mm: length of the plunger's flat tip.
        stated: whether the file states a fixture at all.
    """

    bars_mm: tuple[float, ...] = ()
    feet_mm: tuple[float, ...] = ()
    tip_mm: float = TIP_MM
    stated: bool = False


def read_fixture(table: Table, *, stated: bool) -> FixtureWishes:
    """Return the shop's rocker fixture.

    Raises:
        InputFileError: a key does not hold.
    """
    table.refuse_unknown(("bar_mm", "foot_settings_mm", "tip_mm"))
    tip = table.optional_number("tip_mm", above=0, most=_MOST_FOOT_MM)
    return FixtureWishes(
        bars_mm=_lengths(table, "bar_mm"), feet_mm=_lengths(table, "foot_settings_mm"),
        tip_mm=TIP_MM if tip is None else tip, stated=stated,
    )  # fmt: skip


def _lengths(table: Table, key: str) -> tuple[float, ...]:
    """Return the lengths that a key states, one or a list; none where it is absent."""
    values = table.values.get(key, ())
    listed = tuple(values) if isinstance(values, list | tuple) else (values,)
    sound = [one for one in listed if isinstance(one, int | float) and not isinstance(one, bool)]
    if (
        len(sound) < len(listed)
        or (key in table.values and not listed)
        or not all(0 < one <= _MOST_FOOT_MM for one in sound)
    ):
        raise table.error(
            f"{table.where}: {key} must be a length above 0 and at most {_MOST_FOOT_MM:g} mm, or a list of them, "
            f"got {str(values)[:60]}"
        )
    return tuple(sorted({float(one) for one in sound}))


def read_sheet(table: Table, *, frets: int) -> SheetWishes:
    """Return what the sheet asks for.

    Raises:
        InputFileError: a key does not hold.
    """
    table.refuse_unknown(("board", "sweep", "long_steps", "gaps", "block_mm", "zeros", "board_as_fretted", "pieces"))
    answers: dict[str, Any] = {
        key: table.values.get(key, False) for key in ("long_steps", "board_as_fretted", "pieces")
    }
    for key, value in answers.items():
        if not isinstance(value, bool):
            raise table.error(f"{table.where}: {key} must be true or false, got {value!r}")
    paths: dict[str, Any] = {key: _choices(table, key, PLACES) for key in ("board", "sweep") if key in table.values}
    gaps = _choices(table, "gaps", range(2, frets)) if "gaps" in table.values else ()
    zeros = _choices(table, "zeros", STAGES) if "zeros" in table.values else ()
    block = table.optional_number("block_mm", least=0, most=_MOST_BLOCK_MM) or 0.0
    return SheetWishes(gaps=tuple(sorted(gaps)), block_mm=block, zeros=zeros, **answers, **paths)


def _choices(table: Table, key: str, allowed: Sequence[Any]) -> tuple[Any, ...]:
    values = table.values[key]
    if not isinstance(values, list) or any(isinstance(one, bool) or one not in allowed for one in values):
        known = ", ".join(allowed) if isinstance(allowed, tuple) else "frets between the first and the last"
        raise table.error(f"{table.where}: {key} must be a list of {known}, got {values!r}")
    return tuple(one for one in allowed if one in values)


def read_target(table: Table, *, frets: int) -> Target:
    """Return the shape wanted.

    Raises:
        InputFileError: a key does not hold.
    """
    known = ("relief_mm", "relief_bass_mm", "relief_treble_mm", "relief_from", "relief_to", "fall_away_mm",
             "strung_change_mm")  # fmt: skip
    table.refuse_unknown(known)
    first = table.whole("relief_from", least=0, most=frets) if "relief_from" in table.values else 1
    last = table.whole("relief_to", least=0, most=frets) if "relief_to" in table.values else None
    end = frets if last is None else last
    if table.values and first >= end:
        raise table.error(f"{table.where}: relief_from {first} must be below relief_to {end}")
    sizes = {
        key: table.optional_number(key, least=-_MOST_MM, most=_MOST_MM)
        for key in known if key not in {"relief_from", "relief_to"}
    }  # fmt: skip
    return Target(
        relief_mm=sizes["relief_mm"] or 0.0, relief_bass_mm=sizes["relief_bass_mm"],
        relief_treble_mm=sizes["relief_treble_mm"], relief_from=first, relief_to=last,
        fall_away_mm=sizes["fall_away_mm"] or 0.0, strung_change_mm=sizes["strung_change_mm"] or 0.0,
        stated=bool(table.values),
    )  # fmt: skip


def read_plan(table: Table, *, frets: int) -> PlanWishes:
    """Return what a plan must keep to.

    Raises:
        InputFileError: a key does not hold.
    """
    lengths = ("tolerance_mm", "crown_min_mm", "recrowning_mm", "step_mm", "file_error_mm")
    table.refuse_unknown((*lengths, "reseats", "exceptions", "objective"))
    stated: dict[str, Any] = {key: table.number(key, least=0, most=_MOST_MM) for key in lengths if key in table.values}
    for key in ("reseats", "exceptions"):
        if key in table.values:
            stated[key] = table.whole(key, least=0, most=frets)
    objective = table.text("objective", default="total")
    if objective not in OBJECTIVES:
        raise table.error(f"{table.where}: objective must be {' or '.join(OBJECTIVES)}, got {objective!r}")
    wishes = PlanWishes(objective=objective, **stated)
    if wishes.file_error_mm > wishes.tolerance_mm:
        raise table.error(
            f"{table.where}: file_error_mm {wishes.file_error_mm:g} must not be larger than tolerance_mm "
            f"{wishes.tolerance_mm:g}; no plan holds a tolerance that the file itself breaks"
        )
    return wishes


def read_strings(values: object, *, where: str, error: Any) -> Sequence[StringSpec]:
    """Return the strings, in the order of the file.

    Raises:
        InputFileError: a key does not hold.
    """
    if not isinstance(values, list):
        raise error(f"{where}: strings are tables that begin with [[string]], got {str(values)[:40]!r}")
    tables = [Table(one, where=f"{where}: [[string]] {number}", error=error) for number, one in enumerate(values, 1)]
    return tuple(_string(table, number) for number, table in enumerate(tables, 1))


def _string(table: Table, number: int) -> StringSpec:
    above = ("gauge_mm", "mass_g_per_m", "pitch_hz", "tension_n", "action_12_mm", "saddle_height_mm",
             "pluck_from_saddle_mm")  # fmt: skip
    table.refuse_unknown((*above, "nut_height_mm", "pluck_n", "name", "place"))
    place = table.text("place", default="centre")
    if place not in {"bass", "centre", "treble"}:
        raise table.error(f"{table.where}: place must be bass, centre or treble, got {place!r}")
    if ("action_12_mm" in table.values) == ("saddle_height_mm" in table.values):
        raise table.error(f"{table.where}: give the height once, as action_12_mm or as saddle_height_mm")
    stated = {key: table.number(key, above=0, most=_LONGEST_MM) for key in above if key in table.values}
    if "pluck_n" in table.values:
        stated["pluck_n"] = table.number("pluck_n", least=0, most=100)
    return StringSpec(
        name=table.text("name", default=str(number)), place=place,
        nut_height_mm=table.optional_number("nut_height_mm", least=0, most=_MOST_MM), **stated,
    )  # fmt: skip


def read_wire(table: Table) -> WireStock:
    """Return how the wire comes; other keys of the table are notes.

    Raises:
        InputFileError: a key does not hold.
    """
    above = ("piece_mm", "barb_pitch_mm", "barb_length_mm", "crown_width_mm", "radius_mm")
    stated: dict[str, Any] = {key: table.number(key, above=0, most=_LONGEST_MM) for key in above if key in table.values}
    for key in ("overhang_mm", "binding_mm", "kerf_mm"):
        if key in table.values:
            stated[key] = table.number(key, least=0, most=_MOST_MM)
    if "pieces" in table.values:
        stated["pieces"] = table.whole("pieces", least=1, most=1000)
    if stated.get("barb_length_mm", 0) > stated.get("barb_pitch_mm", _LONGEST_MM):
        raise table.error(f"{table.where}: barb_length_mm must not be above barb_pitch_mm, got "
                          f"{stated['barb_length_mm']!r} and {stated['barb_pitch_mm']!r}")  # fmt: skip
    return WireStock(**stated)


def read_neck(table: Table) -> NeckSection:
    """Return the neck's section.

    Raises:
        InputFileError: a key does not hold.
    """
    lengths, moduli = ("board_mm", "nut_mm", "join_mm"), ("board_modulus_mpa", "modulus_mpa")
    table.refuse_unknown((*lengths, *moduli, "wood", "board_wood"))
    stated: dict[str, Any] = {key: table.number(key, above=0, most=200) for key in lengths if key in table.values}
    stated |= {key: table.number(key, above=0, most=_MOST_PA) for key in moduli if key in table.values}
    stated |= {key: table.text(key) for key in ("wood", "board_wood") if key in table.values}
    return NeckSection(**stated)
