"""A check of a gauge on the page: begun, taken reading by reading from the gauge or typed, and judged.

One check at a time. Every reading is on disk before the next is asked for, as with the command, and what the check
comes to is kept by the same code.
"""

import logging
import threading
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass
from typing import Any, Final

from drivers.reading import Reading
from logger.aside import Aside
from logger.begin import default_gauges
from logger.check_conclusion import conclude, take_off
from logger.check_request import MOST_REPEATS, MOST_SIZES, asked_sizes, typed_values
from logger.checks import CheckError, CheckKeeper, Point, Size, kind_of, plan
from logger.climate import check_climate
from logger.door import Action, Answer
from logger.errors import LoggerError
from logger.gauges import Known, find, known
from logger.names import text_fault
from logger.store import Store

UNITS: Final = ("mm", "in", "thou")
MOST_READINGS: Final = 200
_NM: Final = 1e6

Told = dict[str, Any]

log = logging.getLogger(__name__)


@dataclass(frozen=True, slots=True, kw_only=True)
class _Check:
    """A check under way."""

    gauge: Known
    keeper: CheckKeeper
    asked: Sequence[tuple[Size, str]]

    @property
    def left(self) -> int:
        """How many readings are still to be taken."""
        return len(self.asked) - len(self.keeper.points)


class CheckDesk:
    """Where a gauge is checked; every method may be called from any thread.

    Args:
        store: where to.
        aside: where readings that a gauge sent are kept, because nobody may wait for the disk in the gauges' thread.
        live: take readings that gauges send; else only what is typed.
        on_change: told when what is shown has changed.
        on_kept: told when a check came to a result, or a gauge's worth changed.
    """

    def __init__(
        self, store: Store, aside: Aside, *, live: bool, on_change: Callable[[], None], on_kept: Callable[[], None]
    ) -> None:
        self._store = store
        self._aside = aside
        self._live = live
        self._on_change = on_change
        self._on_kept = on_kept
        self._lock = threading.RLock()
        self._open: _Check | None = None
        self._done: _Check | None = None
        self._result: Told | None = None
        self._said = ""
        self._listens_to = ""  # read without the lock, which is held while the disk is waited for
        self._shown: Told | None = None
        self.acts: Mapping[str, Callable[[Action], Answer]] = {
            "check_begin": self._told(self._begin), "check_typed": self._told(self._typed),
            "check_back": self._told(self._back), "check_finish": self._told(self._finish),
            "check_stop": self._told(self._stop), "check_correct": self._told(self._correct),
            "check_close": self._told(self._put_away),
        }  # fmt: skip

    @property
    def gauge(self) -> str:
        """The gauge whose readings go to a check now; empty for none."""
        return self._listens_to

    def takes(self, reading: Reading) -> bool:
        """Take a reading that a gauge sent if it is the one under check, and tell whether it is."""
        if self._listens_to != reading.gauge:
            return False
        self._aside.later(lambda: self._sent(reading))
        return True

    def _sent(self, reading: Reading) -> None:
        with self._lock:
            try:
                self._add([(reading.value_nm, reading.unit, reading.raw)])
                self._said = ""
            except LoggerError as error:
                self._said = str(error)
                log.warning("a reading of %s was not kept for its check: %s", reading.gauge, error)
            self._show()
        self._on_change()

    # -- what a person asks for --------------------------------------------------------------------------------------

    def _told(self, work: Callable[[Action], str]) -> Callable[[Action], Answer]:
        def act(action: Action) -> Answer:
            with self._lock:
                try:
                    text = work(action)
                except LoggerError as error:
                    return Answer(done=False, text=str(error).splitlines()[0])
                self._said = ""
                self._show()
            self._on_change()
            return Answer(done=True, text=text)

        return act

    def _begin(self, action: Action) -> str:
        if self._open is not None:
            raise CheckError(f"a check of {self._open.gauge.name} is under way; judge it or break it off first")
        name, who = str(action.get("gauge", "")), str(action.get("who", "")).strip()
        with self._store.reader() as reader:
            spec = known(reader)[name].spec if name in known(reader) else None
        if spec is None:
            raise CheckError(f"this bench knows no gauge {name[:40]!r}; choose one of the list")
        if fault := text_fault("who measures", who):
            raise CheckError(fault)
        asked = _asked(action)
        if spec.u_mm is None and action.get("repeats") == 1:
            raise CheckError("how far this gauge repeats is not known: take at least 2 readings of each size")
        at_c = action.get("temperature_c")
        temperature = None if at_c is None else check_climate(at_c, 0)[0]
        gauge = find(self._store, name, kind=None, defaults=default_gauges(), file={})
        keeper = CheckKeeper(
            self._store, gauge, kind=kind_of(asked), who=who or "bench", temperature_mc=temperature
        )  # fmt: skip
        self._open, self._done, self._result = _Check(gauge=gauge, keeper=keeper, asked=asked), None, None
        return f"the check of {name} has begun"

    def _typed(self, action: Action) -> str:
        unit = _unit(action)
        values = typed_values(str(action.get("text", "")), unit)
        self._add([(value.value_nm, value.unit, raw.encode()) for raw, value in values])
        return "kept"

    def _add(self, values: Sequence[tuple[int, str, bytes]]) -> None:
        """Keep readings for the next places of the check, all of them or none.

        Raises:
            CheckError: no check is under way, or it asks for fewer readings.
            StoreError: the store cannot keep them.
        """
        one = self._under_way()
        if not one.left:
            raise CheckError(f"all {len(one.asked)} readings of this check are in: this was not kept; judge it, or "
                             "take one back first")  # fmt: skip
        if len(values) > one.left:
            raise CheckError(f"this check asks for {one.left} more of its {len(one.asked)} readings, got {len(values)}"
                             ": none of them was kept; give fewer")  # fmt: skip
        for value_nm, unit, raw in values:
            size, direction = one.asked[len(one.keeper.points)]
            one.keeper.add(Point(size=size, value_nm=value_nm, direction=direction, unit=unit, raw=raw))

    def _under_way(self) -> _Check:
        if self._open is None:
            raise CheckError("no check is under way; begin one first")
        return self._open

    def _back(self, _action: Action) -> str:
        if self._under_way().keeper.back() is None:
            raise CheckError("nothing to take back: this check has no reading yet")
        return "taken back"

    def _finish(self, _action: Action) -> str:
        one = self._under_way()
        if one.left:
            raise CheckError(f"{one.left} of {len(one.asked)} readings are still to be taken")
        told, _ = conclude(self._store, one.gauge, one.keeper)
        self._open, self._done, self._result = None, one, _result_json(told, one)
        self._on_kept()
        return "the check is kept"

    def _stop(self, _action: Action) -> str:
        one = self._under_way()
        self._open = None
        return f"the check of {one.gauge.name} was broken off and does not count"

    def _correct(self, action: Action) -> str:
        one = self._done
        if one is None or self._result is None or one.gauge.name != action.get("gauge"):
            raise CheckError("there is no check at hand whose error could be taken off; check the gauge again")
        if not self._result["corrected"]:
            take_off(self._store, one.gauge, one.keeper)
            self._result = {**self._result, "corrected": True}
            self._on_kept()
        return "the error found is subtracted from its readings from the next sitting on"

    def _put_away(self, _action: Action) -> str:
        self._done = self._result = None
        return ""

    # -- what is shown -----------------------------------------------------------------------------------------------

    def shown(self) -> Told | None:
        """Return the check under way, or the one just judged, as plain JSON values; None where there is neither."""
        return self._shown

    def _show(self) -> None:
        if self._open is not None:
            self._shown = _check_json(self._open, self._said, live=self._live)
        else:
            self._shown = self._result and {"gauge": self._result["gauge"], "result": self._result}
        self._listens_to = self._open.gauge.name if self._open is not None and self._live else ""


def _check_json(one: _Check, said: str, *, live: bool) -> Told:
    points, asked = one.keeper.points, one.asked
    place = None if not one.left else _place(asked, len(points))
    return {
        "gauge": one.gauge.name, "done": len(points), "of": len(asked), "next": place, "live": live, "said": said,
        "points": [{"nominal_mm": each.size.nominal_nm / _NM, "direction": each.direction,
                    "value_mm": each.value_nm / _NM} for each in points], "result": None,
    }  # fmt: skip


def _place(asked: Sequence[tuple[Size, str]], number: int) -> Told:
    size, direction = asked[number]
    alike = [index for index, one in enumerate(asked) if one == (size, direction)]
    return {"nominal_mm": size.nominal_nm / _NM, "direction": direction, "repeat": alike.index(number) + 1,
            "of": len(alike)}  # fmt: skip


def _result_json(told: Mapping[str, Any], one: _Check) -> Told:
    back = told["hysteresis"]
    return {
        "gauge": one.gauge.name, "at": told["last_check"], "failed": told["failed"], "drifts": told["drifts"],
        "corrected": False,
        **{key: told[key] for key in ("errors", "reads_true", "grows", "slope")},
        "hysteresis_mm": back["largest_mm"] if back and back["real"] else None,
        "hysteresis_at_mm": back["at_mm"] if back and back["real"] else None,
    }  # fmt: skip


def _unit(action: Action) -> str:
    unit = action.get("unit")
    if unit not in UNITS:
        raise CheckError(f"unit must be mm, in or thou, got {unit!r}")
    return str(unit)


def _asked(action: Action) -> list[tuple[Size, str]]:
    rows, repeats = action.get("sizes"), action.get("repeats")
    if not isinstance(rows, list) or len(rows) > MOST_SIZES:
        raise CheckError(f"a check takes at most {MOST_SIZES} known sizes")
    if not isinstance(repeats, int) or not 1 <= repeats <= MOST_REPEATS:
        raise CheckError(f"readings of each size must be from 1 to {MOST_REPEATS}, got {str(repeats)[:40]!r}")
    sizes = asked_sizes(rows, _unit(action))
    asked = plan(sizes, zeros=repeats, repeats=repeats, both_ways=action.get("both_ways") is True)
    if len(asked) > MOST_READINGS:
        raise CheckError(f"a check takes at most {MOST_READINGS} readings, these sizes make {len(asked)}; take fewer")
    return asked
