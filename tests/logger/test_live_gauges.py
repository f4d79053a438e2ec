"""Gauges as a page sees them: what is shown of them, how often, and the press that takes a settled value."""

import json
import sys
import threading
import time
from collections.abc import Callable, Iterator
from dataclasses import replace
from datetime import UTC, datetime
from typing import Any

import pytest

from drivers import CaptureSettings, Gauge, GaugeState, Profile, Reading, SimulatedGauge, Steadiness, load_profiles
from logger.bench import Bench
from logger.live_gauges import LiveGauges, panel

SINCE = datetime(2025, 5, 6, 14, 0, tzinfo=UTC)
ALIVE = GaugeState(name="green", status="alive", since=SINCE, detail="connected", last_raw=b"0.51\xff", readings=2)
STREAMING = replace(
    load_profiles()["caliper-mm"], capture=CaptureSettings(dwell_s=0.1, least=4, away_s=0.02, hands_free=False)
)


def steady(fraction: float) -> GaugeState:
    return replace(ALIVE, steadiness=Steadiness(phase="settling", fraction=fraction, why="still for 0.1 s"))


def test_a_gauge_is_shown_as_plain_values() -> None:
    shown = panel("caliper", replace(steady(1 / 3), battery_percent=9), captured=True)

    assert shown["steadiness"] == {"phase": "settling", "fraction": 0.33, "why": "still for 0.1 s"}
    assert (shown["battery_percent"], shown["captured"], shown["last_raw"]) == (9, True, "0.51\\xff")
    assert (shown["status"], shown["since"], shown["words"]) == ("alive", "2025-05-06T14:00:00+00:00", "caliper")
    assert panel("caliper", ALIVE, captured=False)["steadiness"] is None
    json.dumps(shown, allow_nan=False)


def test_a_page_is_told_of_movement_ten_times_a_second_and_at_once_of_all_else() -> None:
    seen: list[int] = []  # how many readings the gauge had when a page was told
    gauges = LiveGauges(lambda _: None, lambda: seen.append(gauges.shown()[0]["readings"]))
    gauges.start()
    begun, told, over = time.monotonic(), 0, threading.Event()

    def tell(state: GaugeState) -> None:
        gauges._loop.call_soon_threadsafe(lambda: gauges.told("caliper", state, captured=True))

    while time.monotonic() - begun < 0.55:
        told += 1
        tell(steady(told % 100 / 100))
        time.sleep(0.002)
    seconds = time.monotonic() - begun
    for count in (3, 4, 5):
        tell(replace(ALIVE, readings=count))
    gauges._loop.call_soon_threadsafe(over.set)
    assert over.wait(5)

    assert told > 50
    assert 3 <= seen.count(ALIVE.readings) <= 3 + seconds / 0.1  # the first sight of it is told at once
    assert seen[-3:] == [3, 4, 5]
    assert gauges.shown()[0]["readings"] == 5
    gauges.close()


def test_gauges_that_were_never_started_are_closed() -> None:
    gauges = LiveGauges(lambda _: None, lambda: None)

    gauges.close()
    gauges.close()

    assert gauges.shown() == []


@pytest.fixture
def bench(bass_bench: Bench) -> Bench:
    return bass_bench


@pytest.fixture
def far_of() -> Iterator[Callable[[str, Profile], SimulatedGauge]]:
    plugged: list[SimulatedGauge] = []

    def plug(name: str, profile: Profile) -> SimulatedGauge:
        plugged.append(SimulatedGauge(name, profile=profile))
        return plugged[-1]

    yield plug
    for far in plugged:
        far.close()


def press(bench: Bench) -> Any:
    return bench.door.act(f"press-{time.monotonic_ns()}", {"do": "trigger"})


def pressed_when_still(bench: Bench, far: SimulatedGauge, value_nm: int) -> None:
    """Stream a value and press until it is taken."""
    give_up = time.monotonic() + 20
    while True:
        far.press(value_nm)
        if (answer := press(bench)).done:
            return
        assert time.monotonic() < give_up, answer
        time.sleep(0.01)


@pytest.mark.skipif(sys.platform == "win32", reason="no pseudo-terminals")
def test_a_press_takes_the_settled_value_of_the_gauge_that_is_needed_next(
    bench: Bench, far_of: Callable[[str, Profile], SimulatedGauge]
) -> None:
    refused = press(bench)
    assert not refused.done
    assert refused.text.startswith("one gauge that streams must be connected for this (caliper), got none; connect")
    far = far_of("green", STREAMING)
    other = far_of("deep", replace(STREAMING, kind="depth_indicator"))
    bench.add_gauge("green", STREAMING, far.port)
    bench.add_gauge("deep", other.profile, other.port)
    assert "must stream before a press can take a value" in press(bench).text

    pressed_when_still(bench, far, 510_000)

    deadline = time.monotonic() + 20
    while (shown := bench.door.snapshot())["seq"] < 1:
        assert time.monotonic() < deadline
        bench.door.wait(shown["version"], timeout_s=1)
    last, gauges = shown["last"], {one["name"]: one for one in shown["gauges"]}
    assert (last["gauge"], last["value_nm"], last["kind"]) == ("green", 510_000, "tang_thickness")
    assert gauges["green"]["captured"]
    assert gauges["green"]["steadiness"]["phase"] in {"settled", "held"}
    assert gauges["deep"]["readings"] == 0


@pytest.mark.skipif(sys.platform == "win32", reason="no pseudo-terminals")
def test_a_gauge_that_moves_is_shown_without_judging_anew(
    bench: Bench, far_of: Callable[[str, Profile], SimulatedGauge], monkeypatch: pytest.MonkeyPatch
) -> None:
    far = far_of("green", STREAMING)
    bench.add_gauge("green", STREAMING, far.port)
    far.press(0)
    _until(bench, lambda shown: shown["gauges"] and shown["gauges"][0]["last_raw"] == "0.00")
    while bench.door.wait(bench.door.snapshot()["version"], timeout_s=0.5):
        pass  # what was still on its way
    judged: list[str] = []
    monkeypatch.setattr(bench._judge, "verdicts", lambda *_: judged.append("again"))

    for step in range(1, 8):
        far.press(step * 1_000_000)
        shown = _until(bench, lambda shown: shown["gauges"][0]["last_raw"] == f"{step}.00")  # noqa: B023 - used at once

    assert judged == []
    assert shown["next"]["kind"] == "tang_thickness"


def _until(bench: Bench, holds: Callable[[Any], bool]) -> Any:
    give_up = time.monotonic() + 20
    while not holds(shown := bench.door.snapshot()):
        assert time.monotonic() < give_up, shown
        bench.door.wait(shown["version"], timeout_s=1)
    return shown


@pytest.mark.skipif(sys.platform == "win32", reason="no pseudo-terminals")
def test_a_press_that_could_mean_two_gauges_takes_none(
    bench: Bench, far_of: Callable[[str, Profile], SimulatedGauge]
) -> None:
    for name in ("green", "red"):
        bench.add_gauge(name, STREAMING, far_of(name, STREAMING).port)

    answer = press(bench)

    assert not answer.done
    assert "(caliper), got green, red; connect the one that is meant" in answer.text


def test_a_press_at_a_complete_sheet_takes_nothing(bench: Bench, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(bench.recorder, "sheet_state", lambda: (None, []))

    answer = press(bench)

    assert answer.text == "the sheet must ask for a reading before a press can take one, it is complete"


@pytest.mark.skipif(sys.platform == "win32", reason="no pseudo-terminals")
def test_the_readings_of_a_gauge_reach_whoever_takes_them(far_of: Callable[[str, Profile], SimulatedGauge]) -> None:
    plain = load_profiles()["caliper-mm"]
    far, taken, came = far_of("green", plain), [], threading.Event()

    def take(reading: Reading) -> None:
        taken.append(reading.value_nm)
        came.set()

    gauges = LiveGauges(take, lambda: None)
    gauges.start()
    gauges.open(Gauge("green", profile=plain, port=far.port, must_open=True))
    far.press(510_000)
    assert came.wait(10)
    gauges.close()

    assert taken == [510_000]
