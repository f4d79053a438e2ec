"""A recording played through the same code that reads a gauge, at any speed."""

import asyncio
import threading
import time
from collections.abc import AsyncIterator, Callable, Iterator
from contextlib import asynccontextmanager, suppress

from drivers.gauge import Gauge
from drivers.gauge_state import Backoff, GaugeState
from drivers.link_event import LinkEvent
from drivers.profiles.profile import Profile
from drivers.reading import Instant
from drivers.recording import Recorded
from drivers.transports.link import LinkEvents, Wiring


class Replay:
    """Where a recording has got to; ``connect`` and ``clock`` are for a `Gauge`, which then reads the recording.

    Every connection plays the events up to the next "end". When there are no more, ``on_over`` is called, in the
    thread of the last connection, which then waits to be stopped.

    Args:
        recorded: What to play.
        speed: 1 is as recorded, 2 twice as fast; 0 is as fast as possible.
        on_over: Called once.

    Raises:
        ValueError: If the speed is negative.
    """

    def __init__(self, recorded: Recorded, *, speed: float = 0.0, on_over: Callable[[], None]) -> None:
        if speed < 0:
            raise ValueError(f"speed must not be negative, got {speed!r}")
        self.on_over = on_over
        self.now = recorded.started
        self._speed = speed
        self._from_ns = recorded.started.monotonic_ns
        self._began_s = time.monotonic()
        self.left: Iterator[LinkEvent] = iter(recorded.events)

    def clock(self) -> Instant:
        """Return the recorded time of what was played last."""
        return self.now

    def connect(self, _wiring: Wiring, events: LinkEvents) -> "ReplayLink":
        """Return a link that plays the next connection."""
        return ReplayLink(self, events)

    def wait_s(self, when: Instant) -> float:
        """Return how long to wait until ``when`` is due, in seconds."""
        if not self._speed:
            return 0.0
        due_s = self._began_s + (when.monotonic_ns - self._from_ns) / 1e9 / self._speed
        return max(0.0, due_s - time.monotonic())


class ReplayLink:
    """A link that plays one connection of a recording in a thread of its own."""

    def __init__(self, replay: Replay, events: LinkEvents) -> None:
        self._replay = replay
        self._events = events
        self._stopping = threading.Event()
        self._thread = threading.Thread(target=self._run, name="replay", daemon=True)

    def start(self) -> None:
        """Begin to play."""
        self._thread.start()

    def stop(self) -> None:
        """Ask it to end, without waiting."""
        self._stopping.set()

    def close(self, within_s: float = 5.0) -> bool:
        """Stop, wait at most ``within_s`` seconds and return whether it has ended."""
        self.stop()
        if self._thread is not threading.current_thread() and self._thread.ident is not None:
            self._thread.join(within_s)
        return not self._thread.is_alive()

    def send(self, data: bytes) -> None:
        """Send nothing: what the gauge answered when it was recorded is played anyway."""

    def _run(self) -> None:
        for event in self._replay.left:
            if self._stopping.wait(self._replay.wait_s(event.when)):
                self._events.on_end(None)
                return
            self._replay.now = event.when
            event.play(self._events)
            if event.kind == "end":
                return
        self._replay.on_over()
        self._stopping.wait()
        self._events.on_end(None)


@asynccontextmanager
async def replayed(
    recorded: Recorded,
    profile: Profile,
    *,
    speed: float = 0.0,
    name: str = "recorded",
    on_state: Callable[[GaugeState], None] | None = None,
    tap: LinkEvents | None = None,
) -> AsyncIterator[Gauge]:
    """Give a gauge that reads a recording; it is closed, which ends the iteration over it, when that is over.

    A settled value that was taken by a press is not in a recording, and is not taken again.
    """
    loop, over = asyncio.get_running_loop(), asyncio.Event()

    def tell() -> None:
        with suppress(RuntimeError):  # whoever listened has left
            loop.call_soon_threadsafe(over.set)

    replay = Replay(recorded, speed=speed, on_over=tell)
    gauge = Gauge(
        name, profile=profile, port=recorded.port, connect=replay.connect, clock=replay.clock,
        backoff=Backoff(first_s=0.0, limit_s=0.0), on_state=on_state, tap=tap,
    )  # fmt: skip

    async def close_when_over() -> None:
        await over.wait()
        await gauge.close()

    closing = asyncio.create_task(close_when_over(), name=f"end of {name}")
    try:
        async with gauge:
            yield gauge
    finally:
        closing.cancel()
        with suppress(asyncio.CancelledError):
            await closing
