"""What a person tells beside readings is done in a thread of its own: no reading waits behind a disk that is full."""

from collections.abc import Callable
from concurrent.futures import Future, ThreadPoolExecutor
from contextlib import suppress
from typing import Final

from logger.door import Answer
from logger.recorder import PATIENCE_S

LATE: Final = "not on the disk yet: it is kept as soon as the disk takes it, do not say it again"
BUSY: Final = "the disk has not taken what was told before; wait until it has, then say it again"


class Aside:
    """One thread, in which things are done one after another."""

    def __init__(self) -> None:
        self._pool = ThreadPoolExecutor(max_workers=1, thread_name_prefix="aside")
        self._late: Future[Answer] | None = None
        self._closed = False

    def ask(self, work: Callable[[], Answer]) -> Answer:
        """Return what became of some work; where the disk keeps it waiting, say so and let it go on."""
        if self._late is not None and not self._late.done():
            return Answer(done=False, text=BUSY)
        future = self._pool.submit(work)
        try:
            return future.result(timeout=PATIENCE_S)
        except TimeoutError:
            self._late = future
            return Answer(done=False, text=LATE)

    def later(self, work: Callable[[], None]) -> None:
        """Do some work behind what waits already."""
        self._pool.submit(work)

    def close(self) -> None:
        """Let what waits be done, as long as an answer would wait; what is left then ends when the store is closed.

        Closing again does nothing.
        """
        if self._closed:
            return
        self._closed = True
        with suppress(TimeoutError):
            self._pool.submit(lambda: None).result(timeout=PATIENCE_S)
        self._pool.shutdown(wait=False)
