"""Named gauges as the store knows them: what each is worth and since when, its checks, when the next is due."""

import json
import math
import time
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from typing import Any, Final

from logger.evaluation.charts import Individuals
from logger.evaluation.gauge_check import drift
from logger.gauge_file import GaugeSpec, spec_from, worth
from logger.kept import spec_of, utc_text
from logger.store import CheckResult, Gauge, GaugeCheck, Store, StoreReader

DUE_DAYS: Final = 90
"""Days from one check to the next; common practice, no source."""
_NS_PER_DAY: Final = 86_400_000_000_000
_BY_NAME: Final = (("rocker", "rocker"), ("leav", "leaves"), ("depth", "depth_indicator"), ("indic", "depth_indicator"))


@dataclass(frozen=True, slots=True, kw_only=True)
class Known:
    """The newest revision of a gauge.

    Attributes:
        number: of the revision; 0 for a gauge that took part in a session and has none.
        source: where this revision comes from: ``default``, ``file``, ``study`` or ``check``.
        u_from: where its repeatability comes from.
        due_days: days from one check to the next.
        session: the study that a ``study`` revision comes from.
    """

    name: str
    number: int
    spec: GaugeSpec
    source: str = "default"
    u_from: str = "default"
    due_days: int = DUE_DAYS
    session: str = ""


def kind_by_name(name: str) -> str:
    """Return the kind that a gauge's name suggests; a caliper when it suggests none."""
    return next((kind for part, kind in _BY_NAME if part in name.lower()), "caliper")


def known(reader: StoreReader) -> dict[str, Known]:
    """Return every gauge that the store knows by name: those with revisions, and those that measured an instrument."""
    found: dict[str, Known] = {}
    aside = {one.session for one in reader.purposes()}
    for one in reader.session_gauges():
        if one.session not in aside:
            found[one.gauge] = Known(name=one.gauge, number=0, spec=spec_of(one))
    for row in reader.gauge_revisions():
        if row.name not in found or found[row.name].number < row.number:
            found[row.name] = _known(row)
    return found


def _known(row: Gauge) -> Known:
    values = json.loads(row.description)
    return Known(
        name=row.name, number=row.number, spec=spec_from(row.kind, values), source=values.get("source", "default"),
        u_from=values.get("u_from", "default"), due_days=values.get("due_days") or DUE_DAYS,
        session=values.get("session", ""),
    )  # fmt: skip


def stored_worth(reader: StoreReader) -> dict[str, GaugeSpec]:
    """Return what gauges are worth by what somebody stated or measured; defaults of an earlier release do not count."""
    return {name: one.spec for name, one in known(reader).items() if one.number and one.source != "default"}


def register(
    store: Store, name: str, spec: GaugeSpec, *, source: str, due_days: int | None = None, session: str = ""
) -> Known:
    """Keep a gauge's worth as a new revision where it says something new, and return the newest.

    A default is kept only for a gauge without a revision or of another kind; a file's worth only when it differs from
    the last one a file gave, so that a study made since is not undone; a study and a check always.

    Args:
        store: where to.
        name: of the gauge.
        spec: its worth.
        source: ``default``, ``file``, ``study`` or ``check``.
        due_days: days from one check to the next, or None to keep what is.
        session: the study it comes from; one study is kept once.

    Raises:
        StoreError: the store cannot keep it.
    """
    with store.reader() as reader:
        revisions = [_known(row) for row in reader.gauge_revisions(name)]
    newest = max(revisions, key=lambda one: one.number, default=None)
    days = due_days or (newest.due_days if newest else DUE_DAYS)
    if newest is not None and _is_kept(revisions, newest, spec, source, session):
        if days == newest.due_days:
            return newest
        spec, source, session = newest.spec, newest.source, newest.session
    u_from = newest.u_from if source == "check" and newest else source
    made = Known(
        name=name, number=newest.number + 1 if newest else 1, spec=spec, source=source, u_from=u_from, due_days=days,
        session=session,
    )  # fmt: skip
    store.put(_row(made))
    return made


def _is_kept(revisions: Sequence[Known], newest: Known, spec: GaugeSpec, source: str, session: str) -> bool:
    if source == "default":
        return newest.spec.kind == spec.kind
    same = [one for one in revisions if one.source == source]
    if source == "file":
        return bool(same) and same[-1].spec == spec
    return bool(session) and any(one.session == session for one in same)


def _row(one: Known) -> Gauge:
    values = worth(one.spec) | {"source": one.source, "u_from": one.u_from, "due_days": one.due_days}
    if one.session:
        values["session"] = one.session
    return Gauge(
        name=one.name, number=one.number, at_ns=time.time_ns(), kind=one.spec.kind, description=json.dumps(values)
    )


def find(
    store: Store, name: str, *, kind: str | None, defaults: Mapping[str, GaugeSpec], file: Mapping[str, GaugeSpec],
    due_days: int | None = None,
) -> Known:  # fmt: skip
    """Return a gauge by name, kept as new where the store does not know it.

    Args:
        store: the store.
        name: of the gauge.
        kind: what it is, or None: as the store or the file says, else as its name suggests.
        defaults: worth by kind.
        file: worth by name from a file of the shop's own.
        due_days: days from one check to the next, or None to keep what is.

    Raises:
        StoreError: the store cannot keep it.
    """
    if name in file:
        return register(store, name, file[name], source="file", due_days=due_days)
    with store.reader() as reader:
        before = known(reader).get(name)
    if before is not None and kind in {None, before.spec.kind}:
        return register(store, name, before.spec, source="default", due_days=due_days)
    chosen = kind or (name if name in defaults else kind_by_name(name))
    return register(store, name, defaults.get(chosen, GaugeSpec(kind=chosen)), source="default", due_days=due_days)


def with_study(one: GaugeSpec, *, u_mm: float, dof: float) -> GaugeSpec:
    """Return a worth with the repeatability of a study; the digit hides a spread below its own rectangle."""
    hidden = (one.resolution_mm or 0.0) / math.sqrt(12)
    return replace(one, u_mm=max(u_mm, hidden), u_dof=dof)


# -- what there is to show -------------------------------------------------------------------------------------------


def records(reader: StoreReader, *, now_ns: int) -> list[dict[str, Any]]:
    """Return every known gauge as plain JSON values: worth, last check, when the next is due, history and limits."""
    checks: dict[str, list[tuple[GaugeCheck, CheckResult]]] = {}
    for check, result in reader.gauge_checks():
        checks.setdefault(check.gauge, []).append((check, result))
    return [record(one, checks.get(name, []), now_ns=now_ns) for name, one in known(reader).items()]


def record(one: Known, checks: Sequence[tuple[GaugeCheck, CheckResult]], *, now_ns: int) -> dict[str, Any]:
    """Return one gauge as plain JSON values; ``checks`` are all of its checks in order."""
    spec, past = one.spec, history(checks)
    last_ns = checks[-1][0].at_ns if checks else None
    due_ns = None if last_ns is None else last_ns + one.due_days * _NS_PER_DAY
    overdue = due_ns is not None and now_ns > due_ns
    return {
        "gauge": one.name, "kind": spec.kind, "resolution_mm": spec.resolution_mm, "u_mm": spec.u_mm,
        "u_dof": spec.u_dof if math.isfinite(spec.u_dof) else None, "u_from": one.u_from, "zero_u_mm": spec.zero_u_mm,
        "last_check": _time(last_ns), "due": _time(due_ns), "overdue": overdue, "drifts": past.drifts,
        "words": _words(past, overdue=overdue), "history": past.points, "limits": past.limits,
    }  # fmt: skip


@dataclass(frozen=True, slots=True, kw_only=True)
class History:
    """The errors from check to check that can be compared: those of the newest check's sizes.

    Attributes:
        points: ``at``, ``value_mm`` (the mean error) and ``expanded_u_mm``, oldest first.
        limits: ``centre_mm``, ``lower_mm``, ``upper_mm`` of an individuals chart, or None while there are too few.
        drifts: the newest stands apart.
        words: steady, or what the newest shows.
        failed: what the newest check failed in, in words; empty when it passed or there is none.
        checked: whether there is any check.
    """

    points: list[dict[str, Any]]
    limits: dict[str, float] | None
    drifts: bool
    words: str
    failed: str = ""
    checked: bool = True


def history(checks: Sequence[tuple[GaugeCheck, CheckResult]]) -> History:
    """Return the history of a gauge from its checks in order."""
    results = [(check, json.loads(result.result)) for check, result in checks]
    if not results:
        return History(points=[], limits=None, drifts=False, words="never checked", checked=False)
    newest = results[-1][1]
    alike = [(check, one) for check, one in results if one["sizes"] == newest["sizes"]]
    found = drift([one["value_mm"] for _, one in alike], u_mm=newest["u_between_mm"])
    points = [
        {"at": _time(check.at_ns), "value_mm": one["value_mm"], "expanded_u_mm": one["expanded_u_mm"]}
        for check, one in alike
    ]
    failed = "; ".join(newest["faults"])
    return History(points=points, limits=_limits(found.chart), drifts=found.signals, words=found.words, failed=failed)


def _limits(chart: Individuals | None) -> dict[str, float] | None:
    if chart is None:
        return None
    return {"centre_mm": chart.centre, "lower_mm": chart.lower, "upper_mm": chart.upper}


def _words(past: History, *, overdue: bool) -> str:
    if not past.checked:
        return past.words
    told = [past.failed or "reads true at its last check", past.words]
    return "; ".join([*told, "the next check is overdue"] if overdue else told)


def _time(at_ns: int | None) -> str | None:
    return None if at_ns is None else utc_text(at_ns)


def record_lines(found: Sequence[Mapping[str, Any]]) -> list[str]:
    """Return gauges as the lines of a table for a terminal."""
    if not found:
        return ["the store knows no gauge yet"]
    width = max(5, *(len(one["gauge"]) for one in found)) + 2
    head = f"{'gauge':<{width}}{'kind':<17}{'digit mm':>9}{'repeats mm':>12}  {'from':<16}{'zero mm':>8}"
    lines = [f"{head}  {'last check':<12}{'next due':<12}says"]
    for one in found:
        origin = one["u_from"] + ("" if one["u_dof"] is None else f", {one['u_dof']:g} dof")
        last, due = ((one[key] or "-")[:10] for key in ("last_check", "due"))
        lines.append(
            f"{one['gauge']:<{width}}{one['kind']:<17}{_mm(one['resolution_mm']):>9}{_mm(one['u_mm']):>12}  "
            f"{origin:<16}{_mm(one['zero_u_mm']):>8}  {last:<12}{due:<12}{one['words']}"
        )
    return lines


def _mm(value: float | None) -> str:
    return "-" if value is None else f"{value:.4g}"
