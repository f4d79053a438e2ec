"""The canonical form against the RFC's own samples, and the strict reading of hostile texts."""

import csv
import json
import math
import re
import struct
from pathlib import Path

import pytest
from hypothesis import example, given
from hypothesis import strategies as st

from logger.errors import RecordError
from logger.sealing.canonical import EXACT, MOST_BYTES, canonical, parse

REFERENCE = Path(__file__).parents[1] / "reference" / "rfc8785_numbers.csv"
# RFC 8785, 3.2.2 (input) and 3.2.4 (the UTF-8 of its canonical form), as a public test suite quotes them.
SAMPLE = rb"""{
  "numbers": [333333333.33333329, 1E30, 4.50, 2e-3, 0.000000000000000000000000001],
  "string": "\u20ac$\u000F\u000aA'\u0042\u0022\u005c\\\"\/",
  "literals": [null, true, false]
}"""
SAMPLE_HEX = (
    "7b226c69746572616c73223a5b6e756c6c2c747275652c66616c73655d2c226e756d62657273223a5b3333333333333333332e33333333333333"
    "2c31652b33302c342e352c302e3030322c31652d32375d2c22737472696e67223a22e282ac245c75303030665c6e4127425c225c5c5c5c5c22"
    "2f227d"
)
# RFC 8785, 3.2.3: keys in the order of their UTF-16 code units, as public test suites quote it.
KEYS = (
    rb'{"\u20ac":"Euro Sign","\r":"Carriage Return","\ufb33":"Hebrew Letter Dalet With Dagesh","1":"One",'
    rb'"\ud83d\ude00":"Emoji: Grinning Face","\u0080":"Control","\u00f6":"Latin Small Letter O With Diaeresis"}'
)
KEYS_IN_ORDER = ["\r", "1", "\x80", "\xf6", "\u20ac", "\U0001f600", "\ufb33"]


def numbers() -> list[tuple[str, str]]:
    lines = [line for line in REFERENCE.read_text(encoding="utf-8").splitlines() if not line.startswith("#")]
    return [(row["bits"], row["written"]) for row in csv.DictReader(lines)]


@pytest.mark.parametrize(("bits", "written"), numbers())
def test_numbers_are_written_as_the_rfc_says(bits: str, written: str) -> None:
    (value,) = struct.unpack(">d", bytes.fromhex(bits))

    assert canonical(value) == written.encode()


def test_the_rfcs_sample_comes_out_byte_for_byte() -> None:
    assert canonical(parse(SAMPLE)).hex() == SAMPLE_HEX


def test_keys_are_sorted_by_utf_16() -> None:
    assert list(json.loads(canonical(parse(KEYS)))) == KEYS_IN_ORDER


VALUES = st.recursive(
    st.none() | st.booleans() | st.integers(1 - EXACT, EXACT - 1) | st.text(st.characters(exclude_categories=["Cs"]))
    | st.floats(-1e15, 1e15),
    lambda inner: st.lists(inner) | st.dictionaries(st.text(st.characters(exclude_categories=["Cs"])), inner),
)  # fmt: skip


@given(VALUES)
@example([-1, -0.5, -5000])
@example(1e-5)
@example({"\U0001f600": 1, "\ufb33": 2})
def test_what_is_written_reads_back_to_the_same_form(value: object) -> None:
    written = canonical(value)

    assert canonical(parse(written)) == written
    assert parse(written) == value


@pytest.mark.parametrize(
    ("text", "words"),
    [
        pytest.param(b'{"a":NaN}', "NaN is not a number of JSON", id="nan"),
        pytest.param(b'{"a":-Infinity}', "-Infinity is not a number of JSON", id="infinity"),
        pytest.param(b'{"a":1e999}', "too long or too large", id="overflow"),
        pytest.param(b'{"a":9007199254740992}', "must be written as text", id="2^53"),
        pytest.param(b'{"a":-9007199254740992}', "must be written as text", id="-2^53"),
        pytest.param(b'{"a":' + b"9" * 100_000 + b"}", "must be written as text", id="100 000 digits"),
        pytest.param(b'{"a":0.' + b"9" * 100_000 + b"}", "too long or too large", id="100 000 decimals"),
        pytest.param(b'{"a":1,"b":2,"a":1}', "the key 'a' stands twice", id="duplicate key"),
        pytest.param(b'{"a":1,"\\u0061":1}', "the key 'a' stands twice", id="duplicate key, escaped"),
        pytest.param(b"[" * 200_000, "nested too deep", id="deep"),
        pytest.param(b'{"a":' * 200_000, "nested too deep", id="deep objects"),
        pytest.param(b'"\xff"', "not UTF-8", id="bytes"),
        pytest.param(b"\xef\xbb\xbf\xef\xbb\xbf{}", "not JSON", id="two byte order marks"),
        pytest.param(b"{} {}", "not JSON: it breaks off or goes wrong at line 1, column 4", id="more behind it"),
        pytest.param(b"", "not JSON: it breaks off or goes wrong at line 1, column 1", id="empty"),
        pytest.param(b"{'a': 1}", "not JSON", id="python"),
        pytest.param(b" " * (MOST_BYTES + 1), "too large", id="size"),
    ],
)
def test_what_has_no_canonical_form_is_refused(text: bytes, words: str) -> None:
    with pytest.raises(RecordError, match=words):
        parse(text)


@pytest.mark.parametrize(
    "value",
    [
        pytest.param(float("nan"), id="nan"),
        pytest.param(float("inf"), id="infinity"),
        pytest.param(EXACT, id="2^53"),
        pytest.param({"a": "\ud800"}, id="lone surrogate"),
        pytest.param({"\ud800": 1}, id="lone surrogate in a key"),
        pytest.param({1: 2}, id="key is no text"),
        pytest.param(b"x", id="bytes"),
    ],
)
def test_what_cannot_be_signed_is_not_written(value: object) -> None:
    with pytest.raises(RecordError, match="not canonical"):
        canonical(value)


def test_a_parsed_lone_surrogate_has_no_canonical_form() -> None:
    with pytest.raises(RecordError, match="not canonical"):
        canonical(parse(rb'{"a":"\ud800"}'))


def test_a_byte_order_mark_before_a_file_is_passed_over() -> None:
    assert parse(b'\xef\xbb\xbf{"a": 1}') == {"a": 1}


@pytest.mark.parametrize(
    ("value", "words"),
    [
        pytest.param(math.nan, "a number is not finite", id="nan"),
        pytest.param(1 << 60, "a whole number from 2^53 on must be written as text", id="large"),
        pytest.param("\ud800", "a text holds half of a character", id="text"),
        pytest.param({"\ud800": 1}, "a text holds half of a character", id="key"),
        pytest.param({1: 1}, "a value is none of JSON", id="a key that is none"),
    ],
)
def test_what_has_no_canonical_form_is_told_in_own_words(value: object, words: str) -> None:
    with pytest.raises(RecordError, match=re.escape(words)):
        canonical(value)
