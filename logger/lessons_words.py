"""Tell what a store's sessions say together: as lines for a person, and as JSON."""

from collections.abc import Sequence
from typing import Any, Final

from logger.counted import counted
from logger.evaluation.shop_rates import LEAST_ENDS, LEAST_FOR_DRIFT, LEAST_NECKS, Rate
from logger.factors import FACTORS
from logger.kept import utc_text
from logger.lessons import Blade, Change, Lessons, Level, LotFit
from logger.sentences import CHECK_WORDS, MM_PER_THOU, length

SIGNIFICANT: Final = 0.05
NOT_ENOUGH: Final = f"not enough data: a rate needs {LEAST_NECKS} necks and {LEAST_ENDS} ends"
_UNTOLD: Final = "without name"


def lessons_lines(found: Lessons, *, unit: str) -> list[str]:
    """Return everything as lines: ends by factor, fit by lot and blade, drift of blades, repeat visits."""
    if not found.visits:
        return ["no session with slots, wire or seated frets yet; there is nothing to learn from", *_skipped(found)]
    lines = [
        f"{counted(len(found.visits), 'visit')} of {counted(len({one.instrument for one in found.visits}), 'neck')}"
    ]
    lines += ["", "proud ends, a neck counted once for each way it was fretted"]
    if found.all_ends is None:
        lines.append("   no end was judged yet")
    else:
        again = f"; {counted(found.open_ends, 'end')} to be measured again not counted" if found.open_ends else ""
        lines.append(f"   {'all':<34} {_rate_words(found.all_ends)}{again}")
    for factor, levels in found.ends.items():
        lines += [f"   by {FACTORS[factor]}", *(_level_line(one) for one in levels)]
    missing = [words for name, words in FACTORS.items() if name not in found.ends]
    if missing:
        lines.append(f"   not stated for any neck: {', '.join(missing)}")
    lines += ["", "fit by wire lot and blade", *(_fit_line(one, unit) for one in found.fits)]
    if not found.fits:
        lines.append("   no judged slot on a neck that states lot or blade under [wire]")
    lines += ["", "slot width by blade, in the order of cutting", *(_blade_line(one, unit) for one in found.blades)]
    if not found.blades:
        lines.append("   no slots on a neck that states its blade under [wire]")
    lines += ["", "repeat visits", *(_change_line(one, unit) for one in found.changes)]
    if not found.changes:
        lines.append("   no neck has seated frets measured at two visits")
    return lines + _skipped(found)


def _rate_words(one: Rate) -> str:
    told = f"{one.bad} of {one.of} on {counted(one.necks, 'neck')}"
    if not one.enough:
        return f"{told}: {NOT_ENOUGH}"
    return f"{told}: {one.share:.1%} (95 %: {one.low:.1%} to {one.high:.1%})"


def _level_line(one: Level) -> str:
    return f"      {one.name[:30]:<31} {_rate_words(one.rate)}{_against(one)}"


def _against(one: Level) -> str:
    versus = one.against_others
    if versus is None or one.p is None or not one.rate.enough:
        return ""
    if versus.least > SIGNIFICANT:
        return "; too few necks to tell it from the others"
    if one.p > SIGNIFICANT:
        return f"; not told from the others (chance {one.p:.2f})"
    return f"; {'more' if versus.difference > 0 else 'fewer'} than the others (chance {one.p:.3f})"


def _fit_line(one: LotFit, unit: str) -> str:
    scale, digits = (1.0, 3) if unit == "mm" else (1 / MM_PER_THOU, 1)
    spread = "" if one.size.sd is None else f", from slot to slot ± {one.size.sd * scale:.{digits}f} (1 sd)"
    name = f"lot {one.lot or _UNTOLD}, blade {one.blade or _UNTOLD}"
    size = f"{one.size.mean * scale:.{digits}f} {unit}".replace("-", "\N{MINUS SIGN}")
    failed = "no verdict yet" if one.failed is None else f"failed {_rate_words(one.failed)}"
    return f"   {name[:40]:<41} {CHECK_WORDS[one.check]}: {size}{spread}, {counted(one.size.n, 'slot')}; {failed}"


def _blade_line(one: Blade, unit: str) -> str:
    name = f"   blade {one.name[:30]}: {counted(len(one.necks), 'neck')}"
    drift = one.drift
    if drift is None:
        return f"{name}, not enough data: a drift needs {LEAST_FOR_DRIFT}"
    signal = "no signal on the chart"
    if drift.moved:
        signal = "the chart signals: look at the blade before the next neck"
    told = length(10 * drift.per_neck_mm, 10 * drift.expanded_u_mm, unit)
    limits = f"limits {length(drift.chart.centre, drift.chart.upper - drift.chart.centre, unit)}"
    way = "no drift told"
    if drift.p <= SIGNIFICANT:
        way = "the slots narrow" if drift.per_neck_mm < 0 else "the slots widen"
    newest = f"newest {_plain(one.widths_mm[-1], unit)}"
    return f"{name}, {way}: {told} over ten necks (chance {drift.p:.3f}); {limits}, {newest}; {signal}"


def _plain(value_mm: float, unit: str) -> str:
    return f"{value_mm:.3f} mm" if unit == "mm" else f"{value_mm / MM_PER_THOU:.1f} thou"


def _change_line(one: Change, unit: str) -> str:
    days = (one.second.at_ns - one.first.at_ns) / 86_400e9
    ends = f"proud ends {one.first.ends.bad} of {one.first.ends.of}, then {one.second.ends.bad} of {one.second.ends.of}"
    heights = "no height in common"
    if one.mean is not None:
        moved = length(one.mean.value_mm, one.mean.expanded_u_mm() if one.mean.known else None, unit)
        heights = f"seated heights changed by {moved} on average over {counted(one.places, 'place')}"
    return f"   {one.name[:40]}, {days:.0f} days apart: {ends}; {heights}"


def _skipped(found: Lessons) -> list[str]:
    return ["", *(f"left out: {one}" for one in found.skipped)] if found.skipped else []


def lessons_json(found: Lessons) -> dict[str, Any]:
    """Return everything as plain JSON values, lengths in mm."""
    return {
        "visits": len(found.visits), "necks": len({one.instrument for one in found.visits}),
        "proud_ends": {
            "all": None if found.all_ends is None else _rate_json(found.all_ends), "open": found.open_ends,
            "by": {factor: [_level_json(one) for one in levels] for factor, levels in found.ends.items()},
        },
        "fit": [
            {"lot": one.lot, "blade": one.blade, "check": one.check, "mean_mm": one.size.mean, "sd_mm": one.size.sd,
             "slots": one.size.n, "failed": None if one.failed is None else _rate_json(one.failed)}
            for one in found.fits
        ],
        "blades": [_blade_json(one) for one in found.blades],
        "repeat_visits": [_change_json(one) for one in found.changes],
        "left_out": list(found.skipped),
    }  # fmt: skip


def _rate_json(one: Rate) -> dict[str, Any]:
    return {"bad": one.bad, "of": one.of, "necks": one.necks, "enough": one.enough, "share": one.share,
            "low": one.low, "high": one.high, "effective": one.effective}  # fmt: skip


def _level_json(one: Level) -> dict[str, Any]:
    versus = one.against_others
    return {"way": one.name, **_rate_json(one.rate), "difference": None if versus is None else versus.difference,
            "p": one.p, "least_p": None if versus is None else versus.least}  # fmt: skip


def _blade_json(one: Blade) -> dict[str, Any]:
    drift = one.drift
    told: dict[str, Any] = {"blade": one.name, "necks": list(one.necks), "widths_mm": list(one.widths_mm)}
    if drift is None:
        return {**told, "drift": None}
    chart: dict[str, float | Sequence[int]] = {
        "centre_mm": drift.chart.centre, "lower_mm": drift.chart.lower, "upper_mm": drift.chart.upper,
        "beyond": list(drift.chart.beyond),
    }  # fmt: skip
    return {**told, "drift": {"per_neck_mm": drift.per_neck_mm, "U_mm": drift.expanded_u_mm, "p": drift.p,
                              "run": drift.run, "moved": drift.moved, "chart": chart}}  # fmt: skip


def _change_json(one: Change) -> dict[str, Any]:
    mean = one.mean
    return {
        "instrument": one.name, "first": utc_text(one.first.at_ns), "second": utc_text(one.second.at_ns),
        "proud": [one.first.ends.bad, one.second.ends.bad], "judged": [one.first.ends.of, one.second.ends.of],
        "places": one.places, "change_mm": None if mean is None else mean.value_mm,
        "U_mm": mean.expanded_u_mm() if mean is not None and mean.known else None,
    }  # fmt: skip
