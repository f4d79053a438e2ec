"""The sweep in words: what does not fit, which heights are not known, what to measure next."""

from collections.abc import Sequence
from typing import Final

import numpy as np

from logger.evaluation.fret_kinds import FretFault
from logger.evaluation.levelling_plan import COVERAGE, NoPlan
from logger.evaluation.observation import FeatureKey
from logger.evaluation.sweep import Candidate, Path, Profile
from logger.features import Feature
from logger.levelling_report import Levelling
from logger.sentences import RULES, frets_words, length
from logger.sweep_report import Sweep

LEAST_SANDED_MM: Final = 0.005
"""Less than this nobody sands on purpose (our choice)."""
SANDING_CAUTION: Final = f"dust of rosewood and ebony is a sensitiser: extraction and a respirator. {RULES}"
ODD: Final = 0.01
"""Below this chance the readings as a whole disagree by more than their gauges are said to be worth."""


def key_words(key: FeatureKey) -> str:
    """Return what a feature is called: kind, fret, path and feet."""
    return Feature(kind=key.kind, fret=key.fret, place=key.place, feet=key.feet).words()


def sweep_notes(sweep: Sweep | None) -> list[str]:
    """Say which readings do not fit, which heights the readings do not tell, and whether they agree as a whole."""
    if sweep is None or sweep.profile is None:
        return []
    profile = sweep.profile
    notes = [_suspect(one.key, one.alike, one.off_mm) for one in profile.suspects]
    notes += [_unknown(path, profile) for path in dict.fromkeys(path for path, _ in profile.unknown())]
    p = profile.p_rest
    if p < ODD:
        rest = "the other readings" if profile.suspects else "the readings"
        notes.append(
            f"{rest} of the sweep disagree by more than the gauges are worth (chance {p:.1g}): check the gauges, "
            "their zeros and signs"
        )
    return notes


def _suspect(key: FeatureKey, alike: Sequence[FeatureKey], off_mm: float) -> str:
    if alike:
        others = " or ".join(key_words(one) for one in alike)
        return f"{key_words(key)}, or else {others}, does not fit the other readings: measure them again"
    return f"{key_words(key)} does not fit the other readings, it is off by about {off_mm:.3f} mm: measure it again"


def _unknown(path: Path, profile: Profile) -> str:
    frets = [fret for other, fret in profile.unknown() if other == path and fret]
    where = f" on the {path} path" if path else ""
    return (
        f"the heights of frets {frets_words(frets)}{where} are not known: no readings join them with the others; "
        "measure the steps between them, or gaps under a straightedge"
    )


def sweep_lines(sweep: Sweep | None, *, unit: str) -> list[str]:
    """Return what stands off by fret, and what to measure next, as lines for the table."""
    if sweep is None:
        return []
    lines = [f"   {fault_words(one, unit=unit)}" for one in sweep.faults]
    if sweep.next_best is not None:
        lines.append(f"   next: {next_words(sweep.next_best)}")
    return ["", *lines] if lines else []


def fault_words(one: FretFault, *, unit: str) -> str:
    """Say what stands off at a fret, and how far."""
    size = length(one.size.value_mm, one.size.expanded_u_mm() if one.size.known else None, unit)
    return f"fret {one.fret}: {_what(one)} {size} off the shape wanted"


def _what(one: FretFault) -> str:
    if one.kind == "end":
        return f"its {one.place} end stands"
    if one.kind == "place":
        return f"on the {one.place} path it stands" if one.place else "it stands"
    return {"whole fret": "the whole fret stands", "both ends": "both ends stand", "middle": "its middle stands",
            "tilted": "it is tilted, bass less treble"}[one.kind]  # fmt: skip


def next_words(one: Candidate) -> str:
    """Say which reading helps most, and how much."""
    path = f", {one.path} path" if one.path else ""
    low, high = one.feet
    what = {
        "step": f"the step at fret {one.fret} over frets {low} and {high}{path}",
        "gap": f"the gap at fret {one.fret} under a straightedge on two equal blocks on frets {low} and {high}{path}",
        "beam": f"the height at fret {one.fret} under a beam{path}",
    }[one.way]
    return f"{what} would tell most ({one.share:.0%} less variance)"


def sanding_lines(levelling: Levelling | None, *, unit: str, fretted: bool = False) -> list[str]:
    """Say where to sand the bare board and how much, as lines for the table; ``fretted``: once its frets are out."""
    if levelling is None:
        return []
    plan = levelling.plan
    if isinstance(plan, NoPlan):
        return ["", f"   no sanding plan: {plan.sentence}"]
    lines = []
    for row, path in enumerate(levelling.paths):
        off = [(fret, float(size)) for fret, size in zip(levelling.frets, plan.removal_mm[row], strict=True)
               if size >= LEAST_SANDED_MM]  # fmt: skip
        if off:
            most, where = max((size, fret) for fret, size in off)
            expanded = COVERAGE * float(plan.u_removal_mm[row, levelling.frets.index(where)])
            size = length(most, expanded if np.isfinite(expanded) else None, unit)
            at = f"on the {path} path " if path else ""
            frets = frets_words(fret for fret, _ in off)
            what = "once the frets are pulled, sand the board" if fretted else "sand the bare board"
            lines.append(f"   {what} {at}at frets {frets}, most at {where}: {size}")
    return ["", *lines, f"   {SANDING_CAUTION}"] if lines else []
