"""A repeatability study taken reading by reading: in the terminal, or on the live page."""

import threading
import webbrowser
from contextlib import ExitStack
from dataclasses import dataclass, field, replace

from logger.begin import default_gauges, new_session
from logger.bench import Bench, Trouble
from logger.door import Serve
from logger.gauges import Known, stored_worth
from logger.limits import default_limits
from logger.queries import suspects
from logger.recorder import Hooks, Recorder
from logger.sitting import plain_instrument, plug, raise_for_lost
from logger.store import Store
from logger.study import Study
from logger.study_session import OpenStudy, Wish, finish, open_study
from logger.terminal import Terminal

BACK = "back"


def begin(store: Store, gauge: Known, wish: Wish, *, anew: bool) -> OpenStudy:
    """Return the study of a gauge to go on with, or a new one.

    Raises:
        StudyError: another study of the gauge is open, or the wish does not hold.
        StoreError: the store cannot keep it.
    """
    return open_study(store, gauge, wish, session_row=new_session, anew=anew)


def ask_readings(store: Store, study: OpenStudy, terminal: Terminal, *, unit: str) -> Recorder:
    """Ask for the readings that are missing, one line each; ``back`` takes the last one back.

    Raises:
        StoreError: the store cannot be used.
    """
    specs = {**default_gauges(), study.plan.gauge: study.gauge.spec}
    recorder = Recorder(store, study.session, study.sheet(), specs=specs, hooks=Hooks(), studied=study.plan.gauge)
    done = len(study.rows(recorder.kept().readings))
    if study.resumed:
        terminal.note(
            f"going on with the study of {study.plan.gauge}: {done} of {len(study.plan.order)} readings are kept"
        )
    try:
        while _ask(study, recorder, terminal, unit):
            pass
    except KeyboardInterrupt:
        terminal.note("")
    return recorder


def _ask(study: OpenStudy, recorder: Recorder, terminal: Terminal, unit: str) -> bool:
    """Ask once; tell whether to go on."""
    item, _ = recorder.sheet_state()
    if item is None:
        return _ask_to_finish(recorder, terminal)
    part, person, trial = study.plan.names(item.feature)
    number = len(study.rows(recorder.kept().readings)) + 1
    line = terminal.ask(
        f"{number} of {len(study.plan.order)}: part {part}, {person}, trial {trial}, in {unit} (or {BACK})"
    )
    if line is None:
        return False
    answer = recorder.take_back() if line.lower() == BACK else recorder.typed(line, unit)
    if answer.text:
        terminal.note(answer.text)
    kept = recorder.kept()
    for one in suspects(kept.readings, kept.specs):
        if kept.readings and one.row is kept.readings[-1].row:
            terminal.note(f"does that reading belong? {one.text('thou' if unit in {'in', 'thou'} else 'mm')}: "
                          f"{BACK} takes it back, the next reading keeps it")  # fmt: skip
    return True


def _ask_to_finish(recorder: Recorder, terminal: Terminal) -> bool:
    """Let a person take the last reading back before the study is judged; a file or a program has nothing to add."""
    if not terminal.watched:
        return False
    line = terminal.ask(f"all readings are in: Enter to finish, {BACK} to take the last one back")
    if line is None or line.lower() != BACK:
        return False
    terminal.note(recorder.take_back().text)
    return True


def conclude(store: Store, study: OpenStudy, recorder: Recorder, terminal: Terminal) -> Study | None:
    """Make a complete study's repeatability the gauge's and return the study; None while readings are missing.

    Raises:
        InsufficientDataError: the readings cannot be judged.
        StoreError: the store cannot keep it.
    """
    kept = recorder.kept().readings
    found = study.study(kept)
    if found is None:
        terminal.note(f"{len(study.rows(kept))} of {len(study.plan.order)} readings are kept; "
                      "start the study again to go on")  # fmt: skip
        return None
    gauge = finish(store, study, found)
    if gauge.spec.u_mm is not None and gauge.spec.u_mm > found.result.repeatability_mm:
        terminal.note(f"the digit of {gauge.name} hides part of its spread; the digit's own rectangle is taken, "
                      f"{gauge.spec.u_mm:.4f} mm")  # fmt: skip
    return found


@dataclass(slots=True, kw_only=True)
class PageOptions:
    """What a study on the page was asked for; ``ports`` are texts like ``green=caliper-mm@/dev/ttyUSB0``."""

    wish: Wish
    anew: bool = False
    ports: list[str] = field(default_factory=list)
    browser: bool = True
    port: int = 0
    trouble: Trouble = field(default_factory=Trouble)


def run_page(
    store: Store, gauge: Known, options: PageOptions, serve: Serve, *, stop: threading.Event, terminal: Terminal
) -> Study | None:
    """Measure a study on the live page until it is stopped, and return it when it is complete.

    Raises:
        InputFileError: what was asked for does not hold.
        InsufficientDataError: the readings cannot be judged.
        StoreError: the store cannot be used.
        DriverError: a named gauge cannot be opened.
        OSError: the port of the page is taken.
    """
    plugged = plug(options.ports)
    study = begin(store, gauge, options.wish, anew=options.anew)
    with store.reader() as reader:
        worth = {**default_gauges(), **stored_worth(reader), gauge.name: gauge.spec}
    instrument = replace(plain_instrument(), name=f"Study of {gauge.name}")
    bench = Bench(store, instrument, default_limits(instrument.kind), specs=worth, study=study)
    options.trouble.listener = bench.on_trouble
    with ExitStack() as stack:
        bench.start()
        stack.callback(bench.stop)
        for one in plugged:
            bench.add_gauge(one.name, one.profile, one.port)
        page = serve(bench.door, port=options.port)
        stack.callback(page.stop)
        terminal.say(f"ready {page.url}")
        if options.browser:
            webbrowser.open(page.url)
        stop.wait()
    found = conclude(store, study, bench.recorder, terminal)
    raise_for_lost(bench)
    return found
