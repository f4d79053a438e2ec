import re
import threading
from datetime import UTC, datetime

import pytest
from hypothesis import example, given, settings
from hypothesis import strategies as st

from drivers import FrameError, Instant, Reading, TypedGauge, TypedValue, parse_typed


@pytest.mark.parametrize(
    ("text", "unit", "value_nm", "typed_unit"),
    [
        ("0.58", "mm", 580_000, "mm"),
        (" -0.02 ", "mm", -20_000, "mm"),
        ("\u22120.02", "mm", -20_000, "mm"),
        ("+1", "mm", 1_000_000, "mm"),
        (".5", "in", 12_700_000, "in"),
        ("5.", "mm", 5_000_000, "mm"),
        ("0.022 in", "mm", 558_800, "in"),
        ('0.022"', "mm", 558_800, "in"),
        ("0.022 Inch", "mm", 558_800, "in"),
        ("22 thou", "mm", 558_800, "thou"),
        ("22", "thou", 558_800, "thou"),
        ("0.58MM", "in", 580_000, "mm"),
        ("40 um", "in", 40_000, "mm"),
        ("1,23", "mm", 1_230_000, "mm"),
        ("-0,02", "mm", -20_000, "mm"),
        ("1,234", "mm", 1_234_000, "mm"),
        ("0,58 mm", "in", 580_000, "mm"),
        ("40 \u00b5m", "in", 40_000, "mm"),
    ],
)
def test_a_typed_number_is_read(text: str, unit: str, value_nm: int, typed_unit: str) -> None:
    assert parse_typed(text, unit=unit) == TypedValue(value_nm=value_nm, unit=typed_unit)


@pytest.mark.parametrize(
    "text",
    [
        *("0.55 0.60", "0.55/0.60", "0.55 / 0.60", "0.55..0.60", "0.55 .. 0.60", "0.55...0.60", "0.55\u20260.60"),
        *("0.55 mm 0.60", "0.55 0.60 mm", "0.55mm/0.60mm", "0.55\u00a00.60", "550 um / 600 um"),
        *("0.55 goes, 0.60 does not", "0.55 mm goes in, 0.60 mm doesn\u2019t go in", "0.55 goes 0.60 does not go"),
    ],
)
def test_a_leaf_bracket_is_read(text: str) -> None:
    expected = TypedValue(value_nm=575_000, unit="mm", low_nm=550_000, high_nm=600_000)

    assert parse_typed(text, unit="mm") == expected


def test_a_leaf_bracket_in_thousandths_is_read() -> None:
    expected = TypedValue(value_nm=584_200, unit="thou", low_nm=558_800, high_nm=609_600)

    assert parse_typed("22 / 24", unit="thou") == expected
    assert parse_typed("22/24 thou", unit="mm") == expected


def test_a_decimal_comma_is_taken_in_one_of_two_leaves_and_in_no_other_unit() -> None:
    assert parse_typed("0/0,04", unit="mm") == parse_typed("0/0.04", unit="mm")
    for unit in ("in", "thou"):
        with pytest.raises(FrameError, match=r"has a decimal comma; type a point: 1\.23"):
            parse_typed("1,23", unit=unit)


def test_no_leaf_at_all_is_a_bracket_from_zero() -> None:
    assert parse_typed("0/0.04", unit="mm") == TypedValue(value_nm=20_000, unit="mm", low_nm=0, high_nm=40_000)


def test_half_way_between_two_leaves_is_rounded_down() -> None:
    assert parse_typed("0.000001/0.000002", unit="mm").value_nm == 1


NEITHER = "is neither a number nor a pair of leaves; type for example 0.58"


@pytest.mark.parametrize(
    ("text", "words"),
    [
        ("", "'' is empty; type a number"),
        ("  ", "'  ' is empty; type a number"),
        ("0,55,1", "'0,55,1' has a decimal comma; type a point: 0.55"),
        ("0,55/0.60", "'0,55/0.60' has a decimal comma; type a point: 0.55"),
        ("1,2345", "'1,2345' has a decimal comma; type a point: 1.2345"),
        ("1,23 in", "'1,23 in' has a decimal comma; type a point: 1.23"),
        ("1,234 um", "'1,234 um' has a decimal comma; type a point: 1.234"),
        (",5", "',5' has a decimal comma; type a point: 0.5"),
        ("0,55 0,60", "'0,55 0,60' has a decimal comma; type a point: 0.55"),
        ("0.60 0.55", "'0.60 0.55' must name the thinner leaf first"),
        ("0.55/0.55", "'0.55/0.55' must name the thinner leaf first"),
        ("-0.55/0.60", "'-0.55/0.60' has a negative leaf"),
        ("0.55 mm 0.60 in", "'0.55 mm 0.60 in' has two different units"),
        ("99999", "'99999' is more than 10 m; check the point and the unit"),
        ("1.234567890123", "'1.234567890123' has more than 12 significant digits"),
        ("1" * 65, f"'{'1' * 64}' starts a text longer than 64 characters"),
        *(
            (text, f"{text!r} {NEITHER}")
            for text in ("nan", "inf", "1_0", "1e3", "1 2 3", "0.5-0.6", "abc", "1 cm", "1mm2")
        ),
        *(
            (text, f"{text!r} {NEITHER}")
            for text in ("/", "1/", "/2", "..", "1/2/3", "\u0661", "1.2.3", "goes", "\ud800", "1 in1")
        ),
    ],
)
def test_what_is_neither_is_refused_with_a_sentence(text: str, words: str) -> None:
    with pytest.raises(FrameError, match=rf"^{re.escape(words)}"):
        parse_typed(text, unit="mm")


def test_the_bench_unit_must_be_known() -> None:
    with pytest.raises(ValueError, match=r"^unit must be mm, in or thou, got 'cm'$"):
        parse_typed("1", unit="cm")


@given(st.text(max_size=70))
@example("0.55 goes, 0.60 does not ")
@example("0 " * 32)
@settings(max_examples=200, derandomize=True, deadline=None)
def test_any_text_gives_a_value_or_a_refusal(text: str) -> None:
    try:
        typed = parse_typed(text, unit="mm")
    except FrameError:
        return
    assert abs(typed.value_nm) <= 10**10


@given(st.integers(0, 10**6), st.integers(0, 10**6), st.sampled_from([" ", "/", "..", " .. ", " goes, "]))
@settings(max_examples=100, derandomize=True, deadline=None)
def test_a_bracket_comes_back_as_typed(low: int, high: int, between: str) -> None:
    text = f"{low / 1000:.3f}{between}{high / 1000:.3f}{' does not' if 'goes' in between else ''}"
    if low >= high:
        with pytest.raises(FrameError, match="thinner leaf first"):
            parse_typed(text, unit="mm")
        return

    typed = parse_typed(text, unit="mm")

    assert (typed.low_nm, typed.high_nm) == (low * 1000, high * 1000)
    assert typed.value_nm == (low + high) * 500


def test_a_typed_gauge_gives_readings_in_order() -> None:
    noon = datetime(2026, 3, 2, 12, tzinfo=UTC)
    gauge = TypedGauge("leaves", first_sequence=7, clock=lambda: Instant(at=noon, monotonic_ns=5))

    reading = gauge.submit("0.55/0.60", unit="mm")

    assert reading == Reading(
        gauge="leaves",
        sequence=7,
        value_nm=575_000,
        unit="mm",
        raw=b"0.55/0.60",
        taken_at=noon,
        monotonic_ns=5,
        low_nm=550_000,
        high_nm=600_000,
    )


def test_a_refused_text_takes_no_number() -> None:
    gauge = TypedGauge("leaves")
    with pytest.raises(FrameError):
        gauge.submit("0,55,1", unit="mm")

    assert gauge.submit("0.55", unit="mm").sequence == 1


def test_typing_from_many_threads_gives_each_reading_its_own_number() -> None:
    gauge = TypedGauge("leaves")
    numbers: list[int] = []
    typists = [
        threading.Thread(target=lambda: numbers.extend(gauge.submit("1", unit="mm").sequence for _ in range(200)))
        for _ in range(4)
    ]
    for typist in typists:
        typist.start()
    for typist in typists:
        typist.join()

    assert sorted(numbers) == list(range(1, 801))
