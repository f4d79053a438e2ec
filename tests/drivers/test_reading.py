import pickle
import re
from dataclasses import replace
from datetime import UTC, datetime, timedelta, timezone
from decimal import Decimal
from fractions import Fraction
from typing import Any

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from drivers import FrameError, Reading, system_clock, to_nm

NOON = datetime(2026, 3, 2, 12, tzinfo=UTC)
READING = Reading(gauge="caliper", sequence=1, value_nm=590_000, unit="mm", raw=b"0.59", taken_at=NOON, monotonic_ns=5)


@pytest.mark.parametrize(
    ("value", "unit", "nm"),
    [
        ("0.001", "mm", 1_000),
        ("0.0005", "in", 12_700),
        ("1", "thou", 25_400),
        ("-0.5", "thou", -12_700),
        ("0.0000005", "mm", 0),
        ("0.0000015", "mm", 2),
        ("-0.0000015", "mm", -2),
        ("10000", "mm", 10**10),
        ("1e-999999", "in", 0),
    ],
)
def test_lengths_become_whole_nanometres(value: str, unit: str, nm: int) -> None:
    assert to_nm(Decimal(value), unit) == nm


@pytest.mark.parametrize(
    ("value", "unit", "words"),
    [
        ("NaN", "mm", "value must be a finite number, got 'NaN'"),
        ("sNaN", "mm", "value must be a finite number, got 'sNaN'"),
        ("-Infinity", "mm", "value must be a finite number, got '-Infinity'"),
        ("10000.000001", "mm", "value must not be larger than 10 m either way, got '10000.000001'"),
        ("-394", "in", "value must not be larger than 10 m either way, got '-394'"),
        ("1e999999", "thou", "value must not be larger than 10 m either way, got '1E+999999'"),
        ("1", "cm", "unit must be mm, in or thou, got 'cm'"),
    ],
)
def test_what_is_no_length_is_refused(value: str, unit: str, words: str) -> None:
    with pytest.raises(FrameError, match=rf"^{re.escape(words)}$"):
        to_nm(Decimal(value), unit)


@given(st.decimals(-9000, 9000, allow_nan=False), st.sampled_from(["mm", "thou"]))
@settings(max_examples=200, derandomize=True, deadline=None)
def test_the_rounding_is_never_more_than_half_a_nanometre(value: Decimal, unit: str) -> None:
    exact = Fraction(value) * {"mm": 1_000_000, "thou": 25_400}[unit]

    assert abs(to_nm(value, unit) - exact) <= Fraction(1, 2)


@pytest.mark.parametrize(
    ("change", "kind", "words"),
    [
        ({"value_nm": 1.0}, TypeError, "value_nm must be an integer, got 1.0"),
        ({"value_nm": float("nan")}, TypeError, "value_nm must be an integer, got nan"),
        ({"value_nm": True}, TypeError, "value_nm must be an integer, got True"),
        ({"value_nm": None}, TypeError, "value_nm must be an integer, got None"),
        ({"sequence": "1"}, TypeError, "sequence must be an integer, got '1'"),
        ({"monotonic_ns": 0.5}, TypeError, "monotonic_ns must be an integer, got 0.5"),
        ({"low_nm": 1.5, "high_nm": 2}, TypeError, "low_nm must be an integer, got 1.5"),
        ({"sequence": -1}, ValueError, "sequence must not be negative, got -1"),
        ({"value_nm": 10**10 + 1}, ValueError, "value_nm must be within 10 m either way, got 10000000001"),
        ({"unit": "um"}, ValueError, "unit must be mm, in or thou, got 'um'"),
        ({"taken_at": NOON.replace(tzinfo=None)}, ValueError, "taken_at must be aware and in UTC"),
        ({"taken_at": NOON.astimezone(timezone(timedelta(hours=1)))}, ValueError, "taken_at must be aware and in UTC"),
        ({"low_nm": 1}, ValueError, "low_nm must be under high_nm around value_nm, got 1, None"),
        ({"low_nm": 2, "high_nm": 1, "value_nm": 1}, ValueError, "low_nm must be under high_nm around value_nm"),
        ({"low_nm": 550_000, "high_nm": 600_000}, ValueError, "low_nm must be under high_nm around value_nm"),
    ],
)
def test_what_is_no_reading_cannot_be_made(change: dict[str, Any], kind: type[Exception], words: str) -> None:
    with pytest.raises(kind, match=rf"^{re.escape(words)}"):
        replace(READING, **change)


def test_a_bracket_stands_half_way() -> None:
    bracket = replace(READING, value_nm=575_000, low_nm=550_000, high_nm=600_000)

    assert (bracket.low_nm, bracket.high_nm) == (550_000, 600_000)


def test_the_clock_knows_utc_and_order() -> None:
    first, second = system_clock(), system_clock()

    assert first.at.utcoffset() == timedelta(0)
    assert first.monotonic_ns <= second.monotonic_ns


def test_a_refusal_survives_being_sent_to_another_process() -> None:
    error = pickle.loads(pickle.dumps(FrameError(b"nan", "line must be a number")))

    assert (error.frame, error.reason, str(error)) == (b"nan", "line must be a number", "line must be a number")
