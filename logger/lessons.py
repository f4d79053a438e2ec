"""Gather what all sessions of a store say together: one visit of a neck after the other, judged by its own limits."""

from collections import Counter, defaultdict
from collections.abc import Callable, Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass, field
from functools import lru_cache
from itertools import pairwise
from pathlib import Path
from statistics import fmean
from typing import Any, Final

from logger.errors import InputFileError
from logger.evaluation.estimate import Estimate, combine
from logger.evaluation.observation import FeatureKey
from logger.evaluation.shop_rates import Comparison, Drift, Rate, Tally, compare, holm, kerf_drift, rate
from logger.evaluation.statistics import MeanSd, mean_and_sd
from logger.factors import FACTORS, factors_of
from logger.kept import observations_of, spec_of
from logger.report import CheckVerdict, Judge
from logger.selection import Selection, chosen_sessions, session_judge
from logger.store import KeptReading, SessionFactor, SessionRow, StoreReader

KINDS_USED: Final = ("slot_width", "tang_thickness", "barb_span", "seated_height", "crown_height")
FIT_CHECKS: Final = ("tang_clearance", "barb_bite")


@dataclass(frozen=True, slots=True, kw_only=True)
class Visit:
    """One session on one neck: what it says of slots, fit and ends.

    Attributes:
        at_ns: when its first reading was taken, else when it was begun.
        factors: how the neck was fretted.
        ends: proud ends of all that a verdict was given on.
        open_ends: ends that are to be measured again.
        slot_mm: mean slot width, None without slots.
        fits: clearance of the tang and bite of the barbs, mm, of every slot.
        misfits: of each such check, how many slots failed.
        heights: heights of seated frets, of necks that were visited more than once.
    """

    session: str
    instrument: str
    name: str
    at_ns: int
    factors: Mapping[str, str]
    ends: Tally
    open_ends: int
    slot_mm: float | None
    fits: Mapping[str, Sequence[float]]
    misfits: Mapping[str, Tally]
    heights: Mapping[FeatureKey, Estimate] = field(default_factory=dict)


@dataclass(frozen=True, slots=True, kw_only=True)
class Level:
    """The necks of one way: rate of proud ends, and its comparison with all other ways (p raised by Holm's method)."""

    name: str
    rate: Rate
    against_others: Comparison | None
    p: float | None


@dataclass(frozen=True, slots=True, kw_only=True)
class LotFit:
    """How slots of one blade fit one lot of wire: a check's size over all slots, and how many of them failed.

    ``failed`` is None where no slot had a verdict.
    """

    lot: str
    blade: str
    check: str
    size: MeanSd
    failed: Rate | None


@dataclass(frozen=True, slots=True, kw_only=True)
class Blade:
    """The necks that one blade cut, in order, and its drift where there are enough."""

    name: str
    necks: Sequence[str]
    widths_mm: Sequence[float]
    drift: Drift | None


@dataclass(frozen=True, slots=True, kw_only=True)
class Change:
    """How seated frets changed from one visit of a neck to its next: the mean over the ``places`` that both have."""

    name: str
    first: Visit
    second: Visit
    places: int
    mean: Estimate | None


@dataclass(frozen=True, slots=True, kw_only=True)
class Lessons:
    """What a store's sessions say together; ``skipped`` tells which could not be judged, and why."""

    visits: Sequence[Visit]
    all_ends: Rate | None
    open_ends: int
    ends: Mapping[str, Sequence[Level]]
    fits: Sequence[LotFit]
    blades: Sequence[Blade]
    changes: Sequence[Change]
    skipped: Sequence[str]


def learn(store: Path, *, on_progress: Callable[[int, int], None] = lambda _done, _of: None) -> Lessons:
    """Return what all sessions of a store say together.

    Args:
        store: the file.
        on_progress: told how many sessions are judged, and of how many.

    Raises:
        StoreError: the store cannot be read.
    """
    skipped: list[str] = []
    with StoreReader(store) as reader:
        visits = list(_visits(reader, skipped, on_progress))
    return gathered(visits, skipped)


def gathered(visits: Iterable[Visit], skipped: Sequence[str]) -> Lessons:
    """Return what visits say together.

    A neck counts once for each way it was fretted: at its first visit that tells anything.

    Args:
        visits: in any order.
        skipped: what could not be judged, and why.
    """
    visits = sorted(visits, key=lambda one: one.at_ns)
    ended = _first_of_each(visits, lambda one: one.ends.of > 0)
    slotted = _first_of_each(visits, lambda one: one.slot_mm is not None)
    return Lessons(
        visits=visits, all_ends=rate([one.ends for one in ended]) if ended else None,
        open_ends=sum(one.open_ends for one in ended), ends=_by_factor(ended), fits=_fits(slotted),
        blades=_blades(slotted), changes=_changes(visits), skipped=skipped,
    )  # fmt: skip


def _visits(reader: StoreReader, skipped: list[str], on_progress: Callable[[int, int], None]) -> Iterator[Visit]:
    sessions = chosen_sessions(reader, Selection())
    times = Counter(one.instrument for one in sessions)
    for done, session in enumerate(sessions):
        on_progress(done, len(sessions))
        try:
            visit = _visit(reader, session, again=times[session.instrument] > 1)
        except InputFileError as error:
            skipped.append(str(error))
            continue
        if visit is not None:
            yield visit
    on_progress(len(sessions), len(sessions))


def _visit(reader: StoreReader, session: SessionRow, *, again: bool) -> Visit | None:
    judge = session_judge(reader, session)
    kept = [one for one in reader.readings(session.id) if one.row.kind in KINDS_USED]
    if judge is None or not any(one.taken_back is None for one in kept):
        return None
    specs = {gauge.gauge: spec_of(gauge) for gauge in reader.gauges(session.id)}
    verdicts = judge.verdicts(observations_of(kept, specs, reader.climates(session.id)))
    return visit_of(session, judge, verdicts, kept, reader.factors(session.id), again=again)


def visit_of(
    session: SessionRow, judge: Judge, verdicts: Sequence[CheckVerdict], kept: Iterable[KeptReading],
    factors: Iterable[SessionFactor], *, again: bool,
) -> Visit | None:  # fmt: skip
    """Return what a judged session says of slots, fit and ends; None where it measured none of them.

    Readings of other kinds change nothing here, because spreads are pooled kind by kind.

    Args:
        session: which.
        judge: as it is after these verdicts.
        verdicts: on the session's readings, or on those of `KINDS_USED` alone.
        kept: the readings.
        factors: what was noted of how the neck was fretted.
        again: keep the heights too, because the neck was visited more than once.
    """
    used = [one.row for one in kept if one.row.kind in KINDS_USED and one.taken_back is None]
    if not used:
        return None
    ends = [one for one in verdicts if one.check == "proud_end"]
    slots = [one.value_mm for key, one in judge.estimates.items() if key.kind == "slot_width"]
    fits = {check: [one for one in verdicts if one.check == check] for check in FIT_CHECKS}
    seated = {key: one for key, one in judge.estimates.items() if key.kind == "seated_height"} if again else {}
    return Visit(
        session=session.id, instrument=session.instrument, name=judge.instrument.name,
        at_ns=min((row.taken_at_ns for row in used if row.taken_at_ns), default=session.started_at_ns),
        factors=factors_of(judge.instrument, factors), ends=_tally(ends),
        open_ends=sum(one.verdict == "remeasure" for one in ends), slot_mm=fmean(slots) if slots else None,
        fits={check: [one.judgement.estimate.value_mm for one in found] for check, found in fits.items()},
        misfits={check: _tally(found) for check, found in fits.items()}, heights=seated,
    )  # fmt: skip


def _tally(verdicts: Sequence[CheckVerdict]) -> Tally:
    told = [one.verdict for one in verdicts if one.verdict != "remeasure"]
    return Tally(bad=told.count("fail"), of=len(told))


def _first_of_each(visits: Sequence[Visit], tells: Callable[[Visit], bool]) -> list[Visit]:
    first: dict[Any, Visit] = {}
    for one in visits:
        if tells(one):
            first.setdefault((one.instrument, tuple(sorted(one.factors.items()))), one)
    return list(first.values())


def _by_factor(visits: Sequence[Visit]) -> dict[str, list[Level]]:
    found: dict[str, list[Level]] = {}
    for factor in FACTORS:
        ways: defaultdict[str, list[Tally]] = defaultdict(list)
        for one in visits:
            if factor in one.factors:
                ways[one.factors[factor]].append(one.ends)
        if ways:
            found[factor] = _levels(ways)
    return found


def _levels(ways: Mapping[str, Sequence[Tally]]) -> list[Level]:
    against = {
        name: compare(own, [one for other, necks in ways.items() if other != name for one in necks])
        for name, own in ways.items()
    }
    told = [name for name, one in against.items() if one is not None]
    # the two of a pair are one comparison, seen from both sides
    chances = [one.p for one in against.values() if one is not None]
    raised = dict(zip(told, chances if len(ways) == 2 else holm(chances), strict=True))
    return [
        Level(name=name, rate=rate(own), against_others=against[name], p=raised.get(name))
        for name, own in sorted(ways.items())
    ]


def _fits(visits: Sequence[Visit]) -> list[LotFit]:
    groups: defaultdict[tuple[str, str], list[Visit]] = defaultdict(list)
    for one in visits:
        if "lot" in one.factors or "blade" in one.factors:
            groups[one.factors.get("lot", ""), one.factors.get("blade", "")].append(one)
    found = (_fit(lot, blade, check, necks) for (lot, blade), necks in sorted(groups.items()) for check in FIT_CHECKS)
    return [one for one in found if one is not None]


def _fit(lot: str, blade: str, check: str, necks: Sequence[Visit]) -> LotFit | None:
    sizes = tuple(size for one in necks for size in one.fits[check])
    tallies = [one.misfits[check] for one in necks]
    if not sizes:
        return None
    failed = rate(tallies) if any(one.of for one in tallies) else None
    return LotFit(lot=lot, blade=blade, check=check, size=_size(sizes), failed=failed)


@lru_cache(maxsize=1024)
def _size(sizes: tuple[float, ...]) -> MeanSd:
    """Return mean and spread, once for each lot and blade that no neck was added to: exact sums are slow."""
    return mean_and_sd(sizes)


def _blades(visits: Sequence[Visit]) -> list[Blade]:
    cut: defaultdict[str, list[Visit]] = defaultdict(list)
    for one in visits:
        if "blade" in one.factors:
            cut[one.factors["blade"]].append(one)
    found = []
    for name, necks in sorted(cut.items()):
        widths = [one.slot_mm for one in necks if one.slot_mm is not None]
        found.append(Blade(name=name, necks=[one.name for one in necks], widths_mm=widths, drift=kerf_drift(widths)))
    return found


def _changes(visits: Sequence[Visit]) -> list[Change]:
    necks: defaultdict[str, list[Visit]] = defaultdict(list)
    for one in visits:
        if one.heights:
            necks[one.instrument].append(one)
    return [_change(first, second) for visited in necks.values() for first, second in pairwise(visited)]


def _change(first: Visit, second: Visit) -> Change:
    both = [key for key in first.heights if key in second.heights]
    share = 1 / len(both) if both else 0.0
    parts = [(share * sign, visit.heights[key]) for key in both for sign, visit in ((1.0, second), (-1.0, first))]
    return Change(name=second.name, first=first, second=second, places=len(both), mean=combine(parts) if both else None)
