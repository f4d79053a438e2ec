"""What changed on one neck from one visit to the next: verdicts, and heights over the board."""

from typing import Any

from logger.evaluate import Evaluation
from logger.instrument_record import WORST_FIRST, counts_of
from logger.report import CheckVerdict
from logger.sentences import CHECK_WORDS, where_words
from logger.wear_command import days_between, wear_of

Told = dict[str, Any]


def compared(before: Evaluation, after: Evaluation) -> Told:
    """Return what changed between two visits of one neck as plain JSON values, lengths in mm.

    A verdict is listed where it changed, or where one visit alone has it; heights are later less earlier, so that wear
    is below zero. ``told_apart`` says that a change of height is beyond its uncertainty.
    """
    days = days_between(before, after)
    pairs = _pairs(before, after)
    changed = [one for one in pairs if _said(one[0]) != _said(one[1])]
    both = [one for one in pairs if None not in one]
    return {
        "days": None if days is None else round(days, 2),
        "before": counts_of(before.verdicts), "after": counts_of(after.verdicts),
        "same": sum(_said(one) == _said(other) for one, other in both), "of": len(both),
        "changes": [_change(*one) for one in sorted(changed, key=_order)],
        "heights": [
            {
                "fret": fret, "place": place, "change_mm": round(-one.since.value_mm, 6),
                "U_mm": round(one.since.expanded_u_mm(), 6) if one.since.known else None,
                "told_apart": one.since.known and abs(one.since.value_mm) > one.since.expanded_u_mm(),
            }
            for (fret, place), one in wear_of(before, after, days=days).items()
        ],
    }  # fmt: skip


_Pair = tuple[CheckVerdict | None, CheckVerdict | None]


def _pairs(before: Evaluation, after: Evaluation) -> list[_Pair]:
    first, second = ({(one.check, one.fret, one.place): one for one in each.verdicts} for each in (before, after))
    return [(first.get(key), second.get(key)) for key in dict.fromkeys((*second, *first))]


def _said(one: CheckVerdict | None) -> str:
    return "" if one is None else one.verdict


def _order(pair: _Pair) -> tuple[int, int]:
    """Put first what is worst now; what is not judged any more comes last."""
    now = pair[1]
    if now is None:
        return len(WORST_FIRST), 0
    return WORST_FIRST.index(now.verdict), now.fret or 0


def _change(before: CheckVerdict | None, after: CheckVerdict | None) -> Told:
    one = after or before
    assert one is not None  # noqa: S101 - a pair holds at least one
    return {
        "check": one.check, "words": CHECK_WORDS[one.check], "where": where_words(one.fret, one.place),
        "fret": one.fret, "place": one.place,
        "before": _side(before), "after": _side(after),
    }  # fmt: skip


def _side(one: CheckVerdict | None) -> Told | None:
    if one is None:
        return None
    expanded = one.judgement.expanded_u_mm
    return {
        "verdict": one.verdict, "value_mm": round(one.judgement.estimate.value_mm, 6),
        "U_mm": None if expanded is None else round(expanded, 6),
    }  # fmt: skip
