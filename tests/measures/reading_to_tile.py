"""How soon a reading is on the page, and what the page costs: whole processes, real Chromium, a simulated gauge.

    .venv/bin/python tests/measures/reading_to_tile.py

Parts (``--only tile burst paint idle keys``), each for sessions of ``--readings 228 1000 3000`` kept before it begins:

- ``tile``: 5 readings a second, three open tabs. From just before the gauge's first byte is written into the
  pseudo-terminal (CLOCK_MONOTONIC, this process) to (a) the last reading's text standing in the document and (b) the
  frame that shows it being painted: a task posted from ``requestAnimationFrame``, which runs when the frame's style,
  layout and paint are done (``performance.now()``, each tab). The middle of (a) and the 99th percentile of (b) are held
  against the targets. Screen and compositor are not in it; decoding,
  the durable commit, the judgement, the event stream and the drawing are. ``server_ms`` and ``renderers_ms`` are the
  processor's work for each reading, which other programs on the machine change little.
- ``burst``: 50 a second until the sheet is done; how long after the last byte the last reading is painted in all tabs.
- ``paint``: every view in a browser context of its own without a cache, on a warm server: first contentful paint, and
  the moment from which the view's own content stands there (of a view that asks the bench, the answer drawn).
- ``idle``: share of a core over 30 s of nothing happening, by the work in /proc/PID/stat: server, renderers, and beside
  them the browser's other processes; one tab and three.
- ``keys``: 100 readings typed at 1 ms a key while the gauge sends 20 a second: how many the store holds, in order.

The page's clock is laid on this one by round trips before and after: the moment a page says lies between the moments
here before and after asking it, and the intersection of all of these is the offset, with half its width as uncertainty
(printed as ``clock_us``). It is empty, and the run fails, if the clocks do not keep step.

Wall figures are those of a machine that others load as well: the load average is printed, ``--runs`` repeats, and the
least of the runs counts. Exit status 1 if a target is missed.
"""

import argparse
import contextlib
import json
import os
import sys
import tempfile
import threading
import time
from collections.abc import Callable, Iterator
from pathlib import Path
from typing import Any

from page_bench import (
    LIVE_MS,
    MeasuredBench,
    bench_with,
    browser_processes,
    chromium,
    open_tab,
    ticks,
    to_measure,
    value_nm,
)
from playwright.sync_api import Browser, Page

TABS, PER_S, BURST_PER_S = 3, 5.0, 50.0
P50_MS, P99_MS, BURST_MS, PAINT_MS, IDLE_SHARE = 20.0, 100.0, 250.0, 1500.0, 0.02
"""The targets."""
IDLE_S, KEYS, KEYS_PER_S = 30.0, 100, 20.0
ROUND_TRIPS = 200
SHARES = {"least": 0.0, "p50": 0.5, "p99": 0.99, "most": 1.0}

WATCH = """() => {
  const seen = (window.seenReadings = []);
  const channel = new MessageChannel(), after = [];
  channel.port1.onmessage = () => {
    const now = performance.now();
    for (const one of after.splice(0)) one.painted = now;
  };
  let last = fretledger.snap.seq;
  new MutationObserver(() => {
    const seq = fretledger.snap.seq;
    if (seq === last) return;
    last = seq;
    const one = {seq, text: document.querySelector('#reading .number')?.textContent, written: performance.now()};
    seen.push(one);
    requestAnimationFrame(() => { after.push(one); channel.port2.postMessage(0); });
  }).observe(document.getElementById('reading'), {childList: true, subtree: true, characterData: true});
  return last;
}"""
TAKE = "() => window.seenReadings.splice(0)"
PAINTED = """async (view) => {
  const own = () => document.getElementById(`view-${view}`);
  const said = () => own()?.innerText.trim() ?? '', waits = (text) => text.includes(fretledger.fill('looking'));
  const drawn = () => !own()?.hidden && said() && !waits(said())
    && (view !== 'bench' || document.querySelector('#next .where'));
  while (!drawn()) await new Promise(requestAnimationFrame);
  await new Promise((done) => requestAnimationFrame(() => setTimeout(done, 0)));
  const [first] = performance.getEntriesByName('first-contentful-paint');
  return {first_ms: first.startTime, drawn_ms: performance.now(), said: own().innerText.slice(0, 200)};
}"""


class TabClock:
    """A tab's ``performance.now()`` on this machine's CLOCK_MONOTONIC, within bounds that round trips prove."""

    def __init__(self, page: Page) -> None:
        self._page = page
        self._least_ns, self._most_ns = -(2**63), 2**63
        self.look()

    def look(self) -> None:
        """Narrow the offset by more round trips.

        Raises:
            SystemExit: the clocks do not keep step.
        """
        for _ in range(ROUND_TRIPS):
            before_ns = time.monotonic_ns()
            there_ns = round(self._page.evaluate("() => performance.now()") * 1e6)
            after_ns = time.monotonic_ns()
            self._least_ns = max(self._least_ns, before_ns - there_ns)
            self._most_ns = min(self._most_ns, after_ns - there_ns)
        if self._least_ns > self._most_ns:
            raise SystemExit(
                f"the page's clock and this one must keep step, they differ by {self._least_ns - self._most_ns} ns"
            )

    @property
    def half_width_us(self) -> float:
        """Return by how much the offset may be wrong."""
        return (self._most_ns - self._least_ns) / 2e3

    def here_ns(self, there_ms: float) -> float:
        """Return a moment of the page on CLOCK_MONOTONIC."""
        return there_ms * 1e6 + (self._least_ns + self._most_ns) / 2


class Tabs:
    """Open tabs that note when each reading stood in them."""

    def __init__(self, browser: Browser, url: str) -> None:
        self.pages = [open_tab(browser, url) for _ in range(TABS)]
        self._clocks = [TabClock(page) for page in self.pages]
        self._first = [page.evaluate(WATCH) for page in self.pages]

    def until(self, count: int) -> None:
        """Wait until every tab shows reading ``count``."""
        for page, first in zip(self.pages, self._first, strict=True):
            page.wait_for_function("(seq) => fretledger.snap.seq >= seq", arg=first + count, timeout=LIVE_MS)
            page.wait_for_function("() => window.seenReadings.every((one) => one.painted)", timeout=LIVE_MS)

    def close(self) -> None:
        """Close them."""
        for page in self.pages:
            page.context.close()

    def delays(self, sent_ns: list[int]) -> dict[str, Any]:
        """Return per tab and reading the ms to its text and to its paint; what stood there must be what was sent."""
        text, paint, wrong, shown = [], [], 0, 0
        last = []
        for page, clock, first in zip(self.pages, self._clocks, self._first, strict=True):
            clock.look()
            seen = page.evaluate(TAKE)
            shown += len(seen)
            for one in seen:
                number = one["seq"] - first - 1
                wrong += float(one["text"].replace("\u2212", "-")) != value_nm(number) / 1e6
                text.append((clock.here_ns(one["written"]) - sent_ns[number]) / 1e6)
                paint.append((clock.here_ns(one["painted"]) - sent_ns[number]) / 1e6)
            last.append(paint[-1])
        return {"shown": shown, "of": len(sent_ns) * TABS, "wrong": wrong, "text": text, "paint": paint, "last": last,
                "clock_us": round(max(clock.half_width_us for clock in self._clocks))}  # fmt: skip


def share(values: list[float], part: float) -> float:
    """Return the value that ``part`` of all do not exceed."""
    ordered = sorted(values)
    return round(ordered[min(len(ordered) - 1, int(part * len(ordered)))], 1)


def send(bench: MeasuredBench, count: int, per_s: float, first: int = 0) -> list[int]:
    """Press ``count`` times at an even pace and return when."""
    begun_s, sent_ns = time.monotonic(), []
    for number in range(count):
        time.sleep(max(0.0, begun_s + number / per_s - time.monotonic()))
        sent_ns.append(bench.press(first + number))
    return sent_ns


@contextlib.contextmanager
def work_of(pids: list[int], told: dict[str, Any], name: str, count: int) -> Iterator[None]:
    """Note the processor's work of some processes in ms for each of ``count`` readings."""
    before = sum(map(ticks, pids))
    yield
    told[name] = round(1e3 * (sum(map(ticks, pids)) - before) / os.sysconf("SC_CLK_TCK") / count, 1)


def tile(browser: Browser, folder: Path, readings: int) -> dict[str, Any]:
    """Take readings one by one, three tabs open."""
    count = to_measure()
    with bench_with(folder, readings) as bench:
        tabs, told = Tabs(browser, bench.url), dict[str, Any]()
        renderers = browser_processes()["renderer"]
        with work_of([bench.pid], told, "server_ms", count), work_of(renderers, told, "renderers_ms", count):
            sent_ns = send(bench, count, PER_S)
            tabs.until(count)
        found = tabs.delays(sent_ns)
        tabs.close()
        kept = bench.kept("steps")
    for name in ("text", "paint"):
        told[f"{name}_ms"] = {word: share(found[name], part) for word, part in SHARES.items()}
    lost = kept != [value_nm(number) for number in range(count)]
    return told | _right(found) | {
        "missed": lost or found["wrong"] > 0 or told["text_ms"]["p50"] > P50_MS or told["paint_ms"]["p99"] > P99_MS
    }  # fmt: skip


def _right(found: dict[str, Any]) -> dict[str, Any]:
    return {name: found[name] for name in ("shown", "of", "wrong", "clock_us")}


def burst(browser: Browser, folder: Path, readings: int) -> dict[str, Any]:
    """Take readings faster than anyone looks."""
    count = to_measure()
    with bench_with(folder, readings) as bench:
        tabs = Tabs(browser, bench.url)
        sent_ns = send(bench, count, BURST_PER_S)
        tabs.until(count)
        found = tabs.delays(sent_ns)
        tabs.close()
        lost = bench.kept("steps") != [value_nm(number) for number in range(count)]
    last_ms = round(max(found["last"]), 1)
    return _right(found) | {
        "seconds": round((sent_ns[-1] - sent_ns[0]) / 1e9, 2), "last_painted_ms": last_ms,
        "paint_ms": {"p50": share(found["paint"], 0.5), "p99": share(found["paint"], 0.99)},
        "missed": lost or found["wrong"] > 0 or last_ms > BURST_MS,
    }  # fmt: skip


def paint(browser: Browser, folder: Path, readings: int) -> dict[str, Any]:
    """Open every view afresh on a server that has answered before."""
    with bench_with(folder, readings) as bench:
        warm = open_tab(browser, bench.url)
        send(bench, to_measure(), 2 * BURST_PER_S)
        warm.wait_for_function("() => fretledger.snap.next === null", timeout=LIVE_MS)
        views: list[str] = warm.evaluate(
            "() => [...document.querySelectorAll('#views a')].map((one) => one.hash.slice(1))"
        )
        warm.context.close()
        told = {}
        for view in views:
            for _ in range(2):  # the first asks the bench for a judgement that it then keeps
                context = browser.new_context()
                page = context.new_page()
                page.goto(f"{bench.url}/#{view}", wait_until="commit")
                page.wait_for_function(
                    "() => window.fretledger?.fill && document.readyState !== 'loading'", timeout=LIVE_MS
                )
                found = page.evaluate(PAINTED, view)
                context.close()
            told[view] = {name: round(found[name]) for name in ("first_ms", "drawn_ms")}
    return {"views": told, "missed": any(one["drawn_ms"] > PAINT_MS for one in told.values())}


def idle(browser: Browser, folder: Path, readings: int) -> dict[str, Any]:
    """Let the page stand there."""
    told: dict[str, Any] = {"missed": False}
    with bench_with(folder, readings) as bench:
        for tabs in (1, TABS):
            pages = [open_tab(browser, bench.url) for _ in range(tabs)]
            time.sleep(3)
            kinds = {"server": [bench.pid], **browser_processes()}
            before = {kind: sum(map(ticks, pids)) for kind, pids in kinds.items()}
            begun_s = time.monotonic()
            time.sleep(IDLE_S)
            per_tick = 1 / os.sysconf("SC_CLK_TCK") / (time.monotonic() - begun_s)
            shares = {kind: (sum(map(ticks, pids)) - before[kind]) * per_tick for kind, pids in kinds.items()}
            own = shares["server"] + shares["renderer"]
            others = sum(shares.values()) - own
            percent = {
                "server": shares["server"],
                "renderers": shares["renderer"],
                "both": own,
                "rest_of_browser": others,
            }
            told[f"{tabs}_tabs_percent"] = {name: round(100 * part, 2) for name, part in percent.items()}
            told["missed"] |= own > IDLE_SHARE
            for page in pages:
                page.context.close()
    return told


def keys(browser: Browser, folder: Path, readings: int) -> dict[str, Any]:
    """Type as a gauge that types does while readings come from another."""
    wanted = [n * 1000 for n in range(100, 100 + KEYS)]
    with bench_with(folder, readings) as bench:
        page = open_tab(browser, bench.url)
        other = threading.Thread(target=send, args=(bench, to_measure() // 3, KEYS_PER_S))
        other.start()
        page.locator("#typed").click()
        begun_s, pressed = time.monotonic(), 0
        for value in wanted:
            text = f"{value / 1e6:.3f}"
            page.keyboard.type(text, delay=1)
            page.keyboard.press("Enter")
            pressed += len(text) + 1
        took_s = time.monotonic() - begun_s
        page.wait_for_function("() => fretledger.unsentReadings() === 0", timeout=LIVE_MS)
        other.join()
        kept = bench.kept("typed rocker")
        page.context.close()
    return {"typed": KEYS, "kept": len(kept), "in_order": kept == wanted, "ms_a_key": round(1e3 * took_s / pressed, 2),
            "missed": kept != wanted}  # fmt: skip


PARTS: dict[str, Callable[[Browser, Path, int], dict[str, Any]]] = {
    "tile": tile, "burst": burst, "paint": paint, "idle": idle, "keys": keys,
}  # fmt: skip


def main() -> int:
    """Run the parts and print one JSON line for each run of each."""
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--only", nargs="+", choices=PARTS, default=list(PARTS))
    parser.add_argument("--readings", type=int, nargs="+", default=[228, 1000, 3000])
    parser.add_argument("--runs", type=int, default=1, help="of each part; it holds if one run holds")
    parser.add_argument("--folder", type=Path, help="on the disk that is meant; else the system's temporary folder")
    given = parser.parse_args()
    missed = []
    with chromium() as browser:
        for part in given.only:
            for readings in given.readings:
                holds = []
                for _ in range(given.runs):
                    with tempfile.TemporaryDirectory(dir=given.folder) as folder:
                        found = PARTS[part](browser, Path(folder), readings)
                    holds.append(not found["missed"])
                    print(
                        json.dumps({"part": part, "readings": readings, **found, "load": os.getloadavg()[0]}),
                        flush=True,
                    )
                if not any(holds):
                    missed.append(f"{part} at {readings}")
    print("every target is met" if not missed else f"missed: {', '.join(missed)}")
    return 1 if missed else 0


if __name__ == "__main__":
    sys.exit(main())
