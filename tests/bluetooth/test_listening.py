"""Listening to whatever a Bluetooth gauge notifies, and keeping it under a name."""

import json
import threading
from collections.abc import Callable, Iterator
from contextlib import suppress
from typing import Any

import pytest
from peripheral import BATTERY, COMMAND_TRAIT, MICROMETRES, NUMBER, TEXT, Peripheral

from drivers import NamedGauge, PortError, named_gauges, save_gauge
from drivers.known import profiles_folder
from drivers.link_event import LinkEvent
from drivers.listening import listen_to_radio
from logger.cli import run
from logger.door import Door, PageServer

Bed = Any
PROFILE = f"""format = 1
name = "text-in-the-air"
words = "lines of text over Bluetooth LE"
kind = "caliper"
unit = "mm"
resolution = "0.01"
[bluetooth]
characteristic = "{TEXT}"
"""


class Heard:
    """Keeps events, and waits for some."""

    def __init__(self) -> None:
        self.events: list[LinkEvent] = []
        self._news = threading.Condition()

    def __call__(self, event: LinkEvent) -> None:
        with self._news:
            self.events.append(event)
            self._news.notify_all()

    def all(self, kind: str) -> list[LinkEvent]:
        return [one for one in self.events if one.kind == kind]

    def wait(self, kind: str, count: int = 1) -> list[LinkEvent]:
        with self._news:
            assert self._news.wait_for(lambda: len(self.all(kind)) >= count, 30), self.events
        return self.all(kind)


@pytest.fixture
def heard() -> Iterator[Heard]:
    one = Heard()
    link = listen_to_radio(Peripheral().address, one)
    one.start = link.start  # type: ignore[attr-defined]
    yield one
    assert link.close()


def test_everything_that_notifies_is_heard_with_where_it_came_from(bed: Bed, heard: Any) -> None:
    heard.start()
    heard.wait("open")

    bed.send(TEXT, b"12.34\r\n")
    bed.send(NUMBER, b"\x01\x02\x03\x04")
    bed.send(BATTERY, bytes([40]))

    assert {(one.source, one.data) for one in heard.wait("form", 2)} == {(TEXT, None), (NUMBER, MICROMETRES)}
    chunks = {(one.source, one.data) for one in heard.wait("chunk", 2)}
    assert chunks == {(TEXT, b"12.34\r\n"), (NUMBER, b"\x01\x02\x03\x04")}
    assert [one.percent for one in heard.wait("battery", 2)] == [87, 40]


def test_a_device_that_sends_nothing_by_itself_says_so(air: Bed, heard: Any) -> None:
    air.put(Peripheral(traits=(COMMAND_TRAIT,)))
    heard.start()

    (end,) = heard.wait("end")

    assert isinstance(end.error, PortError)
    assert "sends nothing by itself" in str(end.error)


def no_page(door: Door, *, port: int) -> PageServer:
    raise AssertionError("no page was asked for")


@pytest.fixture
def press(bed: Bed) -> Iterator[Callable[[str, bytes], None]]:
    """Send again and again until the test is over."""
    over = threading.Event()
    threads: list[threading.Thread] = []

    def start(uuid: str, frame: bytes) -> None:
        def work() -> None:
            while not over.wait(0.2):
                with suppress(RuntimeError):  # nobody is connected yet
                    bed.send(uuid, frame)

        threads.append(threading.Thread(target=work))
        threads[-1].start()

    yield start
    over.set()
    for thread in threads:
        thread.join(10)


def test_a_person_finds_the_characteristic_and_its_decoder(
    air: Bed, press: Any, capsys: pytest.CaptureFixture[str]
) -> None:
    press(TEXT, b"12,34\r\n")

    assert run(["gauges", "listen", Peripheral().address, "--seconds", "5"], no_page) == 0

    out = capsys.readouterr().out
    assert f"from {TEXT}" in out
    assert (
        'no profile names this characteristic: write one (README, Gauges) with decoder = "text", framing = "lines", '
        f'unit = "mm", decimal_comma = true and, under [bluetooth], characteristic = "{TEXT}"'
    ) in out


@pytest.mark.parametrize(
    ("profile", "uuid", "frame", "said"),
    [
        pytest.param("ble-self-describing", NUMBER, (1234567).to_bytes(4, "little"), "1234.567 mm", id="described"),
        pytest.param("text-in-the-air", TEXT, b"12.34\r\n", "12.34 mm", id="an own profile"),
    ],
)  # fmt: skip
def test_a_gauge_in_the_air_is_saved_with_what_it_advertises(
    air: Bed, press: Any, capsys: pytest.CaptureFixture[str], monkeypatch: pytest.MonkeyPatch,
    profile: str, uuid: str, frame: bytes, said: str,
) -> None:  # fmt: skip
    profiles_folder().mkdir(parents=True)
    (profiles_folder() / "own.toml").write_text(PROFILE, encoding="utf-8")
    press(uuid, frame)
    one = Peripheral()
    options = ["--seconds", "5", "--profile", profile, "--save", "air"]

    assert run(["gauges", "listen", one.address, *options], no_page) == 0

    assert f"{said}  by {profile}" in capsys.readouterr().out
    saved = named_gauges()["air"]
    assert (saved.profile, saved.port, saved.bluetooth_name) == (profile, one.address, one.name)
    assert saved.bluetooth_service


def test_find_hears_what_advertises(bed: Bed, capsys: pytest.CaptureFixture[str]) -> None:
    one = Peripheral()
    save_gauge(NamedGauge(name="air", profile="ble-self-describing", port="00:00:00:00:00:01", bluetooth_name=one.name))

    assert run(["gauges", "find", "--scan", "1.5", "--json"], no_page) == 0

    found = json.loads(capsys.readouterr().out)
    assert [(each["address"], each["named"]) for each in found["advertising"]] == [(one.address, "air")]
    assert [(each["port"], each["status"]) for each in found["named"]] == [(one.address, "ready")]
