"""A gauge at a port: readings one after another, whatever the cable does."""

import asyncio
import logging
from collections.abc import Callable
from contextlib import suppress
from dataclasses import dataclass, replace
from datetime import datetime
from types import TracebackType
from typing import Final, Literal, Self

from drivers.errors import DriverError, LinkLostError, SilenceError
from drivers.intake import Arrival, Intake
from drivers.profiles.profile import Profile
from drivers.reading import Clock, Reading, system_clock
from drivers.transports.serial_port import SerialTransport

log = logging.getLogger(__name__)

#: How long closing waits for a port that the system does not let go of.
_CLOSE_S: Final = 5.0

#: How long the event loop may stand still for a reader thread that is ending.
_LEAVE_S: Final = 1.0

Status = Literal["connecting", "alive", "lost", "closed"]


@dataclass(frozen=True, slots=True, kw_only=True)
class GaugeState:
    """How a gauge is.

    Attributes:
        name: The gauge's name.
        status: "connecting" before the first attempt has ended, then "alive" or "lost", in the end "closed".
        since: When it became so, aware UTC.
        detail: What there is to say about it, for people.
        last_raw: The last line that came, whether it was a number or not; empty if none did.
        readings: How many readings there have been.
        unreadable: How many lines were no numbers, or were thrown away because a part was missing.
    """

    name: str
    status: Status
    since: datetime
    detail: str
    last_raw: bytes = b""
    readings: int = 0
    unreadable: int = 0


@dataclass(frozen=True, slots=True, kw_only=True)
class Backoff:
    """How long to wait before connecting again: ``first_s`` seconds, then twice as long each time up to ``limit_s``."""

    first_s: float = 0.2
    limit_s: float = 5.0

    def delay_s(self, attempt: int) -> float:
        """Return the seconds to wait before attempt number ``attempt``, counted from 0."""
        return min(self.limit_s, self.first_s * 2.0 ** min(attempt, 64))


def _settle(future: "asyncio.Future[DriverError | None]", error: DriverError | None) -> None:
    if not future.done():
        future.set_result(error)


class Gauge:
    """A gauge at a serial port; ``async with`` opens and closes it, ``async for`` gives its readings.

    Opening waits for the first attempt. If that fails, ``must_open`` decides whether the error is raised or the gauge
    stays "lost" and goes on trying. A connection that is lost later is always made again. ``on_state`` is called in
    the event loop with every new state. Lines that are no numbers are counted and shown in the state; they never end
    the iteration. Readings wait without a limit until they are taken, and those that came before closing can
    still be taken after it.
    """

    def __init__(
        self,
        name: str,
        *,
        profile: Profile,
        port: str,
        first_sequence: int = 1,
        must_open: bool = False,
        on_state: Callable[[GaugeState], None] | None = None,
        clock: Clock = system_clock,
        backoff: Backoff | None = None,
        settle_s: float = 0.05,
    ) -> None:
        self.name = name
        self.profile = profile
        self.port = port
        self._next = first_sequence
        self._must_open = must_open
        self._on_state = on_state
        self._clock = clock
        self._backoff = backoff or Backoff()
        self._settle_s = settle_s
        self._intake = Intake(profile.make_decoder(), lambda: self._post(self._collect))
        self._state = GaugeState(name=name, status="connecting", since=clock().at, detail=f"opening port {port!r}")
        self._attempt = 0
        self._ready: asyncio.Queue[Reading | None] = asyncio.Queue()  # None ends the iteration
        self._ended = False
        self._stop = asyncio.Event()
        self._transport: SerialTransport | None = None
        self._task: asyncio.Task[None] | None = None

    @property
    def state(self) -> GaugeState:
        """How the gauge is now."""
        return self._state

    @property
    def waiting(self) -> int:
        """How many readings wait to be taken."""
        return self._ready.qsize() - self._ended

    async def __aenter__(self) -> Self:
        """Open the port and wait for the outcome of the first attempt.

        Raises:
            PortError: With ``must_open``, if the port cannot be opened.
            LinkLostError: With ``must_open``, if the gauge goes away while the port is being opened.
            RuntimeError: If the gauge was opened before; a gauge is opened once.
        """
        if self._task is not None:
            raise RuntimeError(f"gauge {self.name!r} must be opened once only; make another Gauge")
        self._loop = asyncio.get_running_loop()
        self._first: asyncio.Future[DriverError | None] = self._loop.create_future()
        self._task = self._loop.create_task(self._keep_connected(), name=f"gauge {self.name}")
        try:
            error = await self._first
        except BaseException:
            await self.close()
            raise
        if error is not None and self._must_open:
            await self.close()
            raise error
        return self

    async def __aexit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> None:
        await self.close()

    async def close(self) -> None:
        """Close the port and end the iteration once the readings that came have been taken; may be called again."""
        if self._task is None:
            return
        self._stop.set()
        if self._transport is not None:
            self._transport.stop()
        await asyncio.wait({self._task}, timeout=_CLOSE_S)
        if self._task.done():
            self._task.result()
            return
        log.warning("port %r of gauge %r does not let go of being opened; left alone", self.port, self.name)
        self._task.cancel()
        await asyncio.wait({self._task})

    def __aiter__(self) -> Self:
        return self

    async def __anext__(self) -> Reading:
        """Return the next reading.

        Raises:
            StopAsyncIteration: When the gauge is closed and all its readings have been taken.
        """
        reading = await self._ready.get()
        if reading is None:
            self._ready.put_nowait(None)  # whoever else waits ends too
            raise StopAsyncIteration
        return reading

    async def read(self, within_s: float) -> Reading:
        """Return the next reading, for one who waits no longer than ``within_s`` seconds.

        Raises:
            SilenceError: If none came in time.
            LinkLostError: If the gauge is closed and all its readings have been taken.
        """
        try:
            async with asyncio.timeout(within_s):
                return await anext(self)
        except StopAsyncIteration as error:
            words = f"gauge {self.name!r} is closed and gives no more readings; open it again"
            raise LinkLostError(words, gauge=self.name, port=self.port) from error
        except TimeoutError as error:
            words = (
                f"gauge {self.name!r} must send a reading within {within_s:g} s, none came ({self._state.detail}); "
                "switch the gauge on and press its send button"
            )
            raise SilenceError(words, gauge=self.name, waited_s=within_s) from error

    async def _keep_connected(self) -> None:
        try:
            while not self._stop.is_set():
                error = await self._connection()
                _settle(self._first, error)
                if error is not None and not self._stop.is_set():
                    self._move("lost", str(error))
                    await self._rest()
        finally:
            _settle(self._first, None)
            self._ended = True
            self._ready.put_nowait(None)
            self._move("closed", f"port {self.port!r} closed")

    async def _connection(self) -> DriverError | None:
        """Run one connection until it ends, and return why."""
        ended: asyncio.Future[DriverError | None] = self._loop.create_future()
        self._transport = SerialTransport(
            self.port,
            gauge=self.name,
            on_open=self._opened_in_thread,
            on_chunk=self._intake.take,
            on_end=lambda error: self._ended_in_thread(ended, error),
            settings=self.profile.serial,
            clock=self._clock,
            settle_s=self._settle_s,
        )
        self._transport.start()
        try:
            return await ended
        finally:
            self._transport.close(within_s=_LEAVE_S)
            self._collect()

    def _opened_in_thread(self, mid_line: bool) -> None:
        self._intake.begin(mid_line)
        self._post(self._opened)

    def _ended_in_thread(self, ended: "asyncio.Future[DriverError | None]", error: DriverError | None) -> None:
        self._intake.end()
        self._post(_settle, ended, error)

    def _post(self, call: Callable[..., object], *args: object) -> None:
        """Have the event loop call ``call``; end the reader thread if the loop is gone."""
        try:
            self._loop.call_soon_threadsafe(call, *args)
        except RuntimeError:
            log.warning("gauge %r was not closed before its event loop ended", self.name)
            if self._transport is not None:
                self._transport.stop()

    def _opened(self) -> None:
        self._attempt = 0
        self._move("alive", f"connected at port {self.port!r}")
        _settle(self._first, None)

    async def _rest(self) -> None:
        delay_s = self._backoff.delay_s(self._attempt)
        self._attempt += 1
        with suppress(TimeoutError):
            async with asyncio.timeout(delay_s):
                await self._stop.wait()

    def _collect(self) -> None:
        batch = self._intake.drain()
        if not batch.arrivals and not batch.unreadable:
            return
        for arrival in batch.arrivals:
            self._ready.put_nowait(self._reading(arrival))
        self._show(
            replace(
                self._state,
                detail=batch.trouble or f"connected at port {self.port!r}",
                last_raw=batch.last_raw,
                readings=self._state.readings + len(batch.arrivals),
                unreadable=self._state.unreadable + batch.unreadable,
            )
        )

    def _reading(self, arrival: Arrival) -> Reading:
        sequence, self._next = self._next, self._next + 1
        return Reading(
            gauge=self.name,
            sequence=sequence,
            value_nm=arrival.number.value_nm,
            unit=arrival.number.unit,
            raw=arrival.line,
            status=arrival.number.status,
            taken_at=arrival.arrived.at,
            monotonic_ns=arrival.arrived.monotonic_ns,
        )

    def _move(self, status: Status, detail: str) -> None:
        since = self._state.since if status == self._state.status else self._clock().at
        self._show(replace(self._state, status=status, since=since, detail=detail))

    def _show(self, state: GaugeState) -> None:
        if state != self._state:
            self._state = state
            if self._on_state is not None:
                self._loop.call_soon(self._on_state, state)
