"""A real door with a small bench behind it, and a real Chromium in front of its page."""

import contextlib
import http.client
import json
import os
import shutil
import threading
from collections.abc import Callable, Iterator, Mapping
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

import pytest
from playwright.sync_api import Browser, Page, expect, sync_playwright

from dashboard.server import RunningPage, serve
from logger.door import Answer, Door

CHROMIUM = "/usr/bin/chromium"
ARGS = [
    "--no-sandbox",
    "--disable-gpu",
    "--disable-quic",
    "--no-first-run",
    "--disable-background-networking",
    "--disable-component-update",
    "--disable-sync",
    "--disable-dev-shm-usage",
]
LIVE_MS = 20_000
AXE = (Path(__file__).parents[1] / "reference" / "axe.min.js").read_text(encoding="utf-8")
TAGS = ["wcag2a", "wcag2aa", "wcag21a", "wcag21aa", "wcag22aa"]
RUN = """(tags) => axe.run(document, {runOnly: tags, rules: {'target-size': {enabled: true}}}).then((found) => ({
  passed: found.passes.map((rule) => rule.id),
  broken: found.violations.flatMap(({id, nodes}) => nodes.map((one) => [id, one.target, one.failureSummary].join(' '))),
}))"""


def reading(sequence: int, **more: Any) -> dict[str, Any]:
    """A reading as the bench shows it: fret 7, treble, 1.203 mm, passed."""
    return {
        "gauge": "typed",
        "sequence": sequence,
        "kind": "seated_height",
        "fret": 7,
        "place": "treble",
        "words": "fret 7, treble: height of the seated fret",
        "value_nm": 1_203_000,
        "low_nm": None,
        "high_nm": None,
        "unit": "mm",
        "taken_at": "2025-05-06T14:03:12+00:00",
        "verdict": "pass",
        "because": "It sits within its limit.",
        "expanded_u_mm": 0.012,
        "unassigned": False,
        "taken_back": False,
        **more,
    }


class Bench:
    """A bench that notes what it is asked and publishes what the test wants shown."""

    def __init__(self, *, boot: str = "first") -> None:
        self.door = Door(self._act)
        self.asked: list[Mapping[str, Any]] = []
        self.shown: dict[str, Any] = {"version": 0, "store": "store", "boot": boot, "seq": 0, "bad_seq": 0}
        self._asked = threading.Condition()

    def _act(self, _action_id: str, action: Mapping[str, Any]) -> Answer:
        with self._asked:
            self.asked.append(action)
            self._asked.notify_all()
        text = str(action.get("text", ""))
        if any(word.count(",") + word.count(".") > 1 for word in text.split()):
            return Answer(done=False, text="a reading has one decimal sign")
        if action["do"] == "skip":
            return Answer(done=False, text="nothing is left to skip")
        return Answer(done=True, text=f"taken: {text}" if text else "done")

    def publish(self, **changes: Any) -> None:
        self.shown = {**self.shown, **changes, "version": self.shown["version"] + 1}
        self.door.publish(self.shown)

    def begin(self, **shown: Any) -> None:
        """Show this and nothing from before, as a bench that was started again would."""
        self.asked.clear()
        kept = {name: self.shown[name] for name in ("version", "store")}
        self.shown = {**kept, "boot": f"boot {kept['version']}", "seq": 0, "bad_seq": 0}
        self.publish(**shown)

    def take(self, verdict: str = "pass", **more: Any) -> None:
        """Publish one more acknowledged reading."""
        sequence = self.shown["seq"] + 1
        last = reading(sequence, verdict=verdict, **more)
        bad = sequence if verdict == "fail" else self.shown["bad_seq"]
        self.publish(seq=sequence, bad_seq=bad, last=last, recent=[last])

    def wait_for(self, count: int) -> list[Mapping[str, Any]]:
        """Return the first ``count`` actions as soon as so many were asked."""
        with self._asked:
            assert self._asked.wait_for(lambda: len(self.asked) >= count, 30), f"only {len(self.asked)} of {count}"
            return list(self.asked)


@dataclass
class Looker:
    """An open page with everything it complained of and every host it asked."""

    page: Page
    problems: list[str] = field(default_factory=list)
    hosts: set[str] = field(default_factory=set)

    def watch(self) -> None:
        self.page.on("console", lambda said: self.problems.append(said.text) if said.type == "error" else None)
        self.page.on("pageerror", lambda error: self.problems.append(str(error)))
        self.page.on("request", lambda asked: self.hosts.add(asked.url.split("/")[2]) if "//" in asked.url else None)


@pytest.fixture
def bench() -> Iterator[Bench]:
    here = Bench()
    yield here
    here.door.close()


@pytest.fixture
def served(bench: Bench) -> Iterator[RunningPage]:
    page = serve(bench.door)
    yield page
    page.stop()


@pytest.fixture
def ask(served: RunningPage) -> Callable[..., Any]:
    """Ask the served page as a program would: method, path, body, headers -> status, headers, text."""
    port = int(served.url.rstrip("/").rsplit(":", 1)[1])

    def send(method: str, path: str, body: Any = None, **headers: str) -> tuple[int, Mapping[str, str], str]:
        link = http.client.HTTPConnection("127.0.0.1", port, timeout=10)
        text = body if isinstance(body, (bytes, type(None))) else json.dumps(body).encode()
        given = {"Content-Type": "application/json", "Origin": served.url.rstrip("/"), **headers}
        link.request(method, path, text, {name: value for name, value in given.items() if value})
        reply = link.getresponse()
        said = (reply.status, dict(reply.getheaders()), reply.read().decode())
        link.close()
        return said

    return send


@pytest.fixture(scope="module")
def browser() -> Iterator[Browser]:
    if not shutil.which(CHROMIUM):
        missing = f"browser tests need {CHROMIUM}; install Debian's package chromium"
        if os.environ.get("CI") == "true":
            pytest.fail(missing)
        pytest.skip(missing)
    with sync_playwright() as play:
        chromium = play.chromium.launch(executable_path=CHROMIUM, args=ARGS)
        yield chromium
        chromium.close()


@contextlib.contextmanager
def opener(browser: Browser) -> Iterator[Callable[..., Looker]]:
    """Open the page of a door, or of an address, in a browser context of its own; close all in the end."""
    pages: list[RunningPage] = []
    contexts = []

    def look(door: Door | None = None, *, url: str = "", **context: Any) -> Looker:
        if door is not None:
            pages.append(serve(door))
            url = pages[-1].url
        contexts.append(browser.new_context(**context))
        looker = Looker(contexts[-1].new_page())
        looker.watch()
        looker.page.goto(url)
        expect(looker.page.locator("#link")).to_have_text("live", timeout=LIVE_MS)
        return looker

    try:
        yield look
    finally:
        for context in contexts:
            context.close()
        for page in pages:
            page.stop()


@pytest.fixture(scope="session")
def broken() -> Callable[[Page], list[str]]:
    """Return every rule that a page breaks with the element that breaks it; contrast must have been measured.

    The rules are those of axe-core 4.11.4 (tests/reference/axe.min.js; Mozilla Public License 2.0, in axe.LICENSE
    there).
    """

    def look(page: Page) -> list[str]:
        page.evaluate(AXE)
        found = page.evaluate(RUN, TAGS)
        assert "color-contrast" in found["passed"] or any("color-contrast" in one for one in found["broken"])
        lines: list[str] = found["broken"]
        return lines

    return look


@pytest.fixture
def page_of(browser: Browser) -> Iterator[Callable[..., Looker]]:
    """Open the page of a door, or of an address, in a browser context of its own."""
    with opener(browser) as look:
        yield look


@pytest.fixture(scope="module")
def stage(browser: Browser) -> Iterator[tuple[Bench, Looker]]:
    """One bench and one open page for a whole module; ``shared`` clears them for every test."""
    bench = Bench()
    with opener(browser) as look:
        yield bench, look(bench.door)
    bench.door.close()


@pytest.fixture
def shared(stage: tuple[Bench, Looker], neck: dict[str, Any]) -> tuple[Bench, Looker]:
    """A bench with the neck on it and the page before it, in mm, with nothing asked and no complaint so far."""
    bench, looker = stage
    bench.begin(**neck)
    looker.problems.clear()
    looker.page.locator("#unit-mm").click()
    looker.page.wait_for_function(f"() => fretledger.snap.version === {bench.shown['version']}")
    return bench, looker


@pytest.fixture
def neck() -> dict[str, Any]:
    """A steel-string neck in its seating stage, one proud end, one fret to measure again."""
    return {
        "instrument": {"name": "No. 41", "kind": "steel-string", "frets": 20, "join_fret": 14, "scale_mm": 645.0},
        "demo": True,
        "state": "measuring",
        "stage": "seating",
        "caution": "Presses pinch.",
        "stages": [{"name": "seating", "words": "Seating", "done": 2, "of": 60}],
        "next": {
            "kind": "seated_height",
            "fret": 8,
            "place": "bass",
            "words": "fret 8, bass: height of the seated fret",
            "how": "base on the board, plunger on the crown",
            "gauge_words": "the depth indicator",
            "repeat": 1,
            "of": 3,
            "bracket": False,
        },
        "gauges": [
            {
                "name": "depth",
                "kind": "depth_indicator",
                "words": "depth indicator",
                "status": "alive",
                "since": "2025-05-06T14:00:00+00:00",
                "detail": "",
                "readings": 3,
                "unreadable": 0,
                "last_raw": "1.203",
            },
            {
                "name": "rocker",
                "kind": "rocker",
                "words": "rocker",
                "status": "lost",
                "since": "2025-05-06T14:00:00+00:00",
                "detail": "unplugged",
                "readings": 0,
                "unreadable": 0,
                "last_raw": "",
            },
        ],
        "flags": [
            {
                "check": "proud_end",
                "fret": 7,
                "place": "treble",
                "text": "Fret 7 treble end stands proud by 0.08 mm",
                "what_to_do": "press-test it, then re-seat",
                "value_mm": 0.083,
                "expanded_u_mm": 0.016,
            },
        ],
        "cells": [
            ["proud_end", 7, "treble", "fail", 0.083, 0.016, 0.01],
            ["proud_end", 6, "treble", "remeasure", 0.046, 0.016, 0.6],
            ["tilted_fret", 7, None, "pass", 0.012, 0.02, 0.97],
            ["tang_clearance", 3, "centre", "fail", -0.021, 0.013, 0.0],
            ["barb_bite", 3, "bass", "pass", 0.08, 0.01, 0.99],
        ],
        "waiting": 0,
        "trouble": "",
    }
