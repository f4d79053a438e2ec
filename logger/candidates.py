"""Wires and blades to choose from, as a file or a page states them.

Each size has how well it is known, and how it scatters from piece to piece. One
computation for the command and the page. Lengths in mm.
"""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Any, Final

from logger.evaluation.estimate import Cause, Estimate
from logger.evaluation.matching import Pairing, Wire, rank, scattered
from logger.evaluation.observation import FeatureKey
from logger.fit_report import FretFit, fits_of
from logger.limits import LimitSet
from logger.toml_input import Table

MOST_SIZE_MM: Final = 10.0
MOST_SPREAD_MM: Final = 1.0
"""Bounds of a size, and of its uncertainty and scatter (our choice): far beyond any fret wire or saw."""
WIRE_SIZES: Final = ("tang", "span")
BLADE_SIZES: Final = ("kerf",)


@dataclass(frozen=True, slots=True, kw_only=True)
class Candidates:
    """Wires and blades to choose from.

    Attributes:
        wires: each with tang and span of its next piece.
        blades: names, and the slot that the next cut of each gives.
    """

    wires: Sequence[Wire]
    blades: Sequence[tuple[str, Estimate]]

    def ranked(self, limits: LimitSet) -> list[Pairing]:
        """Return every wire with every blade, the likeliest fit first."""
        return rank(self.wires, self.blades, limits["tang_clearance"], limits["barb_bite"])


def candidates_of(wires: Sequence[Table], blades: Sequence[Table]) -> Candidates:
    """Return the wires and blades that tables state.

    Args:
        wires: each with ``name``, ``tang_mm`` and ``span_mm``, and of both ``_u_mm`` and ``_sd_mm`` where known.
        blades: each with ``name`` and ``kerf_mm``, and its ``_u_mm`` and ``_sd_mm`` where known.

    Raises:
        InputFileError: a table does not hold; raised as the class that the table names.
    """
    return Candidates(wires=[_wire(one) for one in wires], blades=[_blade(one) for one in blades])


def keys_of(sizes: Sequence[str]) -> tuple[str, ...]:
    """Return what a table of these sizes may state."""
    return ("name", *(f"{size}{part}_mm" for size in sizes for part in ("", "_u", "_sd")))


def _wire(table: Table) -> Wire:
    table.refuse_unknown(keys_of(WIRE_SIZES))
    return Wire(name=table.text("name"), tang=_size(table, "tang"), span=_size(table, "span"))


def _blade(table: Table) -> tuple[str, Estimate]:
    table.refuse_unknown(keys_of(BLADE_SIZES))
    return table.text("name"), _size(table, "kerf")


def _size(table: Table, what: str) -> Estimate:
    """Return a size with its uncertainty and how it scatters from piece to piece."""
    name = f"{what}:{table.text('name')}"
    value = table.number(f"{what}_mm", above=0, most=MOST_SIZE_MM)
    u = table.optional_number(f"{what}_u_mm", least=0, most=MOST_SPREAD_MM) or 0.0
    sd = table.optional_number(f"{what}_sd_mm", least=0, most=MOST_SPREAD_MM) or 0.0
    bare = Estimate(value_mm=value, terms=((Cause(name=name, words=what, u_mm=u), 1.0),) if u else ())
    return scattered(bare, sd, f"{name}:piece") if sd else bare


def in_sawn_slots(wire: Wire, estimates: Mapping[FeatureKey, Estimate], limits: LimitSet) -> tuple[FretFit, ...]:
    """Return how a wire would fit the slots that are sawn already, fret by fret, each at its worst place.

    Args:
        wire: which.
        estimates: of the session; of it the slots' widths alone count.
        limits: of ``tang_clearance`` and ``barb_bite``.
    """
    slots = {key: one for key, one in estimates.items() if key.kind == "slot_width"}
    own = {FeatureKey(kind="tang_thickness"): wire.tang, FeatureKey(kind="barb_span"): wire.span}
    return fits_of({**slots, **own}, limits)


def pairings_json(pairings: Sequence[Pairing]) -> list[dict[str, Any]]:
    """Return wires with blades and their chances as plain JSON values."""
    return [{"wire": one.wire, "blade": one.blade, "chance": round(one.chance, 6)} for one in pairings]
