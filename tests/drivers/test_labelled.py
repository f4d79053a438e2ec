import re
from decimal import Decimal

import pytest
from hypothesis import assume, example, given, settings
from hypothesis import strategies as st

from drivers import FrameError
from drivers.frames.labelled import LabelledTextDecoder
from drivers.frames.number import Number
from drivers.frames.text import TextDecoder
from drivers.reading import LARGEST_NM


@pytest.mark.parametrize(
    ("line", "value_nm", "unit", "status"),
    [
        pytest.param(b"MEAS: -0.012 mm", -12_000, "mm", "MEAS:", id="label, sign and unit"),
        pytest.param(b"CH1 12.34mm OK", 12_340_000, "mm", "CH1 OK", id="channel and verdict"),
        pytest.param(b'+0.0005"', 12_700, "in", "", id="nothing but a number"),
        pytest.param(b"D=  1.234", 1_234_000, "mm", "D=", id="equals sign"),
        pytest.param(b"D =1.234", 1_234_000, "mm", "D=", id="blank before the equals sign"),
        pytest.param(b"No.3 0.58 mm", 580_000, "mm", "No.3", id="point before the channel's number"),
        pytest.param(b"CH1:2.5", 2_500_000, "mm", "CH1:", id="colon without a blank"),
        pytest.param(b"Thickness \t 0.58", 580_000, "mm", "Thickness", id="word and blanks"),
        pytest.param(b"12.34 ok", 12_340_000, "mm", "ok", id="verdict alone"),
        pytest.param(b"01A+00012.340 NG", 12_340_000, "mm", "01A NG", id="status of the text and verdict"),
        pytest.param(b"CH1 5 mm", 5_000_000, "mm", "CH1", id="whole number with its unit"),
        pytest.param(b"CH1 -5", -5_000_000, "mm", "CH1", id="whole number with its sign"),
        pytest.param(b"CH1 5.", 5_000_000, "mm", "CH1", id="whole number with its mark"),
        pytest.param("X: \u22120.5 \u00b5m HI".encode(), -500, "mm", "X: HI", id="Unicode minus and micro sign"),
        pytest.param(b"7", 7_000_000, "mm", "", id="bare whole number, as ever"),
    ],
)
def test_a_line_gives_its_number(line: bytes, value_nm: int, unit: str, status: str) -> None:
    assert LabelledTextDecoder().decode(line) == Number(value_nm=value_nm, unit=unit, status=status)


CODE = "line must have a sign, a decimal mark or a unit beside a label or verdict, or it may be a code, got "
SEVERAL = "line must hold one number, not several, got "
EXPONENT = "line must be a number without an exponent, got "
FINITE = "line must be a finite number, got "
DATE = "line must be one number, not a date, a time or a version, got "
LABEL = "line must hold a length, not what "
SHAPE = "line must be one decimal number with at most one unit, got "
UNIT = 'line must end with mm, in, inch, ", thou or um, got '


@pytest.mark.parametrize(
    ("words", "line"),
    [
        *((CODE, line) for line in (b"CH1 5", b"D= 5", b"7 OK", b"No.3 12", b"B 2")),
        *((SEVERAL, line) for line in (b"12.34 56.78", b"X=1.2 Y=3.4", b"1.25 mm 0.05 in", b"CH1 5 2.5")),
        *((SEVERAL, line) for line in (b"No. 3 0.58", b"CH1234 1.0", b"D= 1,234,5", b"1 234.5", b"+1.2 -1.2")),
        *((EXPONENT, line) for line in (b"1e5", b"D= 1.5E-3 mm", b"CH1 2E+2", b"01E5")),
        *((FINITE, line) for line in (b"nan", b"D= NaN", b"D= -inf", b"X: Infinity mm")),
        *((DATE, line) for line in (b"12:30:05", b"AT 12:30", b"2026-03-02", b"D=02.03.2026", b"3/2")),
        *((DATE, line) for line in (b"1.2.3", b"v1.2.3", b"CH.1.5")),
        *((LABEL, line) for line in (b"V1.2", b"01V1.2", b"VER: 1.2", b"fw 1.2", b"Err 2.5", b"E5 1.2", b"TIME 12.30")),
        *((LABEL, line) for line in (b"IN 1.0", b"mm 1.0", b"inch= 1.0", b"BATT 2.9", b"Temp: 23.5", b"LOW 2.9")),
        *((SHAPE, line) for line in (b"", b"CH1", b"CH1 OK", b"OK", b"D=", b"v1.2", b"E05", b"1.0 OK\n", b"A\x001.0")),
        *((SHAPE, line) for line in (b"LOW BATT 2.9", b"SLOT WIDTH 0.58", b"Thicknessesss 1.0", b"(1.0)", b"OK NG")),
        *((SHAPE, line) for line in (b"CH-1.5", b"SN-12", b"D=1.5;", b"\xc3\x84 1.5")),
        *((UNIT, line) for line in (b"12.34 cm", b"T: 23.5 C", b"D=1.5 mmm", b"1.5 OK NG", b"1.5OK")),
        ("line must have one label only, got ", b"CH1 A 1.5"),
        ("line must have one label only, got ", b"MEAS: N-1.25"),
        ("line must have '.' as its decimal mark, got ", b"D= 1,25"),
        ("line must have at most 12 significant digits, got ", b"D= 1234567890.123"),
        ("value must not be larger than 10 m either way, got ", b"D= 10000.001"),
    ],
    ids=ascii,
)
def test_what_is_no_measurement_is_refused(words: str, line: bytes) -> None:
    with pytest.raises(FrameError, match=rf"^{re.escape(words)}") as caught:
        LabelledTextDecoder().decode(line)

    assert caught.value.frame == line


def test_a_decimal_comma_is_read_only_where_the_gauge_sends_one() -> None:
    decoder = LabelledTextDecoder(decimal_comma=True)

    assert decoder.decode(b"CH1: -1,25 OK") == Number(value_nm=-1_250_000, unit="mm", status="CH1: OK")
    with pytest.raises(FrameError, match=r"^line must have ',' as its decimal mark, got b'1\.25'$"):
        decoder.decode(b"CH1: 1.25")


def test_without_a_default_unit_only_a_number_with_a_unit_counts() -> None:
    decoder = LabelledTextDecoder(None)

    assert decoder.decode(b"D= 1.25 in").value_nm == 31_750_000
    with pytest.raises(FrameError, match=r"^line must name its unit, got b'23\.5'$"):
        decoder.decode(b"T= 23.5")


LINES = st.text('0123456789.,+- \tABEGNOKV:=mintho"\u00b5\u2212', max_size=14).map(str.encode)
DECODERS = [LabelledTextDecoder(), LabelledTextDecoder(None), LabelledTextDecoder("in", decimal_comma=True)]


@given(st.one_of(st.binary(max_size=40), LINES))
@example(b"D= nan")
@example(b"D= 1e5 OK")
@example(b"D= " + b"9" * 5000)
@example(b"D=" + b" " * 300 + b"1.5" + b" " * 300 + b"OK")
@settings(max_examples=400, derandomize=True, deadline=None)
def test_any_bytes_give_a_finite_number_or_a_refusal(line: bytes) -> None:
    for decoder in DECODERS:
        try:
            number = decoder.decode(line)
        except FrameError:
            continue
        assert type(number.value_nm) is int
        assert abs(number.value_nm) <= LARGEST_NM
        assert number.unit in {"mm", "in", "thou"}


@st.composite
def plain_lines(draw: st.DrawFn) -> bytes:
    """Draw lines of the shape that `TextDecoder` reads, now and then broken by a part too many."""
    part = {
        "status": st.sampled_from(["", "", "01A", "A", "N ", "V", "G1:", "G12: "]),
        "sign": st.sampled_from(["", "+", "-", "- ", "\u2212"]),
        "number": st.sampled_from(["1", "12.34", ".5", "5.", "0,5", "00012.340", "1e5", ""]),
        "unit": st.sampled_from(["", "mm", " in", ' "', " THOU", "\u00b5m", " cm", " 1"]),
    }
    return "".join(draw(strategy) for strategy in part.values()).encode()


@given(st.one_of(plain_lines(), LINES))
@settings(max_examples=500, derandomize=True, deadline=None)
def test_what_the_plain_decoder_reads_is_read_alike(line: bytes) -> None:
    try:
        plain = TextDecoder().decode(line)
    except FrameError:
        return
    if plain.status.endswith("V"):
        with pytest.raises(FrameError, match=r"^line must hold a length"):
            LabelledTextDecoder().decode(line)
        return

    assert LabelledTextDecoder().decode(line) == plain


@given(st.one_of(LINES, st.lists(plain_lines(), max_size=2).map(lambda parts: b"D= " + b" ".join(parts))))
@settings(max_examples=500, derandomize=True, deadline=None)
def test_no_line_with_two_numbers_outside_its_status_is_read(line: bytes) -> None:
    try:
        number = LabelledTextDecoder().decode(line)
    except FrameError:
        return
    in_status = len(re.findall(r"[0-9]+", number.status))

    assert len(re.findall(rb"[0-9]+(?:[.,][0-9]*)?|[.,][0-9]+", line)) - in_status <= 1


@given(
    st.from_regex(r"[A-Za-z]{1,12}(\.?[0-9]{1,3})?[:=]?", fullmatch=True),
    st.integers(-(10**7), 10**7),
    st.sampled_from(["", "OK", "ng", "Go", "HI", "LO"]),
    st.sampled_from(["", " ", "\t  "]),
)
@settings(max_examples=150, derandomize=True, deadline=None)
def test_what_is_sent_comes_back_with_its_label_and_verdict(
    label: str, thousandths: int, verdict: str, blanks: str
) -> None:
    value = f"{Decimal(thousandths).scaleb(-3):f}"
    gap = blanks if label[-1] in ":=" else blanks or " "
    line = f"{blanks}{label}{gap}{value}{blanks}mm {verdict}".encode()
    try:
        number = LabelledTextDecoder().decode(line)
    except FrameError as error:
        assume(not error.reason.startswith(LABEL))  # it drew a word for what is no length
        raise

    status = f"{label} {verdict}".strip()
    assert number == Number(value_nm=thousandths * 1000, unit="mm", status=status)


@pytest.mark.parametrize(
    "piece", [b" ", b"\t ", b"1", b"1 ", b"A", b"A ", b"A: ", b" OK", b".1", b"1.", b"1e", b"nan", b"\xff", b"=", b"-"]
)
def test_no_bytes_make_decoding_slow(piece: bytes) -> None:
    """A match that tries every way to share out the bytes would take hours here, until the run's time limit."""
    for start in (b"", b"D= ", b"D= 1.5 "):
        with pytest.raises(FrameError):
            LabelledTextDecoder().decode(start + piece * (200_000 // len(piece)) + b"!")
