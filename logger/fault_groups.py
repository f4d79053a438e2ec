"""Failed checks drawn together: one sentence for all frets with one fault, so that one page names them all."""

from collections.abc import Mapping, Sequence
from typing import TYPE_CHECKING, Any, Final

from logger.features import PLACES
from logger.sentences import flag_sentence, frets_words, several_form, several_sentence

if TYPE_CHECKING:
    from logger.evaluation.conformity import Limits
    from logger.report import CheckVerdict

UNITS: Final = (("mm", "text"), ("in", "text_in"))


def fault_groups(verdicts: Sequence["CheckVerdict"], limits: Mapping[str, "Limits"]) -> list[dict[str, Any]]:
    """Return the failed checks, one entry for all frets that fail one check in one way, in the order of the neck.

    Args:
        verdicts: of all checks; those that did not fail are passed over.
        limits: by check.

    Returns:
        For each: ``check``, ``text`` and ``text_in`` (sizes in mm and in inches), ``frets`` and how many verdicts
        (``of``) it stands for.
    """
    found: dict[tuple[str, str], list[CheckVerdict]] = {}
    for one in sorted(verdicts, key=lambda each: (each.fret or 0, PLACES.index(each.place) if each.place else -1)):
        if one.verdict == "fail":
            form = several_form(one.check, one.judgement.estimate.value_mm, limits[one.check])
            found.setdefault((one.check, form), []).append(one)
    return [
        {"check": check, **_texts(form, several, limits[check]), "of": len(several),
         "frets": sorted({one.fret for one in several if one.fret is not None})}
        for (check, form), several in found.items()
    ]  # fmt: skip


def _texts(form: str, several: Sequence["CheckVerdict"], limits: "Limits") -> dict[str, str]:
    first = several[0]
    if len(several) == 1:
        return {key: flag_sentence(first.check, first.fret, first.place, first.judgement, limits, unit=unit)[0]
                for unit, key in UNITS}  # fmt: skip
    values = [one.judgement.estimate.value_mm for one in several]
    expanded = [one.judgement.expanded_u_mm for one in several]
    where = places_words([(one.fret, one.place) for one in several])
    return {key: several_sentence(first.check, form, where, values, expanded, unit=unit) for unit, key in UNITS}


def places_words(places: Sequence[tuple[int | None, str | None]]) -> str:
    """Return where several things are: ``frets 3, 7 to 9, treble`` or ``fret 3 (treble), frets 7, 8 (bass, treble)``.

    Args:
        places: fret and place of each; the fret is None for what belongs to no fret.
    """
    at: dict[int | None, list[str]] = {}
    for fret, place in places:
        at.setdefault(fret, []).extend([place] if place and place not in at.get(fret, ()) else [])
    by_places: dict[tuple[str, ...], list[int]] = {}
    for fret, own in at.items():
        if fret is not None:
            by_places.setdefault(tuple(own), []).append(fret)
    parts = [f"{'fret' if len(frets) == 1 else 'frets'} {frets_words(frets)}" for frets in by_places.values()]
    named = list(by_places)
    if len(named) == 1 and None not in at:
        return f"{parts[0]}, {_and(named[0])}" if named[0] else parts[0]
    told = [f"{part} ({', '.join(own)})" if own else part for part, own in zip(parts, named, strict=True)]
    return ", ".join([*(["the wire"] if None in at else []), *told])


def _and(words: Sequence[str]) -> str:
    return words[0] if len(words) == 1 else f"{', '.join(words[:-1])} and {words[-1]}"
