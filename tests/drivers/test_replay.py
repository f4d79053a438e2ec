"""Replaying gives exactly what the live run gave, whatever came and however it was cut."""

import asyncio
import os
import tempfile
import threading
import time
from collections.abc import Callable, Coroutine
from contextlib import closing
from datetime import UTC, datetime, timedelta
from pathlib import Path
from typing import Any

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from drivers import (
    Backoff,
    CaptureSettings,
    Gauge,
    GaugeState,
    Instant,
    LinkLostError,
    Profile,
    Reading,
    Recorded,
    Recording,
    SimulatedGauge,
    load_profiles,
    read_recording,
    replayed,
)
from drivers.link_event import LinkEvent
from drivers.replay import Replay
from drivers.transports.link import LinkEvents, Wiring

Run = Callable[[Coroutine[Any, Any, Any]], Any]
Script = list[tuple[bool, list[tuple[bytes, int]]]]

FRAMES = (
    b"12.34\r\n", b"-0.05 mm\r\n", b"1,25\n", b"0004D2\r\n", b"FFFF001234530\r\n", b"\xd2\x04\x00", b"garbage\n",
    (1234567).to_bytes(4, "little"),
    int("FFFF001234530"[::-1], 16).to_bytes(7, "little"), b"",
)  # fmt: skip
PROFILES = {
    **load_profiles(),
    "streaming": Profile(
        name="streaming", words="w", kind="caliper", decoder="text", unit="mm", decimal_comma=False,
        resolution=load_profiles()["caliper-mm"].resolution, serial=load_profiles()["caliper-mm"].serial, sha256="",
        file="", capture=CaptureSettings(dwell_s=0.05, away_s=0.0, least=3),
    ),
}  # fmt: skip


@st.composite
def scripts(draw: st.DrawFn) -> Script:
    """Connections one after another: whether each begins in mid-frame, and its chunks with the time to the next."""
    piece = st.one_of(st.sampled_from(FRAMES), st.binary(max_size=12))
    connections: Script = []
    for _ in range(draw(st.integers(0, 4))):
        stream = b"".join(draw(st.lists(piece, max_size=8)))
        cuts = sorted(draw(st.lists(st.integers(0, len(stream)), max_size=10)))
        chunks = [stream[a:b] for a, b in zip([0, *cuts], [*cuts, len(stream)], strict=True)]
        pauses = draw(st.lists(st.integers(0, 400_000_000), min_size=len(chunks), max_size=len(chunks)))
        connections.append((draw(st.booleans()), list(zip(chunks, pauses, strict=True))))
    return connections


class Scripted:
    """Plays a script as live connections; every one but the last is lost."""

    def __init__(self, script: Script, form: bytes | None) -> None:
        self._script = iter(script)
        self._form = form
        self._now = Instant(at=datetime(2026, 1, 2, tzinfo=UTC), monotonic_ns=5_000_000_007)
        self.over = threading.Event()

    def clock(self) -> Instant:
        return self._now

    def _pass(self, nanoseconds: int) -> None:
        microseconds = nanoseconds // 1000 + 1  # the two clocks do not run alike
        self._now = Instant(at=self._now.at + timedelta(microseconds=microseconds),
                            monotonic_ns=self._now.monotonic_ns + nanoseconds)  # fmt: skip

    def connect(self, wiring: Wiring, events: LinkEvents) -> "ScriptedLink":
        return ScriptedLink(self, events)

    def play(self, events: LinkEvents) -> bool:
        connection = next(self._script, None)
        if connection is None:
            self.over.set()
            return False
        mid_frame, chunks = connection
        if self._form is not None:
            events.on_form(self._form)
        events.on_open(mid_frame)
        for chunk, pause_ns in chunks:
            events.on_chunk(chunk, self._now)
            self._pass(pause_ns)
            events.on_battery(50)
        return True


class ScriptedLink:
    def __init__(self, script: Scripted, events: LinkEvents) -> None:
        self._script, self._events = script, events
        self._stop = threading.Event()
        self._thread = threading.Thread(target=self._run)

    def start(self) -> None:
        self._thread.start()

    def stop(self) -> None:
        self._stop.set()

    def send(self, data: bytes) -> None:
        raise AssertionError("nobody asks this gauge")

    def close(self, within_s: float = 5.0) -> bool:
        self.stop()
        self._thread.join(within_s)
        return not self._thread.is_alive()

    def _run(self) -> None:
        if self._script.play(self._events):
            self._events.on_end(LinkLostError("gone", gauge="g", port="p"))
            return
        self._stop.wait()
        self._events.on_end(None)


async def live(profile: Profile, script: Script, path: Path) -> tuple[list[Reading], GaugeState]:
    form = bytes.fromhex("10fa0127010000") if profile.bluetooth else None
    scripted = Scripted(script, form)
    with closing(Recording(path, port="p", profile=profile, clock=scripted.clock)) as recording:
        gauge = Gauge(
            "g", profile=profile, port="p", clock=scripted.clock, connect=scripted.connect, tap=recording.events,
            backoff=Backoff(first_s=0.0, limit_s=0.0),
        )  # fmt: skip
        opening = asyncio.create_task(gauge.__aenter__())
        await asyncio.to_thread(scripted.over.wait)
        await gauge.close()
        await opening
        assert not recording.trouble
        return [one async for one in gauge], gauge.state


async def again(profile: Profile, path: Path) -> tuple[list[Reading], GaugeState]:
    async with replayed(read_recording(path), profile, name="g") as gauge:
        return [one async for one in gauge], gauge.state


@settings(max_examples=120, deadline=None)
@given(name=st.sampled_from(sorted(PROFILES)), script=scripts())
def test_replaying_gives_exactly_the_live_readings(name: str, script: Script) -> None:
    profile = PROFILES[name]
    with tempfile.TemporaryDirectory() as folder:
        path = Path(folder) / "r"
        first, first_state = asyncio.run(live(profile, script, path))
        second, second_state = asyncio.run(again(profile, path))

    assert second == first
    assert second_state.unreadable == first_state.unreadable
    assert second_state.battery_percent == first_state.battery_percent


@pytest.mark.skipif(not hasattr(os, "openpty"), reason="needs pseudo-terminals")
def test_what_a_real_port_gave_is_given_again(tmp_path: Path, profiles: dict[str, Profile], run: Run) -> None:
    profile = profiles["caliper-mm"]

    async def work() -> list[Reading]:
        with SimulatedGauge("g", profile=profile) as far, Recording(tmp_path / "r", port=far.port) as recording:
            async with Gauge("g", profile=profile, port=far.port, tap=recording.events, must_open=True) as gauge:
                found = []
                for value_nm in (12_340_000, -50_000, 0):
                    far.press(value_nm)
                    found.append(await gauge.read(10))
                return found

    first = run(work())
    second, _ = run(again(profile, tmp_path / "r"))

    assert [one.value_nm for one in first] == [12_340_000, -50_000, 0]
    assert second == first


def recorded(*events: LinkEvent) -> Recorded:
    return Recorded(port="p", profile="", profile_sha256="", started=at(0), events=events, cut=False)


def at(milliseconds: int) -> Instant:
    return Instant(at=datetime(2026, 1, 2, tzinfo=UTC) + timedelta(milliseconds=milliseconds),
                   monotonic_ns=milliseconds * 1_000_000)  # fmt: skip


def line(milliseconds: int, text: bytes) -> LinkEvent:
    return LinkEvent(kind="chunk", when=at(milliseconds), data=text)


def test_a_loss_in_a_recording_is_a_loss_and_a_new_connection(caliper: Profile, run: Run) -> None:
    lost = LinkEvent(kind="end", when=at(2), error=LinkLostError("its cable came out", gauge="", port="p"))
    script = recorded(
        LinkEvent(kind="open", when=at(0)), line(1, b"1.00\r\n2.0"), lost,
        LinkEvent(kind="open", when=at(3)), line(4, b"3.00\r\n"),
    )  # fmt: skip
    states: list[GaugeState] = []

    async def work() -> list[Reading]:
        async with replayed(script, caliper, on_state=states.append) as gauge:
            found = [one async for one in gauge]
        await asyncio.sleep(0)
        return found

    assert [one.value_nm for one in run(work())] == [1_000_000, 3_000_000]
    assert [one.detail for one in states if one.status == "lost"] == ["its cable came out"]
    assert states[-1].status == "closed"
    assert states[-1].unreadable == 1


@pytest.mark.parametrize(("speed", "least_s", "most_s"), [(0.0, 0.0, 2.0), (1.0, 0.3, 5.0), (4.0, 0.075, 2.0)])
def test_speed_is_how_fast_time_passes(caliper: Profile, run: Run, speed: float, least_s: float, most_s: float) -> None:
    script = recorded(LinkEvent(kind="open", when=at(0)), line(300, b"1.00\r\n"))

    async def work() -> float:
        before = time.monotonic()
        async with replayed(script, caliper, speed=speed) as gauge:
            assert [one.monotonic_ns async for one in gauge] == [300_000_000]
        return time.monotonic() - before

    assert least_s <= run(work()) < most_s


def test_leaving_early_does_not_wait_for_the_rest(caliper: Profile, run: Run) -> None:
    script = recorded(LinkEvent(kind="open", when=at(0)), line(1, b"1.00\r\n"), line(3_600_000, b"2.00\r\n"))

    async def work() -> int:
        async with replayed(script, caliper, speed=1.0) as gauge:
            return (await gauge.read(10)).value_nm

    assert run(work()) == 1_000_000


@pytest.mark.parametrize("events", [(), (LinkEvent(kind="open", when=at(0)),)], ids=["nothing", "an opening"])
def test_a_recording_without_a_reading_ends(caliper: Profile, run: Run, events: tuple[LinkEvent, ...]) -> None:
    async def work() -> list[Reading]:
        async with replayed(recorded(*events), caliper) as gauge:
            return [one async for one in gauge]

    assert run(work()) == []


def test_a_speed_is_not_negative() -> None:
    with pytest.raises(ValueError, match=r"^speed must not be negative, got -1$"):
        Replay(recorded(), speed=-1, on_over=lambda: None)
