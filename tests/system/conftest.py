"""Whole processes and a real Chromium."""

import json
import os
import queue
import shutil
import subprocess
import sys
import threading
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import pytest
from playwright.sync_api import Browser, sync_playwright

CHROMIUM = "chromium"
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


class Program:
    """A running ``fretledger`` with its output read line by line."""

    def __init__(self, *arguments: object) -> None:
        command = [str(Path(sys.executable).with_name("fretledger")), *map(str, arguments)]
        self.process = subprocess.Popen(
            command, stdout=subprocess.PIPE, stderr=subprocess.PIPE, text=True, env=os.environ
        )
        self.lines: queue.Queue[str | None] = queue.Queue()
        self.errors: list[str] = []
        self._readers = [threading.Thread(target=self._read_out), threading.Thread(target=self._read_err)]
        for reader in self._readers:
            reader.start()

    def _read_out(self) -> None:
        assert self.process.stdout is not None
        for line in self.process.stdout:
            self.lines.put(line.rstrip("\n"))
        self.lines.put(None)

    def _read_err(self) -> None:
        assert self.process.stderr is not None
        self.errors.extend(self.process.stderr)

    def line(self) -> str:
        """Return the next line of stdout."""
        line = self.lines.get(timeout=60)
        assert line is not None, f"ended with {self.process.wait()}: {''.join(self.errors)}"
        return line

    def url(self) -> str:
        """Return the address of the ready line, without its last slash."""
        word, url = self.line().split()
        assert word == "ready"
        return url.rstrip("/")

    def end(self, signal_number: int | None = None) -> int:
        """Send a signal, if any, and return the exit status."""
        if signal_number is not None:
            self.process.send_signal(signal_number)
        status = self.process.wait(60)
        for reader in self._readers:
            reader.join(10)
        for stream in (self.process.stdout, self.process.stderr):
            assert stream is not None
            stream.close()
        return status

    def result(self) -> dict[str, Any]:
        """Return the last line as JSON, once the program has ended."""
        lines = []
        while (line := self.lines.get(timeout=120)) is not None:
            lines.append(line)
        found: dict[str, Any] = json.loads(lines[-1])
        return found


@pytest.fixture
def start() -> Iterator[Any]:
    """Return a function that starts ``fretledger`` and see to it that it ends."""
    running: list[Program] = []

    def _start(*arguments: object) -> Program:
        running.append(Program(*arguments))
        return running[-1]

    yield _start
    for program in running:
        if program.process.poll() is None:
            program.process.kill()
        program.end()


@pytest.fixture
def browser() -> Iterator[Browser]:
    """Return headless Chromium; without it the test skips by name, and fails where nothing may skip."""
    chromium = shutil.which(CHROMIUM)
    if chromium is None:
        reason = "Chromium is missing; install Debian's package chromium"
        if os.environ.get("CI") == "true":
            pytest.fail(reason)
        pytest.skip(reason)
    with sync_playwright() as play:
        one = play.chromium.launch(executable_path=chromium, args=ARGS)
        yield one
        one.close()
