"""Judgements of all sessions, kept as long as nothing is added, and made in the background, newest session first.

The background is a process of its own that stands back behind the bench: neither a commit nor a page waits for it.
"""

import logging
import multiprocessing
import signal
import sys
import threading
import time
from collections import Counter
from collections.abc import Iterable, Mapping
from contextlib import contextmanager, suppress
from multiprocessing.connection import Connection
from multiprocessing.context import SpawnProcess
from pathlib import Path
from typing import TYPE_CHECKING, Any, Final

from logger.instrument_record import WORST_FIRST
from logger.judging import Fault, Judged, State, judge_on_request, judge_session
from logger.lessons import Lessons, gathered
from logger.sessions import Begun, Marks, SessionKey
from logger.store import StoreReader

if TYPE_CHECKING:
    from collections.abc import Iterator

    from logger.shop.looking import ShopLook

log = logging.getLogger(__name__)

MOST_KEPT: Final = 20_000
"""Sessions that are judged and kept, the newest of all; about 2 kB each, 35 kB more where a neck was visited again."""
LINGERS_S: Final = 30.0
"""How long the process waits for more before it ends, seconds: it holds some 100 MB."""
AGAIN_S: Final = 10.0
"""How long nothing is judged after the process failed, seconds."""
SHOP_S: Final = 5.0
"""How often the shop is asked at most what other benches added, seconds."""
_LOOK_S: Final = 0.25
_OWN: Final = ""

Told = dict[str, Any]


class _StoppedError(Exception):
    """The background cannot go on for now."""


class Judgements:
    """What every session came to; any thread may ask.

    Args:
        store: the bench's own.
        background: judge what is not judged yet in a process of its own, from the first `take_in` on; else only
            `judge_all` and `keep` fill it.
        shop: the shop that holds the sessions of other benches.
    """

    def __init__(self, store: Path, *, background: bool = False, shop: "ShopLook | None" = None) -> None:
        self.background = background
        self.shop = shop
        self._store = store
        self._lock = threading.Condition()
        self._known: dict[SessionKey, Begun] = {}
        self._judged: dict[SessionKey, Judged] = {}
        self._due: dict[SessionKey, Begun] = {}
        self._busy: SessionKey | None = None
        self._struck: set[SessionKey] = set()
        self._marks: Marks = {}
        self._shop_marks: Mapping[str, Marks] = {}
        self._shop_due_s = 0.0
        self._version = 0
        self._lessons: tuple[int, bool, Lessons] | None = None
        self._lessons_rest_s = 0.0
        self._trouble = ""
        self._again_s = 0.0
        self._closing = False
        self._thread: threading.Thread | None = None

    # -- what was added ----------------------------------------------------------------------------------------------

    def take_in(self, reader: StoreReader) -> None:
        """Take note of the sessions that something was added to, and have them judged if that is done at all.

        Raises:
            StoreError: the store cannot be read.
        """
        with self._lock:
            found, self._marks = reader.added(self._marks)
            self._add([Begun(key=SessionKey(store=_OWN, session=session), instrument=neck, started_at_ns=at_ns)
                       for session, neck, at_ns in found])  # fmt: skip
            self._begin()

    def take_in_shop(self) -> None:
        """Do the same for the sessions of other benches, as the shop has them.

        Raises:
            ShopError: the shop does not answer.
        """
        if self.shop is None or time.monotonic() < self._shop_due_s:
            return
        found, marks = self.shop.added(self._shop_marks)  # without the lock: a shop may take its time
        with self._lock:
            self._shop_marks, self._shop_due_s = marks, time.monotonic() + SHOP_S
            self._add(found)
            self._begin()

    def _add(self, found: Iterable[Begun]) -> None:
        for one in found:
            self._known[one.key] = self._due[one.key] = one
        if len(self._known) > MOST_KEPT:
            newest = sorted(self._known.values(), key=lambda one: -one.started_at_ns)[:MOST_KEPT]
            self._known = {one.key: one for one in newest}
            for kept in (self._due, self._judged):
                for key in kept.keys() - self._known.keys():
                    del kept[key]
        times = self._times()
        for key, judged in self._judged.items():  # a neck that is visited once more is compared by its heights
            if judged.visit is not None and not judged.again and times[self._known[key].instrument] > 1:
                self._due[key] = self._known[key]

    def _times(self) -> Counter[str]:
        return Counter(one.instrument for one in self._known.values())

    # -- what is known -----------------------------------------------------------------------------------------------

    def keep(self, judged: Judged) -> None:
        """Keep what judging a session came to."""
        with self._lock:
            self._keep(judged)

    def _keep(self, judged: Judged) -> None:
        self._busy = None
        self._struck.discard(judged.key)
        self._judged.pop(judged.key, None)
        self._judged[judged.key] = judged
        while len(self._judged) > MOST_KEPT:
            del self._judged[next(iter(self._judged))]
        self._version += 1
        self._lock.notify_all()

    def of(self, session: str, state: State | None = None, *, store: str = _OWN) -> Judged | None:
        """Return what is known of a session, with a state only if nothing was added since."""
        with self._lock:
            found = self._judged.get(SessionKey(store=store, session=session))
        return found if found is None or state in {None, found.state} else None

    def failed(self, *, whole: bool = False) -> list[SessionKey]:
        """Return the sessions of this bench, or of the whole shop, of which a verdict fails."""
        with self._lock:
            judged = list(self._judged.values())
        return [one.key for one in judged if (whole or not one.key.store) and one.counts and one.counts["fail"]]

    def progress(self, *, whole: bool = False) -> Told:
        """Return how many sessions are judged, of how many, how many are due, now or once more, and what keeps them."""
        with self._lock:
            known = [key for key in self._known if whole or not key.store]
            judged = [key for key in known if key in self._judged]
            due = sum(key in self._due or key == self._busy for key in judged) + len(known) - len(judged)
            return {"judged": len(judged), "of": len(known), "due": due, "background": self.background,
                    "trouble": self._trouble}  # fmt: skip

    def checks(self, *, whole: bool = False) -> dict[str, dict[str, int]]:
        """Return how many verdicts of each kind every check gave, over the newest visit of each instrument."""
        newest: dict[tuple[str, str], Begun] = {}
        with self._lock:
            for one in self._known.values():
                if (whole or not one.key.store) and one.key in self._judged:
                    at = one.key.store, one.instrument
                    newest[at] = max(one, newest.get(at, one), key=lambda each: each.started_at_ns)
            found = [self._judged[one.key].checks for one in newest.values()]
        total: dict[str, Counter[str]] = {}
        for checks in found:
            for check, counts in checks.items():
                total.setdefault(check, Counter()).update(counts)
        return {check: {name: counts[name] for name in WORST_FIRST} for check, counts in total.items()}

    def lessons(self, *, whole: bool = False) -> Lessons:
        """Return what the sessions that are judged say together; the same again while nothing was added.

        While many are being judged it is gathered anew for a tenth of the time at most: the bench needs the rest.
        """
        began_s = time.monotonic()
        with self._lock:
            version = self._version
            if self._lessons is not None and self._lessons[1] == whole:
                resting = len(self._due) > 1 and began_s < self._lessons_rest_s
                if self._lessons[0] == version or resting:
                    return self._lessons[2]
            judged = [one for one in self._judged.values() if whole or not one.key.store]
        visits = [one.visit for one in judged if one.visit is not None]
        found = gathered(visits, [one.why for one in judged if one.why])
        with self._lock:
            self._lessons = version, whole, found
            self._lessons_rest_s = time.monotonic() + 10 * (time.monotonic() - began_s)
        return found

    # -- judging -----------------------------------------------------------------------------------------------------

    def judge_all(self, reader: StoreReader) -> None:
        """Judge here and now what of the bench's own store is not judged yet.

        Raises:
            StoreError: the store cannot be read.
        """
        while (next_one := self._next()) is not None:
            self.keep(judge_session(reader, next_one[0], again=next_one[1]))

    def _next(self) -> tuple[SessionKey, bool] | None:
        """Take the newest session that is due."""
        with self._lock:
            if not self._due:
                return None
            key = max(self._due, key=lambda one: self._due[one].started_at_ns)
            again = self._times()[self._due.pop(key).instrument] > 1
            self._busy = key
            return key, again

    def _begin(self) -> None:
        self._lock.notify_all()
        if not (self.background and self._due) or self._closing or time.monotonic() < self._again_s:
            return
        if self._thread is None or not self._thread.is_alive():
            self._trouble = ""
            self._thread = threading.Thread(target=self._work, name="judgements", daemon=True)
            self._thread.start()

    def close(self) -> None:
        """End the background."""
        with self._lock:
            self._closing = True
            self._lock.notify_all()
        if self._thread is not None:
            self._thread.join()

    def _work(self) -> None:
        try:
            with _process(self._store, self.shop) as asked:
                while self._more():
                    if (next_one := self._next()) is not None:
                        self._ask(asked, *next_one)
        except (OSError, _StoppedError) as error:
            with self._lock:
                self._trouble, self._again_s = str(error), time.monotonic() + AGAIN_S
            log.warning("judging in the background stopped: %s", error)

    def _more(self) -> bool:
        with self._lock:
            self._lock.wait_for(lambda: self._closing or bool(self._due), LINGERS_S)
            return bool(self._due) and not self._closing

    def _ask(self, asked: Connection, key: SessionKey, again: bool) -> None:
        try:
            asked.send((key, again))
            while not asked.poll(_LOOK_S):
                if self._closing:
                    return
            told = asked.recv()
        except (EOFError, OSError) as error:
            self._strike(key)
            raise _StoppedError("the process that judges has ended; see the log of the bench") from error
        if isinstance(told, Fault):
            self._put_back(key)
            raise _StoppedError(told.text)
        self.keep(told)

    def _strike(self, key: SessionKey) -> None:
        """Try a session once more with which the process ended; the second time it is left out."""
        if key in self._struck:
            self.keep(Judged(key=key, state=(), checks={}, why=f"judging session {key.session} ended the process that "
                             "judges; see the log of the bench"))  # fmt: skip
            return
        self._struck.add(key)
        self._put_back(key)

    def _put_back(self, key: SessionKey) -> None:
        with self._lock:
            self._busy = None
            if key in self._known:
                self._due.setdefault(key, self._known[key])


@contextmanager
def _process(store: Path, shop: "ShopLook | None") -> "Iterator[Connection]":
    """Run the process that judges; it ends with the line to it, also when this process is killed."""
    spawn = multiprocessing.get_context("spawn")
    here, there = spawn.Pipe()
    address = None if shop is None else shop.address
    process = spawn.Process(target=judge_on_request, args=(there, store, address), name="judging", daemon=True)
    _start(process)
    there.close()
    try:
        yield here
    finally:
        here.close()
        process.join(1)
        with suppress(ValueError):
            if process.is_alive():
                process.terminate()
        process.join()
        process.close()


def _start(process: SpawnProcess) -> None:
    if sys.platform == "win32":
        process.start()
        return
    # the child inherits it: while it is being born, Ctrl-C in the terminal must not end it with a traceback
    before = signal.pthread_sigmask(signal.SIG_BLOCK, {signal.SIGINT})
    try:
        process.start()
    finally:
        signal.pthread_sigmask(signal.SIG_SETMASK, before)
