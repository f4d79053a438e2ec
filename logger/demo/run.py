"""Run the demo bench and count what it found of what was planted."""

import json
import os
import random
import sys
import tempfile
import threading
import time
import webbrowser
from contextlib import ExitStack
from dataclasses import asdict, dataclass
from pathlib import Path
from typing import Any, Final, Self, TextIO

import numpy as np

from drivers.profiles import load_profiles
from drivers.simulated import SimulatedGauge
from logger.begin import default_gauges
from logger.bench import Bench, Trouble
from logger.demo.neck import DESCRIPTION, Neck, invent
from logger.demo.operator import Operator, Stopwatch
from logger.door import Serve
from logger.errors import InputFileError
from logger.gauge_file import GaugeSpec
from logger.instrument import parse_instrument
from logger.limits import default_limits
from logger.plan_command import plan_lines
from logger.report import CheckVerdict, flags
from logger.store import ReadingRow, Store, StoreReader
from logger.sweep_progress import sweep_progress

PATIENT_SECONDS: Final = 90.0
"""How long the demo measures when nobody says."""
GAUGES: Final = {
    "caliper": ("demo caliper", "caliper-inch", "N{value} {unit}\r\n", 0.0),
    "depth_indicator": ("demo depth indicator", "depth-indicator-mm", "{value}\r\n", 0.0),
    "rocker": ("demo rocker", "rocker-indicator-mm", "{value} mm\r\n", 0.5),
}
"""By kind: name, profile, the line it sends, and how often it sends garbage before a reading."""


class AcksError(InputFileError):
    """The acknowledgement file cannot be written."""


@dataclass(frozen=True, slots=True, kw_only=True)
class DemoOptions:
    """What the demo was asked for; with ``stay`` the page stays after the last reading until it is interrupted."""

    seconds: float | None = None
    seed: int = 1
    browser: bool = True
    stay: bool = False
    port: int = 0
    store: Path | None = None
    acks: Path | None = None


def run_demo(options: DemoOptions, serve: Serve, *, stop: threading.Event, out: TextIO | None = None) -> int:
    """Run the demo and return its exit status: 0 when every planted fault was found and nothing else.

    Args:
        options: what was asked for.
        serve: starts the page.
        stop: set to end early.
        out: where the ``ready`` line and the result go.

    Raises:
        StoreError: the store cannot be used.
        DriverError: a simulated gauge cannot be opened.
        BenchSilentError: a reading did not arrive.
        AcksError: the acknowledgement file cannot be written.
        OSError: the port of the page is taken.
    """
    with ExitStack() as stack:
        path = options.store or Path(stack.enter_context(tempfile.TemporaryDirectory())) / "demo.db"
        neck, watch = invent(options.seed), Stopwatch()
        verdicts, plan, session, readings = _sit(options, path, neck, watch, serve, stop, out)
        with StoreReader(path) as reader:  # a fresh connection, after the writer has closed
            durable = reader.count(session)
        result = score(neck, verdicts) | {
            "readings": readings,
            "durable": durable,
            "wire_to_durable_ms": _percentiles(watch.milliseconds),
        }
    if options.seconds is None:
        print("\n".join(plan), file=sys.stderr, flush=True)
    order = ("readings", "durable", "planted", "flags", "found", "missed", "false", "wire_to_durable_ms")
    print(json.dumps({key: result[key] for key in order}), file=out, flush=True)
    return 0 if not result["missed"] and not result["false"] and durable == readings else 1


def _sit(
    options: DemoOptions,
    path: Path,
    neck: Neck,
    watch: Stopwatch,
    serve: Serve,
    stop: threading.Event,
    out: TextIO | None,
) -> tuple[list[CheckVerdict], list[str], str, int]:
    """Measure the sheet and return the verdicts, the levelling plan, the session and how many readings were sent."""
    instrument = parse_instrument(DESCRIPTION, where="the demo's instrument")
    with ExitStack() as stack:
        acks = stack.enter_context(Acks(options.acks, stop)) if options.acks else None

        def on_durable(row: ReadingRow) -> None:
            watch.durable(row)
            if acks is not None:
                acks.write(row)

        gauges = _plug_in(stack, options.seed)
        trouble = Trouble()
        store = stack.enter_context(Store.open_or_create(path, on_trouble=trouble))
        bench = Bench(
            store,
            instrument,
            default_limits(instrument.kind),
            specs=_demo_specs(),
            resume=False,
            demo=True,
            on_durable=on_durable,
        )
        trouble.listener = bench.on_trouble
        bench.start()
        stack.callback(bench.stop, reason="the demo is over")
        for gauge in gauges.values():
            bench.add_gauge(gauge.name, gauge.profile, gauge.port)
        page = serve(bench.door, port=options.port)
        stack.callback(page.stop)
        print(f"ready {page.url}", file=out, flush=True)
        if options.browser:
            webbrowser.open(page.url)
        _measure(options, Operator(neck, bench.door, gauges, bench.specs, seed=options.seed, watch=watch), stop)
        judge, verdicts = bench.judged()
        swept = sweep_progress(judge.estimates, instrument)
        plan = plan_lines(instrument.name, judge.levelling(), judge.sweep, unit="mm", swept=swept)
        return verdicts, plan, bench.session, bench.recorder.taken


class Acks:
    """The file of acknowledgements: one JSON line per reading that is on disk.

    A line that cannot be written ends the demo, and is told when the file is closed.
    """

    def __init__(self, path: Path, stop: threading.Event) -> None:
        self._path = path
        self._stop = stop
        self._fault: OSError | None = None

    def __enter__(self) -> Self:
        """Open the file for appending."""
        self._file = os.open(self._path, os.O_WRONLY | os.O_APPEND | os.O_CREAT, 0o666)
        return self

    def write(self, row: ReadingRow) -> None:
        """Write one line, whole, before anything else happens."""
        line = (json.dumps(_ack(row)) + "\n").encode()
        try:
            while line:
                line = line[os.write(self._file, line) :]
        except OSError as error:
            self._fault = error
            self._stop.set()

    def __exit__(self, *_: object) -> None:
        """Close the file.

        Raises:
            AcksError: a line could not be written.
        """
        os.close(self._file)
        if self._fault is not None:
            raise AcksError(
                f"{self._path}: cannot be written ({self._fault.strerror}); give --acks a file on a disk with space"
            ) from self._fault


def _measure(options: DemoOptions, operator: Operator, stop: threading.Event) -> None:
    seconds = PATIENT_SECONDS if options.seconds is None else options.seconds
    operator.measure_all(time.monotonic() + 0.95 * seconds, stop)
    if options.stay and not stop.is_set():
        print("the sheet is measured; the page stays open until you press Ctrl-C", file=sys.stderr, flush=True)
        stop.wait()


def _demo_specs() -> dict[str, GaugeSpec]:
    """Return the worth of the demo's gauges: the defaults, with the caliper's digit in inches."""
    specs = dict(default_gauges())
    return specs | {
        "demo caliper": GaugeSpec(
            kind="caliper", resolution_mm=0.0127, u_mm=specs["caliper"].u_mm, zero_u_mm=specs["caliper"].zero_u_mm
        )
    }


def _plug_in(stack: ExitStack, seed: int) -> dict[str, SimulatedGauge]:
    """Make the simulated gauges; where there are no pseudo-terminals, everything is typed."""
    if sys.platform == "win32":
        print("this system has no pseudo-terminals: the demo types every reading", file=sys.stderr, flush=True)
        return {}
    profiles = load_profiles()
    gauges: dict[str, SimulatedGauge] = {}
    for kind, (name, profile, template, garbage) in GAUGES.items():
        rng = random.Random(f"noise {seed}")  # noqa: S311 - a seeded scenario, nothing secret
        gauge = SimulatedGauge(name, profile=profiles[profile], template=template, garbage=garbage, rng=rng)
        stack.callback(gauge.close)
        gauges[kind] = gauge
    return gauges


def _ack(row: ReadingRow) -> dict[str, Any]:
    names = ("session", "gauge", "sequence", "kind", "fret", "place", "value_nm")
    return {name: getattr(row, name) for name in names}


def _percentiles(milliseconds: list[float]) -> dict[str, float | None]:
    if not milliseconds:
        return {"p50": None, "p99": None}
    p50, p99 = np.percentile(milliseconds, (50, 99))
    return {"p50": round(float(p50), 3), "p99": round(float(p99), 3)}


def score(neck: Neck, verdicts: list[CheckVerdict]) -> dict[str, Any]:
    """Compare flags with what was planted, by check, fret and place."""
    raised = flags(verdicts)
    planted = {(one.check, one.fret, one.place) for one in neck.planted}
    seen = {one.key for one in raised}
    return {
        "planted": [asdict(one) for one in neck.planted],
        "flags": [{"check": one.check, "fret": one.fret, "place": one.place,
                   "value_mm": round(one.judgement.estimate.value_mm, 4), "verdict": one.verdict} for one in raised],
        "found": len(planted & seen), "missed": len(planted - seen), "false": len(seen - planted),
    }  # fmt: skip
