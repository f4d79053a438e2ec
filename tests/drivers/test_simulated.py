import os
import random
import re
from pathlib import Path

import pytest
import serial

from drivers import LinkLostError, PortError, Profile, SimulatedGauge
from drivers.frames.lines import LineBuffer
from drivers.frames.text import TextDecoder


def sent_by(far: SimulatedGauge, value_nm: int) -> bytes:
    with serial.Serial(far.port, timeout=5) as port:
        far.press(value_nm)
        return port.read_until(b"\n")


@pytest.mark.parametrize(
    ("name", "value_nm", "line"),
    [
        ("caliper-mm", 12_344_999, b"12.34\r\n"),
        ("caliper-mm", -5_001, b"-0.01\r\n"),
        ("caliper-mm", 0, b"0.00\r\n"),
        ("depth-indicator-inch", 12_700, b"0.0005\r\n"),
        ("depth-indicator-inch", 25_400_000 + 6_000, b"1.0000\r\n"),
        ("rocker-indicator-mm", -1_499, b"-0.001\r\n"),
    ],
)
def test_a_press_sends_what_the_gauge_shows(
    profiles: dict[str, Profile], name: str, value_nm: int, line: bytes
) -> None:
    with SimulatedGauge("gauge", profile=profiles[name]) as far:
        assert sent_by(far, value_nm) == line


def test_a_press_tells_what_was_sent(far_end: SimulatedGauge) -> None:
    assert far_end.press(12_344_999) == 12_340_000
    assert far_end.press(-5_001) == -10_000


def test_the_template_dresses_the_number(caliper: Profile) -> None:
    with (
        SimulatedGauge("gauge", profile=caliper, template="01A {value:>8} {unit}\r") as far,
        serial.Serial(far.port, timeout=5) as port,
    ):
        far.press(1_500_000)
        assert port.read_until(b"\r") == b"01A     1.50 mm\r"


def test_nothing_comes_back_to_the_gauge(far_end: SimulatedGauge) -> None:
    """An echo would fill the far end's buffer and in the end stop it."""
    with serial.Serial(far_end.port, timeout=5) as port:
        for _ in range(2_000):
            far_end.press(0)
            assert port.read_until(b"\n") == b"0.00\r\n"


def test_what_was_sent_before_opening_is_gone(far_end: SimulatedGauge) -> None:
    far_end.press(1_000_000)

    assert sent_by(far_end, 2_000_000) == b"2.00\r\n"


def test_a_port_that_nobody_reads_is_full_in_the_end(caliper: Profile) -> None:
    words = r"^simulated gauge 'gauge' cannot send, its port is full because nobody reads it; open the port first$"

    with (
        SimulatedGauge("gauge", profile=caliper, write_timeout_s=0.01) as far,
        pytest.raises(LinkLostError, match=words),
    ):
        far.press_raw(b"x" * 1_000_000)


def test_an_unplugged_gauge_has_no_port_and_sends_nothing(far_end: SimulatedGauge) -> None:
    far_end.unplug()
    far_end.unplug()

    assert not os.path.lexists(far_end.port)
    with pytest.raises(LinkLostError, match=r"^simulated gauge 'caliper' is unplugged; plug it in first$"):
        far_end.press(0)


def test_plugged_in_again_it_has_the_same_port(far_end: SimulatedGauge) -> None:
    port = far_end.port
    far_end.unplug()

    far_end.plug_in()
    far_end.plug_in()

    assert far_end.port == port
    assert sent_by(far_end, 2_000_000) == b"2.00\r\n"


def test_closing_leaves_no_file_and_no_descriptor(caliper: Profile) -> None:
    before = len(list(Path("/dev/fd").iterdir()))
    far = SimulatedGauge("gauge", profile=caliper)
    far.close()

    assert not Path(far.port).parent.exists()
    assert len(list(Path("/dev/fd").iterdir())) == before


@pytest.mark.parametrize("comma", [False, True])
def test_garbage_is_never_a_number(profiles: dict[str, Profile], comma: bool) -> None:
    with SimulatedGauge(
        "gauge", profile=profiles["rocker-indicator-mm"], garbage=1.0, rng=random.Random(7), write_timeout_s=0.1
    ) as far:
        noise = b"".join(far._noise(f"{value / 1000:.3f}") for value in range(-3_000, 3_000))
    decoder = TextDecoder(decimal_comma=comma)
    lines = LineBuffer().feed(noise)

    for line in lines:
        with pytest.raises(ValueError, match="got"):
            decoder.decode(line)

    assert noise.endswith(b"\n")
    assert {b"\x00", b"\xff"} <= {noise[place : place + 1] for place in range(len(noise))}
    assert len(lines) > 6_000


def test_the_same_seed_gives_the_same_garbage(caliper: Profile) -> None:
    def stream() -> bytes:
        with (
            SimulatedGauge("gauge", profile=caliper, garbage=0.5, rng=random.Random(3)) as far,
            serial.Serial(far.port, timeout=5) as port,
        ):
            for value_nm in range(0, 500_000, 10_000):
                far.press(value_nm)
            far.press_raw(b"THE END\r\n")
            return port.read_until(b"THE END\r\n")

    first = stream()

    assert first.endswith(b"THE END\r\n")
    assert len(first) > 50 * len(b"0.00\r\n") + 200
    assert stream() == first


@pytest.mark.parametrize(("garbage", "rng"), [(1.5, random.Random(1)), (-0.1, random.Random(1)), (0.5, None)])
def test_garbage_needs_a_probability_and_a_seed(caliper: Profile, garbage: float, rng: random.Random | None) -> None:
    with pytest.raises(
        ValueError, match=rf"^garbage must be a probability from 0 to 1 .*, got {re.escape(str(garbage))}"
    ):
        SimulatedGauge("gauge", profile=caliper, garbage=garbage, rng=rng)


def test_a_system_without_pseudo_terminals_is_told_so(caliper: Profile, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.delattr(os, "openpty")

    with pytest.raises(
        PortError, match=r"^a simulated gauge needs pseudo-terminals, which this system lacks; use Linux"
    ):
        SimulatedGauge("gauge", profile=caliper)
