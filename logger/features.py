"""Name what can be measured on an instrument: kinds, places and features."""

from dataclasses import dataclass
from types import MappingProxyType
from typing import Final

PLACES: Final = ("bass", "centre", "treble")
NM_PER: Final = MappingProxyType({"mm": 1_000_000, "in": 25_400_000, "thou": 25_400})
"""Nanometres in one of each unit that a person may write; 1 in = 25.4 mm exactly."""

STUDY: Final = "study"
"""Kind of the readings of a repeatability study; they belong to no instrument and are not judged."""

SIGNED_KINDS: Final = (
    "seated_height", "pressed_height", "unworn_height", "fret_step", "straightedge_gap", "beam_height", "board_step",
    "board_gap", "board_beam", "board_rise", "end_lift", "study", "fixture_zero", "gauge_zero",
)  # fmt: skip
"""Kinds whose readings may be negative or zero, since an indicator may be zeroed anywhere; all others are sizes."""
STAGES: Final = ("wire", "board", "slots", "seating", "sweep")
"""What a sheet goes through, in this order."""
FIXTURE_ZERO: Final = "fixture_zero"
"""Kind of the fixture's zero on its flat plate; its place is the setting of the feet and when it was taken."""
GAUGE_ZERO: Final = "gauge_zero"
"""Kind of a gauge's zero at the beginning and the end of a stage; see `zero_place`."""
ZERO_KINDS: Final = (FIXTURE_ZERO, GAUGE_ZERO)
BEFORE, AFTER = "before", "after"
STAGE_GAUGES: Final = MappingProxyType({
    "wire": "caliper", "board": "rocker", "slots": "depth_indicator", "seating": "depth_indicator", "sweep": "rocker",
})  # fmt: skip
"""The kind of gauge whose zero is asked for at the beginning and the end of a stage."""
STEPS: Final = ("fret_step", "board_step")
LEAVES: Final = "leaves"
TYPED: Final = "typed "
"""What a gauge's name begins with when a person types its readings."""
GAPS: Final = ("straightedge_gap", "board_gap")
BEAMS: Final = ("beam_height", "board_beam")
SWEEP_KINDS: Final = ("fret_step", "straightedge_gap", "beam_height")
"""Kinds that tell how high fret tops stand along a path."""
SURVEY_KINDS: Final = ("board_step", "board_gap", "board_beam")
"""The same on the bare board; the fret is then a place on it."""
FRETTED_KINDS: Final = ("seated_height", "pressed_height", "end_lift", *SWEEP_KINDS)
"""Kinds that are measured on a fret that sits in the board: whoever has readings of them has no bare board there."""
WIRE_KINDS: Final = ("tang_thickness", "barb_span", "tang_depth", "crown_height")
"""Kinds that belong to the wire: a fret number is allowed and not needed."""

_HEIGHT_MM: Final = (0.2, 3.0)
LIKELY_MM: Final = MappingProxyType({
    "tang_thickness": (0.2, 1.5), "barb_span": (0.2, 3.0), "tang_depth": (0.4, 5.0), "crown_height": (0.3, 2.5),
    "slot_width": (0.2, 1.5), "slot_depth": (0.3, 8.0), "seated_height": _HEIGHT_MM, "pressed_height": _HEIGHT_MM,
    "unworn_height": _HEIGHT_MM, "end_lift": (-2.0, 2.0), "fret_step": (-2.0, 2.0), "board_step": (-2.0, 2.0),
    "straightedge_gap": (-2.0, 5.0), "board_gap": (-2.0, 5.0),
})  # fmt: skip
"""What is likely at all, by kind, so wide that a reading outside it is asked about; common practice, no source.

Gaps leave room for the blocks. Zeros, heights along a beam, the board's arc and distances from the nut may be anything.
"""


def typed_name(gauge: str) -> bool:
    """Tell whether a gauge's name is kept for readings that are typed."""
    return gauge == LEAVES or f"{gauge} ".startswith(TYPED)


@dataclass(frozen=True, slots=True, kw_only=True)
class Kind:
    """A kind of feature, in words, with the kinds of gauge that measure it, the natural one first."""

    name: str
    words: str
    gauges: tuple[str, ...]
    needs_fret: bool = True
    needs_place: bool = False
    how: str


KINDS: Final = MappingProxyType({
    kind.name: kind
    for kind in (
        Kind(
            name="tang_thickness",
            words="tang thickness",
            gauges=("caliper",),
            needs_fret=False,
            how="jaws across the tang, clear of the barbs",
        ),
        Kind(
            name="barb_span",
            words="span over the barbs",
            gauges=("caliper",),
            needs_fret=False,
            how="jaws across a pair of barbs",
        ),
        Kind(
            name="tang_depth",
            words="tang depth",
            gauges=("caliper",),
            needs_fret=False,
            how="from under the crown to the foot of the tang",
        ),
        Kind(
            name="crown_height",
            words="crown height of the loose wire",
            gauges=("caliper",),
            needs_fret=False,
            how="from the underside of the crown to its top",
        ),
        Kind(
            name="slot_width",
            words="slot width",
            gauges=("leaves",),
            how="the largest leaf that goes in, the smallest that does not",
        ),
        Kind(
            name="slot_depth",
            words="slot depth",
            gauges=("depth_indicator",),
            how="thin blade to the floor of the slot",
        ),
        Kind(
            name="seated_height",
            words="height of the seated fret",
            gauges=("depth_indicator", "caliper"),
            needs_place=True,
            how="base on the board, plunger on the crown",
        ),
        Kind(
            name="pressed_height",
            words="height of the fret pressed down",
            gauges=("depth_indicator", "caliper"),
            needs_place=True,
            how="press the fret down beside the plunger with about 20 N",
        ),
        Kind(
            name="unworn_height",
            words="height of the fret where no string runs",
            gauges=("depth_indicator", "caliper"),
            how="base on the board, plunger on the crown beside the strings",
        ),
        Kind(
            name="end_lift",
            words="gap under the fret's end",
            gauges=("leaves",),
            needs_place=True,
            how="the largest leaf that goes under the end, the smallest that does not; 0 where none goes",
        ),
        Kind(
            name="slot_position",
            words="distance of the slot from the nut",
            gauges=("caliper",),
            how="from the front of the nut to the middle of the slot",
        ),
        Kind(
            name="fret_step",
            words="step over its neighbours",
            gauges=("rocker",),
            how="feet on the neighbours, plunger on the fret",
        ),
        Kind(
            name=FIXTURE_ZERO,
            words="zero of the fixture",
            gauges=("rocker",),
            needs_fret=False,
            how="set the fixture on the flat plate and take the zero",
        ),
        Kind(
            name=GAUGE_ZERO,
            words="zero of the gauge",
            gauges=("caliper", "depth_indicator", "rocker"),
            needs_fret=False,
            how="jaws closed, or base and plunger on the flat plate: take the zero",
        ),
        Kind(
            name="straightedge_gap",
            words="gap under the straightedge",
            gauges=("leaves",),
            how="edge on two equal blocks; the largest leaf that goes under it, the smallest that does not",
        ),
        Kind(
            name="beam_height",
            words="height under the beam",
            gauges=("depth_indicator",),
            how="carry the indicator along the beam; one traverse is one round",
        ),
        Kind(
            name="board_step",
            words="step of the bare board",
            gauges=("rocker",),
            how="feet beside the place, plunger on the wood",
        ),
        Kind(
            name="board_gap",
            words="gap under the straightedge on the bare board",
            gauges=("leaves",),
            how="edge on two equal blocks; the largest leaf that goes under it, the smallest that does not",
        ),
        Kind(
            name="board_beam",
            words="height of the bare board under the beam",
            gauges=("depth_indicator",),
            how="carry the indicator along the beam; one traverse is one round",
        ),
        Kind(
            name="board_rise",
            words="rise of the board's arc",
            gauges=("depth_indicator",),
            how="feet across the board, plunger in the middle",
        ),
    )
})


def measures(gauge_kind: str, kind: str) -> bool:
    """Tell whether a kind of gauge measures a kind of feature; in a study every gauge measures its parts."""
    return kind == STUDY or gauge_kind in KINDS[kind].gauges


def zero_place(during: str, when: str, gauge: str = "") -> str:
    """Return the place of a zero: ``wire, before``, or where several gauges have one, ``wire of green, before``."""
    return f"{during} of {gauge}, {when}" if gauge else f"{during}, {when}"


def zero_parts(place: str) -> tuple[str, str, str]:
    """Return what a zero is of, the gauge where the place names one, else empty, and when it was taken."""
    named, _, when = place.rpartition(", ")
    during, _, gauge = named.partition(" of ")
    return during, gauge, when


@dataclass(frozen=True, slots=True, kw_only=True)
class Feature:
    """What a reading is of: a kind, a fret (1 is the first, None for the wire), a place and, for steps, the feet.

    In a repeatability study the fret is the number of the part, the place is the person; ``trial`` says which trial.
    """

    kind: str
    fret: int | None = None
    place: str | None = None
    feet: tuple[int, int] | None = None
    trial: str | None = None

    def words(self) -> str:
        """Say the feature as one would at the bench: ``fret 7, treble: slot width``."""
        if self.kind == STUDY:
            return f"part {self.fret}, {self.place}, trial {self.trial}"
        during, gauge, when = zero_parts(self.place or "") if self.kind in ZERO_KINDS else ("", "", "")
        if gauge and self.kind == FIXTURE_ZERO:
            return f"{zero_place(during, when)}: {KINDS[FIXTURE_ZERO].words}, with {gauge}"
        if gauge:
            return f"{zero_place(during, when)}: zero of {gauge}"
        kind = KINDS[self.kind].words if self.kind in KINDS else self.kind
        where = [] if self.fret is None else [f"fret {self.fret}"]
        if self.place is not None:
            where.append(self.place)
        if self.feet is not None and self.kind in GAPS:
            kind = f"{kind}, blocks on {self.feet[0]} and {self.feet[1]}"
        elif self.feet is not None and self.feet[1] - self.feet[0] != 2:
            kind = f"{kind.replace(' over its neighbours', '')} over frets {self.feet[0]} and {self.feet[1]}"
        return f"{', '.join(where)}: {kind}" if where else f"wire: {kind}"
