"""How a profile says that its gauge is connected, cut, asked, captured and watched; and that it reads what it says."""

import re
from collections.abc import Callable
from pathlib import Path

import pytest

from drivers import CaptureSettings, Profile, ProfileError, load_profiles
from drivers.frames.stream import BurstReader, FrameReader, LineReader, MessageReader
from drivers.profiles.profile import BINARY, DECODERS, Ask, BluetoothSettings

TOP = """format = 1
name = "shop-gauge"
words = "the gauge by the window"
kind = "depth_indicator"
unit = "mm"
resolution = "0.001"
"""
SERIAL = "[serial]\nbaud = 9600\n"
CHARACTERISTIC = "0000fff1-0000-1000-8000-00805f9b34fb"
RADIO = f'[bluetooth]\ncharacteristic = "{CHARACTERISTIC}"\n'
UUID_RULE = "a UUID in lower case such as 0000fff1-0000-1000-8000-00805f9b34fb, or empty"
FORM = bytes((0x10, 0xFA, 0x01, 0x27, 1, 0, 0))  # signed 32 bits, 10^-6, metre

Load = Callable[[str], Profile]


@pytest.fixture
def load(tmp_path: Path) -> Load:
    """Write a profile into a person's folder and load it."""

    def write_and_load(text: str) -> Profile:
        (tmp_path / "own.toml").write_text(text, encoding="utf-8")
        return load_profiles(tmp_path)["shop-gauge"]

    return write_and_load


def test_what_is_left_out_is_a_gauge_that_sends_lines_by_itself(load: Load) -> None:
    profile = load(TOP + SERIAL)

    assert (profile.framing, profile.silent_after_s) == ("lines", 0.0)
    assert (profile.bluetooth, profile.ask, profile.capture) == (None, None, None)


def test_every_key_is_read(load: Load) -> None:
    text = (
        TOP
        + 'framing = "messages"\nsilent_after_s = 8\n'
        + f'[bluetooth]\ncharacteristic = "{CHARACTERISTIC}"\nwrite = "{CHARACTERISTIC[:7]}2{CHARACTERISTIC[8:]}"\n'
        + f'service = "{CHARACTERISTIC[:7]}0{CHARACTERISTIC[8:]}"\nname = "Depth"\n'
        + '[ask]\nhex = "02 0d"\nevery_s = 0.5\n'
        + '[capture]\nband_mm = "0.030"\ndrift_mm = "0.006"\nrearm_mm = "0.2"\nlow_mm = "-1.5"\nhigh_mm = "3"\n'
        + "dwell_s = 2\naway_s = 0.3\ngap_s = 1\nleast = 7\nhands_free = false\n"
    )

    profile = load(text)

    assert profile.silent_after_s == 8.0
    assert profile.bluetooth == BluetoothSettings(
        characteristic=CHARACTERISTIC,
        write="0000fff2-0000-1000-8000-00805f9b34fb",
        service="0000fff0-0000-1000-8000-00805f9b34fb",
        name="Depth",
    )
    assert profile.ask == Ask(send=b"\x02\r", every_s=0.5)
    assert profile.capture == CaptureSettings(
        band_nm=30_000, drift_nm=6_000, rearm_nm=200_000, low_nm=-1_500_000, high_nm=3_000_000,
        dwell_s=2.0, away_s=0.3, gap_s=1.0, least=7, hands_free=False,
    )  # fmt: skip


def test_an_empty_capture_table_is_the_usual_capture(load: Load) -> None:
    assert load(TOP + SERIAL + "[capture]\n").capture == CaptureSettings()


def test_what_is_asked_may_be_text(load: Load) -> None:
    assert load(TOP + SERIAL + '[ask]\ntext = "D\\r"\n').ask == Ask(send=b"D\r", every_s=0.0)


@pytest.mark.parametrize(
    ("text", "key", "words"),
    [
        (TOP, "serial", "profile {} must have one of the tables [serial] and [bluetooth], it has neither; keep"),
        (TOP + SERIAL + RADIO, "serial", "profile {} must have one of the tables [serial] and [bluetooth], it has bo"),
        (TOP + "serial = 1\n", "serial", "serial in profile {} must be a table, got 1"),
        (TOP + SERIAL + "pause_s = 0\n", "serial.pause_s", "serial.pause_s in profile {} must be a number"),
        (
            TOP + 'framing = "pauses"\n' + SERIAL,
            "framing",
            "framing in profile {} must be one of 'lines', 'messages', got 'pauses'",
        ),
        (TOP + 'framing = "messages"\n' + SERIAL, "framing", "framing 'messages' in profile {} needs a table [bluet"),
        (
            TOP + 'decoder = "self_describing"\n' + SERIAL,
            "decoder",
            "decoder 'self_describing' in profile {} needs a table [bluetooth], it has [serial]; choose another",
        ),
        (
            TOP + "silent_after_s = -1\n" + SERIAL,
            "silent_after_s",
            "silent_after_s in profile {} must be 0, or a number from 0.2 to 3600 s, got -1.0",
        ),
        (TOP + "silent_after_s = nan\n" + SERIAL, "silent_after_s", "silent_after_s in profile {} must be 0, or a n"),
        (TOP + "silent_after_s = true\n" + SERIAL, "silent_after_s", "silent_after_s in profile {} must be 0, or a n"),
        (
            TOP + "silent_after_s = 5\n" + SERIAL + '[ask]\ntext = "?"\nevery_s = 5\n',
            "silent_after_s",
            "silent_after_s in profile {} must be longer than ask.every_s, got 5 and 5; set it to several times",
        ),
        *(
            (TOP + f'[bluetooth]\n{name} = "{wrong}"\n', f"bluetooth.{name}",
             f"bluetooth.{name} in profile {{}} must be {UUID_RULE}, got '{wrong}'")
            for name in ("characteristic", "write", "service")
            for wrong in ("fff1", CHARACTERISTIC.upper(), CHARACTERISTIC + "\\n")
        ),
        (TOP + '[bluetooth]\nname = "a\\tb"\n', "bluetooth.name", "bluetooth.name in profile {} must be how the adv"),
        (TOP + "[bluetooth]\npin = 1\n", "bluetooth.pin", "profile {} has the unknown key 'bluetooth.pin'; known are"),
        (TOP + RADIO + '[ask]\ntext = "?"\n', "bluetooth.write", "profile {} must say bluetooth.write, the characteri"),
        (TOP + SERIAL + "[ask]\n", "ask.text", "[ask] in profile {} must have one of text and hex, it has neither"),
        (TOP + SERIAL + '[ask]\nhex = "  "\n', "ask.text", "[ask] in profile {} must have one of text and hex, it has"),
        (
            TOP + SERIAL + '[ask]\ntext = "?"\nhex = "3F"\n',
            "ask.text",
            "[ask] in profile {} must have one of text and hex, it has both; keep the one that the gauge waits for",
        ),
        (TOP + SERIAL + '[ask]\ntext = "µ"\n', "ask.text", "ask.text in profile {} must be at most 64 ASCII charact"),
        (TOP + SERIAL + '[ask]\nhex = "3"\n', "ask.hex", "ask.hex in profile {} must be at most 64 bytes as pairs of"),
        *(
            (TOP + SERIAL + f'[ask]\ntext = "?"\nevery_s = {wrong}\n', "ask.every_s",
             "ask.every_s in profile {} must be 0, or a number from 0.02 to 3600 s, got ")
            for wrong in ("-1", "0.001", "nan", "inf", "3601", '"1"', "false")
        ),
        *(
            (TOP + SERIAL + f"[capture]\n{name}_mm = {wrong}\n", f"capture.{name}_mm",
             f'capture.{name}_mm in profile {{}} must be a text such as "0.020", in mm, got ')
            for name in ("band", "drift", "rearm")
            for wrong in ("0.02", '"-0.02"', '"2e-2"', '""')
        ),
        *(
            (TOP + SERIAL + f'[capture]\n{name}_mm = "+1"\n', f"capture.{name}_mm",
             f'capture.{name}_mm in profile {{}} must be a text such as "-0.500", in mm, or empty, got \'+1\'')
            for name in ("low", "high")
        ),
        *(
            (TOP + SERIAL + f"[capture]\n{name} = {wrong}\n", f"capture.{name}",
             f"capture.{name} in profile {{}} must be {rule}, got ")
            for name, wrong, rule in (
                ("dwell_s", "0.01", "a number from 0.05 to 60 s"),
                ("away_s", "-0.1", "a number from 0 to 60 s"),
                ("gap_s", "0", "a number from 0.01 to 60 s"),
                ("least", "2", "a whole number from 3 to 1000"),
                ("least", "5.0", "a whole number from 3 to 1000"),
                ("hands_free", "1", "true or false"),
            )
        ),
        *(
            (TOP + SERIAL + f"[capture]\n{lengths}\n", "capture",
             "[capture] in profile {} must have a drift_mm over 0, a band_mm no less and a rearm_mm above that, got ")
            for lengths in ('drift_mm = "0"', 'band_mm = "0.004"', 'rearm_mm = "0.020"')
        ),
        (
            TOP + SERIAL + '[capture]\nlow_mm = "2"\nhigh_mm = "-1"\n',
            "capture",
            "[capture] in profile {} must have a low_mm under high_mm, got 2 and -1; exchange them",
        ),
    ],
)  # fmt: skip
def test_what_does_not_hold_is_refused_in_one_line(tmp_path: Path, load: Load, text: str, key: str, words: str) -> None:
    with pytest.raises(ProfileError) as caught:
        load(text)

    path = str(tmp_path / "own.toml")
    assert (caught.value.file, caught.value.key) == (path, key)
    assert re.match(re.escape(words.format(repr(path))), str(caught.value)), str(caught.value)
    assert "\n" not in str(caught.value)


@pytest.mark.parametrize("decoder", DECODERS)
def test_every_decoder_reads_through_the_reader_of_its_profile(load: Load, decoder: str) -> None:
    sent, by, value_nm = {
        "text": (b"-1.234\r\n", LineReader, -1_234_000),
        "labelled_text": (b"D= 1.234 mm OK\r\n", LineReader, 1_234_000),
        "caliper24_hex": (b"1004D2\n", LineReader, -12_340_000),
        "bcd13_hex": (b"FFFF800123430\n", LineReader, -1_234_000),
        "caliper24": (b"\xd2\x04\x10", BurstReader, -12_340_000),
        "caliper24_big": (b"\x10\x04\xd2", BurstReader, -12_340_000),
        "bcd13": (int("FFFF800123430"[::-1], 16).to_bytes(7, "little"), BurstReader, -1_234_000),
        "self_describing": ((-1234).to_bytes(4, "little", signed=True), MessageReader, -1_234_000),
    }[decoder]
    link = RADIO if decoder == "self_describing" else SERIAL
    reader = load(f'{TOP}decoder = "{decoder}"\n{link}').make_reader(FORM if link == RADIO else None)

    assert type(reader) is by
    assert values_of(reader, sent) == [value_nm]


def test_a_profile_says_what_a_pause_is(load: Load) -> None:
    usual = load(f'{TOP}decoder = "caliper24"\n{SERIAL}').make_reader()
    quick = load(f'{TOP}decoder = "caliper24"\n{SERIAL}pause_s = 0.005\n').make_reader()

    assert (usual.pause_s, quick.pause_s) == (0.02, 0.005)


@pytest.mark.parametrize("decoder", BINARY)
def test_a_binary_frame_over_the_radio_is_a_message(load: Load, decoder: str) -> None:
    """The radio cuts it; nobody waits for a pause."""
    reader = load(f'{TOP}decoder = "{decoder}"\n{RADIO}').make_reader()

    assert type(reader) is MessageReader
    assert reader.pause_s == 0


def test_text_over_the_radio_is_cut_at_line_ends_or_comes_in_messages(load: Load) -> None:
    lines = load(TOP + RADIO).make_reader()
    messages = load(TOP + 'framing = "messages"\n' + RADIO).make_reader()

    assert [one.number.value_nm for one in lines.feed(b"1.2") + lines.feed(b"34\n") if one.number] == [1_234_000]
    assert [one.number.value_nm for one in messages.feed(b"1.2") + messages.feed(b"34") if one.number] == [
        1_200_000,
        34_000_000,
    ]


@pytest.mark.parametrize(
    ("form", "words"),
    [
        (None, "gauge must say how its numbers are written, it does not; choose a profile that knows"),
        (b"\x10", "must have 7 bytes"),
        (bytes((0x19, 0, 1, 0x27, 1, 0, 0)), "text in UTF-8"),
        (bytes((0x10, 0, 0x2F, 0x27, 1, 0, 0)), "unit"),
    ],
)
def test_a_form_that_cannot_be_decoded_refuses_every_message(load: Load, form: bytes | None, words: str) -> None:
    reader = load(f'{TOP}decoder = "self_describing"\n{RADIO}').make_reader(form)

    (one,) = reader.feed(b"\x01\x00\x00\x00")

    assert one.number is None
    assert words in one.reason


def values_of(reader: FrameReader, sent: bytes) -> list[int]:
    found = [*reader.begin(False), *reader.feed(sent), *reader.pause(), *reader.end()]
    return [one.number.value_nm for one in found if one.number is not None]
