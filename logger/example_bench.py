"""The invented instrument beside a bench: a demo in a process of its own, with a store that is thrown away."""

import logging
import subprocess
import sys
import threading
from collections.abc import Callable
from typing import Any, Final

from logger.door import Answer

log = logging.getLogger(__name__)

_RUN: Final = """
import os, signal, sys, threading
def leave():
    sys.stdin.read()  # ends with the bench, however the bench ends
    os.kill(os.getpid(), signal.SIGTERM)
threading.Thread(target=leave, daemon=True).start()
from dashboard.command import main
main()
"""
PATIENCE_S: Final = 10.0
STARTING: Final = "starting"
NOT_HERE: Final = "the invented instrument is shown by a bench that was started as a program; run fretledger demo"


def no_example() -> Answer:
    """Return the refusal of a bench that has no demo to show."""
    return Answer(done=False, text=NOT_HERE)


class ExampleBench:
    """Start the demo at most once, tell what is known of it, and end it.

    Args:
        on_change: told ``{"url": ..., "why": ...}``: the address once it is ready, or why there is none.
    """

    def __init__(self, on_change: Callable[[dict[str, Any]], None]) -> None:
        self._on_change = on_change
        self._process: subprocess.Popen[str] | None = None
        self._listener = threading.Thread()
        self._lock = threading.Lock()

    def start(self) -> Answer:
        """Start the demo unless it runs; its address comes later, so that nobody's reading waits for it."""
        with self._lock:
            if self._process is not None and self._process.poll() is None:
                return Answer(done=True, text=STARTING)
            command = [sys.executable, "-c", _RUN, "demo", "--no-browser", "--stay"]
            self._process = subprocess.Popen(  # noqa: S603 - this very Python with a text of our own
                command, stdin=subprocess.PIPE, stdout=subprocess.PIPE, stderr=subprocess.DEVNULL, text=True
            )
            self._listener = threading.Thread(target=self._listen, args=(self._process,), daemon=True)
            self._listener.start()
        return Answer(done=True, text=STARTING)

    def _listen(self, process: "subprocess.Popen[str]") -> None:
        with process:  # closes its pipes at the end
            lines = iter(process.stdout or ())
            said, _, url = next(lines, "").strip().partition(" ")
            if said == "ready":
                self._on_change({"url": url, "why": ""})
            for line in lines:  # its result, which nobody reads here; a full pipe would hold it up
                log.debug("demo: %s", line.rstrip())
        if said != "ready":
            why = f"the demo ended with status {process.returncode}; run fretledger demo"
            self._on_change({"url": "", "why": why})

    def close(self) -> None:
        """End the demo and wait for it."""
        with self._lock:
            process, self._process = self._process, None
        if process is None:
            return
        if process.stdin is not None:
            process.stdin.close()
        try:
            process.wait(PATIENCE_S)
        except subprocess.TimeoutExpired:
            log.warning("the demo did not end within %s s and is stopped", PATIENCE_S)
            process.kill()
        self._listener.join(PATIENCE_S)
