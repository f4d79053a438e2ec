"""Say verdicts as a luthier would: what is wrong, by how much and how sure, and what to do."""

from collections.abc import Callable, Collection, Iterable, Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING, Final

if TYPE_CHECKING:  # what prints needs these words and no mathematics, which takes a second to load
    from logger.evaluation.conformity import Judgement, Limits

MM_PER_INCH: Final = 25.4
MM_PER_THOU: Final = 0.0254
_SHOWN: Final = {"mm": (1.0, 3), "in": (MM_PER_INCH, 4), "thou": (MM_PER_THOU, 1)}
"""Millimetres in a unit, and the decimals that are shown of it."""

CHECK_WORDS: Final = {
    "slot_position": "place of the slot",
    "board_arc": "arc of the board",
    "hump": "hump at the join",
    "both_ends_proud": "both fret ends",
    "middle_high": "middle of the fret",
    "loose_fret": "loose fret",
    "lifted_end": "gap under the end",
    "string_clearance": "clearance of the string",
    "tang_clearance": "slot against tang",
    "barb_bite": "bite of the barbs",
    "slot_depth_spare": "depth to spare",
    "proud_end": "fret end",
    "uneven_seating": "evenness of seating",
    "tilted_fret": "tilt",
    "high_fret": "high fret",
    "low_fret": "low fret",
}
RULES: Final = "Local rules and licensed practice decide, not this program."
"""What every caution ends with."""


def cautions_together(cautions: Iterable[str]) -> str:
    """Return several cautions as one, each sentence once and at its last place."""
    sentences = [one.strip(". ") for caution in cautions for one in caution.split(". ")]
    return "".join(f"{one}. " for one in reversed(dict.fromkeys(reversed(sentences)))).rstrip()


VERDICT_WORDS: Final = {"pass": "pass", "fail": "fail", "remeasure": "measure again"}


def figure(value_mm: float, unit: str) -> str:
    """Return a length in ``mm``, ``in`` or ``thou`` as a figure alone: ``0.082``, ``0.0032`` or ``3.2``."""
    mm, decimals = _SHOWN[unit]
    return f"{value_mm / mm:.{decimals}f}"


def length(value_mm: float, expanded_u_mm: float | None, unit: str) -> str:
    """Return a length with its expanded uncertainty and unit: ``0.082 ± 0.012 mm`` or ``3.2 ± 0.5 thou``."""
    text = figure(value_mm, unit).replace("-", "\N{MINUS SIGN}")
    if expanded_u_mm is None:
        return f"{text} {unit}, uncertainty not known"
    return f"{text} ± {figure(expanded_u_mm, unit)} {unit}"


@dataclass(frozen=True, slots=True, kw_only=True)
class Words:
    """The two sides of a check: a sentence with ``{where}`` and ``{size}``, and what to do.

    ``several`` and ``several_below`` stand where one sentence tells of several frets and the other would not agree.
    ``do_fretted`` is what to do instead of either once frets sit there; ``{todo}`` in it is what bare wood would need.
    """

    above: str
    do_above: str
    below: str = ""
    do_below: str = ""
    several: str = ""
    several_below: str = ""
    do_fretted: str = "{todo}"
    size: Callable[[float], float] = abs


_BOARD_CHECKS: Final = ("board_arc", "hump")
"""Checks of the board as a whole: any fret that sits on it is in the way of the sanding block."""
_IF_PULLED: Final = "leave the fret while it sits level and holds; if it comes out, {todo}"
_LEVEL_OR_PULL: Final = (
    "frets sit on it, so nothing is sanded now: level {what} in the wire if enough crown stays (the levelling plan "
    "tells), else pull the frets there, sand the board and seat them again; dust of rosewood and ebony is a "
    "sensitiser: extraction and a respirator"
)
"""What a levelling plan sets side by side, and what cannot be done with frets in; common practice, no source."""
_CUT_AGAIN: Final = "fill it and cut it again; measure every slot from the nut, not from slot to slot"

_WORDS: Final = {
    "tang_clearance": Words(
        above="{where}: the slot is loose, {size} wider than the tang",
        do_above="choose a wire with a thicker tang, or set the fret in glue",
        below="{where}: the slot is tight, the tang is {size} thicker than the slot",
        do_below="widen the slot or choose a thinner tang; forced in, it bends the neck back and chips the board",
        do_fretted=_IF_PULLED,
    ),
    "barb_bite": Words(
        above="{where}: the barbs bite {size} into each wall, enough to chip the board",
        do_above="break the slot's upper edge, or choose a wire with shorter barbs",
        below="{where}: the fret is loose, the barbs bite only {size} into each wall",
        do_below="choose a wire with wider barbs, or set the fret in glue",
        do_fretted=_IF_PULLED,
        size=lambda value: value,
    ),
    "slot_depth_spare": Words(
        above="{where}: the slot is {size} deeper than the tang",
        do_above="fill the floor when gluing; a deep slot weakens the board",
        below="{where}: only {size} of depth to spare under the tang",
        do_below="deepen the slot there; the tang must not stand on its floor",
        do_fretted=_IF_PULLED,
        size=lambda value: value,
    ),
    "proud_end": Words(
        above="{where} end stands proud by {size}",
        do_above="press the end down again with the caul; see where the last barb sits before filing anything",
        below="{where} end lies low by {size}",
        do_below="see whether the board is low or the wire bent there; level the others down to it only if it must be",
        several="{where}: an end stands proud by {size}",
        several_below="{where}: an end lies low by {size}",
    ),
    "slot_position": Words(
        above="{where}: the slot lies {size} too near the bridge",
        do_above=_CUT_AGAIN,
        below="{where}: the slot lies {size} too near the nut",
        do_below=_CUT_AGAIN,
        do_fretted="its fret sits in it: pull the fret first, then {todo}",
    ),
    "board_arc": Words(
        above="{where}: the board is rounder than its radius, its arc rises {size} too much",
        do_above="sand the middle with the radius block before any wire goes in",
        below="{where}: the board is flatter than its radius, its arc rises {size} too little",
        do_below="sand both edges with the radius block before any wire goes in",
        do_fretted=_LEVEL_OR_PULL.format(what="the crowns to their radius"),
    ),
    "hump": Words(
        above="{where}: the board stands {size} over the line through both sides of the join",
        do_above="sand the hump away before any wire goes in; dust of rosewood and ebony is a sensitiser: extraction "
        "and a respirator",
        do_fretted=_LEVEL_OR_PULL.format(what="the frets over the hump"),
    ),
    "both_ends_proud": Words(
        above="{where}: both ends stand proud of the centre by {size} or more",
        do_above="the wire is flatter than the board: press both ends with a caul of smaller radius",
    ),
    "middle_high": Words(
        above="{where}: the middle stands {size} over its ends",
        do_above="the wire is bent tighter than the board: press the middle down with the board's own radius",
    ),
    "loose_fret": Words(
        above="{where} is loose, it goes down by {size} when pressed",
        do_above="seat it again or set it in glue before any levelling; thin cyanoacrylate: glasses, ventilation, "
        "solvent at hand",
        several="{where}: loose, goes down by {size} when pressed",
    ),
    "lifted_end": Words(
        above="{where} end is lifted, a leaf of {size} goes under it",
        do_above="press the end down again with the caul; see where the last barb sits before filing anything",
        several="{where}: an end is lifted, a leaf of {size} goes under it",
    ),
    "string_clearance": Words(
        above="{where}: the string clears the frets beyond by {size}",
        do_above="nothing",
        below="{where}: the swinging string hits the frets beyond, it lacks {size}",
        do_below="raise the action, or level the frets that it hits first",
    ),
    "uneven_seating": Words(
        above="{where} is seated unevenly, its places differ by {size}",
        do_above="re-seat it over its whole width before any levelling",
        several="{where}: seated unevenly, the places differ by {size}",
    ),
    "tilted_fret": Words(
        above="{where} is tilted, its ends differ by {size}",
        do_above="re-seat the higher end",
        several="{where}: tilted, the ends differ by {size}",
    ),
    "high_fret": Words(
        above="{where} stands high by {size}",
        do_above="press-test it first: a loose fret is re-seated, a seated one is levelled",
        below="{where} stands low by {size}",
        do_below="replace or shim it, or level its neighbours down to it",
        several="{where}: high by {size}",
        several_below="{where}: low by {size}",
    ),
    "low_fret": Words(
        above="{where} stands high by {size}",
        do_above="press-test it first: a loose fret is re-seated, a seated one is levelled",
        below="{where} stands low by {size}",
        do_below="replace or shim it, or level its neighbours down to it",
        several="{where}: high by {size}",
        several_below="{where}: low by {size}",
    ),
}


_NARROWER: Final = "{where}: the slot is tighter than wanted, only {size} wider than the tang"
_THINNER: Final = "{where}: the slot is looser than wanted, the tang is only {size} thicker"


def where_words(fret: int | None, place: str | None) -> str:
    """Return ``fret 7, treble``, ``fret 7`` or ``the wire``."""
    if fret is None:
        return "the wire"
    return f"fret {fret}" if place is None else f"fret {fret}, {place}"


def frets_words(frets: Iterable[int]) -> str:
    """Return fret numbers with runs drawn together: ``2 to 5, 9``."""
    runs: list[list[int]] = []
    for fret in sorted(frets):
        if runs and fret == runs[-1][-1] + 1:
            runs[-1].append(fret)
        else:
            runs.append([fret])
    return ", ".join(str(run[0]) if len(run) == 1 else f"{run[0]} to {run[-1]}" for run in runs)


def _is_below(value_mm: float, limits: "Limits") -> bool:
    """Tell which side a failed value fails on: the limit that it is further beyond, or nearer to."""
    if limits.lower_mm is None or limits.upper_mm is None:
        return limits.lower_mm is not None
    return limits.lower_mm - value_mm > value_mm - limits.upper_mm


def in_the_way(check: str, fret: int | None, seated: Collection[int]) -> bool:
    """Tell whether one of the ``seated`` frets is in the way of what a check asks for on the bare board."""
    return bool(seated) if check in _BOARD_CHECKS else fret in seated


def flag_sentence(
    check: str, fret: int | None, place: str | None, judgement: "Judgement", limits: "Limits", *, unit: str = "mm",
    fretted: bool = False,
) -> tuple[str, str]:  # fmt: skip
    """Return what is wrong and what to do, for a check that failed; ``fretted`` as `in_the_way` tells."""
    words, value_mm = _WORDS[check], judgement.estimate.value_mm
    template, todo = _form(check, value_mm, limits)
    todo = words.do_fretted.format(todo=todo) if fretted else todo
    where = where_words(fret, place)
    if check in {"proud_end", "lifted_end"}:
        where = where.replace(",", "")
    return template.format(where=where, size=length(words.size(value_mm), judgement.expanded_u_mm, unit)), todo


def _form(check: str, value_mm: float, limits: "Limits", *, several: bool = False) -> tuple[str, str]:
    words = _WORDS[check]
    below = _is_below(value_mm, limits) and bool(words.below)
    template, other, todo = (
        (words.below, words.several_below, words.do_below) if below else (words.above, words.several, words.do_above)
    )
    if check == "tang_clearance" and below == (value_mm > 0):
        template = _NARROWER if below else _THINNER
    return (other if several and other else template), todo


def several_form(check: str, value_mm: float, limits: "Limits") -> str:
    """Return the sentence of a failed check for several frets at once; failures of one form can share it."""
    return _form(check, value_mm, limits, several=True)[0]


def several_sentence(
    check: str, form: str, where: str, values_mm: Sequence[float], u_mm: Sequence[float | None], *, unit: str
) -> str:
    """Return one sentence for several failures of one form: from which size to which, and how well they are known.

    Args:
        check: what failed.
        form: as `several_form` gives it.
        where: the frets and places, in words.
        values_mm: the sizes.
        u_mm: their expanded uncertainties; None where one is not known.
        unit: ``mm``, ``in`` or ``thou``.
    """
    sizes = sorted(_WORDS[check].size(one) for one in values_mm)
    low, high = (figure(one, unit).replace("-", "\N{MINUS SIGN}") for one in (sizes[0], sizes[-1]))
    span = f"{low} {unit}" if low == high else f"{low} to {high} {unit}"
    known = [one for one in u_mm if one is not None]
    if len(known) < len(u_mm):
        return form.format(where=where, size=f"{span} (not for all is the uncertainty known)")
    each = "" if len({figure(one, unit) for one in known}) == 1 else " or better"
    return form.format(where=where, size=f"{span} (each \N{PLUS-MINUS SIGN} {figure(max(known), unit)} {unit}{each})")


def settle(judgement: "Judgement") -> str:
    """Return what would settle a verdict, or an empty text when it is settled."""
    if judgement.verdict != "remeasure":
        return ""
    if judgement.estimate.doubt:
        return judgement.estimate.doubt
    if not judgement.estimate.known:
        return "its uncertainty is not known: measure it at least twice, or state what the gauge is worth"
    more = judgement.repeats_to_settle
    if more is None:
        return "more readings cannot settle it: a better gauge or finer leaves are needed"
    return f"{more} more {'reading' if more == 1 else 'readings'} of each place would settle it if the mean stays"


def reason(check: str, judgement: "Judgement", *, unit: str = "mm") -> str:
    """Return one sentence for the tile: the check, its value and the verdict."""
    size = length(judgement.estimate.value_mm, judgement.expanded_u_mm, unit)
    return f"{CHECK_WORDS[check]} {size}: {VERDICT_WORDS[judgement.verdict]}"
