"""Listening, saving, recording and replaying from the command line, over real pseudo-terminals."""

import json
import os
import re
import signal
import threading
import time
from collections.abc import Callable, Iterator
from pathlib import Path

import pytest

from drivers import NamedGauge, PortInfo, SimulatedGauge, load_profiles, named_gauges
from drivers.known import profiles_folder
from logger.cli import run
from logger.door import Door, PageServer
from logger.store import StoreReader

if not hasattr(os, "openpty"):  # Windows
    pytest.skip("needs pseudo-terminals", allow_module_level=True)

Press = Callable[..., None]


def bcd(digits: str) -> bytes:
    return int(digits[::-1], 16).to_bytes(7, "little")


KINDS = [
    pytest.param("caliper-mm", [b"12.34\r\n", b"0.51\r\n"], 510_000, id="text"),
    pytest.param("caliper-labelled-mm", [b"D= 12.34 NG\r\n", b"D= 0.51 OK\r\n"], 510_000, id="labelled text"),
    pytest.param("caliper-comma-mm", [b"12,34\r\n", b"0,51\r\n"], 510_000, id="comma"),
    pytest.param("caliper-24bit-hex", [b"0004D2\r\n", b"000033\r\n"], 510_000, id="24 bits in hexadecimal"),
    pytest.param("caliper-24bit", [b"\xd2\x04\x00", b"\x33\x00\x00"], 510_000, id="24 bits"),
    pytest.param("indicator-13digit-hex", [b"FFFF001234530\r\n", b"FFFF000051030\r\n"], 510_000, id="13 hex digits"),
    pytest.param("indicator-13digit", [bcd("FFFF001234530"), bcd("FFFF000051030")], 510_000, id="13 digits"),
]
"""Which profile is right for what is sent; the last of the values, in nanometres."""


def no_page(door: Door, *, port: int) -> PageServer:
    raise AssertionError("no page was asked for")


def command(*arguments: object, serve: Callable[..., PageServer] = no_page) -> int:
    return run([str(one) for one in arguments], serve)


@pytest.fixture
def far_end() -> Iterator[SimulatedGauge]:
    with SimulatedGauge("far end", profile=load_profiles()["caliper-mm"]) as far:
        yield far


@pytest.fixture
def press(far_end: SimulatedGauge) -> Iterator[Press]:
    """Press the gauge's button again and again, as a person would, until the test is over."""
    over = threading.Event()
    threads: list[threading.Thread] = []

    def work(frames: list[bytes]) -> None:
        while not over.wait(0.1):
            for frame in frames:
                far_end.press_raw(frame)
                time.sleep(0.06)  # the pause is the end of a binary frame

    def start(frames: list[bytes]) -> None:
        threads.append(threading.Thread(target=work, args=(frames,)))
        threads[-1].start()

    yield start
    over.set()
    for thread in threads:
        thread.join(10)


class Page:
    """Stands for the page: ends the bench as soon as it shows a reading."""

    url = "http://127.0.0.1:1/"

    def __init__(self, door: Door, *, port: int) -> None:
        self._thread = threading.Thread(target=self._end, args=(door,))
        self._thread.start()

    def _end(self, door: Door) -> None:
        until_s = time.monotonic() + 20
        while door.snapshot().get("seq", 0) < 1 and time.monotonic() < until_s:
            door.wait(door.snapshot().get("version", 0), timeout_s=0.5)
        os.kill(os.getpid(), signal.SIGTERM)

    def stop(self) -> None:
        self._thread.join(30)


@pytest.mark.parametrize(("profile", "frames", "value_nm"), KINDS)
def test_a_person_finds_saves_and_uses_a_gauge(
    far_end: SimulatedGauge, press: Press, capsys: pytest.CaptureFixture[str], tmp_path: Path,
    profile: str, frames: list[bytes], value_nm: int,
) -> None:  # fmt: skip
    press(frames)

    assert command("gauges", "listen", far_end.port, "--seconds", 1.2) == 0
    found = capsys.readouterr().out
    table = found[found.index("\nprofile") :].splitlines()
    best, read, of = re.match(r"(\S+) +(\d+) of (\d+)", table[2]).groups()
    assert best == profile
    assert 1 < int(of) <= int(read) + 1  # the end of listening may cut one
    assert f"next: fretledger gauges listen {far_end.port} --profile {profile} --save" in found

    saving = ("gauges", "listen", far_end.port, "--seconds", 1.0, "--profile", profile, "--save", "green caliper")
    assert command(*saving, "--kind", "caliper") == 0
    assert "saved 'green caliper'; use it with: fretledger bench --gauge 'green caliper'" in capsys.readouterr().out

    bench = ("bench", "--gauge", "green caliper", "--store", tmp_path / "s.db", "--no-browser")
    assert command(*bench, serve=Page) == 0
    with StoreReader(tmp_path / "s.db") as reader:
        (session,) = reader.sessions()
        rows = list(reader.readings(session.id))
        (gauge,) = reader.session_gauges()
    assert rows
    assert rows[0].row.gauge == "green caliper"
    assert {one.row.value_nm for one in rows} <= {value_nm, 12_340_000, 12_345_000}
    assert (gauge.gauge, gauge.kind) == ("green caliper", "caliper")


def test_each_piece_is_shown_with_what_profiles_make_of_it(
    far_end: SimulatedGauge, press: Press, capsys: pytest.CaptureFixture[str]
) -> None:
    press([b"D= 12.34 OK\r\n"])

    assert command("gauges", "listen", far_end.port, "--seconds", 1) == 0

    out, err = capsys.readouterr()
    assert re.search(r"\+0\.\d{3} s  (44|.* 44) 3d 20 31 32 2e 33 34 20 4f 4b 0d 0a  |20 4f 4b 0d 0a", out)
    assert re.search(r"read (\d+) of \1  12\.34 mm \(D= OK\)  by caliper-labelled-mm\n", out)
    assert re.search(
        r"read 0 of \d+  refused: line must be one decimal number with at most one unit  by caliper-mm", out
    )
    assert "opening" in err


@pytest.mark.parametrize(
    ("options", "words"),
    [
        (["--save", "g"], "--save needs --profile NAME"),
        (["--profile", "none"], "--profile: unknown profile 'none'; known are ble-self-describing"),
        (["--profile", "caliper-mm", "--save", "a=b"], "must name a gauge by a line of text without '='"),
        (["--profile", "caliper-mm", "--save", "leaves"], "that name is for readings that are typed"),
        (["--kind", "rocker"], "--kind says what the gauge is that --save names"),
        (["--baud", "3"], "--baud and --bits: serial settings must be like '9600 8N1'"),
        (["--bits", "9N1"], "--baud and --bits: serial settings must be like '9600 8N1'"),
    ],
)
def test_what_cannot_be_done_is_refused_before_anybody_presses(
    far_end: SimulatedGauge, capsys: pytest.CaptureFixture[str], options: list[str], words: str
) -> None:
    assert command("gauges", "listen", far_end.port, *options) == 2

    out, err = capsys.readouterr()
    assert out == ""
    assert words in err
    assert err.count("\n") == 1


def test_one_characteristic_is_recorded(capsys: pytest.CaptureFixture[str], tmp_path: Path) -> None:
    assert command("gauges", "listen", "AA:BB:CC:DD:EE:FF", "--record", tmp_path / "r") == 2

    assert "--record keeps one characteristic" in capsys.readouterr().err
    assert not (tmp_path / "r").exists()


def test_a_gauge_that_was_not_read_is_not_saved(
    far_end: SimulatedGauge, press: Press, capsys: pytest.CaptureFixture[str]
) -> None:
    press([b"hello\r\n"])

    status = command("gauges", "listen", far_end.port, "--seconds", 0.8, "--profile", "caliper-mm", "--save", "g")

    assert status == 3
    assert "profile 'caliper-mm' must read something before 'g' is saved" in capsys.readouterr().err
    assert named_gauges() == {}


def test_settings_that_differ_are_saved_with_the_gauge(
    far_end: SimulatedGauge, press: Press, capsys: pytest.CaptureFixture[str]
) -> None:
    press([b"1.234\r\n"])
    options = ("--seconds", 1, "--baud", 2400, "--profile", "rocker-indicator-mm", "--save", "g")

    assert command("gauges", "listen", far_end.port, *options) == 0

    assert named_gauges()["g"].serial == "2400 8N1"
    assert "; says 9600 8N1, read at 2400 8N1" in capsys.readouterr().out


def test_a_gauge_is_saved_with_what_its_plug_says(
    far_end: SimulatedGauge, press: Press, monkeypatch: pytest.MonkeyPatch
) -> None:
    shown = [PortInfo(device=far_end.port, words="bridge board", usb="2341:0043:77")]
    monkeypatch.setattr("logger.cli_listen.serial_ports", lambda: shown)
    press([b"1.23\r\n"])

    assert command("gauges", "listen", far_end.port, "--seconds", 1, "--profile", "caliper-mm", "--save", "g") == 0

    assert named_gauges() == {"g": NamedGauge(name="g", profile="caliper-mm", port=far_end.port, usb="2341:0043:77")}


def test_a_port_that_is_missing_is_told(capsys: pytest.CaptureFixture[str]) -> None:
    assert command("gauges", "listen", "/dev/no-such-port") == 3

    out, err = capsys.readouterr()
    assert out == ""
    assert "fretledger: port '/dev/no-such-port' is not there" in err


def test_a_cable_that_comes_out_ends_listening_with_what_was_heard(
    far_end: SimulatedGauge, press: Press, capsys: pytest.CaptureFixture[str]
) -> None:
    far = far_end
    threading.Timer(1.5, far.unplug).start()
    threading.Timer(1.0, far.press_raw, (b"1.25\r\n",)).start()

    assert command("gauges", "listen", far.port, "--seconds", 20) == 3

    out, err = capsys.readouterr()
    assert re.search(r"caliper-mm +1 of 1 +1\.25 mm", out)
    assert "is gone, most likely its cable came out or it lost power; see to it and listen again" in err


def test_silence_says_what_to_try(far_end: SimulatedGauge, capsys: pytest.CaptureFixture[str]) -> None:
    assert command("gauges", "listen", far_end.port, "--seconds", 0.3) == 0

    assert "nothing came: press the gauge's send button, or try another speed with --baud" in capsys.readouterr().out


def test_what_was_recorded_is_replayed(
    far_end: SimulatedGauge, press: Press, capsys: pytest.CaptureFixture[str], tmp_path: Path
) -> None:
    file = tmp_path / "r.jsonl"
    press([b"12.34\r\n", b"junk\r\n"])
    options = ("--seconds", 1.2, "--profile", "caliper-mm", "--record", file)
    assert command("gauges", "listen", far_end.port, *options) == 0
    assert command("gauges", "listen", far_end.port, *options) == 2
    assert "exists already and is never written over" in capsys.readouterr().err

    assert command("gauges", "replay", file, "--json") == 0
    told = json.loads(capsys.readouterr().out)
    assert command("gauges", "replay", file, "--speed", 50) == 0
    lines = capsys.readouterr().out.splitlines()

    assert (told["profile"], told["port"], told["cut"]) == ("caliper-mm", far_end.port, False)
    assert {one["value_nm"] for one in told["readings"]} == {12_340_000}
    assert {one["reason"] for one in told["refused"]} <= {
        "line must be one decimal number with at most one unit, got b'junk'",
        "the beginning of the first line may be missing", "the connection ended in mid-line",
    }  # fmt: skip
    readings, refused = len(told["readings"]), len(told["refused"])
    assert readings > 1
    assert refused > 1
    assert len(lines) == readings + refused + 1
    assert lines[-1].startswith(
        f"{readings} readings and {refused} refused frames, recorded at {far_end.port}, read by"
    )


def test_a_recording_without_a_profile_wants_one(
    far_end: SimulatedGauge, press: Press, capsys: pytest.CaptureFixture[str], tmp_path: Path
) -> None:
    file = tmp_path / "r.jsonl"
    press([b"\xd2\x04\x00"])
    assert command("gauges", "listen", far_end.port, "--seconds", 1, "--record", file) == 0
    file.write_bytes(file.read_bytes() + b'{"event": "op')

    assert command("gauges", "replay", file) == 2
    assert "names no profile, since it was only listened to; give --profile NAME" in capsys.readouterr().err
    assert command("gauges", "replay", file, "--profile", "caliper-24bit", "--json") == 0
    out, err = capsys.readouterr()
    assert {one["value_nm"] for one in json.loads(out)["readings"]} == {12_340_000}
    assert json.loads(out)["cut"]
    assert "note: the last line of" in err


@pytest.mark.parametrize(
    ("arguments", "words"),
    [(["none"], "cannot be read (No such file or directory)"), (["none", "--speed", "-1"], "--speed must not be neg")],
)
def test_what_cannot_be_replayed_is_told(capsys: pytest.CaptureFixture[str], arguments: list[str], words: str) -> None:
    assert command("gauges", "replay", *arguments) == 2
    assert words in capsys.readouterr().err


def test_a_persons_own_profile_is_tried_too(
    far_end: SimulatedGauge, press: Press, capsys: pytest.CaptureFixture[str]
) -> None:
    profiles_folder().mkdir(parents=True)
    text = 'format = 1\nname = "window"\nwords = "by the window"\nkind = "caliper"\nunit = "thou"\nresolution = "0.5"\n'
    (profiles_folder() / "window.toml").write_text(text + "[serial]\nbaud = 9600\n", encoding="utf-8")
    press([b"12.5\r\n"])

    assert command("gauges", "listen", far_end.port, "--seconds", 0.9) == 0

    assert re.search(r"read \d+ of \d+  12\.5 thou  by window", capsys.readouterr().out)
