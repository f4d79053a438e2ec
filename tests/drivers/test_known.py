"""Named gauges: their file, and where each is now."""

from collections.abc import Callable
from dataclasses import replace
from pathlib import Path

import pytest

from drivers import (
    Advertised,
    NamedGauge,
    NamedGaugesError,
    PortInfo,
    PortNotFoundError,
    Profile,
    SerialSettings,
    find_port,
    named_gauges,
    save_gauge,
)
from drivers.known import check_name, config_folder, serial_from, serial_text, usb_of

GREEN = NamedGauge(name="green caliper", profile="caliper-mm", port="/dev/ttyUSB0", usb="0403:6001:A5")
SERVICE = "0000fff0-0000-1000-8000-00805f9b34fb"
AIR = NamedGauge(
    name='the "air" one, \u00fc\\', profile="ble-self-describing", port="AA:BB:CC:DD:EE:FF",
    bluetooth_name="Gauge 7", bluetooth_service=SERVICE,
)  # fmt: skip


@pytest.fixture
def write(tmp_path: Path) -> Callable[[str], Path]:
    def write_text(text: str) -> Path:
        path = tmp_path / "gauges.toml"
        path.write_text(text, encoding="utf-8")
        return path

    return write_text


def test_what_is_saved_is_read_back() -> None:
    other = replace(GREEN, name="depth", usb="", kind="depth_indicator", serial="2400 7E2")

    assert named_gauges() == {}
    assert [save_gauge(one) for one in (GREEN, AIR, other)] == [None, None, None]

    assert named_gauges() == {one.name: one for one in (GREEN, AIR, other)}
    assert [path.name for path in config_folder().iterdir()] == ["gauges.toml"]


def test_a_name_that_is_taken_is_told_and_replaced() -> None:
    save_gauge(GREEN)
    moved = replace(GREEN, port="/dev/ttyACM0", usb="")

    assert save_gauge(moved) == GREEN
    assert named_gauges() == {"green caliper": moved}


def test_a_file_that_does_not_hold_is_not_written_over(write: Callable[[str], Path]) -> None:
    path = write("format = 1\nmine = true\n")

    with pytest.raises(NamedGaugesError, match=r"has the unknown key 'mine'"):
        save_gauge(GREEN, path)

    assert path.read_text(encoding="utf-8") == "format = 1\nmine = true\n"


def test_a_disk_that_fails_leaves_the_old_file(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    path = tmp_path / "gauges.toml"
    save_gauge(GREEN, path)

    def fail(_: int) -> None:
        raise OSError(28, "No space left on device")

    monkeypatch.setattr("os.fsync", fail)
    with pytest.raises(NamedGaugesError, match=r"cannot be written \(No space left on device\); see to the disk"):
        save_gauge(AIR, path)

    assert named_gauges(path) == {"green caliper": GREEN}
    assert [one.name for one in tmp_path.iterdir()] == ["gauges.toml"]


GAUGE = '[gauge.green]\nprofile = "caliper-mm"\nport = "p"\n'


@pytest.mark.parametrize(
    ("text", "words"),
    [
        pytest.param("format = ", r"must be TOML in UTF-8", id="no TOML"),
        pytest.param("", r"must have format = 1, got None; mend or move the file", id="no format"),
        pytest.param("format = 2\n", r"must have format = 1, got 2", id="newer"),
        pytest.param("format = true\n", r"must have format = 1, got True", id="a bool"),
        pytest.param("format = 1\ngauge = 3\n", r"must have gauges as tables \[gauge\.NAME\], got 3", id="no table"),
        pytest.param("format = 1\n[gauge]\ng = 3\n", r"must have gauge 'g' as a table, got 3", id="no gauge"),
        pytest.param("format = 1\n" + GAUGE + "more = 1\n", r"has the unknown key 'more' of gauge 'green'", id="more"),
        pytest.param("format = 1\n[gauge.g]\nport = 'p'\n", r"lacks the key 'profile' of gauge 'g'; set", id="none"),
        pytest.param("format = 1\n" + GAUGE + "usb = '12'\n", r"must have VID:PID:SERIAL as usb of gauge", id="usb"),
        pytest.param("format = 1\n" + GAUGE + "kind = 'ruler'\n", r"must have caliper, depth_indicator or", id="kind"),
        pytest.param("format = 1\n" + GAUGE + "serial = '9 8N1'\n", r"must have serial settings such as", id="serial"),
        pytest.param("format = 1\n" + GAUGE.replace('"p"', "7"), r"must have a port's name or .*, got 7", id="port"),
        pytest.param("format = 1\n" + GAUGE.replace("green", '"a=b"'), r"must name a gauge by a line", id="equals"),
    ],
)  # fmt: skip
def test_what_does_not_hold_is_told(write: Callable[[str], Path], text: str, words: str) -> None:
    with pytest.raises(NamedGaugesError, match=rf"^gauges file '.*gauges\.toml' {words}") as caught:
        named_gauges(write(text))

    assert caught.value.file.endswith("gauges.toml")


def test_a_file_that_cannot_be_read_is_told(tmp_path: Path) -> None:
    with pytest.raises(NamedGaugesError, match=r"cannot be read \(Is a directory\); look at it and its rights$"):
        named_gauges(tmp_path)


@pytest.mark.parametrize("name", ["", " ", " green", "a=b", "two\nlines", "n" * 121])
def test_a_name_that_a_command_could_not_tell_is_refused(name: str) -> None:
    with pytest.raises(NamedGaugesError, match=r"must name a gauge by a line of text without '=' or outer blanks"):
        check_name(name)


@pytest.mark.parametrize(
    ("text", "settings"),
    [
        ("9600 8N1", SerialSettings()),
        ("2400 7E2", SerialSettings(baud=2400, bytesize=7, parity="even", stopbits=2)),
        ("4000000 8O1", SerialSettings(baud=4_000_000, parity="odd")),
    ],
)
def test_serial_settings_are_one_text(text: str, settings: SerialSettings) -> None:
    assert serial_from(text) == settings
    assert serial_text(settings) == text


@pytest.mark.parametrize("text", ["", "9600", "9600 8n1", "9600 9N1", "49 8N1", "4000001 8N1", "9600 8N3"])
def test_other_serial_settings_are_refused(text: str) -> None:
    with pytest.raises(ValueError, match=r"^serial settings must be like '9600 8N1'"):
        serial_from(text)


def test_a_profile_takes_what_is_different_about_a_gauge(caliper: Profile) -> None:
    own = replace(GREEN, kind="rocker", serial="2400 7E2").applied_to(caliper)

    assert (own.kind, own.serial) == ("rocker", serial_from("2400 7E2"))
    assert GREEN.applied_to(caliper) == caliper


def port(device: str, usb: str = "") -> PortInfo:
    return PortInfo(device=device, words="w", usb=usb)


@pytest.mark.parametrize(
    ("ports", "found"),
    [
        pytest.param([port("/dev/ttyUSB0", "0403:6001:A5")], "/dev/ttyUSB0", id="where it was"),
        pytest.param([port("/dev/ttyUSB3", "0403:6001:A5")], "/dev/ttyUSB3", id="another port"),
        pytest.param(
            [port("/dev/ttyUSB0", "0403:6001:B9"), port("/dev/ttyUSB1", "0403:6001:A5")], "/dev/ttyUSB1", id="swapped"
        ),
        pytest.param(
            [port("/dev/ttyUSB0", "0403:6001:A5"), port("/dev/ttyUSB1", "0403:6001:A5")], "/dev/ttyUSB0", id="alike"
        ),
        pytest.param([port("/dev/ttyUSB0")], "/dev/ttyUSB0", id="a system that shows no plugs"),
        pytest.param([], "/dev/ttyUSB0", id="a system that shows no ports"),
    ],
)
def test_a_serial_gauge_is_known_by_its_plug(ports: list[PortInfo], found: str) -> None:
    assert find_port(GREEN, bluetooth=False, ports=ports) == found


@pytest.mark.parametrize(
    ("ports", "words"),
    [
        pytest.param([port("/dev/ttyUSB0", "0403:6001:B9")], r"is not plugged in, no port has its plug", id="another"),
        pytest.param([port("/dev/ttyUSB1", "0403:6001:B9")], r"is not plugged in", id="only others"),
        pytest.param(
            [port("/dev/a", "0403:6001:A5"), port("/dev/b", "0403:6001:A5")],
            r"may be at any of /dev/a, /dev/b, whose plugs say the same; save it again there$", id="two alike",
        ),
    ],
)  # fmt: skip
def test_a_plug_that_is_not_there_is_told(ports: list[PortInfo], words: str) -> None:
    with pytest.raises(PortNotFoundError, match=rf"^gauge 'green caliper' {words}") as caught:
        find_port(GREEN, bluetooth=False, ports=ports)

    assert caught.value.port == "/dev/ttyUSB0"


def test_a_gauge_without_a_plug_is_known_by_its_port() -> None:
    ports = [port("/dev/ttyUSB0", "0403:6001:B9")]

    assert find_port(replace(GREEN, usb=""), bluetooth=False, ports=ports) == "/dev/ttyUSB0"


def test_a_link_to_a_port_has_its_plug(tmp_path: Path) -> None:
    (tmp_path / "ttyUSB0").touch()
    (tmp_path / "green").symlink_to(tmp_path / "ttyUSB0")

    assert usb_of(str(tmp_path / "green"), [port(str(tmp_path / "ttyUSB0"), "0403:6001:A5")]) == "0403:6001:A5"
    assert usb_of(str(tmp_path / "red"), [port(str(tmp_path / "ttyUSB0"), "0403:6001:A5")]) == ""


def heard(address: str, name: str = "Gauge 7", *services: str) -> Advertised:
    return Advertised(address=address, name=name, rssi=-50, services=services)


@pytest.mark.parametrize(
    ("advertised", "found"),
    [
        pytest.param([heard("11", "Gauge 7", SERVICE), heard("aa:bb:cc:dd:ee:ff", "")], AIR.port, id="its address"),
        pytest.param([heard("11", "Gauge 7", SERVICE), heard("12", "Gauge 7")], "11", id="name and service"),
        pytest.param([heard("11", "Gauge 7", SERVICE), heard("12", "Gauge 7", SERVICE)], AIR.port, id="two alike"),
        pytest.param([heard("11", "Gauge 8", SERVICE)], AIR.port, id="another name"),
        pytest.param([], AIR.port, id="nobody"),
    ],
)
def test_a_bluetooth_gauge_is_known_by_its_address_then_by_its_name(advertised: list[Advertised], found: str) -> None:
    assert find_port(AIR, bluetooth=True, ports=[], heard=advertised) == found


def test_a_bluetooth_gauge_without_a_name_is_no_other() -> None:
    bare = replace(AIR, bluetooth_name="", bluetooth_service="")

    assert find_port(bare, bluetooth=True, ports=[], heard=[heard("11", "")]) == AIR.port
