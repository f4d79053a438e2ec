import re
from decimal import Decimal, localcontext

import pytest
from hypothesis import example, given, settings
from hypothesis import strategies as st

from drivers import FrameError
from drivers.frames.text import Number, TextDecoder
from drivers.reading import LARGEST_NM


@pytest.mark.parametrize(
    ("line", "value_nm", "unit", "status"),
    [
        pytest.param(b"12.34", 12_340_000, "mm", "", id="plain"),
        pytest.param(b"-12.34", -12_340_000, "mm", "", id="minus"),
        pytest.param(b"- 12.34", -12_340_000, "mm", "", id="blank after the sign"),
        pytest.param(b"+00012.340", 12_340_000, "mm", "", id="leading zeros"),
        pytest.param(b"\xe2\x88\x920.01", -10_000, "mm", "", id="Unicode minus"),
        pytest.param(b".5", 500_000, "mm", "", id="no digit before the point"),
        pytest.param(b"5.", 5_000_000, "mm", "", id="no digit after the point"),
        pytest.param(b"7", 7_000_000, "mm", "", id="whole"),
        pytest.param(b" \t 1.5 mm\t ", 1_500_000, "mm", "", id="blanks around"),
        pytest.param(b"0.0005 in", 12_700, "in", "", id="inch"),
        pytest.param(b"0.0005IN", 12_700, "in", "", id="capitals"),
        pytest.param(b"1 inch", 25_400_000, "in", "", id="inch in full"),
        pytest.param(b'0.25"', 6_350_000, "in", "", id="inch sign"),
        pytest.param(b"22.5 thou", 571_500, "thou", "", id="thousandths"),
        pytest.param(b"40 um", 40_000, "mm", "", id="um"),
        pytest.param("40 \u00b5m".encode(), 40_000, "mm", "", id="micro sign in UTF-8"),
        pytest.param("40 \u03bcm".encode(), 40_000, "mm", "", id="Greek mu in UTF-8"),
        pytest.param(b"40 \xb5m", 40_000, "mm", "", id="micro sign in Latin-1"),
        pytest.param(b"A 1.25", 1_250_000, "mm", "A", id="status letter"),
        pytest.param(b"N-1.25", -1_250_000, "mm", "N", id="status letter and sign"),
        pytest.param(b"01A+00012.340", 12_340_000, "mm", "01A", id="channel and status"),
        pytest.param(b"G1: 1.25 in", 31_750_000, "in", "G1:", id="named channel"),
        pytest.param(b"G12:3.", 3_000_000, "mm", "G12:", id="named channel with two digits"),
        pytest.param(b"B 2 mm", 2_000_000, "mm", "B", id="status and a whole number with its unit"),
        pytest.param(b"0", 0, "mm", "", id="zero"),
        pytest.param(b"-0.00", 0, "mm", "", id="minus zero"),
        pytest.param(b"0.0000005", 0, "mm", "", id="half a nanometre goes to the even one below"),
        pytest.param(b"0.0000015", 2, "mm", "", id="half a nanometre goes to the even one above"),
        pytest.param(b"10000", LARGEST_NM, "mm", "", id="10 m"),
    ],
)
def test_a_line_gives_its_number(line: bytes, value_nm: int, unit: str, status: str) -> None:
    assert TextDecoder().decode(line) == Number(value_nm=value_nm, unit=unit, status=status)


ONE_NUMBER = "line must be one decimal number with at most one unit, got "


@pytest.mark.parametrize(
    ("line", "words"),
    [
        *(
            pytest.param(line, ONE_NUMBER, id=ascii(line))
            for line in (
                *(b"", b" ", b"nan", b"inf", b"-inf", b"Infinity", b"1_0", b"1e5 ", b"1E5", b"01E5", b"01e5", b"1.2.3"),
                *(
                    b"1 2",
                    b"12.34 56.78",
                    b"+-1",
                    b"--1",
                    b"+",
                    b".",
                    b"mm",
                    b"A",
                    b"1.2 mm mm",
                    b"1 mm 2",
                    b"0x10",
                    b"E5",
                ),
                *(b"\xb2", b"\xd9\xa1", b"\xef\xbc\x91", b"1.0\x00", b"\x001.0", b"1.0\n", b"AB 1.0", b"a 1.0"),
                *(b"001A1.0", b"1A1.0", b"G123:1.0", b"1/2", b"(1)", b"1.0;", b"IN 1.0"),
            )
        ),
        pytest.param(b"1\xb2", 'line must end with mm, in, inch, ", thou or um, got ', id="superscript two"),
        pytest.param(b"1 cm", 'line must end with mm, in, inch, ", thou or um, got ', id="another unit"),
        pytest.param(b"1.0mmm", 'line must end with mm, in, inch, ", thou or um, got ', id="unit with a letter more"),
        pytest.param(b"1,5", "line must have '.' as its decimal mark, got b'1,5'", id="decimal comma"),
        pytest.param(b"B2", "line must have a sign, a decimal mark or a unit after a status", id="code"),
        pytest.param(b"1234567890.123", "line must have at most 12 significant digits", id="13 digits"),
        pytest.param(b"10000.001", "value must not be larger than 10 m either way", id="over 10 m"),
        pytest.param(b"999999999999", "value must not be larger than 10 m either way", id="far over 10 m"),
    ],
)
def test_what_is_no_measurement_is_refused(line: bytes, words: str) -> None:
    with pytest.raises(FrameError, match=rf"^{re.escape(words)}") as caught:
        TextDecoder().decode(line)

    assert caught.value.frame == line
    assert str(caught.value) == caught.value.reason


def test_a_coarse_decimal_context_changes_no_value() -> None:
    with localcontext(prec=2):
        assert TextDecoder().decode(b"-12.345").value_nm == -12_345_000


def test_twelve_significant_digits_pass() -> None:
    assert TextDecoder().decode(b"0001234.56789012").value_nm == 1_234_567_890


def test_a_decimal_comma_is_read_where_the_gauge_sends_one() -> None:
    decoder = TextDecoder(decimal_comma=True)

    assert decoder.decode(b"-1,25").value_nm == -1_250_000
    with pytest.raises(FrameError, match=r"^line must have ',' as its decimal mark, got b'1\.25'$"):
        decoder.decode(b"1.25")


def test_the_default_unit_is_that_of_the_gauge() -> None:
    decoder = TextDecoder("in")

    assert decoder.decode(b"0.0005") == Number(value_nm=12_700, unit="in")
    assert decoder.decode(b"0.01 mm") == Number(value_nm=10_000, unit="mm")


def test_without_a_default_the_unit_must_be_sent() -> None:
    decoder = TextDecoder(None)

    assert decoder.decode(b"1 mm").value_nm == 1_000_000
    with pytest.raises(FrameError, match=r"^line must name its unit, got b'1'$"):
        decoder.decode(b"1")


def test_an_unknown_default_unit_is_refused() -> None:
    with pytest.raises(ValueError, match=r"^default_unit must be mm, in, thou or None, got 'cm'$"):
        TextDecoder("cm")


def test_a_long_line_is_cut_in_the_message_only() -> None:
    line = b"x" * 200

    with pytest.raises(FrameError, match=r"got b'x{45}\.\.\.'$") as caught:
        TextDecoder().decode(line)

    assert caught.value.frame == line


def number_or_refusal(decoder: TextDecoder, line: bytes) -> None:
    try:
        number = decoder.decode(line)
    except FrameError:
        return
    assert type(number.value_nm) is int
    assert abs(number.value_nm) <= LARGEST_NM
    assert number.unit in {"mm", "in", "thou"}


@given(
    st.one_of(
        st.binary(max_size=40), st.text('0123456789.,+- AEGN:mintho"\u00b5\u2212\u0661', max_size=16).map(str.encode)
    )
)
@example(b"nan")
@example(b"inf")
@example(b"1_0")
@example(b" 1 ")
@example(b"1e5")
@example(b"1E400")
@example(b"1,5")
@example(b"\xb2")
@example(b"\xe2\x88\x92")
@example(b"0." + b"0" * 400 + b"1")
@example(b"9" * 5000)
@settings(max_examples=300, derandomize=True, deadline=None)
def test_any_bytes_give_a_finite_number_or_a_refusal(line: bytes) -> None:
    for decoder in (TextDecoder(), TextDecoder(None), TextDecoder("in", decimal_comma=True)):
        number_or_refusal(decoder, line)


@given(st.integers(-(10**7), 10**7), st.sampled_from(["mm", "in", "thou"]), st.sampled_from(["", "01A", "N", "G1:"]))
@settings(max_examples=150, derandomize=True, deadline=None)
def test_what_is_sent_comes_back(thousandths: int, unit: str, status: str) -> None:
    """Checked against decimal arithmetic; the inch is 25.4 mm by definition (1959 agreement)."""
    nm_per_unit = {"mm": Decimal(10**6), "in": Decimal("25.4e6"), "thou": Decimal("25.4e3")}[unit]
    sent = Decimal(thousandths).scaleb(-3)
    expected = (sent * nm_per_unit).to_integral_exact()
    if abs(expected) > LARGEST_NM:
        return

    number = TextDecoder().decode(f"{status}{sent:f} {unit}".encode())

    assert number == Number(value_nm=int(expected), unit=unit, status=status)


@pytest.mark.parametrize("piece", [b" ", b"\t ", b"1", b"1 ", b"A", b"\xff", b'"', b"0A", b"."])
def test_no_bytes_make_decoding_slow(piece: bytes) -> None:
    """A match that tries every way to share out the bytes would take hours here, until the run's time limit."""
    line = piece * (200_000 // len(piece)) + b"!"

    with pytest.raises(FrameError):
        TextDecoder().decode(line)
