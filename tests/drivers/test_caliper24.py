import re
from collections.abc import Callable
from fractions import Fraction

import pytest
from hypothesis import example, given, settings
from hypothesis import strategies as st

from drivers import FrameError
from drivers.frames.caliper24 import decode_bits, decode_bytes, decode_hex
from drivers.frames.number import Number
from drivers.reading import LARGEST_NM

# Layout of the frame: from memory, common practice, no source; the inch is 25.4 mm by definition (1959 agreement).


@pytest.mark.parametrize(
    ("bits", "value_nm", "unit"),
    [
        pytest.param(0x000000, 0, "mm", id="zero"),
        pytest.param(0x100000, 0, "mm", id="minus zero"),
        pytest.param(0x000001, 10_000, "mm", id="last digit in mm"),
        pytest.param(0x0004D2, 12_340_000, "mm", id="12.34 mm"),
        pytest.param(0x1004D2, -12_340_000, "mm", id="-12.34 mm"),
        pytest.param(0x800001, 12_700, "in", id="0.0005 in"),
        pytest.param(0x900001, -12_700, "in", id="-0.0005 in"),
        pytest.param(0x8007D0, 25_400_000, "in", id="1 in"),
        pytest.param(0x9007D1, -25_412_700, "in", id="-1.0005 in"),
        pytest.param(0x0F4240, LARGEST_NM, "mm", id="10 m"),
    ],
)
def test_the_bits_give_their_number_in_every_form(bits: int, value_nm: int, unit: str) -> None:
    expected = Number(value_nm=value_nm, unit=unit)

    assert decode_bits(bits) == expected
    assert decode_bytes(bits.to_bytes(3, "little")) == expected
    assert decode_bytes(bits.to_bytes(3, "big"), "big") == expected
    assert decode_hex(f"{bits:06x}".encode()) == expected


@pytest.mark.parametrize("line", [b"9007D1", b"9007d1", b"0x9007D1", b"0X9007d1", b"90 07 D1", b" 0x90\t07 D1 \t"])
def test_a_hexadecimal_line_is_read_however_it_is_spaced(line: bytes) -> None:
    assert decode_hex(line) == Number(value_nm=-25_412_700, unit="in")


@pytest.mark.parametrize(
    ("call", "frame", "words"),
    [
        (lambda: decode_bits(1 << 24), b"0x1000000", "caliper frame must have 24 bits, got b'0x1000000'"),
        (lambda: decode_bits(-1), b"-0x00001", "caliper frame must have 24 bits, got b'-0x00001'"),
        (lambda: decode_bits(1 << 21), b"0x200000", "caliper frame must have bits 21 and 22 zero, got b'0x200000'"),
        (lambda: decode_bits(1 << 22), b"0x400000", "caliper frame must have bits 21 and 22 zero, got b'0x400000'"),
        (lambda: decode_bytes(b"\xff" * 3), b"\xff" * 3, "caliper frame must have bits 21 and 22 zero"),
        (lambda: decode_bytes(b"\1\2"), b"\1\2", r"caliper frame must have 3 bytes, got b'\x01\x02'"),
        (lambda: decode_bytes(b"\0" * 4), b"\0" * 4, "caliper frame must have 3 bytes"),
        (lambda: decode_bits(1_000_001), b"0x0f4241", "value must not be larger than 10 m either way, got '10000.01'"),
        (lambda: decode_bits(0x9FFFFF), b"0x9fffff", "value must not be larger than 10 m either way, got '-524.2875'"),
    ],
)
def test_what_is_no_caliper_frame_is_refused(call: Callable[[], Number], frame: bytes, words: str) -> None:
    with pytest.raises(FrameError, match=rf"^{re.escape(words)}") as caught:
        call()

    assert caught.value.frame == frame


@pytest.mark.parametrize(
    "line",
    [b"", b"0x", b"4D2", b"00004D2", b"0x0004D", b"0 004D2", b"0x 0004D2", b"00_4D2", b"+004D2", b"00-4D2", b"0004D2h"],
)
def test_a_line_of_anything_but_six_hexadecimal_digits_is_refused(line: bytes) -> None:
    with pytest.raises(FrameError, match=r"^caliper line must be 6 hexadecimal digits, got b'") as caught:
        decode_hex(line)

    assert caught.value.frame == line


@given(st.integers(0, (1 << 20) - 1), st.booleans(), st.booleans())
@settings(max_examples=300, derandomize=True, deadline=None)
def test_what_is_sent_comes_back(magnitude: int, minus: bool, inch: bool) -> None:
    bits = magnitude | minus << 20 | inch << 23
    sent_mm = (-1 if minus else 1) * (magnitude * Fraction("25.4") / 2000 if inch else Fraction(magnitude, 100))
    if abs(sent_mm) > 10_000:
        with pytest.raises(FrameError, match="10 m"):
            decode_bits(bits)
        return

    number = decode_bits(bits)

    assert Fraction(number.value_nm, 1_000_000) == sent_mm
    assert number.unit == ("in" if inch else "mm")


@given(
    st.one_of(
        st.binary(max_size=8), st.binary(min_size=3, max_size=3), st.text("0xX 9aF\t", max_size=12).map(str.encode)
    )
)
@example(b"0x" * 3)
@settings(max_examples=400, derandomize=True, deadline=None)
def test_any_bytes_give_a_finite_number_or_a_refusal(frame: bytes) -> None:
    for decode in (decode_bytes, lambda it: decode_bytes(it, "big"), decode_hex):
        try:
            number = decode(frame)
        except FrameError:
            continue
        assert type(number.value_nm) is int
        assert abs(number.value_nm) <= LARGEST_NM
        assert number.unit in {"mm", "in"}


@given(st.integers())
@settings(max_examples=200, derandomize=True, deadline=None)
def test_any_whole_number_gives_a_number_or_a_refusal(value: int) -> None:
    try:
        number = decode_bits(value)
    except FrameError:
        return
    assert abs(number.value_nm) <= LARGEST_NM
    assert not value & 0x600000


@pytest.mark.parametrize("piece", [b" ", b"0", b"00 ", b"0x", b"\xff"])
def test_no_bytes_make_decoding_slow(piece: bytes) -> None:
    """A match that tries every way to share out the bytes would take hours here, until the run's time limit."""
    with pytest.raises(FrameError):
        decode_hex(piece * (200_000 // len(piece)) + b"!")
