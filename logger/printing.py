"""Print sheets in a process of their own, so that neither the page nor the bench waits while paper is laid out.

One process, begun with the first sheet and kept; whoever asks meanwhile waits their turn. It ends with this one: the
pipe between them closes, however this process ends.
"""

import logging
import os
import signal
import threading
from collections.abc import Callable, Mapping, Sequence
from multiprocessing import get_context
from multiprocessing.connection import Connection
from typing import Any, Final

MOST_AT_ONCE: Final = 4
"""Who prints and who waits for it, together; each of them holds a thread of the page."""
LIMIT_S: Final = 120.0
"""A sheet takes a second or two, and beginning a few; what takes this long never ends."""
_BEHIND: Final = 5
"""How much the bench goes before: the step in the order in which a busy processor serves (nice)."""
_STOP_S: Final = 2.0

log = logging.getLogger(__name__)


class PrintError(Exception):
    """A sheet that was not printed, in words for the person."""


class BusyError(PrintError):
    """So many sheets are being printed that this one has to come again."""


class Printer:
    """The process that prints; any thread may ask."""

    def __init__(self, *, most: int = MOST_AT_ONCE, limit_s: float = LIMIT_S) -> None:
        self._places = threading.BoundedSemaphore(most)
        self._turn = threading.Lock()
        self._limit_s = limit_s
        self._process: Any = None
        self._pipe: Connection | None = None
        self._closed = threading.Event()

    def sheet(self, told: Mapping[str, Any], kind: Mapping[str, str], pictures: Sequence[bytes] = ()) -> bytes:
        """Return the quality-check sheet of a record as a PDF; all is as `logger.sheet_pdf.sheet_pdf` takes it.

        Raises:
            BusyError: too many are being printed.
            PrintError: it could not be printed, or took too long.
        """
        return self._asked("sheet", {"told": dict(told), "pictures": list(pictures), **kind})

    def small(self, content: bytes) -> bytes:
        """Return a picture, checked before by its content, as a small JPEG without anything that came beside it.

        Raises:
            BusyError: too much is being printed.
            PrintError: it could not be drawn, or took too long.
        """
        return self._asked("small", {"content": content})

    def close(self) -> None:
        """End the process; what is being printed is given up."""
        self._closed.set()
        process = self._process
        if process is not None and process.is_alive():
            process.kill()

    def _asked(self, what: str, given: Mapping[str, Any]) -> bytes:
        if not self._places.acquire(blocking=False):
            raise BusyError("other sheets are being printed; ask again in a moment")
        try:
            with self._turn:
                return self._printed(what, given)
        finally:
            self._places.release()

    def _printed(self, what: str, given: Mapping[str, Any]) -> bytes:
        try:
            pipe = self._open()
            pipe.send((what, dict(given)))
            if not pipe.poll(self._limit_s):
                self._end()
                raise PrintError(f"it took more than {self._limit_s:g} s; ask again")
            done, answer = pipe.recv()
        except (EOFError, OSError) as error:
            self._end()
            raise PrintError("what prints has ended; ask again") from error
        if not done:
            log.error("printing failed: %s", answer)
            raise PrintError("it could not be laid out; the bench's log says why")
        return bytes(answer)

    def _open(self) -> Connection:
        if self._pipe is not None and self._process.is_alive():
            return self._pipe
        self._end()
        spawn = get_context("spawn")  # a fork would take threads' locks along, held or not
        self._pipe, theirs = spawn.Pipe()
        self._process = spawn.Process(target=work, args=(theirs,), name="fretledger printing", daemon=True)
        self._process.start()
        theirs.close()
        if self._closed.is_set():
            self._process.kill()
        return self._pipe

    def _end(self) -> None:
        if self._pipe is not None:
            self._pipe.close()
        if self._process is not None:
            self._process.kill()
            self._process.join(_STOP_S)
        self._process = self._pipe = None


def work(pipe: Connection) -> None:
    """Print what is asked for through a pipe until it closes; the printing process does nothing else."""
    signal.signal(signal.SIGINT, signal.SIG_IGN)  # Ctrl-C at the bench is the bench's to answer
    if hasattr(os, "nice"):
        os.nice(_BEHIND)
    while True:
        try:
            what, given = pipe.recv()
        except (EOFError, OSError):
            return
        try:
            answer: tuple[bool, Any] = (True, _way(what)(**given))
        except Exception as error:  # noqa: BLE001 - one sheet that fails takes no other along; the bench logs it
            answer = (False, f"{type(error).__name__}: {error}")
        pipe.send(answer)


def _way(what: str) -> Callable[..., bytes]:
    """Return what prints; each loads what it needs when it is first asked for, which takes seconds for a sheet."""
    if what == "sheet":
        from logger.sheet_pdf import sheet_pdf

        return sheet_pdf
    from logger.small_picture import small_picture

    return small_picture
