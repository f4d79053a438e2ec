"""The gauges of a sitting: opened in a thread of their own, listened to, shown, and pressed from the page."""

import asyncio
import threading
from collections.abc import Callable, Collection, Coroutine
from contextlib import AsyncExitStack
from typing import Any, Final, TypeVar

from drivers.errors import NotStillError
from drivers.gauge import Gauge
from drivers.gauge_state import GaugeState
from drivers.reading import Reading
from logger.door import Answer
from logger.snapshot import GAUGE_WORDS

#: How often at most a page is told how a gauge moves; a stream may have a hundred samples a second.
MOVING_S: Final = 0.1
#: What of a gauge changes with every sample.
_MOVING: Final = ("last_raw", "steadiness")

_T = TypeVar("_T")


def panel(kind: str, state: GaugeState, *, captured: bool) -> dict[str, Any]:
    """Return what a page shows of a gauge, as plain JSON values; ``captured`` says that its settled value is taken."""
    steady = state.steadiness
    return {
        "name": state.name, "kind": kind, "words": GAUGE_WORDS.get(kind, kind), "status": state.status,
        "since": state.since.isoformat(timespec="seconds"), "detail": state.detail, "readings": state.readings,
        "unreadable": state.unreadable, "last_raw": state.last_raw.decode("ascii", "backslashreplace"),
        "battery_percent": state.battery_percent, "captured": captured,
        "steadiness": steady and {"phase": steady.phase, "fraction": round(steady.fraction, 2), "why": steady.why},
    }  # fmt: skip


def _lasting(shown: dict[str, Any]) -> dict[str, Any]:
    return {name: value for name, value in shown.items() if name not in _MOVING}


class LiveGauges:
    """The gauges that are connected; every method may be called from any thread but the gauges' own.

    Args:
        take: what is given every reading, in the gauges' thread.
        on_change: told that a gauge is to be shown anew; at most every `MOVING_S` where it only moves.
    """

    def __init__(self, take: Callable[[Reading], object], on_change: Callable[[], None]) -> None:
        self._take = take
        self._on_change = on_change
        self._loop = asyncio.new_event_loop()
        self._opened = AsyncExitStack()
        self._gauges: list[Gauge] = []
        self._listeners: list[asyncio.Task[None]] = []
        self._shown: dict[str, dict[str, Any]] = {}
        self._moved: asyncio.TimerHandle | None = None
        self._moved_s = 0.0  # when a page was last told of a movement
        self._thread = threading.Thread(target=self._run, name="gauges", daemon=True)

    def start(self) -> None:
        """Start the gauges' thread."""
        self._thread.start()

    def open(self, gauge: Gauge) -> None:
        """Open a gauge that was made with `told` as its ``on_state``, and listen to it from now on.

        Raises:
            DriverError: it must open and does not.
        """
        self._call(self._open(gauge))

    def told(self, kind: str, state: GaugeState, *, captured: bool) -> None:
        """Show a gauge's new state; called in the gauges' thread."""
        before, shown = self._shown.get(state.name), panel(kind, state, captured=captured)
        self._shown[state.name] = shown
        if before is None or _lasting(before) != _lasting(shown):
            self._on_change()
        elif self._moved is None:
            self._moved = self._loop.call_at(self._moved_s + MOVING_S, self._tell_movement)

    def shown(self) -> list[dict[str, Any]]:
        """Return what there is to show of every gauge."""
        return list(self._shown.values())

    def connections(self) -> dict[str, dict[str, Any]]:
        """Return of every gauge that was opened, by name, its profile, its port and whether it is heard by radio."""
        return {
            one.name: {"profile": one.profile.name, "port": one.port, "bluetooth": one.profile.bluetooth is not None}
            for one in list(self._gauges)
        }

    def trigger(self, kinds: Collection[str], name: str = "") -> Answer:
        """Take the settled value of the streaming gauge of one of these kinds, at a press of a key or pedal.

        Args:
            kinds: of gauge that may be meant.
            name: of the only gauge that may be meant; empty for any.
        """
        return self._call(self._trigger(kinds, name))

    def close(self) -> None:
        """Close the gauges, take what they still sent and end the thread."""
        if self._thread.is_alive():
            self._call(self._close())
            self._loop.call_soon_threadsafe(self._loop.stop)
            self._thread.join()
        elif not self._loop.is_closed():  # never started
            self._loop.close()

    async def _open(self, gauge: Gauge) -> None:
        await self._opened.enter_async_context(gauge)
        self._gauges.append(gauge)
        self._listeners.append(asyncio.create_task(self._listen(gauge), name=f"listen {gauge.name}"))

    async def _listen(self, gauge: Gauge) -> None:
        async for reading in gauge:
            self._take(reading)

    def _tell_movement(self) -> None:
        self._moved, self._moved_s = None, self._loop.time()
        self._on_change()

    async def _trigger(self, kinds: Collection[str], name: str) -> Answer:
        streaming = [one for one in self._gauges if one.profile.capture and one.state.status == "alive"]
        meant = [one for one in streaming if one.name == name or (not name and one.profile.kind in kinds)]
        if len(meant) != 1:
            wanted = name or " or ".join(GAUGE_WORDS.get(kind, kind) for kind in kinds)
            got = ", ".join(one.name for one in meant) or "none"
            return Answer(
                done=False,
                text=f"one gauge that streams must be connected for this ({wanted}), got {got}; connect the one that "
                "is meant, press its own button, or type the reading",
            )
        try:
            meant[0].trigger()
        except NotStillError as error:
            return Answer(done=False, text=str(error))
        return Answer(done=True)

    async def _close(self) -> None:
        await self._opened.aclose()
        await asyncio.gather(*self._listeners)

    def _call(self, work: Coroutine[Any, Any, _T]) -> _T:
        return asyncio.run_coroutine_threadsafe(work, self._loop).result()

    def _run(self) -> None:
        asyncio.set_event_loop(self._loop)
        try:
            self._loop.run_forever()
        finally:
            self._loop.run_until_complete(self._loop.shutdown_asyncgens())
            self._loop.close()
