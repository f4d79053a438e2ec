"""What a page tells of the gauges: every one that this bench knows, and of one of them all that is kept about it."""

import json
import time
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any, Final

from drivers.errors import NamedGaugesError
from drivers.known import NamedGauge, named_gauges
from logger.checks import BOTH_WAYS, REPEATS
from logger.door import QuestionError
from logger.errors import InsufficientDataError
from logger.evaluation.observation import estimate_features
from logger.features import STUDY, ZERO_KINDS, typed_name
from logger.fixture_report import moved_zeros
from logger.gauge_file import GaugeSpec
from logger.gauge_steps import Facts, state_of, step_names, steps, study_command
from logger.gauges import Known, known, record
from logger.kept import feature_of, observation_of, spec_of, utc_text
from logger.recorder import KEEP
from logger.store import CheckResult, GaugeCheck, KeptReading, StoreReader, default_path
from logger.store.uses import GaugeUse
from logger.study import study_json
from logger.study_session import OpenStudy, Plan, plan_from

MOST_WORST: Final = 8
"""Checks that are named beside the chart."""
_NM: Final = 1e6
_UNCHECKED: Final = ("leaves", "typed", "")
"""Kinds of which a page asks for no readings of known sizes."""

Told = dict[str, Any]
Connected = Mapping[str, Mapping[str, Any]]
"""Gauges that the bench has opened, by name: ``profile``, ``port`` and whether it is ``bluetooth``."""


@dataclass(frozen=True, slots=True, kw_only=True)
class _Studied:
    """A study of a gauge: its session, what it measures, and why the session ended; None while it is open."""

    session: str
    plan: Plan
    ended: str | None


@dataclass(slots=True, kw_only=True)
class GaugeAccounts:
    """Tell of the gauges of one store.

    Args:
        current: the session at the bench.
        connected: what the bench has opened.
        saved: the gauges that the person has saved.
        store_words: what a command needs to use this very store, empty for the usual one.
        clock: gives the time on the wall, in nanoseconds.
    """

    current: str
    connected: Callable[[], Connected] = dict
    saved: Callable[[], Mapping[str, NamedGauge]] = dict
    store_words: Sequence[str] = ()
    clock: Callable[[], int] = time.time_ns
    _results: dict[str, Told | None] = field(default_factory=dict)

    def told(self, reader: StoreReader, chosen: str) -> Told:
        """Return every gauge in short, and one of them at length, as plain JSON values.

        Args:
            reader: the store.
            chosen: name of the gauge to tell at length; empty for the one that needs a person most.

        Raises:
            QuestionError: there is no such gauge.
            StoreError: the store cannot be read.
        """
        try:
            saved, trouble = self.saved(), ""
        except NamedGaugesError as error:
            saved, trouble = {}, str(error)
        look = _Look(reader, self.current, self.connected(), saved, now_ns=self.clock())
        if chosen and chosen not in look.gauges:
            raise QuestionError(f"this bench knows no gauge {chosen[:40]!r}; choose one of the list")
        shorts = [look.short(name) for name in look.names()]
        urgent = min(shorts, key=lambda one: ("fail", "remeasure", "pass").index(one["state"]), default=None)
        name = chosen or (urgent["gauge"] if urgent else "")
        return {"gauges": shorts, "chosen": self._at_length(look, name) if name else None, "trouble": trouble}

    def _at_length(self, look: "_Look", name: str) -> Told:
        done = look.study(name, ended="complete")
        under_way = look.study(name, ended=None)
        return look.short(name) | look.at_length(name) | {
            "study": None if done is None else self._result(look.reader, done),
            "open_study": None if under_way is None else look.progress(under_way),
            "steps": steps(look.facts(name), open_study=under_way is not None, store_words=self.store_words,
                           port=look.port(name)),
            "study_command": study_command(look.facts(name), port=look.port(name), store_words=self.store_words),
            "check_with": look.check_with(name),
        }  # fmt: skip

    def _result(self, reader: StoreReader, one: _Studied) -> Told | None:
        """Return a finished study's result; it never changes, so it is worked out once."""
        if one.session not in self._results:
            self._results[one.session] = _study_result(reader, one)
        return self._results[one.session]


def accounts_at(store: Path, session: str, connected: Callable[[], Connected], *, demo: bool) -> GaugeAccounts:
    """Return who tells of the gauges at a bench; a demo's invented gauges stand apart from those a person has saved."""
    return GaugeAccounts(
        current=session, connected=_simulated(connected) if demo else connected, saved=dict if demo else named_gauges,
        store_words=() if store == default_path() else ("--store", str(store)),
    )  # fmt: skip


def _simulated(connected: Callable[[], Connected]) -> Callable[[], Connected]:
    """Name the ports of simulated gauges as what they are: nobody can plug anything in there."""
    return lambda: {name: {**one, "port": "simulated"} for name, one in connected().items()}


def _study_result(reader: StoreReader, one: _Studied) -> Told | None:
    kept, plan = reader.readings(one.session), one.plan
    gauge = Known(name=plan.gauge, number=0, spec=GaugeSpec(kind=""))
    try:
        found = OpenStudy(session=one.session, plan=plan, gauge=gauge).study(kept)
    except InsufficientDataError:
        return None
    if found is None:
        return None
    return study_json(found.result) | {
        "parts": len(plan.parts), "people": len(plan.people), "trials": plan.trials,
        "at": _time(max(each.row.taken_at_ns for each in kept)),
    }  # fmt: skip


class _Look:
    """What one look at the store finds of all gauges."""

    def __init__(
        self, reader: StoreReader, current: str, connected: Connected, saved: Mapping[str, NamedGauge], *, now_ns: int
    ) -> None:
        self.reader = reader
        self._connected = connected
        self._saved = saved
        self._now_ns = now_ns
        self._records: dict[str, Told] = {}
        self._studies = [
            _Studied(session=one.session, plan=plan_from(one.description), ended=_why_ended(reader, one.session))
            for one in reader.purposes()
            if one.purpose == STUDY
        ]
        self._checks: dict[str, list[tuple[GaugeCheck, CheckResult]]] = {}
        for check, result in reader.gauge_checks():
            self._checks.setdefault(check.gauge, []).append((check, result))
        unused = {name: Known(name=name, number=0, spec=GaugeSpec(kind=one.kind)) for name, one in saved.items()}
        self._known = known(reader)
        self.gauges = {**unused, **self._known}
        self._profiles = {one.gauge: one.profile for one in reader.session_gauges() if one.profile}
        self._here = {one.gauge: one for one in reader.gauges(current)}
        self._zeros = _zeros(reader, current)
        self._uses = self._uses_by_gauge()

    def _uses_by_gauge(self) -> dict[str, list[GaugeUse]]:
        """Return what every gauge read; what was typed in a study of it is its own."""
        studied = {one.session: one.plan.gauge for one in self._studies}
        found: dict[str, list[GaugeUse]] = {}
        for one in self.reader.gauge_uses(why_kept=KEEP):
            found.setdefault(studied.get(one.session, one.gauge), []).append(one)
        return found

    def names(self) -> list[str]:
        """Return the gauges: those connected first, those that a person types last."""
        return sorted(self.gauges, key=lambda name: (name not in self._connected, typed_name(name)))

    def study(self, name: str, *, ended: str | None) -> _Studied | None:
        """Return the newest study of a gauge that ended so."""
        own = (one for one in reversed(self._studies) if one.plan.gauge == name and one.ended == ended)
        return next(own, None)

    def progress(self, one: _Studied) -> Told:
        """Return how far a study has come."""
        live = [each for each in self.reader.readings(one.session) if each.taken_back is None]
        return {"done": sum(each.row.kind == STUDY for each in live), "of": len(one.plan.order)}

    def _record(self, name: str) -> Told:
        if name not in self._records:
            self._records[name] = record(self.gauges[name], self._checks.get(name, []), now_ns=self._now_ns)
        return self._records[name]

    def facts(self, name: str) -> Facts:
        """Return what the steps of a gauge follow from."""
        told, one, here = self._record(name), self.gauges[name], self._here.get(name)
        checks = self._checks.get(name, [])
        return Facts(
            name=name, spec=one.spec, u_from=one.u_from, used=name in self._known, checked=bool(checks),
            failed=bool(checks) and _fails(json.loads(checks[-1][1].result)), drifts=told["drifts"],
            overdue=told["overdue"], moved=bool(self._moved(name)), zeroed=bool(self._zeros.get(name)),
            other_worth=one.number > 0 and here is not None and spec_of(here) != one.spec,
            connected=name in self._connected, saved=name in self._saved, typed=typed_name(name),
            profile=self._profiles.get(name, ""),
        )  # fmt: skip

    def short(self, name: str) -> Told:
        """Return what the list of gauges shows."""
        told, typed = self._record(name), typed_name(name)
        names = step_names(self.facts(name), open_study=self.study(name, ended=None) is not None)
        link, saved = self._connected.get(name), self._saved.get(name)
        profile = link["profile"] if link else saved.profile if saved else self._profiles.get(name, "")
        radio = link["bluetooth"] if link else bool(saved and (saved.bluetooth_name or saved.bluetooth_service))
        return {
            "gauge": name, "kind": told["kind"], "state": state_of(names), "step": names[0] if names else "",
            "connected": link is not None, "saved": saved is not None, "used": name in self._known,
            "way": "typed" if typed else "bluetooth" if radio else "serial" if link or profile else "",
            "port": link["port"] if link else saved.port if saved else "", "profile": profile,
            "last_check": told["last_check"], "due": told["due"], "overdue": told["overdue"],
        }  # fmt: skip

    def at_length(self, name: str) -> Told:
        """Return what is told of one gauge beside its short account: worth, checks, zero, readings."""
        one, told, checks = self.gauges[name], self._record(name), self._checks.get(name, [])
        results = [(check, json.loads(result.result)) for check, result in checks]
        revisions = self.reader.gauge_revisions(name)
        return {
            **{key: told[key] for key in ("resolution_mm", "u_mm", "u_dof", "u_from", "zero_u_mm", "drifts", "history",
                                          "limits")},
            "worth_since": _time(revisions[-1].at_ns) if revisions else None, "due_days": one.due_days,
            "error_mm": one.spec.bias_mm, "error_about_mm": one.spec.bias_about_mm, "error_slope": one.spec.bias_slope,
            "checks": len(results), "check": _check(*results[-1]) if results else None, "worst": _worst(results),
            "good_until": _good_until(results), "last": self._last(name), "zero": self._zero(name),
            "uses": self._used(name),
        }  # fmt: skip

    def port(self, name: str) -> str:
        """Return where a gauge is connected, empty where it is not."""
        return str(self._connected[name]["port"]) if name in self._connected else ""

    def check_with(self, name: str) -> Told | None:
        """Return what a check of a gauge begins with; None for one that a page does not check.

        The sizes are those of its newest check, so that the history stays in one line.
        """
        kind, checks = self.gauges[name].spec.kind, self._checks.get(name)
        if kind in _UNCHECKED or name not in self._known:
            return None
        points = self.reader.check_points(checks[-1][0].id) if checks else []
        sizes = dict.fromkeys((one.nominal_nm, one.u_nominal_nm) for one in points if one.nominal_nm > 0)
        both = any(one.direction == "down" for one in points) if points else kind in BOTH_WAYS
        return {"sizes": [{"mm": nominal / _NM, "u_mm": u / _NM} for nominal, u in sizes], "both_ways": both,
                "repeats": REPEATS}  # fmt: skip

    def _used(self, name: str) -> Told:
        uses = self._uses.get(name, ())
        return {
            "sittings": len({one.session for one in uses}), "readings": sum(one.readings for one in uses),
            "taken_back": sum(one.taken_back for one in uses), "kept": sum(one.kept for one in uses),
        }  # fmt: skip

    def _last(self, name: str) -> Told | None:
        if name not in self._uses:
            return None
        kept = self.reader.reading_at(max(one.newest for one in self._uses[name]))
        row, feature = kept.row, feature_of(kept.row)
        return {
            "value_nm": row.value_nm, "low_nm": row.low_nm, "high_nm": row.high_nm, "at": _time(row.taken_at_ns),
            "kind": row.kind, "fret": row.fret, "place": row.place,
            "feet": None if feature is None or feature.feet is None else list(feature.feet),
            "words": feature.words() if feature else "", "taken_back": kept.taken_back is not None,
        }  # fmt: skip

    def _zero(self, name: str) -> Told:
        """Return the zeros that a gauge took in the sitting at the bench, and by how much they moved."""
        return {
            "taken": [{"value_mm": one.row.value_nm / _NM, "at": _time(one.row.taken_at_ns),
                       "when": one.row.place or ""} for one in self._zeros.get(name, ())],
            "moved": self._moved(name),
        }  # fmt: skip

    def _moved(self, name: str) -> list[Told]:
        zeros, here = self._zeros.get(name, ()), self._here.get(name)
        seen = [observation_of(one.row, spec_of(here)) for one in zeros if here is not None]
        return [
            {"during": one.setting, "moved_mm": one.moved.value_mm, "U_mm": one.moved.expanded_u_mm()}
            for one in moved_zeros(estimate_features(each for each in seen if each is not None))
        ]


def _zeros(reader: StoreReader, session: str) -> dict[str, list[KeptReading]]:
    found: dict[str, list[KeptReading]] = {}
    for one in reader.readings(session):
        if one.row.kind in ZERO_KINDS and one.taken_back is None:
            found.setdefault(one.row.gauge, []).append(one)
    return found


def _fails(result: Mapping[str, Any]) -> bool:
    return bool(result["faults"])


def _check(check: GaugeCheck, result: Mapping[str, Any]) -> Told:
    """Return the newest check: every size with its error, and what it failed in."""
    back = result["hysteresis"]
    return {
        "at": _time(check.at_ns), "kind": check.kind, "failed": _fails(result), "errors": result["errors"],
        "reads_true": result["reads_true"], "grows": result["grows"], "slope": result["slope"],
        "hysteresis_mm": back["largest_mm"] if back and back["real"] else None,
        "hysteresis_at_mm": back["at_mm"] if back and back["real"] else None,
    }  # fmt: skip


def _worst(results: Sequence[tuple[GaugeCheck, Mapping[str, Any]]]) -> list[Told]:
    """Return the checks whose error is largest against its uncertainty, each at its worst size."""
    found = [(check, result, max(result["errors"], key=_weight)) for check, result in results]
    found.sort(key=lambda one: _weight(one[2]), reverse=True)
    return [
        {"at": _time(check.at_ns), "failed": _fails(result),
         **{key: error[key] for key in ("nominal_mm", "error_mm", "expanded_u_mm")}}
        for check, result, error in found[:MOST_WORST]
    ]  # fmt: skip


def _weight(error: Mapping[str, Any]) -> float:
    return float(abs(error["error_mm"]) / error["expanded_u_mm"])


def _good_until(results: Sequence[tuple[GaugeCheck, Mapping[str, Any]]]) -> str | None:
    """Return when a gauge was last found true before its newest check."""
    return next((_time(check.at_ns) for check, result in reversed(results[:-1]) if not _fails(result)), None)


def _why_ended(reader: StoreReader, session: str) -> str | None:
    end = reader.session_end(session)
    return None if end is None else end.reason


def _time(at_ns: int) -> str | None:
    """Return a moment, None for one that is not known."""
    return utc_text(at_ns) if at_ns else None
