"""A whole bench to measure the page by: a kept session, the program, a simulated gauge at its port, real Chromium."""

import contextlib
import json
import os
import shutil
import sqlite3
import sys
import time
from collections.abc import Iterator
from itertools import chain, repeat
from pathlib import Path
from typing import Any

from playwright.sync_api import Browser, Page, sync_playwright

sys.path.insert(0, str(Path(__file__).parents[1] / "system"))

from conftest import ARGS, Program

from drivers import SimulatedGauge, load_profiles
from logger.begin import open_session
from logger.instrument import parse_instrument
from logger.limits import default_limits
from logger.sheet import Item, round_of, standard_items
from logger.store import ReadingRow, SessionGauge, Store

NECK = """\
# Invented to measure the page by: no such instrument exists.
name = "Sedge no. 9 (invented)"
kind = "steel-string"
invented = true
scale_mm = 645.0
frets = 24
join_fret = 14
[sheet]
board = ["bass", "centre", "treble"]
sweep = ["bass", "centre", "treble"]
long_steps = true
"""
PROFILE = "rocker-indicator-mm"
BY_STEPS = ("board", "sweep")
"""Stages that the simulated gauge measures; all others are kept beforehand."""
SIZES_NM = {"tang_thickness": 510_000, "barb_span": 700_000, "tang_depth": 1_300_000, "crown_height": 1_100_000,
            "slot_width": 562_500, "slot_depth": 1_750_000, "seated_height": 1_100_000}  # fmt: skip
LEAF_NM = 12_500
WORTH = {"resolution_mm": 0.001, "u_mm": 0.003, "zero_u_mm": 0.002}
LIVE_MS = 60_000


def to_measure() -> int:
    """Return how many readings the sheet still asks of the gauge when the bench starts."""
    neck = parse_instrument(NECK, where="the measure's instrument")
    return sum(item.stage in BY_STEPS for item in standard_items(neck))


def keep(path: Path, readings: int) -> None:
    """Keep an open session with everything but the steps measured, and heights of seated frets again up to so many."""
    neck = parse_instrument(NECK, where="the measure's instrument")
    before = [item for item in standard_items(neck) if item.stage not in BY_STEPS]
    again = [item for item in before if item.stage == "seating"]
    more = max(0, readings - len(before))
    wanted = chain(before, (again[n % len(again)] for n in range(more)))
    with Store.create(path) as store:
        session = open_session(store, neck, default_limits(neck.kind), resume=False)
        for kind in ("caliper", "depth_indicator"):
            store.put(SessionGauge(session=session, gauge=kind, kind=kind, description=json.dumps(WORTH), profile="",
                                   profile_sha256=""))  # fmt: skip
        rows = [_row(session, item, number) for number, item in enumerate(wanted, start=1)]
        for future in [store.submit(row) for row in rows]:
            future.result()


def _row(session: str, item: Item, number: int) -> ReadingRow:
    feature = item.feature
    value_nm = SIZES_NM[feature.kind] + 1000 * (number * 7 % 9 - 4)
    leaves = feature.kind == "slot_width"
    return ReadingRow(
        session=session, gauge="depth_indicator" if item.stage == "seating" else "caliper", sequence=number,
        kind=feature.kind, fret=feature.fret, place=feature.place, round=round_of(item), value_nm=value_nm,
        low_nm=value_nm - LEAF_NM if leaves else None, high_nm=value_nm + LEAF_NM if leaves else None, unit="mm",
        raw=b"", status="ok", taken_at_ns=time.time_ns(), monotonic_ns=time.monotonic_ns(),
    )  # fmt: skip


class MeasuredBench:
    """The running program with ``readings`` kept before it began, and the far end of its gauge."""

    def __init__(self, folder: Path, readings: int) -> None:
        self.store = folder / f"{readings}.db"
        neck = folder / "neck.toml"
        neck.write_text(NECK, encoding="utf-8")
        keep(self.store, readings)
        self.gauge = SimulatedGauge("steps", profile=load_profiles()[PROFILE])
        self.program = Program("bench", "--no-browser", "--store", self.store, "--instrument", neck,
                               "--gauge", f"steps={PROFILE}@{self.gauge.port}")  # fmt: skip
        self.url = self.program.url()

    @property
    def pid(self) -> int:
        """Return the program's process."""
        return self.program.process.pid

    def press(self, number: int) -> int:
        """Send reading ``number`` and return the moment before its first byte, CLOCK_MONOTONIC in ns."""
        begun_ns = time.monotonic_ns()
        self.gauge.press(value_nm(number))
        return begun_ns

    def kept(self, gauge: str) -> list[int]:
        """Return the values that the store holds of a kind of gauge, in order, read by SQLite itself."""
        with contextlib.closing(sqlite3.connect(self.store)) as link:
            found = link.execute("SELECT value_nm FROM reading WHERE gauge = ? ORDER BY sequence", (gauge,))
            return [value for (value,) in found]

    def end(self) -> None:
        """End the program and unplug the gauge."""
        self.program.process.terminate()
        self.program.end()
        self.gauge.close()


def value_nm(number: int) -> int:
    """Return what the gauge shows as its reading ``number``: neighbours differ, all lie within 4 um."""
    return 1000 * (number * 7 % 9 - 4)


@contextlib.contextmanager
def bench_with(folder: Path, readings: int) -> Iterator[MeasuredBench]:
    """Start a bench on a session of so many kept readings."""
    bench = MeasuredBench(folder, readings)
    try:
        yield bench
    finally:
        bench.end()


@contextlib.contextmanager
def chromium() -> Iterator[Browser]:
    """Start headless Chromium.

    Raises:
        SystemExit: there is none.
    """
    found = shutil.which("chromium")
    if found is None:
        raise SystemExit("the page is measured in a browser named chromium, found none; install Debian's chromium")
    with sync_playwright() as play:
        browser = play.chromium.launch(executable_path=found, args=ARGS)
        yield browser
        browser.close()


def open_tab(browser: Browser, url: str, **context: Any) -> Page:
    """Open the page in a browser context of its own and wait until its link is live."""
    page = browser.new_context(**context).new_page()
    page.goto(url)
    page.wait_for_function("() => document.getElementById('link')?.dataset.link === 'live'", timeout=LIVE_MS)
    return page


def ticks(pid: int) -> int:
    """Return the processor's work of a process, user and system, in clock ticks.

    Source: proc(5), /proc/PID/stat, fields 14 and 15.
    """
    after_name = Path(f"/proc/{pid}/stat").read_text(encoding="utf-8").rpartition(")")[2].split()
    return int(after_name[11]) + int(after_name[12])


def browser_processes() -> dict[str, list[int]]:
    """Return the processes of the browser that this process started, by their type (``browser``, ``renderer`` ...)."""
    parents = dict(_parents())
    found: dict[str, list[int]] = {}
    for pid in parents:
        line = set(_ancestors(parents, pid))
        if os.getpid() not in line:
            continue
        with contextlib.suppress(FileNotFoundError, ProcessLookupError):
            words = Path(f"/proc/{pid}/cmdline").read_text(encoding="utf-8", errors="replace").split("\0")
            if "chrom" in Path(words[0].split()[0] if words[0] else "").name:
                named = " ".join(words).partition("--type=")[2].split()
                found.setdefault(named[0] if named else "browser", []).append(pid)
    return found


def _parents() -> Iterator[tuple[int, int]]:
    for place in Path("/proc").iterdir():
        if place.name.isdigit():
            with contextlib.suppress(FileNotFoundError, ProcessLookupError):
                yield int(place.name), int((place / "stat").read_text(encoding="utf-8").rpartition(")")[2].split()[1])


def _ancestors(parents: dict[int, int], pid: int) -> Iterator[int]:
    for _ in repeat(None, 64):
        pid = parents.get(pid, 0)
        yield pid
