"""One bench, one process: gauges, recorder, store and the door that pages look through."""

import logging
import threading
import time
import uuid
from collections.abc import Callable, Collection, Mapping
from dataclasses import dataclass, field
from typing import TYPE_CHECKING, Any, Final

from drivers.gauge import Gauge
from drivers.profiles import Profile
from drivers.reading import Reading
from logger.aside import Aside
from logger.begin import open_session
from logger.check_desk import CheckDesk
from logger.climate import Air
from logger.door import Action, Answer, Door
from logger.errors import StoreError
from logger.example_bench import no_example
from logger.features import GAUGE_ZERO, KINDS
from logger.fixture_report import fixture_notes
from logger.gauge_account import accounts_at
from logger.gauge_file import GaugeSpec
from logger.gauges import records, register
from logger.instrument import Instrument
from logger.judgements import Judgements
from logger.keeping import Keeping
from logger.kept import Observer, observations_of
from logger.limits import LimitSet, kind_notes, parse_limits
from logger.live_gauges import LiveGauges
from logger.looking import Looking
from logger.recorder import Hooks, Recorder
from logger.report import CheckVerdict, Judge
from logger.sheet import ReadingKey, Sheet, standard_items
from logger.snapshot import Scene, beside, build
from logger.software import SOFTWARE
from logger.store import ReadingRow, SessionEnd, Store
from logger.study_session import OpenStudy
from logger.visit_notes import VisitNotes
from logger.worked_with import WorkedWith

if TYPE_CHECKING:
    from logger.shop.looking import ShopLook

log = logging.getLogger(__name__)

TOGETHER_S: Final = 0.03
"""How long the sight of a gauge waits for the commit of the reading that it just sent, seconds: pages that are busy
with the one show the other later."""


@dataclass(slots=True)
class Trouble:
    """Carry the store's trouble to a bench that is made after the store."""

    listener: Callable[[str, int], None] = lambda _text, _waiting: None

    def __call__(self, text: str, waiting: int) -> None:
        """Tell the listener."""
        self.listener(text, waiting)


@dataclass(slots=True)
class _Shown:
    """What the presenter keeps between two snapshots."""

    version: int = 0
    trouble: str = ""
    verdicts: list[CheckVerdict] = field(default_factory=list)
    records: list[dict[str, Any]] = field(default_factory=list)
    shop: dict[str, Any] | None = None
    example: dict[str, Any] | None = None
    told: int = 0
    """How often a person told something beside readings: views ask anew when it grows."""


class Bench:
    """A sitting: everything between the gauges' readings and the snapshot that a page shows.

    Three threads: gauges run in an asyncio loop, the store's writer commits, the presenter judges and publishes.
    A commit never waits for a judgement; what changes while one is under way is taken by the next.

    Args:
        store: where readings go.
        instrument: what is measured.
        limits: what it is judged by.
        specs: what gauges are worth, by name and by kind.
        stated: names of the gauges whose worth a file of the shop's own states.
        resume: go on with an open session of the same description.
        demo: the instrument is invented.
        on_durable: told of every reading that is on disk.
        study: measure the parts of a repeatability study instead of the instrument.
        shop: the shop whose instruments the page shows too.
    """

    def __init__(
        self,
        store: Store,
        instrument: Instrument,
        limits: LimitSet,
        *,
        specs: Mapping[str, GaugeSpec],
        stated: Collection[str] = (),
        resume: bool = True,
        demo: bool = False,
        on_durable: Callable[[ReadingRow], None] = lambda _row: None,
        study: OpenStudy | None = None,
        shop: "ShopLook | None" = None,
    ) -> None:
        self.store = store
        self.study = study
        self.start_example: Callable[[], Answer] = no_example
        self.notes: list[str] = []
        self.session = study.session if study else open_session(store, instrument, limits, resume=resume)
        limits = limits if study else self._limits_kept(limits, instrument.kind)
        self.notes += [*kind_notes(instrument.kind), *fixture_notes(instrument)]
        self._stated = stated
        self.specs = specs
        self._scene = Scene(
            store=store.store_id, boot=str(uuid.uuid4()), instrument=instrument, limits=limits, demo=demo
        )
        self._judge = Judge(instrument, limits)
        self._observer = Observer()
        self._shown = _Shown()
        self._due = threading.Event()  # there is something new to show
        self._changed = threading.Event()  # and it is more than the sight of a gauge
        self._stopping = False
        hooks = Hooks(on_durable=on_durable, on_change=self._change, on_refused=self._on_refused)
        sheet = study.sheet() if study else Sheet(standard_items(instrument))
        studied = study.plan.gauge if study else ""
        self.recorder = Recorder(store, self.session, sheet, specs=specs, hooks=hooks, studied=studied)
        with store.reader() as reader:
            self._air = Air(reader, self.session, None if study else instrument)
        self._judgements = Judgements(store.path, background=True, shop=shop)
        self._aside = Aside()
        self._checks = CheckDesk(
            store, self._aside, live=not (demo or study), on_change=self._change, on_kept=self._checked
        )
        self._gauges = LiveGauges(self._take, self._due.set)
        accounts = accounts_at(store.path, self.session, self._gauges.connections, demo=demo)
        looking = Looking(store.path, current=self.session, gauges=accounts, judgements=self._judgements)
        worked = WorkedWith(store, self.session, None if study else instrument, self._told_more)
        notes = VisitNotes(store, self._told_more)
        self._telling: Mapping[str, Callable[[Action], Answer]] = {
            "factors": worked.note, "note": notes.note, **self._checks.acts,
            "check_press": lambda _action: self._gauges.trigger((), self._checks.gauge or "no gauge under check"),
        }  # fmt: skip
        self.door = Door(self._act, looking.ask, Keeping(store, software=SOFTWARE))
        self._presenter = threading.Thread(target=self._present, name="presenter", daemon=True)

    def _limits_kept(self, asked: LimitSet, kind: str) -> LimitSet:
        """Return the limits that the session was begun with, and note it when others are asked for now."""
        with self.store.reader() as reader:
            text = reader.session(self.session).limits
        kept = parse_limits(text, where="the limits of the session to go on with", kind=kind)
        if dict(kept) != dict(asked):
            self.notes.append("this session goes on with the limits it was begun with; give --new to use others")
        return kept

    def start(self) -> None:
        """Start the threads and publish the first snapshot."""
        self._look_at_gauges()
        self.notes += self._air.words(self.recorder.kept().climates)
        self._gauges.start()
        self._presenter.start()
        self._change()

    def add_gauge(self, name: str, profile: Profile, port: str, *, must_open: bool = True) -> None:
        """Open a serial gauge and take its readings from now on.

        Args:
            name: the gauge's name at this bench.
            profile: how it speaks.
            port: the serial port.
            must_open: fail at once when the port cannot be opened, instead of trying again for ever.

        Raises:
            DriverError: the port cannot be opened.
            StoreError: the store cannot keep the gauge.
        """
        spec = self.specs.get(name) or self.specs.get(profile.kind) or GaugeSpec(kind=profile.kind)
        if name not in self.specs:  # the kind's repeatability, but its own digit, and no known error of another gauge
            spec = GaugeSpec(
                kind=profile.kind,
                resolution_mm=profile.resolution_nm / 1e6,
                u_mm=spec.u_mm,
                u_dof=spec.u_dof,
                zero_u_mm=spec.zero_u_mm,
            )
        first = self.recorder.add_gauge(name, spec, profile=profile.name, sha256=profile.sha256)
        if self.recorder.worth(name) != spec:
            self.notes.append(
                f"gauge {name!r} keeps in this session what it was worth when the session began; "
                "give --new to use what it is worth now"
            )
        gauge = Gauge(
            name,
            profile=profile,
            port=port,
            first_sequence=first,
            must_open=must_open,
            on_state=lambda state: self._gauges.told(profile.kind, state, captured=profile.capture is not None),
        )
        self._gauges.open(gauge)
        register(self.store, name, spec, source="file" if name in self._stated else "default")
        self._look_at_gauges()
        self._change()

    def _look_at_gauges(self) -> None:
        with self.store.reader() as reader:
            told = records(reader, now_ns=time.time_ns())
        unsent = {"history"}  # the view of gauges asks for it
        self._shown.records = [{key: value for key, value in one.items() if key not in unsent} for one in told]

    def on_trouble(self, text: str, waiting: int) -> None:
        """Take note that the store cannot write (or, with an empty text, that it can again)."""
        self._shown.trouble = f"{text} ({waiting} waiting)" if waiting else text
        self._change()

    def on_shop(self, state: dict[str, Any]) -> None:
        """Take note of what waits for the shop, as `logger.shop.forward.Forwarding.snapshot` says it."""
        self._shown.shop = state
        self._change()

    def on_example(self, state: dict[str, Any]) -> None:
        """Take note of where the invented instrument is shown, as `logger.example_bench` says it."""
        self._shown.example = state
        self._change()

    def _take(self, reading: Reading) -> None:
        """Give a reading to the check of its gauge if one is under way, else to the sheet."""
        if not self._checks.takes(reading):
            self.recorder.take(reading)

    def _checked(self) -> None:
        self._look_at_gauges()
        self._told_more()

    def _told_more(self) -> None:
        self._shown.told += 1
        self._change()

    def _on_refused(self, text: str) -> None:
        self._shown.trouble = f"a reading was not kept: {text}; measure it again"
        self._change()

    def _act(self, action_id: str, action: Action) -> Answer:
        plain = {
            "skip": self.recorder.skip,
            "skip_stage": self._skip_stage,
            "repeat": self.recorder.repeat,
            "trigger": self._trigger,
            "example": self.start_example,
        }
        match action.get("do"):
            case "typed":
                return self.recorder.typed(str(action.get("text", "")), str(action.get("unit", "mm")), token=action_id)
            case "take_back":
                return self._take_back(action)
            case "keep":
                return self._of_reading(action, self.recorder.keep)
            case "unskip":
                return self.recorder.unskip(str(action.get("stage", "")))
            case "climate":
                return self.recorder.climate(action.get("temperature_c"), action.get("humidity_percent"))
            case str(name) if name in plain:
                return plain[name]()
            case str(name) if name in self._telling:
                return self._aside.ask(lambda: self._telling[name](action))
            case other:
                known = ", ".join(("typed", "take_back", "keep", "unskip", "climate", *plain, *self._telling))
                return Answer(done=False, text=f"unknown request {other!r}; known are {known}")

    def _skip_stage(self) -> Answer:
        """Pass over what is left of the stage at hand; `unskip` with its name undoes it."""
        first, _ = self.recorder.sheet_state()
        answer = self.recorder.skip()
        while answer.done and first and (item := self.recorder.sheet_state()[0]) and item.stage == first.stage:
            answer = self.recorder.skip()
        return answer

    def _trigger(self) -> Answer:
        item, _ = self.recorder.sheet_state()
        if self.study is not None:
            return self._gauges.trigger((), self.study.plan.gauge)
        if item is None:
            return Answer(
                done=False, text="the sheet must ask for a reading before a press can take one, it is complete"
            )
        kinds = KINDS[item.feature.kind].gauges if item.feature.kind != GAUGE_ZERO else (item.gauge_kind,)
        return self._gauges.trigger(kinds, item.gauge)

    def _take_back(self, action: Action) -> Answer:
        if "gauge" not in action:
            return self.recorder.take_back()
        return self._of_reading(action, self.recorder.take_back)

    def _of_reading(self, action: Action, work: Callable[[ReadingKey], Answer]) -> Answer:
        sequence = action.get("sequence")
        if not isinstance(sequence, int):
            return Answer(done=False, text=f"sequence must be a whole number, got {sequence!r}")
        return work((str(action.get("gauge", "")), sequence))

    # -- showing -----------------------------------------------------------------------------------------------------

    def _change(self) -> None:
        self._changed.set()
        self._due.set()

    def _present(self) -> None:
        while True:
            self._due.wait()
            self._due.clear()
            self._changed.wait(TOGETHER_S)
            try:
                if self._changed.is_set():
                    self._changed.clear()
                    self._publish()
                else:
                    self._publish_gauges()
            except Exception:  # the bench goes on: what is kept is kept, and the page says what is wrong
                log.exception("the snapshot could not be made")
                self.door.publish({
                    **self.door.snapshot(),
                    "version": self._next_version(),
                    "trouble": "the verdicts cannot be shown: see the log of the bench",
                })
            if self._stopping:
                return

    def _publish(self) -> None:
        kept = self.recorder.kept()
        item, progress = self.recorder.sheet_state()
        observed = self._observer.observations(kept.readings, kept.specs, kept.climates)
        self._shown.verdicts = self._judge.verdicts(observed)
        snapshot = build(
            self._scene,
            self._next_version(),
            kept,
            self._shown.verdicts,
            item,
            progress,
            self._gauges.shown(),
            self._shown.trouble,
            self._judge.estimate,
            self._judge.moved_zeros,
        )
        climate = self._air.told(kept.climates)
        more = beside(snapshot, kept, item, self._shown.records, climate, self.study)
        aside = {"shop": self._shown.shop, "example": self._shown.example, "told": self._shown.told,
                 "check": self._checks.shown()}  # fmt: skip
        self.door.publish({**more, **aside})

    def _publish_gauges(self) -> None:
        """Show gauges beside what is shown already; nothing is judged anew ten times a second."""
        shown, gauges = self.door.snapshot(), self._gauges.shown()
        if gauges != shown.get("gauges"):
            self.door.publish({**shown, "version": self._next_version(), "gauges": gauges})

    def _next_version(self) -> int:
        self._shown.version += 1
        return self._shown.version

    def judged(self) -> tuple[Judge, list[CheckVerdict]]:
        """Return the verdicts on everything that is on disk now, and the judge that gave them."""
        kept = self.recorder.kept()
        judge = Judge(self._scene.instrument, self._scene.limits)
        return judge, judge.verdicts(observations_of(kept.readings, kept.specs, kept.climates))

    # -- stopping ----------------------------------------------------------------------------------------------------

    def stop(self, *, reason: str = "") -> None:
        """Close the gauges, keep what they still sent, and with a reason end the session. The store stays open."""
        self._gauges.close()
        self._aside.close()
        if reason:
            try:
                self.store.put(SessionEnd(session=self.session, at_ns=time.time_ns(), reason=reason))
            except StoreError:
                log.exception("the end of the session could not be kept")
        self._stopping = True
        self._change()
        if self._presenter.is_alive():
            self._presenter.join()
        self.door.close()
        self._judgements.close()
