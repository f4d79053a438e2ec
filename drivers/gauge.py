"""A gauge at a port: readings one after another, whatever cable or radio do."""

import asyncio
import logging
from collections.abc import Callable
from contextlib import suppress
from dataclasses import replace
from types import TracebackType
from typing import Final, Self

from drivers.errors import DriverError, LinkLostError, NotStillError, SilenceError
from drivers.gauge_state import Backoff, GaugeState, Status, silent_words
from drivers.intake import Arrival, Intake
from drivers.profiles.profile import Profile
from drivers.reading import Clock, Instant, Reading, system_clock
from drivers.steady import Settled, SteadyCapture
from drivers.transports.link import Connect, Link, LinkEvents, Wiring, connect, tapped

log = logging.getLogger(__name__)

#: How long closing waits for a port that the system does not let go of.
_CLOSE_S: Final = 5.0

#: How long the event loop may stand still for a reader thread that is ending.
_LEAVE_S: Final = 1.0


def _settle(future: "asyncio.Future[DriverError | None]", error: DriverError | None) -> None:
    if not future.done():
        future.set_result(error)


class Gauge:
    """A gauge at a port or in the air; ``async with`` opens and closes it, ``async for`` gives its readings.

    Opening waits for the first attempt. If that fails, ``must_open`` decides whether the error is raised or the gauge
    stays "lost" and goes on trying. A connection that is lost later is always made again. In the event loop
    ``on_state`` is called with every new state, and ``on_sample`` with every number of a gauge whose stream is
    captured. ``tap`` hears in the link's thread all that the link tells. Frames that are no numbers are counted and
    shown in the state; they never end the iteration. Readings wait without a limit until they are taken, and those
    that came before closing can still be taken after it.
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
        connect: Connect = connect,
        tap: LinkEvents | None = None,
        on_sample: Callable[[Arrival], None] | None = None,
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
        self._connect = connect
        self._tap = tap
        self._on_sample = on_sample
        self._reader = profile.make_reader()
        self._intake = Intake(self._reader, lambda: self._post(self._collect))
        self._capture = SteadyCapture(profile.capture) if profile.capture else None
        self._last_sample: Arrival | None = None
        self._state = GaugeState(name=name, status="connecting", since=clock().at, detail=f"opening port {port!r}")
        self._attempt = 0
        self._ready: asyncio.Queue[Reading | None] = asyncio.Queue()  # None ends the iteration
        self._ended = False
        self._stop = asyncio.Event()
        self._transport: Link | None = None
        self._linked = asyncio.Event()
        self._heard_ns = 0  # when the last byte came
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

    def ask(self) -> None:
        """Send what the profile says makes the gauge answer; nothing happens while it is away.

        Raises:
            ValueError: If the profile says nothing to send.
        """
        if self.profile.ask is None:
            raise ValueError(f"profile {self.profile.name!r} must say what to send to be asked; add a table [ask]")
        if self._transport is not None and self._state.status in {"alive", "silent"}:
            self._transport.send(self.profile.ask.send)

    def trigger(self) -> Reading:
        """Take the settled value of a gauge that streams, now, at a press of a pedal or key.

        The reading is also given to whoever iterates.

        Raises:
            NotStillError: If the gauge moves, is not connected or does not stream.
        """
        last = self._last_sample
        if self._capture is None:
            raise NotStillError(f"gauge {self.name!r} sends its readings itself; press its own send button")
        if last is None or self._state.status != "alive":
            raise NotStillError(
                f"gauge {self.name!r} must stream before a press can take a value, it is {self._state.status} "
                f"({self._state.detail}); see that it is switched on and connected"
            )
        settled = self._capture.trigger(self._clock().monotonic_ns)
        reading = self._settled(settled, last)
        self._ready.put_nowait(reading)
        self._show(replace(self._state, readings=self._state.readings + 1, steadiness=self._capture.state))
        return reading

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
        events = LinkEvents(
            on_form=self._described_in_thread,
            on_open=self._opened_in_thread,
            on_chunk=self._heard_in_thread,
            on_battery=lambda percent: self._post(self._battery, percent),
            on_end=lambda error: self._ended_in_thread(ended, error),
        )
        wiring = Wiring(
            gauge=self.name, port=self.port, profile=self.profile, pause_s=self._reader.pause_s,
            settle_s=self._settle_s, clock=self._clock,
        )  # fmt: skip
        self._transport = self._connect(wiring, tapped(events, self._tap) if self._tap else events)
        self._transport.start()
        self._linked.clear()
        keeper = self._loop.create_task(self._keep_alive(), name=f"watch {self.name}")
        try:
            return await ended
        finally:
            keeper.cancel()
            with suppress(asyncio.CancelledError):
                await keeper
            self._transport.close(within_s=_LEAVE_S)
            self._transport = None
            self._collect()

    # -- called in the link's thread ---------------------------------------------------------------------------------

    def _described_in_thread(self, form: bytes | None) -> None:
        self._reader = self.profile.make_reader(form)
        self._intake.use(self._reader)

    def _opened_in_thread(self, mid_frame: bool) -> None:
        now = self._clock()
        self._heard_ns = now.monotonic_ns
        self._intake.begin(mid_frame, now)
        self._post(self._opened)

    def _heard_in_thread(self, chunk: bytes, arrived: Instant) -> None:
        if chunk:
            self._heard_ns = arrived.monotonic_ns
        self._intake.take(chunk, arrived)

    def _ended_in_thread(self, ended: "asyncio.Future[DriverError | None]", error: DriverError | None) -> None:
        self._intake.end(self._clock())
        self._post(_settle, ended, error)

    def _post(self, call: Callable[..., object], *args: object) -> None:
        """Have the event loop call ``call``; end the link if the loop is gone."""
        try:
            self._loop.call_soon_threadsafe(call, *args)
        except RuntimeError:
            log.warning("gauge %r was not closed before its event loop ended", self.name)
            if self._transport is not None:
                self._transport.stop()

    # -- called in the event loop ------------------------------------------------------------------------------------

    def _opened(self) -> None:
        self._attempt = 0
        self._move("alive", self._connected)
        self._linked.set()
        _settle(self._first, None)

    @property
    def _where(self) -> str:
        return f"by Bluetooth to {self.port!r}" if self.profile.bluetooth else f"at port {self.port!r}"

    @property
    def _connected(self) -> str:
        return f"connected {self._where}"

    def _battery(self, percent: int) -> None:
        self._show(replace(self._state, battery_percent=percent))

    async def _keep_alive(self) -> None:
        """From when the link is open: ask a gauge that must be asked, and notice one that says nothing."""
        ask_s = self.profile.ask.every_s if self.profile.ask else 0.0
        silent_s = self.profile.silent_after_s
        if not ask_s and not silent_s:
            return
        await self._linked.wait()
        while True:
            if ask_s:
                self.ask()
            await asyncio.sleep(ask_s or min(silent_s / 4, 0.5))
            if silent_s:
                self._listen_for_silence(silent_s)

    def _listen_for_silence(self, silent_s: float) -> None:
        quiet_s = (self._clock().monotonic_ns - self._heard_ns) / 1e9
        if quiet_s > silent_s and self._state.status == "alive":
            self._move("silent", silent_words(quiet_s))
        elif quiet_s <= silent_s and self._state.status == "silent":  # bytes, though not yet a frame
            self._move("alive", self._connected)

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
        readings = [reading for one in batch.arrivals if (reading := self._taken(one)) is not None]
        for reading in readings:
            self._ready.put_nowait(reading)
        alive = self._state.status == "silent"
        self._show(
            replace(
                self._state,
                status="alive" if alive else self._state.status,
                since=self._clock().at if alive else self._state.since,
                detail=batch.trouble or self._connected,
                last_raw=batch.last_raw,
                readings=self._state.readings + len(readings),
                unreadable=self._state.unreadable + batch.unreadable,
                steadiness=self._capture.state if self._capture else None,
            )
        )

    def _taken(self, arrival: Arrival) -> Reading | None:
        """Return the reading that a number is, or that it completes where numbers are samples."""
        if self._capture is None:
            return self._reading(arrival, value_nm=arrival.number.value_nm, status=arrival.number.status)
        if self._on_sample is not None:
            self._loop.call_soon(self._on_sample, arrival)
        settled = self._capture.take(arrival.number.value_nm, arrival.arrived.monotonic_ns)
        self._last_sample = arrival
        return None if settled is None else self._settled(settled, arrival)

    def _settled(self, settled: Settled, last: Arrival) -> Reading:
        status = " ".join(filter(None, (last.number.status, settled.status)))
        return self._reading(last, value_nm=settled.value_nm, status=status)

    def _reading(self, arrival: Arrival, *, value_nm: int, status: str) -> Reading:
        sequence, self._next = self._next, self._next + 1
        return Reading(
            gauge=self.name,
            sequence=sequence,
            value_nm=value_nm,
            unit=arrival.number.unit,
            raw=arrival.frame,
            status=status,
            taken_at=arrival.arrived.at,
            monotonic_ns=arrival.arrived.monotonic_ns,
        )

    def _move(self, status: Status, detail: str) -> None:
        since = self._state.since if status == self._state.status else self._clock().at
        steadiness = self._state.steadiness if status == "alive" else None
        self._show(replace(self._state, status=status, since=since, detail=detail, steadiness=steadiness))

    def _show(self, state: GaugeState) -> None:
        if state != self._state:
            self._state = state
            if self._on_state is not None:
                self._loop.call_soon(self._on_state, state)
