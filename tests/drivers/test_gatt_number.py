import csv
import re
import struct
from decimal import Decimal
from fractions import Fraction
from pathlib import Path

import pytest
from hypothesis import example, given, settings
from hypothesis import strategies as st

from drivers import FrameError
from drivers.frames.gatt_number import GattNumberDecoder
from drivers.frames.number import Number
from drivers.reading import LARGEST_NM

REFERENCE = Path(__file__).parents[1] / "reference"
METRE, INCH, FOOT, YARD = 0x2701, 0x27A2, 0x27A3, 0x27A0

#: Nanometres; metre by definition of the SI prefix, the others by the international yard and pound agreement of 1959.
NM = {METRE: Fraction(10**9), INCH: Fraction("0.0254") * 10**9, FOOT: Fraction("0.3048") * 10**9}
NM[YARD] = 3 * NM[FOOT]


def published(name: str) -> list[dict[str, str]]:
    """Return the rows of a file of published values; its first lines name the source."""
    with (REFERENCE / f"{name}.csv").open(encoding="utf-8") as lines:
        return list(csv.DictReader(line for line in lines if not line.startswith("#")))


def decoder(kind: int, exponent: int = 0, unit: int = METRE) -> GattNumberDecoder:
    return GattNumberDecoder(struct.pack("<BbHBH", kind, exponent, unit, 1, 0))


FORMATS = published("ble_format_types")
INTEGERS = [row for row in FORMATS if row["exponent_applies"] == "1"]


@pytest.mark.parametrize("row", published("ble_2904_vectors"), ids=lambda row: row["hex"])
def test_published_descriptors_of_lengths_are_read_and_others_refused(row: dict[str, str]) -> None:
    descriptor = bytes.fromhex(row["hex"])
    if not re.search("metre|inch", row["meaning"]):
        with pytest.raises(FrameError, match=r"^unit must be metre, inch, foot or yard, got 0x27"):
            GattNumberDecoder(descriptor)
        return
    bits, exponent = map(int, re.search(r"sint(\d+), 10\^(-\d+)", row["meaning"]).groups())
    unit = INCH if "inch" in row["meaning"] else METRE

    number = GattNumberDecoder(descriptor).decode((-1234).to_bytes(bits // 8, "little", signed=True))

    expected_nm = -1234 * NM[unit] * Fraction(10) ** exponent
    assert number == Number(value_nm=int(expected_nm), unit="in" if unit == INCH else "mm")
    assert number.value_nm == expected_nm


def test_a_hundredth_of_a_millimetre_and_half_a_thousandth_of_an_inch_are_exact() -> None:
    assert decoder(0x0E, -5).decode((1234).to_bytes(2, "little")) == Number(value_nm=12_340_000, unit="mm")
    assert decoder(0x0E, -4, INCH).decode((5).to_bytes(2, "little")) == Number(value_nm=12_700, unit="in")


@pytest.mark.parametrize("row", INTEGERS, ids=lambda row: row["short_name"])
def test_every_integer_format_is_read_from_end_to_end(row: dict[str, str]) -> None:
    sign, bits = re.fullmatch(r"([us])int(\d+)", row["short_name"]).groups()
    low, high = (0, 2 ** int(bits) - 1) if sign == "u" else (-(2 ** (int(bits) - 1)), 2 ** (int(bits) - 1) - 1)
    exponent = -30 if int(bits) > 64 else -9 if int(bits) < 33 else -20
    read = decoder(int(row["value"], 16), exponent)

    for count in {low, low + 1, -1, 0, 1, high - 1, high} - ({-1} if sign == "u" else set()):
        value = (count % 2 ** int(bits)).to_bytes(int(row["size_bytes"]), "little")
        expected_nm = round(count * Fraction(10) ** (9 + exponent))
        if abs(expected_nm) <= LARGEST_NM:
            assert read.decode(value) == Number(value_nm=expected_nm, unit="mm")
        else:
            with pytest.raises(FrameError, match="10 m"):
                read.decode(value)


@pytest.mark.parametrize("row", FORMATS, ids=lambda row: row["short_name"])
def test_only_published_formats_of_numbers_are_read_and_only_at_their_length(row: dict[str, str]) -> None:
    kind, name, length = int(row["value"], 16), row["short_name"], int(row["size_bytes"] or 0)
    if not (row["exponent_applies"] == "1" or "float" in name):
        with pytest.raises(FrameError, match=r"^format must be a number's, got ") as caught:
            decoder(kind)
        assert caught.value.frame[0] == kind
        return
    read = decoder(kind)

    assert read.decode(bytes(length)).value_nm == 0
    for wrong in (0, length - 1, length + 1):
        with pytest.raises(FrameError, match=rf"^{name.split()[0]} must have {length} bytes?, got b'"):
            read.decode(bytes(wrong))


@pytest.mark.parametrize("kind", [0x00, *range(0x1D, 0x100)])
def test_a_format_that_is_not_assigned_is_refused(kind: int) -> None:
    with pytest.raises(FrameError, match=rf"^format must be one of 0x04 to 0x17, got 0x{kind:02X}$"):
        decoder(kind)


@pytest.mark.parametrize("row", published("ble_units_length"), ids=lambda row: row["name"])
def test_metre_inch_foot_and_yard_are_read_and_no_other_unit(row: dict[str, str]) -> None:
    unit = int(row["uuid"], 16)
    word = re.sub(r".*\((.*)\)", r"\1", row["name"])
    if word not in {"metre", "inch", "foot", "yard"}:
        with pytest.raises(FrameError, match=rf"^unit must be metre, inch, foot or yard, got 0x{unit:04X}$"):
            decoder(0x04, unit=unit)
        return

    assert decoder(0x04, unit=unit).decode(b"\3") == Number(
        value_nm=int(3 * NM[unit]), unit="mm" if word == "metre" else "in"
    )


@pytest.mark.parametrize("length", [0, 1, 6, 8])
def test_a_descriptor_of_another_length_is_refused(length: int) -> None:
    with pytest.raises(FrameError, match=r"^presentation format must have 7 bytes, got b'"):
        GattNumberDecoder(bytes(length))


def test_namespace_and_description_change_no_number() -> None:
    other = GattNumberDecoder(struct.pack("<BbHBH", 0x06, -4, METRE, 0, 0x0102))

    assert (
        other.decode(b"\x39\x30") == decoder(0x06, -4).decode(b"\x39\x30") == Number(value_nm=1_234_500_000, unit="mm")
    )


def test_the_high_bits_beside_a_12_bit_integer_are_ignored() -> None:
    """Bluetooth Assigned Numbers, format types: set to zero on transmission and ignored upon receipt."""
    for high in range(16):
        assert decoder(0x05, -6).decode(bytes([0xFF, high << 4 | 0xF])).value_nm == 4_095_000
        assert decoder(0x0D, -6).decode(bytes([0xFF, high << 4 | 0xF])).value_nm == -1_000


def test_the_exponent_counts_for_integers_only() -> None:
    assert decoder(0x14, exponent=-3).decode(struct.pack("<f", 0.5)).value_nm == 500_000_000
    assert decoder(0x16, exponent=-3).decode(b"\x05\xf0").value_nm == 500_000_000


def special_or_value(word: int, mantissa_bits: int, exponent_bits: int) -> Fraction | None:
    """Read a decimal float by sums of powers of two, None for one that is no number: a second computation."""
    bits = [word >> place & 1 for place in range(mantissa_bits + exponent_bits)]
    mantissa = sum(bits[place] * 2**place for place in range(mantissa_bits - 1))
    mantissa -= bits[mantissa_bits - 1] * 2 ** (mantissa_bits - 1)
    exponent = sum(bits[mantissa_bits + place] * 2**place for place in range(exponent_bits - 1))
    exponent -= bits[-1] * 2 ** (exponent_bits - 1)
    if abs(mantissa) > 2 ** (mantissa_bits - 1) - 3:  # IEEE 11073-20601, range of numbers; from memory
        return None
    return mantissa * Fraction(10) ** exponent


def test_every_word_of_medfloat16_agrees_with_a_second_computation() -> None:
    read = decoder(0x16)
    numbers = 0
    for word in range(1 << 16):
        expected = special_or_value(word, 12, 4)
        if expected is not None and abs(expected) <= 10:
            assert read.decode(word.to_bytes(2, "little")).value_nm == round(expected * 10**9), hex(word)
            numbers += 1
            continue
        with pytest.raises(FrameError, match="finite number" if expected is None else "10 m"):
            read.decode(word.to_bytes(2, "little"))

    assert numbers > 20_000


@given(st.integers(0, 2**32 - 1), st.sampled_from([METRE, INCH, FOOT, YARD]))
@example(0x007FFFFE, INCH)
@example(0xFF7FFFFF, INCH)
@example(0x01800002, INCH)
@example(0x80000001, INCH)
@example(0xF77FFFFD, METRE)
@settings(max_examples=300, derandomize=True, deadline=None)
def test_medfloat32_agrees_with_a_second_computation(word: int, unit: int) -> None:
    value = word.to_bytes(4, "little")
    expected = special_or_value(word, 24, 8)
    if expected is not None and abs(expected * NM[unit]) <= LARGEST_NM:
        assert decoder(0x17, unit=unit).decode(value).value_nm == round(expected * NM[unit])
        return
    with pytest.raises(FrameError, match="finite number" if expected is None else "10 m"):
        decoder(0x17, unit=unit).decode(value)


@pytest.mark.parametrize("row", published("ieee11073_vectors"), ids=lambda row: row["word"])
def test_published_decimal_floats_are_read_and_special_ones_refused_by_name(row: dict[str, str]) -> None:
    """In inches, because most of the published values are over 10 m in metres."""
    read = decoder(0x16 if row["type"] == "SFLOAT" else 0x17, unit=INCH)
    value = bytes.fromhex(row["le_hex"])
    assert int.from_bytes(value, "little") == int(row["word"], 16)
    if re.fullmatch(r"[-\d.]+", row["value"]) and abs(Decimal(row["value"])) < 393:
        assert read.decode(value).value_nm == Fraction(row["value"]) * NM[INCH]
        return

    with pytest.raises(FrameError) as caught:
        read.decode(value)

    if row["value"].isdigit():
        said = re.fullmatch(r"value must not be larger than 10 m either way, got '(.*)'", caught.value.reason)
        assert Decimal(said[1]) == Decimal(row["value"])
    else:
        name = {"SFLOAT": "medfloat16", "FLOAT": "medfloat32"}[row["type"]]
        assert caught.value.reason.startswith(f"{name} must be a finite number, got {row['value']}")


def ieee754(word: int, exponent_bits: int, mantissa_bits: int) -> Fraction | None:
    """Read a binary float by its bits, None for one that is not finite: a second computation. Source: IEEE 754."""
    mantissa = word % 2**mantissa_bits
    exponent = word // 2**mantissa_bits % 2**exponent_bits
    sign = -1 if word >> mantissa_bits + exponent_bits else 1
    if exponent == 2**exponent_bits - 1:
        return None
    scale = Fraction(2) ** (max(exponent, 1) - (2 ** (exponent_bits - 1) - 1) - mantissa_bits)
    return sign * scale * (mantissa + (2**mantissa_bits if exponent else 0))


@given(
    st.one_of(
        st.tuples(st.just(0x14), st.integers(0, 2**32 - 1)),
        st.tuples(st.just(0x15), st.integers(0, 2**64 - 1)),
        st.floats(-11, 11, width=32).map(lambda sent: (0x14, int.from_bytes(struct.pack("<f", sent), "little"))),
        st.floats(-11, 11).map(lambda sent: (0x15, int.from_bytes(struct.pack("<d", sent), "little"))),
    ),
    st.sampled_from([METRE, INCH, FOOT, YARD]),
)
@example((0x14, 0x7F7FFFFF), METRE)
@example((0x15, 0x7FEFFFFFFFFFFFFF), METRE)
@example((0x15, 1), METRE)
@example((0x14, 0x80000000), METRE)
@settings(max_examples=400, derandomize=True, deadline=None)
def test_binary_floats_are_exact_but_for_one_rounding_to_the_nanometre(sent: tuple[int, int], unit: int) -> None:
    kind, word = sent
    value = word.to_bytes(4 if kind == 0x14 else 8, "little")
    expected = ieee754(word, 8, 23) if kind == 0x14 else ieee754(word, 11, 52)
    if expected is not None and abs(round(expected * NM[unit])) <= LARGEST_NM:
        assert decoder(kind, unit=unit).decode(value).value_nm == round(expected * NM[unit])
        return
    with pytest.raises(FrameError, match="finite number" if expected is None else "10 m"):
        decoder(kind, unit=unit).decode(value)


@pytest.mark.parametrize("word", ["nan", "inf", "-inf"])
def test_a_binary_float_that_is_not_finite_is_refused_by_name(word: str) -> None:
    with pytest.raises(FrameError, match=rf"^float32 must be a finite number, got {word}$"):
        decoder(0x14).decode(struct.pack("<f", float(word)))
    with pytest.raises(FrameError, match=rf"^float64 must be a finite number, got {word}$"):
        decoder(0x15).decode(struct.pack("<d", float(word)))


def test_a_refusal_stays_one_short_line() -> None:
    with pytest.raises(FrameError) as caught:
        decoder(0x15).decode(struct.pack("<d", -1.7e308))

    assert caught.value.reason == "value must not be larger than 10 m either way, got '-1.7e+308'"


@given(st.one_of(st.binary(max_size=10), st.binary(min_size=7, max_size=7)), st.binary(max_size=17))
@example(bytes([0x0B, 0x7F, 0x01, 0x27, 1, 0, 0]), b"\xff" * 16)
@example(bytes([0x0B, 0x80, 0x01, 0x27, 1, 0, 0]), b"\xff" * 16)
@settings(max_examples=300, derandomize=True, deadline=None)
def test_any_descriptor_and_value_give_a_finite_number_or_a_refusal(descriptor: bytes, value: bytes) -> None:
    try:
        number = GattNumberDecoder(descriptor).decode(value)
    except FrameError:
        return
    assert_finite(number)


@given(st.integers(0x04, 0x17), st.integers(-128, 127), st.sampled_from([METRE, INCH, FOOT, YARD]), st.data())
@settings(max_examples=400, derandomize=True, deadline=None)
def test_any_value_of_a_length_gives_a_finite_number_or_a_refusal(
    kind: int, exponent: int, unit: int, data: st.DataObject
) -> None:
    length = int(FORMATS[kind - 1]["size_bytes"])
    value = data.draw(st.binary(min_size=length, max_size=length))
    try:
        number = decoder(kind, exponent, unit).decode(value)
    except FrameError:
        return
    assert_finite(number)


def assert_finite(number: Number) -> None:
    assert type(number.value_nm) is int
    assert abs(number.value_nm) <= LARGEST_NM
    assert number.unit in {"mm", "in"}
