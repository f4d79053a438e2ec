"""The thread at a bench that keeps the shop up to date, and says what waits while the shop is away."""

import logging
import random
import threading
import time
from collections.abc import Callable
from contextlib import closing
from dataclasses import dataclass
from datetime import UTC, datetime
from pathlib import Path
from typing import Any, Final

import psycopg

from logger.errors import ShopError, StoreError
from logger.shop.address import ShopAddress, connect, in_words
from logger.shop.outbox import Marks, Outbox
from logger.shop.sending import Sender

log = logging.getLogger(__name__)

LOOK_S: Final = 0.5
"""How often the store is looked at for new commits, seconds."""
SEEN_S: Final = 60.0
"""How often the shop is told, with nothing to send, that the bench is there, seconds."""
LONGEST_PAUSE_S: Final = 60.0
"""The longest pause between two tries to reach the shop, seconds; the first is one second."""
FAREWELL_S: Final = 5.0
"""How long a bench that closes goes on sending what waits, seconds."""

Wait = Callable[[threading.Event, float], bool]


@dataclass(frozen=True, slots=True, kw_only=True)
class Forwarding:
    """How the forwarding stands: rows that wait, since when (UTC), and in words what keeps them.

    ``since`` is None when nothing waits. ``counted`` is False until the shop has answered once: what earlier sittings
    left is not known before that, and ``waiting`` counts what came since the thread was started.
    """

    waiting: int = 0
    since: datetime | None = None
    counted: bool = False
    connected: bool = False
    trouble: str = ""

    def snapshot(self) -> dict[str, Any]:
        """Return it as the page gets it."""
        return {
            "waiting": self.waiting, "since": self.since and self.since.isoformat(timespec="seconds"),
            "counted": self.counted, "connected": self.connected, "text": self.words(),
        }  # fmt: skip

    def words(self) -> str:
        """Return one line for the person; empty when there is nothing to say."""
        if not self.trouble:
            return ""
        rows = {0: "nothing waits", 1: "1 row waits"}.get(self.waiting, f"{self.waiting} rows wait")
        since = f" since {self.since:%Y-%m-%d %H:%M} UTC" if self.since else ""
        earlier = "" if self.counted else ", beside what earlier sittings may have left"
        return f"{self.trouble}; {rows} here{since}{earlier}: nothing is lost, all is sent once the shop takes it"


class Forwarder:
    """Forward the store at ``path`` to the shop from a thread of its own until `stop`.

    It reads beside the writer and never writes here. While the shop is away it tries again after one second, then
    after longer and longer pauses, and catches up when the shop is back.

    Args:
        path: the bench's store, open to its owner.
        address: the shop's database.
        software: name and version of this program, kept with the bench at the shop.
        on_change: told from the thread whenever how it stands has changed; keep it short.
        wait: how time is waited for: ``wait(closing, seconds)``, early when closing is set.
    """

    def __init__(
        self,
        path: Path,
        address: ShopAddress,
        *,
        software: str,
        on_change: Callable[[Forwarding], None] = lambda _state: None,
        wait: Wait = threading.Event.wait,
    ) -> None:
        self._path = path
        self._address = address
        self._software = software
        self._on_change = on_change
        self._wait = wait
        self._closing = threading.Event()
        self._state = Forwarding()
        self._marks: Marks = {}
        self._tries = 0
        self._farewell_until_s = 0.0
        self._thread = threading.Thread(target=self._run, name=f"forward {path.name}", daemon=True)

    @property
    def state(self) -> Forwarding:
        """How it stands."""
        return self._state

    def start(self) -> None:
        """Start the thread; what is committed from now on counts as waiting until it is sent.

        Raises:
            StoreError: the store cannot be read.
        """
        with Outbox(self._path) as outbox:
            self._marks = outbox.last()
        self._thread.start()

    def stop(self) -> Forwarding:
        """Send what waits if the shop answers, for some seconds at most, end the thread and return how it stands."""
        self._farewell_until_s = time.monotonic() + FAREWELL_S
        self._closing.set()
        if self._thread.is_alive():
            self._thread.join(2 * FAREWELL_S)
        if self._thread.is_alive():
            log.warning("the shop at %s does not answer; what waits is sent at the next start", self._address.shown)
        return self._state

    # -- the thread --------------------------------------------------------------------------------------------------

    def _run(self) -> None:
        try:
            with Outbox(self._path) as outbox:
                while not self._forward(outbox):
                    pass
        except Exception as error:
            log.exception("forwarding %s to the shop ended", self._path)
            self._tell(connected=False, trouble=f"forwarding to the shop ended ({error}); start the bench again")

    def _forward(self, outbox: Outbox) -> bool:
        """Try once, for as long as it lasts; True when the bench closes."""
        try:
            with closing(connect(self._address)) as link:
                sender = Sender(link, outbox, self._address, software=self._software)
                while self._keep_up(sender, outbox):
                    pass
            return True
        except (psycopg.Error, ShopError, StoreError) as error:
            was_there = self._state.connected
            told = in_words(error, self._address, doing="sent to") if isinstance(error, psycopg.Error) else error
            self._away(told, outbox)
        return self._closing.is_set() and not was_there  # a shop that was started anew meanwhile gets another try

    def _keep_up(self, sender: Sender, outbox: Outbox) -> bool:
        """Send all there is, then wait for more; False when the bench closes."""
        last = self._closing.is_set()
        outbox.changed()
        while True:
            self._sent(sender.send(), outbox)
            if not self._state.waiting or (self._closing.is_set() and time.monotonic() > self._farewell_until_s):
                break
        if last:
            return False
        quiet_until_s = time.monotonic() + SEEN_S
        while not self._wait(self._closing, LOOK_S) and time.monotonic() < quiet_until_s:
            if outbox.changed():
                break
        return True

    def _sent(self, marks: Marks, outbox: Outbox) -> None:
        self._marks, self._tries = marks, 0
        self._tell(waiting=outbox.waiting(marks), counted=True, connected=True, trouble="")

    def _away(self, error: Exception, outbox: Outbox) -> None:
        """Say that the shop is away, and go on counting what waits until it is time to try again."""
        if str(error) != self._state.trouble:
            log.warning("%s", error)
        # Not the same pause at every bench, so that a shop that comes back is not met by all at once.
        pause_s = min(2.0**self._tries, LONGEST_PAUSE_S) * random.uniform(0.8, 1.2)  # noqa: S311
        self._tries = min(self._tries + 1, 10)
        until_s = time.monotonic() + pause_s
        self._tell(waiting=self._count(outbox), connected=False, trouble=str(error))
        while (left_s := until_s - time.monotonic()) > 0 and not self._closing.is_set():
            self._wait(self._closing, min(left_s, LOOK_S))
            self._tell(waiting=self._count(outbox))

    def _count(self, outbox: Outbox) -> int:
        try:
            return outbox.waiting(self._marks)
        except StoreError:
            log.exception("what waits for the shop cannot be counted")
            return self._state.waiting

    def _tell(self, **changes: Any) -> None:
        waiting = changes.get("waiting", self._state.waiting)
        since = None if not waiting else self._state.since or datetime.now(UTC)
        values = {name: getattr(self._state, name) for name in ("counted", "connected", "trouble")}
        state = Forwarding(**values | changes | {"waiting": waiting, "since": since})
        if state == self._state:
            return
        self._state = state
        try:
            self._on_change(state)
        except Exception:
            log.exception("the listener to the forwarding of %s failed", self._path)
