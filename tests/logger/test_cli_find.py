"""`gauges` and `gauges find`: what there is and what is wrong with each named gauge."""

import json
import os
import threading
from collections.abc import Iterator
from pathlib import Path

import pytest

import logger.cli_find
from drivers import (
    Advertised,
    NamedGauge,
    PortInfo,
    RadioUnavailableError,
    SimulatedGauge,
    load_profiles,
    save_gauge,
)
from drivers.errors import PortDeniedError
from drivers.known import config_folder
from drivers.transports.serial_port import SerialTransport
from logger.cli import run
from logger.door import Door, PageServer
from logger.sitting import plug

if not hasattr(os, "openpty"):  # Windows
    pytest.skip("needs pseudo-terminals", allow_module_level=True)


def no_page(door: Door, *, port: int) -> PageServer:
    raise AssertionError("no page was asked for")


def command(*arguments: str) -> int:
    return run(arguments, no_page)


@pytest.fixture
def far_end(monkeypatch: pytest.MonkeyPatch) -> Iterator[SimulatedGauge]:
    """A gauge that is plugged in, and the only port that the system shows."""
    with SimulatedGauge("far end", profile=load_profiles()["caliper-mm"]) as far:
        shown = [PortInfo(device=far.port, words="bridge board", usb="2341:0043:77")]
        monkeypatch.setattr(logger.cli_find, "serial_ports", lambda: shown)
        yield far


def named(capsys: pytest.CaptureFixture[str], *arguments: str) -> dict[str, dict[str, str]]:
    assert command("gauges", "find", "--json", *arguments) == 0
    found = json.loads(capsys.readouterr().out)
    assert set(found) == {"ports", "advertising", "named", "bluetooth_trouble"}
    return {one["gauge"]: one for one in found["named"]}


def test_a_gauge_is_ready_where_its_plug_is(far_end: SimulatedGauge, capsys: pytest.CaptureFixture[str]) -> None:
    save_gauge(NamedGauge(name="green", profile="caliper-mm", port="/dev/elsewhere", usb="2341:0043:77", kind="rocker"))

    assert command("gauges", "find", "--json") == 0

    found = json.loads(capsys.readouterr().out)
    assert found["named"] == [
        {"gauge": "green", "kind": "rocker", "profile": "caliper-mm", "port": far_end.port, "status": "ready",
         "words": "plugged in"}
    ]  # fmt: skip
    assert found["ports"] == [
        {"device": far_end.port, "words": "bridge board", "usb": "2341:0043:77", "named": "green"}
    ]
    assert found["advertising"] is None


def test_what_is_wrong_with_each_is_told(
    far_end: SimulatedGauge, capsys: pytest.CaptureFixture[str], monkeypatch: pytest.MonkeyPatch
) -> None:
    for name, more in {
        "away": {"port": "/dev/none"}, "unplugged": {"port": "/dev/none", "usb": "0403:6001:A"},
        "old": {"port": far_end.port, "profile": "gone"}, "air": {"port": "AA:BB", "profile": "ble-self-describing"},
        "file": {"port": str(Path(__file__))},
    }.items():  # fmt: skip
        save_gauge(NamedGauge(**({"name": name, "profile": "caliper-mm"} | more)))

    found = named(capsys)

    assert {name: one["status"] for name, one in found.items()} == {
        "away": "absent", "unplugged": "absent", "old": "no_profile", "air": "unheard", "file": "unusable",
    }  # fmt: skip
    assert found["away"]["words"].startswith("port '/dev/none' is not there")
    assert found["unplugged"]["words"] == (
        "gauge 'unplugged' is not plugged in, no port has its plug 0403:6001:A; plug it in"
    )
    assert "its profile is missing" in found["old"]["words"]
    assert "is not a serial port" in found["file"]["words"]


def test_a_port_in_use_is_told(far_end: SimulatedGauge, capsys: pytest.CaptureFixture[str]) -> None:
    save_gauge(NamedGauge(name="green", profile="caliper-mm", port=far_end.port))
    opened = threading.Event()
    other = SerialTransport(
        far_end.port, gauge="other", on_open=lambda _: opened.set(), on_chunk=lambda *_: None, on_end=lambda _: None
    )
    other.start()
    assert opened.wait(10)

    found = named(capsys)
    other.close()

    assert found["green"]["status"] == "busy"
    assert named(capsys)["green"]["status"] == "ready"


def test_a_port_that_may_not_be_opened_is_told(
    far_end: SimulatedGauge, capsys: pytest.CaptureFixture[str], monkeypatch: pytest.MonkeyPatch
) -> None:
    save_gauge(NamedGauge(name="green", profile="caliper-mm", port=far_end.port))

    def refuse(port: str) -> None:
        raise PortDeniedError("port may not be opened by this person", port=port)

    monkeypatch.setattr(logger.cli_find, "try_port", refuse)

    assert named(capsys)["green"]["status"] == "denied"


def test_a_bluetooth_gauge_is_heard_or_not(
    far_end: SimulatedGauge, capsys: pytest.CaptureFixture[str], monkeypatch: pytest.MonkeyPatch
) -> None:
    for name, address in (("air", "AA:BB"), ("asleep", "AA:CC")):
        save_gauge(NamedGauge(name=name, profile="ble-self-describing", port=address))
    asked: list[float] = []

    def devices(within_s: float) -> list[Advertised]:
        asked.append(within_s)
        return [Advertised(address="aa:bb", name="Gauge", rssi=-40, services=()),
                Advertised(address="AA:DD", name="", rssi=-90, services=())]  # fmt: skip

    monkeypatch.setattr(logger.cli_find, "bluetooth_devices", devices)

    found = named(capsys, "--scan", "2")
    assert command("gauges", "--scan", "1") == 0

    out = capsys.readouterr().out
    assert {name: one["status"] for name, one in found.items()} == {"air": "ready", "asleep": "absent"}
    assert "not advertising" in found["asleep"]["words"]
    assert asked == [2.0, 1.0]
    assert [" ".join(line.split()) for line in out.splitlines() if "dBm" in line] == [
        "aa:bb Gauge, -40 dBm air", "AA:DD no name, -90 dBm -",
    ]  # fmt: skip


def test_bluetooth_that_cannot_be_used_does_not_hide_the_rest(
    far_end: SimulatedGauge, capsys: pytest.CaptureFixture[str], monkeypatch: pytest.MonkeyPatch
) -> None:
    def fail(within_s: float) -> list[Advertised]:
        raise RadioUnavailableError("search for gauges needs Bluetooth, which is switched off", port="")

    monkeypatch.setattr(logger.cli_find, "bluetooth_devices", fail)

    assert command("gauges", "find", "--scan", "1") == 3
    out, err = capsys.readouterr()
    assert far_end.port in out
    assert err == "fretledger: search for gauges needs Bluetooth, which is switched off\n"
    assert command("gauges", "find", "--scan", "1", "--json") == 3
    assert "switched off" in json.loads(capsys.readouterr().out)["bluetooth_trouble"]


def test_the_list_of_the_store_keeps_its_form_and_shows_what_there_is(
    far_end: SimulatedGauge, capsys: pytest.CaptureFixture[str]
) -> None:
    assert command("gauges", "--json") == 0
    assert json.loads(capsys.readouterr().out) == []

    assert command("gauges") == 0
    lines = [" ".join(line.split()) for line in capsys.readouterr().out.splitlines()]
    assert lines == [
        "the store knows no gauge yet", "",
        "port what it is named", f"{far_end.port} bridge board -", "",
        "no gauge has a name yet; find out what one sends, and name it, with: fretledger gauges listen PORT",
    ]  # fmt: skip


@pytest.mark.parametrize(
    ("name", "status", "words"),
    [
        ("nobody", 2, "or the name of a saved gauge (known: 'away', 'old'), got 'nobody'"),
        ("old", 2, "gauge 'old' is saved with the profile 'gone', which is missing; put its file into"),
        ("away", 3, "gauge 'away' is not plugged in"),
    ],
)
def test_a_bench_with_a_gauge_that_is_not_there(
    capsys: pytest.CaptureFixture[str],
    tmp_path: Path,
    monkeypatch: pytest.MonkeyPatch,
    name: str,
    status: int,
    words: str,
) -> None:
    monkeypatch.setattr("logger.sitting.serial_ports", lambda: [PortInfo(device="p", words="w", usb="1111:2222:3")])
    save_gauge(NamedGauge(name="away", profile="caliper-mm", port="/dev/none", usb="0403:6001:A"))
    save_gauge(NamedGauge(name="old", profile="gone", port="/dev/none"))

    assert command("bench", "--gauge", name, "--store", str(tmp_path / "s.db")) == status

    err = capsys.readouterr().err
    assert words in err
    assert not (tmp_path / "s.db").exists()


def test_a_file_of_gauges_that_does_not_hold_is_told(capsys: pytest.CaptureFixture[str]) -> None:
    save_gauge(NamedGauge(name="g", profile="caliper-mm", port="p"))
    (config_folder() / "gauges.toml").write_text("format = 2\n", encoding="utf-8")

    assert command("gauges", "find") == 2
    assert "must have format = 1, got 2" in capsys.readouterr().err


def test_a_saved_bluetooth_gauge_is_used_where_it_is_heard(monkeypatch: pytest.MonkeyPatch) -> None:
    searches: list[str] = []

    def devices() -> list[Advertised]:
        searches.append("search")
        return [Advertised(address="AA:EE", name="Gauge 7", rssi=-40, services=())]

    monkeypatch.setattr("logger.sitting.bluetooth_devices", devices)
    for name, called in (("moved", "Gauge 7"), ("asleep", "Gauge 8")):
        save_gauge(
            NamedGauge(
                name=name, profile="ble-self-describing", port=f"of {name}", bluetooth_name=called, kind="rocker"
            )
        )

    plugged = plug(["moved", "green=caliper-mm@/dev/p", "asleep"])

    assert [(one.name, one.port, one.profile.kind) for one in plugged] == [
        ("moved", "AA:EE", "rocker"), ("green", "/dev/p", "caliper"), ("asleep", "of asleep", "rocker"),
    ]  # fmt: skip
    assert searches == ["search"]
