"""Every profile tried on what comes: the right one comes out on top."""

from collections.abc import Iterable
from dataclasses import replace
from datetime import UTC, datetime

import pytest

from drivers import Instant, Profile
from drivers.link_event import LinkEvent
from drivers.listening import Trial, bluetooth_trials, ranked, serial_trials

NOW = Instant(at=datetime(2026, 1, 2, tzinfo=UTC), monotonic_ns=0)
TEXT_UUID = "0000fff1-0000-1000-8000-00805f9b34fb"
MICROMETRES = bytes.fromhex("10fa0127010000")


def event(kind: str, data: bytes | None = None, **more: bool) -> LinkEvent:
    return LinkEvent(kind=kind, when=NOW, data=data, **more)  # type: ignore[arg-type]


def listen(trials: Iterable[Trial], frames: Iterable[bytes]) -> list[Trial]:
    """Hand every frame to every trial, a pause after each, and rank."""
    trials = list(trials)
    for trial in trials:
        trial.take(event("open"))
        for frame in frames:
            trial.take(event("chunk", frame))
            trial.take(event("chunk", b""))
    return ranked(trials)


def bcd(digits: str) -> bytes:
    return int(digits[::-1], 16).to_bytes(7, "little")


@pytest.mark.parametrize(
    ("frames", "name"),
    [
        pytest.param([b"12.34\r\n", b"-0.05\r\n"], "caliper-mm", id="text"),
        pytest.param([b"12.345\r\n", b"-0.051\r\n"], "depth-indicator-mm", id="a finer digit"),
        pytest.param([b"D= 12.34 OK\r\n", b"D= -0.05 NG\r\n"], "caliper-labelled-mm", id="label and verdict"),
        pytest.param([b"12,34\r\n", b"-0,05\r\n"], "caliper-comma-mm", id="comma"),
        pytest.param([b"0004D2\r\n", b"10003B\r\n"], "caliper-24bit-hex", id="24 bits in hexadecimal"),
        pytest.param([b"\xd2\x04\x00", b"\x3b\x00\x10"], "caliper-24bit", id="24 bits"),
        pytest.param([b"FFFF001234530\r\n", b"FFFF800005120\r\n"], "indicator-13digit-hex", id="13 hex digits"),
        pytest.param([bcd("FFFF001234530"), bcd("FFFF800005120")], "indicator-13digit", id="13 digits"),
    ],
)  # fmt: skip
def test_the_right_profile_scores_highest(profiles: dict[str, Profile], frames: list[bytes], name: str) -> None:
    best = listen(serial_trials(profiles.values()), frames)

    assert best[0].profile.name == name
    assert (best[0].read, best[0].frames) == (2, 2)


def test_a_unit_that_is_sent_speaks_against_profiles_of_another(profiles: dict[str, Profile]) -> None:
    best = listen(serial_trials(profiles.values()), [b"0.4995 in\n", b"0.0005 in\n"])

    assert best[0].profile.name == "caliper-inch"


def test_frames_that_a_connection_cut_off_are_not_counted(caliper: Profile) -> None:
    trial = Trial(caliper)

    cut = [trial.take(event("open", mid_frame=True)), trial.take(event("chunk", b".34\n1.25\n9"))]
    ended = trial.take(event("end"))

    assert [frame.reason for frame in cut[0]] == ["the beginning of the first line may be missing"]
    assert [frame.number.value_nm for frame in cut[1] if frame.number] == [1_250_000]
    assert [frame.reason for frame in ended] == ["the connection ended in mid-line"]
    assert (trial.read, trial.frames) == (1, 1)


def test_what_reads_nothing_is_not_ranked(profiles: dict[str, Profile]) -> None:
    assert listen(serial_trials(profiles.values()), [b"hello\r\n"]) == []


def test_a_characteristic_that_describes_itself_needs_no_name(profiles: dict[str, Profile]) -> None:
    trials = bluetooth_trials(profiles.values(), TEXT_UUID, MICROMETRES)
    for trial in trials:
        trial.take(event("form", MICROMETRES))
    best = listen(trials, [(1234567).to_bytes(4, "little")])

    assert best[0].profile.name == "ble-self-describing"
    assert best[0].fits


def test_an_unknown_characteristic_shows_which_decoder_reads_it(profiles: dict[str, Profile]) -> None:
    best = listen(bluetooth_trials(profiles.values(), TEXT_UUID, None), [b"12,34\r\n"])

    assert [(one.profile.decoder, one.profile.framing, one.fits) for one in best] == [("text", "lines", False)]
    assert best[0].profile.decimal_comma
    assert best[0].profile.bluetooth is not None
    assert best[0].profile.bluetooth.characteristic == TEXT_UUID


def test_a_message_without_a_line_end_is_read_as_one(profiles: dict[str, Profile]) -> None:
    best = listen(bluetooth_trials(profiles.values(), TEXT_UUID, None), [b"12.34", b"1.50"])

    assert (best[0].profile.decoder, best[0].profile.framing, best[0].read) == ("text", "messages", 2)


def test_a_profile_of_the_characteristic_goes_before_a_decoder(profiles: dict[str, Profile]) -> None:
    own = replace(
        profiles["ble-self-describing"], name="own", decoder="text",
        bluetooth=replace(profiles["ble-self-describing"].bluetooth, characteristic=TEXT_UUID),
    )  # fmt: skip
    best = listen(bluetooth_trials([*profiles.values(), own], TEXT_UUID, None), [b"12.34\r\n"])
    elsewhere = bluetooth_trials([own], TEXT_UUID.replace("fff1", "fff2"), None)

    assert best[0].profile == own
    assert elsewhere == []
