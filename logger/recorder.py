"""Gauges to sheet to store: give every reading its feature, keep it, and say so once it is on disk.

A reading advances the sheet when it arrives, so that the next press already belongs to the next feature; it is
shown, judged and acknowledged only after the commit that holds it. Every method may be called from any thread.
"""

import logging
import threading
import time
from collections.abc import Callable, Mapping
from concurrent.futures import Future
from dataclasses import dataclass, field, replace
from typing import Any, Final

from drivers.errors import FrameError
from drivers.reading import Reading
from drivers.transports.typed import TypedGauge, parse_typed
from logger.climate import check_climate
from logger.door import Answer
from logger.errors import InputFileError, SheetError, StoreError
from logger.features import LEAVES, TYPED, Feature
from logger.gauge_file import GaugeSpec
from logger.kept import asked_of, feature_of, feet_text, reading_words, spec_json, spec_of
from logger.sheet import Item, Progress, ReadingKey, Sheet, round_of, suits, wrong_typed
from logger.store import (
    Climate,
    KeptReading,
    ReadingRow,
    Reassignment,
    SessionGauge,
    SheetRequest,
    Skip,
    Store,
    StoreReader,
    TakeBack,
)  # fmt: skip

log = logging.getLogger(__name__)

KEEP: Final = "asked about and kept"
"""Why a reading is assigned again to what it is of."""
PATIENCE_S: Final = 3.0
"""How long an answer waits for the disk."""
UNITS: Final = ("mm", "in", "thou")


@dataclass(slots=True)
class Kept:
    """What the sitting has so far, as `Recorder.kept` hands it out: a copy."""

    readings: list[KeptReading] = field(default_factory=list)
    specs: dict[str, GaugeSpec] = field(default_factory=dict)
    waiting: int = 0
    climates: list[Climate] = field(default_factory=list)
    answered: frozenset[ReadingKey] = frozenset()
    skipped: Feature | None = None


@dataclass(slots=True, kw_only=True)
class Hooks:
    """Whom the recorder tells: after each commit, when anything shown has changed, when a reading was not kept."""

    on_durable: Callable[[ReadingRow], None] = lambda _row: None
    on_change: Callable[[], None] = lambda: None
    on_refused: Callable[[str], None] = lambda _text: None


class Recorder:
    """The one who writes down.

    Args:
        store: where to.
        session: the sitting's id.
        sheet: what is asked for.
        specs: what gauges are worth, by name and by kind.
        hooks: whom to tell.
        studied: name of the gauge that a repeatability study is of, empty otherwise.
    """

    def __init__(
        self, store: Store, session: str, sheet: Sheet, *, specs: Mapping[str, GaugeSpec], hooks: Hooks,
        studied: str = "",
    ) -> None:  # fmt: skip
        self.session = session
        self._store = store
        self._sheet = sheet
        self._defaults = specs
        self._hooks = hooks
        self._studied = studied
        self._lock = threading.RLock()
        self._readings: dict[ReadingKey, KeptReading] = {}
        self._specs: dict[str, GaugeSpec] = {}
        self._typed: dict[str, TypedGauge] = {}
        self._skipped: list[Feature] = []
        self._answered: set[ReadingKey] = set()
        self._waiting = 0
        self.taken = 0
        self.lost: list[ReadingRow] = []
        self._resume(store.reader())

    def _resume(self, reader: StoreReader) -> None:
        with reader:
            self._numbers = reader.next_number(self.session)
            kept = reader.readings(self.session)
            self._climates = reader.climates(self.session)
            self._specs = {one.gauge: spec_of(one) for one in reader.gauges(self.session)}
            self._answered = {
                (one.gauge, one.sequence) for one in reader.reassignments(self.session) if one.why == KEEP
            }
            asked = [(one.number, "skip", asked_of(one)) for one in reader.skips(self.session)]
            asked += [(one.number, one.ask, asked_of(one)) for one in reader.sheet_requests(self.session)]
        self._readings = {(one.row.gauge, one.row.sequence): one for one in kept}
        live = [(key, feature_of(one.row)) for key, one in self._readings.items() if one.taken_back is None]
        asked.sort(key=lambda each: each[0])
        for name, spec in self._specs.items():
            self._sheet.know(name, spec.kind)
        self._sheet.resume(
            [(key, feature) for key, feature in live if feature is not None], [(ask, of) for _, ask, of in asked]
        )
        self._skipped = [of for _, ask, of in asked if ask == "skip" and self._sheet.is_skipped(of)]

    # -- gauges ------------------------------------------------------------------------------------------------------

    def add_gauge(self, name: str, spec: GaugeSpec, *, profile: str = "", sha256: str = "") -> int:
        """Make a gauge known to the session and return the sequence number of its next reading.

        Raises:
            StoreError: the store cannot keep it, or the session knows the name with another worth.
        """
        with self._lock:
            kept = None if name in self._specs else self._introduce(name, spec, profile, sha256)
        if kept is not None:
            kept.result()
        with self._store.reader() as reader:
            return reader.next_sequence(self.session, name)

    def _introduce(self, name: str, spec: GaugeSpec, profile: str = "", sha256: str = "") -> Future[None]:
        """Queue a gauge's row; what it reads from now on is queued behind, so that nobody waits with the lock held."""
        row = SessionGauge(
            session=self.session, gauge=name, kind=spec.kind, description=spec_json(spec), profile=profile,
            profile_sha256=sha256,
        )  # fmt: skip
        future = self._store.submit(row)
        self._specs[name] = spec
        future.add_done_callback(lambda done: done.exception() and self._specs.pop(name, None))
        self._sheet.know(name, spec.kind)
        return future

    def worth(self, gauge: str) -> GaugeSpec:
        """Return what a gauge is worth in this session."""
        with self._lock:
            return self._specs[gauge]

    def take(self, reading: Reading) -> Future[None]:
        """Give a reading its feature and hand it to the store; the future is done when it is on disk."""
        with self._lock:
            item = self._assign(reading)
            row = self._row(reading, item)
            self._waiting += 1
            self.taken += 1
            future = self._store.submit(row)
        future.add_done_callback(lambda done: self._settled(row, done))
        return future

    def _assign(self, reading: Reading) -> Item | None:
        item, kind = self._sheet.next(), self._specs[reading.gauge].kind
        bracket = reading.low_nm is not None
        if item is None or not suits(item, kind, reading.value_nm, bracket=bracket, gauge=reading.gauge):
            return None
        return self._sheet.fill((reading.gauge, reading.sequence))

    def _row(self, reading: Reading, item: Item | None) -> ReadingRow:
        row = ReadingRow(
            session=self.session, gauge=reading.gauge, sequence=reading.sequence, value_nm=reading.value_nm,
            low_nm=reading.low_nm, high_nm=reading.high_nm, unit=reading.unit, raw=reading.raw,
            status=reading.status, taken_at_ns=int(reading.taken_at.timestamp() * 1e9),
            monotonic_ns=reading.monotonic_ns,
        )  # fmt: skip
        if item is None:
            return row
        feature = item.feature
        return replace(
            row,
            kind=feature.kind,
            fret=feature.fret,
            place=feature.place,
            feet=feet_text(feature.feet),
            round=round_of(item),
        )

    def _settled(self, row: ReadingRow, done: Future[None]) -> None:
        """Run in the writer's thread once the reading is on disk, or cannot be."""
        error = done.exception()
        with self._lock:
            self._waiting -= 1
            if error is None:
                self._readings[row.gauge, row.sequence] = KeptReading(row=row, taken_back=None, original=row)
            else:
                log.error("reading %s was not kept: %s", reading_words(row), error)
                self._sheet.take_back((row.gauge, row.sequence))
                self.lost.append(row)
        try:
            if error is None:
                self._hooks.on_durable(row)
            else:
                self._hooks.on_refused(_first_line(error))
        finally:
            self._hooks.on_change()

    # -- what a person asks for --------------------------------------------------------------------------------------

    def typed(self, text: str, unit: str, *, token: str = "") -> Answer:
        """Take a typed reading or leaf bracket for the next feature; answer once it is on disk.

        Args:
            text: what was typed.
            unit: unit of a number without one.
            token: identity of the request; one that is on disk already, from before a restart, is not taken twice.
        """
        if unit not in UNITS:
            return Answer(done=False, text=f"unit must be mm, in or thou, got {unit!r}")
        try:
            value = parse_typed(text, unit=unit)
            with self._lock:
                if token and any(one.row.status == token for one in self._readings.values()):
                    return Answer(done=True, text="taken before")
                item = self._sheet.next()
                bracket = value.low_nm is not None
                if not self._studied and (wrong := wrong_typed(item, value_nm=value.value_nm, bracket=bracket)):
                    return Answer(done=False, text=wrong)
                future = self.take(replace(self._typed_gauge().submit(text, unit=unit), status=token))
        except (FrameError, StoreError) as error:
            return Answer(done=False, text=_first_line(error))
        return self._answer(future, "" if item is not None else "kept, but the sheet is done: it belongs to no feature")

    def _typed_gauge(self) -> TypedGauge:
        item = self._sheet.next()
        if self._studied:
            kind, name = self._studied, f"{TYPED}{self._studied}"
        else:
            kind = "" if item is None else item.gauge_kind
            name = kind if kind == LEAVES else f"{TYPED}{kind.replace('_', ' ')}".strip()
        if name not in self._typed:
            spec = self._defaults.get(name) or self._defaults.get(kind) or GaugeSpec(kind=kind or "typed")
            if name not in self._specs:
                self._introduce(name, spec)
            with self._store.reader() as reader:
                self._typed[name] = TypedGauge(name, first_sequence=reader.next_sequence(self.session, name))
        return self._typed[name]

    def climate(self, temperature_c: object, humidity_percent: object, *, who: str = "bench") -> Answer:
        """Note temperature in degrees Celsius and relative humidity in percent; answer once they are on disk."""
        try:
            temperature, humidity = check_climate(temperature_c, humidity_percent)
        except InputFileError as error:
            return Answer(done=False, text=str(error))
        with self._lock:
            row = Climate(
                session=self.session, number=self._number(), at_ns=time.time_ns(), temperature_mc=temperature,
                humidity_mpercent=humidity, who=who,
            )  # fmt: skip
            future = self._store.submit(row)
            self._climates.append(row)
        answer = self._answer(future, f"noted: {temperature / 1000:g} °C, {humidity / 1000:g} %")
        if not answer.done:
            with self._lock:
                self._climates.remove(row)
        return answer

    def skip(self) -> Answer:
        """Pass over the next feature; a study has no feature that may be missing."""
        if self._studied:
            return Answer(done=False, text="a study needs every reading: nothing can be skipped; measure the next")
        with self._lock:
            try:
                item = self._sheet.skip()
            except SheetError as error:
                return Answer(done=False, text=str(error))
            feature = item.feature
            future = self._store.submit(Skip(**self._request(feature)))
            self._skipped.append(feature)
        return self._answer(future, f"skipped {feature.words()}")

    def unskip(self, stage: str = "") -> Answer:
        """Ask again for the feature that was skipped last, or for all that was skipped of a stage."""
        with self._lock:
            features = self._sheet.skipped_of(stage) if stage else self._skipped[-1:]
            if not features:
                return Answer(done=False, text="nothing is skipped")
            for feature in features:
                future = self._store.submit(SheetRequest(ask="unskip", **self._request(feature)))
                self._sheet.unskip(feature)
            self._skipped = [one for one in self._skipped if self._sheet.is_skipped(one)]
        more = f" and {len(features) - 1} more" if features[1:] else ""
        return self._answer(future, f"asked again: {features[0].words()}{more}")

    def _request(self, feature: Feature) -> dict[str, Any]:
        return {
            "session": self.session, "number": self._number(), "kind": feature.kind, "fret": feature.fret,
            "place": feature.place, "feet": feet_text(feature.feet), "at_ns": time.time_ns(),
        }  # fmt: skip

    def repeat(self) -> Answer:
        """Ask for the newest measured feature once more; a study repeats by itself."""
        if self._studied:
            return Answer(done=False, text="a study repeats by itself; take a reading back to measure it again")
        with self._lock:
            feature = next((found for found in map(_feature, reversed(self._live())) if found is not None), None)
            if feature is None:
                return Answer(done=False, text="nothing to repeat: no reading yet")
            try:
                self._sheet.repeat(feature)
            except SheetError as error:
                return Answer(done=False, text=str(error))
            future = self._store.submit(SheetRequest(ask="repeat", **self._request(feature)))
        return self._answer(future, f"once more: {feature.words()}")

    def keep(self, key: ReadingKey, *, who: str = "bench") -> Answer:
        """Keep a reading that was asked about: it belongs where it is, and is not asked about again."""
        with self._lock:
            chosen = self._readings.get(key)
            if chosen is None or chosen.taken_back is not None:
                return Answer(done=False, text="nothing to keep: no such reading, or it is taken back")
            row = chosen.row
            future = self._store.submit(
                Reassignment(
                    session=self.session, number=self._number(), gauge=row.gauge, sequence=row.sequence, kind=row.kind,
                    fret=row.fret, place=row.place, feet=row.feet, round=row.round, at_ns=time.time_ns(), who=who,
                    why=KEEP,
                )
            )  # fmt: skip
            self._answered.add(key)
        feature = feature_of(row)
        return self._answer(future, f"kept: {feature.words() if feature else 'an unassigned reading'}")

    def take_back(self, key: ReadingKey | None = None, *, who: str = "bench", why: str = "taken back") -> Answer:
        """Take back a reading, the newest when none is named; the reading stays in the store."""
        with self._lock:
            live = self._live()
            chosen = self._readings.get(key) if key is not None else (live[-1] if live else None)
            if chosen is None or chosen.taken_back is not None:
                return Answer(done=False, text="nothing to take back: no such reading, or it is taken back already")
            row = chosen.row
            note = TakeBack(
                session=self.session, number=self._number(), gauge=row.gauge, sequence=row.sequence,
                at_ns=time.time_ns(), who=who, why=why,
            )  # fmt: skip
            future = self._store.submit(note)
            self._readings[row.gauge, row.sequence] = replace(chosen, taken_back=note)
            self._sheet.take_back((row.gauge, row.sequence))
        feature = feature_of(row)
        return self._answer(future, f"taken back: {feature.words() if feature else 'an unassigned reading'}")

    def _answer(self, future: Future[None], text: str) -> Answer:
        try:
            future.result(timeout=PATIENCE_S)
        except TimeoutError:
            return Answer(done=True, text="taken, but not on disk yet: it is kept in memory and written when it can be")
        except StoreError as error:
            return Answer(done=False, text=_first_line(error))
        finally:
            self._hooks.on_change()
        return Answer(done=True, text=text)

    def _number(self) -> int:
        number, self._numbers = self._numbers, self._numbers + 1
        return number

    def _live(self) -> list[KeptReading]:
        return [one for one in self._readings.values() if one.taken_back is None]

    # -- what there is to show ---------------------------------------------------------------------------------------

    def kept(self) -> Kept:
        """Return a copy of what is on disk, in order, and how many readings are not yet."""
        with self._lock:
            return Kept(
                list(self._readings.values()), dict(self._specs), self._waiting, list(self._climates),
                frozenset(self._answered), self._skipped[-1] if self._skipped else None,
            )  # fmt: skip

    def sheet_state(self) -> tuple[Item | None, list[Progress]]:
        """Return the next item and the progress of every stage."""
        with self._lock:
            return self._sheet.next(), self._sheet.progress()


def _feature(one: KeptReading) -> Feature | None:
    return feature_of(one.row)


def _first_line(error: BaseException) -> str:
    return str(error).splitlines()[0]
