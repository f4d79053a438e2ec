import re
from fractions import Fraction

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from drivers import FrameError
from drivers.frames.bcd13 import decode_bytes, decode_hex
from drivers.frames.number import Number
from drivers.reading import LARGEST_NM

# Layout of the frame: from memory, common practice, no source; the inch is 25.4 mm by definition (1959 agreement).


def bits_sent(digits: list[int]) -> list[int]:
    """Return the 52 bits in the order in which they leave the gauge."""
    return [digit >> place & 1 for digit in digits for place in range(4)]


def packed(bits: list[int]) -> bytes:
    """Put the bits into bytes as they come, the first into bit 0 of the first byte; what is missing is zero."""
    frame = bytearray(7)
    for position, bit in enumerate(bits):
        frame[position // 8] |= bit << position % 8
    return bytes(frame)


def read_bit_by_bit(frame: bytes) -> tuple[Fraction, str]:
    """Read a frame that holds, by a shift register and sums of powers of ten: a second computation; millimetres."""
    weights = {6 + place: Fraction(10) ** (5 - place) for place in range(6)}
    bits = [frame[position // 8] >> position % 8 & 1 for position in range(52)]
    digits = {1 + place: sum(bits[4 * place + bit] * 2**bit for bit in range(4)) for place in range(13)}
    value = sum(digits[place] * weight for place, weight in weights.items()) / 10 ** digits[12]
    value *= Fraction(254, 10) if digits[13] else 1
    return (-value if digits[5] else value), ("in" if digits[13] else "mm")


@pytest.mark.parametrize(
    ("line", "frame", "value_nm", "unit"),
    [
        pytest.param(b"FFFF000000020", "ffff0000002000", 0, "mm", id="zero"),
        pytest.param(b"FFFF800000020", "ffff0800002000", 0, "mm", id="minus zero"),
        pytest.param(b"FFFF000123420", "ffff0010322400", 12_340_000, "mm", id="12.34 mm"),
        pytest.param(b"FFFF800123420", "ffff0810322400", -12_340_000, "mm", id="-12.34 mm"),
        pytest.param(b"FFFF001234530", "ffff0021433500", 12_345_000, "mm", id="12.345 mm"),
        pytest.param(b"ffff000000541", "ffff0000004501", 12_700, "in", id="0.0005 in"),
        pytest.param(b"FFFF800000151", "ffff0800005101", -254, "in", id="-0.00001 in"),
        pytest.param(b" FFFF000000700\t", "ffff0000000700", 7_000_000, "mm", id="no decimal point"),
        pytest.param(b"FFFF099999951", "ffff9099995901", 253_999_746, "in", id="9.99999 in"),
    ],
)
def test_a_frame_gives_its_number_in_both_forms(line: bytes, frame: str, value_nm: int, unit: str) -> None:
    digits = [int(digit, 16) for digit in line.decode().strip()]
    expected = Number(value_nm=value_nm, unit=unit)

    assert decode_hex(line) == expected
    assert decode_bytes(packed(bits_sent(digits))) == expected
    assert packed(bits_sent(digits)) == bytes.fromhex(frame)


@pytest.mark.parametrize(
    ("line", "words"),
    [
        *(
            pytest.param(b"FFFF000123420"[:place] + b"E" + b"FFFF000123420"[place + 1 :], rule, id=f"digit {place + 1}")
            for place, rule in enumerate([
                *["its first four digits 15"] * 4,
                "0 or 8 as digit 5, the sign",
                *["decimal digits 6 to 11, the value"] * 6,
                "0 to 5 as digit 12, the place of the decimal point",
                "0 or 1 as digit 13, the unit",
            ])
        ),
        pytest.param(b"FFFF100123420", "0 or 8 as digit 5, the sign, got FFFF100123420", id="sign 1"),
        pytest.param(b"FFFF000123460", "0 to 5 as digit 12, the place of the decimal point", id="point at 6"),
        pytest.param(b"FFFF000123422", "0 or 1 as digit 13, the unit", id="unit 2"),
        pytest.param(b"F" * 13, "0 or 8 as digit 5, the sign", id="a line stuck at one"),
        pytest.param(b"0" * 13, "its first four digits 15", id="a line stuck at zero"),
    ],
)
def test_a_digit_that_is_none_of_its_place_is_refused(line: bytes, words: str) -> None:
    frame = packed(bits_sent([int(digit, 16) for digit in line.decode()]))

    for decode, sent in ((decode_hex, line), (decode_bytes, frame)):
        with pytest.raises(FrameError, match=rf"^gauge frame must have {re.escape(words)}") as caught:
            decode(sent)
        assert caught.value.frame == sent


@pytest.mark.parametrize(
    "line",
    [b"", b"FFFF00012342", b"FFFF0001234200", b"FFFF0 00123420", b"0xFFFF00012342", b"FFFF00012342G", b"FFFF00012_420"],
)
def test_a_line_of_anything_but_thirteen_hexadecimal_digits_is_refused(line: bytes) -> None:
    with pytest.raises(FrameError, match=r"^gauge line must be 13 hexadecimal digits, got b'") as caught:
        decode_hex(line)

    assert caught.value.frame == line


@pytest.mark.parametrize("frame", [b"", b"\xff\xff\x00\x10\x32\x24", b"\xff\xff\x00\x10\x32\x24\x00\x00"])
def test_a_frame_of_anything_but_seven_bytes_is_refused(frame: bytes) -> None:
    with pytest.raises(FrameError, match=r"^gauge frame must have 7 bytes, got b'"):
        decode_bytes(frame)


@pytest.mark.parametrize("bit", range(52, 56))
def test_a_bit_after_the_last_digit_is_refused(bit: int) -> None:
    frame = (int.from_bytes(bytes.fromhex("ffff0010322400"), "little") | 1 << bit).to_bytes(7, "little")

    with pytest.raises(FrameError, match=r"^gauge frame must have its last four bits zero, got b'"):
        decode_bytes(frame)


def test_more_than_ten_metres_are_refused() -> None:
    assert decode_hex(b"FFFF001000000").value_nm == LARGEST_NM
    with pytest.raises(FrameError, match=r"^value must not be larger than 10 m either way, got '-10000\.1'$"):
        decode_hex(b"FFFF810000110")


@given(st.integers(0, 999_999), st.integers(0, 5), st.sampled_from([0, 8]), st.sampled_from([0, 1]))
@settings(max_examples=400, derandomize=True, deadline=None)
def test_both_forms_agree_with_a_second_computation(value: int, point: int, sign: int, unit: int) -> None:
    digits = [15] * 4 + [sign] + [int(digit) for digit in f"{value:06d}"] + [point, unit]
    frame = packed(bits_sent(digits))
    expected_mm, expected_unit = read_bit_by_bit(frame)
    assert abs(expected_mm) == Fraction(value, 10**point) * (Fraction("25.4") if unit else 1)
    line = "".join(f"{digit:X}" for digit in digits).encode()
    if abs(expected_mm) > 10_000:
        for decode, sent in ((decode_hex, line), (decode_bytes, frame)):
            with pytest.raises(FrameError, match="10 m"):
                decode(sent)
        return

    number = decode_bytes(frame)

    assert (Fraction(number.value_nm, 1_000_000), number.unit) == (expected_mm, expected_unit)
    assert decode_hex(line) == number


@given(
    st.one_of(
        st.binary(max_size=9),
        st.binary(min_size=5, max_size=5).map(lambda rest: b"\xff\xff" + rest),
        st.text("F0189aG ", min_size=12, max_size=14).map(str.encode),
        st.text("0189F", min_size=9, max_size=9).map(lambda rest: b"FFFF" + rest.encode()),
    )
)
@settings(max_examples=400, derandomize=True, deadline=None)
def test_any_bytes_give_a_finite_number_or_a_refusal(frame: bytes) -> None:
    for decode in (decode_bytes, decode_hex):
        try:
            number = decode(frame)
        except FrameError:
            continue
        assert type(number.value_nm) is int
        assert abs(number.value_nm) <= LARGEST_NM
        assert number.unit in {"mm", "in"}


@pytest.mark.parametrize("piece", [b" ", b"F", b"0 ", b"\xff"])
def test_no_bytes_make_decoding_slow(piece: bytes) -> None:
    """A match that tries every way to share out the bytes would take hours here, until the run's time limit."""
    with pytest.raises(FrameError):
        decode_hex(piece * (200_000 // len(piece)) + b"!")
