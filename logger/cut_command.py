"""`fretledger cut`: the cutting list of an instrument's frets, stick by stick."""

from dataclasses import dataclass
from pathlib import Path
from typing import Any

from logger.errors import InstrumentError, InsufficientDataError
from logger.evaluation.cutting import Barbs, Cut, CutPlan, plan_cuts
from logger.instrument import Instrument, read_instrument
from logger.sentences import MM_PER_INCH
from logger.snapshot import CAUTIONS
from logger.wire_lengths import wire_lengths_mm


@dataclass(frozen=True, slots=True, kw_only=True)
class CuttingList:
    """The pieces of an instrument and how they are cut; ``barbs`` None where the file does not state them."""

    instrument: Instrument
    barbs: Barbs | None
    plan: CutPlan


def cutting_list(path: Path) -> CuttingList:
    """Return the cutting list of an instrument's file.

    Raises:
        InstrumentError: the file does not hold, lacks what the list needs, or a piece is longer than a stick.
    """
    neck = read_instrument(path)
    stock = neck.stock
    wanted = {"nut_width_mm": neck.nut_width_mm, "join_width_mm": neck.join_width_mm, "[wire] piece_mm": stock.piece_mm}
    absent = [key for key, value in wanted.items() if value is None]
    if neck.slants_mm is None:
        absent.append("square_fret (of fanned frets the one that stands square to the centre line, 0 is the nut)")
    lengths = wire_lengths_mm(neck)
    if lengths is None or stock.piece_mm is None:
        raise InstrumentError(
            f"{path}: a cutting list needs {', '.join(absent)}; state {'it' if len(absent) == 1 else 'them'}"
        )
    barbs = None
    if stock.barb_pitch_mm is not None and stock.barb_length_mm is not None:
        barbs = Barbs(pitch_mm=stock.barb_pitch_mm, length_mm=stock.barb_length_mm)
    try:
        plan = plan_cuts(
            range(1, neck.frets + 1), [float(one) for one in lengths], stick_mm=stock.piece_mm, barbs=barbs,
            kerf_mm=stock.kerf_mm,
        )  # fmt: skip
    except InsufficientDataError as error:
        raise InstrumentError(f"{path}: {error}; give a longer [wire] piece_mm") from error
    return CuttingList(instrument=neck, barbs=barbs, plan=plan)


def cut_json(found: CuttingList) -> dict[str, Any]:
    """Return the cutting list as plain JSON values."""
    return {
        "instrument": found.instrument.name, "stick_mm": found.plan.stick_mm, "proven": found.plan.proven,
        "sticks": [
            {"cuts": [_cut_json(cut) for cut in stick], "waste_mm": round(waste, 4)}
            for stick, waste in zip(found.plan.sticks, found.plan.waste_mm, strict=True)
        ],
    }  # fmt: skip


def _cut_json(cut: Cut) -> dict[str, Any]:
    return {
        "fret": cut.fret, "start_mm": round(cut.start_mm, 4), "end_mm": round(cut.end_mm, 4),
        "length_mm": round(cut.end_mm - cut.start_mm, 4),
        "bare_mm": None if cut.bare_mm is None else [round(one, 4) for one in cut.bare_mm],
    }  # fmt: skip


def cut_lines(found: CuttingList, *, unit: str) -> list[str]:
    """Return the cutting list as lines: stick by stick, where to mark; for both ``in`` and ``thou`` in inches."""
    plan, stock = found.plan, found.instrument.stock
    sticks = len(plan.sticks)
    of = f"{sticks} stick{'' if sticks == 1 else 's'} of {_size(plan.stick_mm, unit)}"
    lines = [f"{found.instrument.name}: {sum(map(len, plan.sticks))} frets from {of}", f"   {CAUTIONS['wire']}"]
    for number, (stick, waste) in enumerate(zip(plan.sticks, plan.waste_mm, strict=True), 1):
        lines += ["", f"stick {number}, from its end; {_size(waste, unit)} are left over"]
        lines += [_line(cut, unit) for cut in stick]
    bare = [max(cut.bare_mm) for stick in plan.sticks for cut in stick if cut.bare_mm is not None]
    if bare:
        lines += ["", f"longest bare tang at an end: {_size(max(bare), unit)}"]
    else:
        lines += [
            "",
            "state [wire] barb_pitch_mm and barb_length_mm, and every cut is placed so that barbs hold its ends",
        ]
    if stock.pieces is not None and sticks > stock.pieces:
        lines.append(f"that is more than the {stock.pieces} that the file states")
    if not plan.proven:
        lines.append("fewer sticks may be enough: not all ways to share the pieces out could be tried")
    return lines


def _line(cut: Cut, unit: str) -> str:
    length = f"{_size(cut.end_mm - cut.start_mm, unit)} long"
    bare = "" if cut.bare_mm is None else f", bare {_figure(cut.bare_mm[0], unit)} and {_figure(cut.bare_mm[1], unit)}"
    return f"   fret {cut.fret:>2}  mark at {_figure(cut.start_mm, unit)} and {_size(cut.end_mm, unit)}, {length}{bare}"


def _figure(value_mm: float, unit: str) -> str:
    return f"{value_mm:.1f}" if unit == "mm" else f"{value_mm / MM_PER_INCH:.3f}"


def _size(value_mm: float, unit: str) -> str:
    return f"{_figure(value_mm, unit)} {'mm' if unit == 'mm' else 'in'}"
