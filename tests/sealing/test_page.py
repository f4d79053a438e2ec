"""A record as a page: what was sealed as sealed, and this software's judgement beside it where it differs."""

import json
from collections.abc import Callable
from datetime import UTC, datetime
from typing import Any

import pytest
import segno
from sealed_bench import KEY, PAPER_SHA256, SHOP, Sealer

from logger.errors import RecordError
from logger.sealing.keys import certify, fingerprint
from logger.sealing.page import page, plain
from logger.sealing.qr import qr_svg, qr_text
from logger.sealing.seal import records_file
from logger.sealing.verify import Sealed, read_records
from logger.store import RecordRow

Alter = Callable[[dict[str, Any]], object]


@pytest.fixture
def sealed(sealer: Sealer) -> Sealed:
    return read_records(records_file([sealer()]))[0]


def _altered(sealed: Sealed, alter: Alter) -> Sealed:
    document = json.loads(json.dumps(sealed.document))
    alter(document)
    return Sealed(document=document, sha256=sealed.sha256, key=sealed.key, certificate=sealed.certificate)


def test_a_page_tells_the_account(sealed: Sealed) -> None:
    lines = page(sealed, software="fretledger test")

    assert lines[0] == "Invented neck"
    assert lines[1] == "record 1, sealed 2023-11-14 22:13 UTC with fretledger test"
    text = "\n".join(lines)
    assert "5 readings, 1 taken back, 1 assigned anew, 1 passed over" in text
    assert "gauge depth (depth_indicator), u 0.0030 mm, profile depth-indicator-mm abababababababab..." in text
    assert "air 21.5 °C, 48 %" in text
    assert "glue: hide glue" in text
    assert "!! fret 7 treble end stands proud by 0.090 ± " in text
    assert f"with it: neck.txt (text/plain, 48 bytes, SHA-256 {PAPER_SHA256})\n   Ada: the woods" in text
    assert "customer" not in text


def test_the_same_software_finds_the_same_and_says_no_more(sealed: Sealed) -> None:
    assert not [line for line in page(sealed, software="fretledger 9.9") if "9.9" in line]


def _of(document: dict[str, Any], check: str, place: str | None) -> dict[str, Any]:
    verdicts: list[dict[str, Any]] = document["verdicts"][0]["verdicts"]
    return next(one for one in verdicts if (one["check"], one["place"]) == (check, place))


def test_a_verdict_found_otherwise_stands_beside_the_sealed_one(sealed: Sealed) -> None:
    def older(document: dict[str, Any]) -> None:
        _of(document, "proud_end", "treble").update(verdict="pass", value_mm=0.02)

    lines = page(_altered(sealed, older), software="fretledger 9.9")
    start = lines.index("   judged again by fretledger 9.9, which finds otherwise:")

    assert any(line.startswith("ok fret end") and "0.020 ±" in line for line in lines[:start])
    assert len(lines[start + 1 :]) == 3  # the difference, the attachment, and what is said of it
    assert lines[start + 1].startswith("!! fret end")
    assert "(sealed: ok fret end" in lines[start + 1]


def test_verdicts_that_only_one_of_them_has_are_told(sealed: Sealed) -> None:
    def older(document: dict[str, Any]) -> None:
        verdicts = document["verdicts"][0]["verdicts"]
        verdicts.remove(_of(document, "tilted_fret", None))
        verdicts.append(_of(document, "proud_end", "treble") | {"check": "an old check", "place": "heel"})

    text = "\n".join(page(_altered(sealed, older), software="fretledger 9.9"))

    assert "no such verdict (sealed: !! an old check" in text
    assert "mm  fail (not sealed)" in text


def test_a_nanometre_is_no_difference_and_two_are(sealed: Sealed) -> None:
    def shifted(by_mm: float) -> str:
        alter: Alter = lambda document: _of(document, "proud_end", "treble").update(value_mm=0.09 + by_mm)  # noqa: E731
        return "\n".join(page(_altered(sealed, alter), software="fretledger 9.9"))

    assert "finds otherwise" not in shifted(0.9e-6)
    assert "finds otherwise" in shifted(2e-6)


def _place(*path: Any, new: Any) -> Alter:
    def alter(document: dict[str, Any]) -> None:
        place: Any = document
        for step in path[:-1]:
            place = place[step]
        place[path[-1]] = new

    return alter


@pytest.mark.parametrize(
    "alter",
    [
        pytest.param(_place("instrument", "revisions", 0, "description", new="{"), id="description"),
        pytest.param(_place("sessions", 0, "session", "limits", new="[proud_end]\nupper_mm = 'x'"), id="limits"),
        pytest.param(_place("sessions", 0, "gauges", 0, "description", new="[]"), id="worth is a list"),
        pytest.param(_place("sessions", 0, "gauges", 0, "description", new="no JSON"), id="worth"),
        pytest.param(_place("sessions", 0, "readings", 0, "feet", new="x"), id="feet"),
        pytest.param(_place("sessions", 0, "gauges", 0, "description", new='{"u_mm": "x"}'), id="u is text"),
    ],
)
def test_readings_that_this_software_cannot_judge_are_shown_all_the_same(sealed: Sealed, alter: Alter) -> None:
    lines = page(_altered(sealed, alter), software="fretledger 9.9")

    assert lines[-1].startswith("fretledger 9.9 cannot judge these readings again: ")
    assert any("proud by 0.090" in line for line in lines)


VERDICT = ("verdicts", 0, "verdicts", 0)


@pytest.mark.parametrize(
    ("alter", "words"),
    [
        pytest.param(_place("verdicts", new={}), "verdicts must be a list", id="verdicts"),
        pytest.param(_place("verdicts", 0, new=5), "a list of objects, each of a session", id="session"),
        pytest.param(_place(*VERDICT, new=5), "a verdict of the record must be an object", id="number"),
        pytest.param(_place(*VERDICT, "verdict", new="fine"), "must be one of pass, fail, remeasure", id="word"),
        pytest.param(_place(*VERDICT, "verdict", new=[]), "its check, size and verdict", id="list"),
        pytest.param(_place(*VERDICT, "value_mm", new="x"), "its check, size and verdict", id="size"),
        pytest.param(_place(*VERDICT, "fret", new="7"), "where it is of", id="fret"),
        pytest.param(_place(*VERDICT, "U_mm", new="7"), "where it is of, and how sure", id="uncertainty"),
    ],
)
def test_verdicts_of_another_shape_are_refused(sealed: Sealed, alter: Alter, words: str) -> None:
    with pytest.raises(RecordError, match=words):
        page(_altered(sealed, alter), software="test")


def test_reopening_and_the_certificate_are_told(sealer: Sealer, chain: list[RecordRow]) -> None:
    (second,) = read_records(records_file([chain[1]]))
    certificate = certify(SHOP, KEY.public, name="bench\x1b 2", at=datetime(2020, 1, 1, tzinfo=UTC))
    certified = Sealed(document=second.document, sha256=second.sha256, key=second.key, certificate=certificate)

    lines = page(certified, software="test")

    assert f"reopens record {chain[0].id}, which stays as it was sealed" in lines
    assert f"certified as 'bench\\x1b 2' by shop key {fingerprint(SHOP.public)}" in lines


@pytest.mark.parametrize(
    ("text", "shown"),
    [
        ("plain", "plain"),
        ("\x1b[31m\n\x07", "\\x1b[31m\\x0a\\x07"),
        ("\u202eevil", "\\x202eevil"),
        ("x" * 200, "x" * 120 + "..."),
    ],
)
def test_texts_are_shown_and_not_obeyed(text: str, shown: str) -> None:
    assert plain(text) == shown


def test_the_qr_code_is_of_number_and_hash(sealed: Sealed) -> None:
    wanted = segno.make_qr(f"FRETLEDGER RECORD 1 {sealed.sha256.upper()}")
    rows = [list(row) for row in wanted.matrix_iter(border=4)]
    halves = {"█": (0, 0), "▀": (0, 1), "▄": (1, 0), " ": (1, 1)}

    lines = qr_text(sealed).split("\n")
    upper = [[halves[one][0] for one in line] for line in lines]
    lower = [[halves[one][1] for one in line] for line in lines]

    assert [row for pair in zip(upper, lower, strict=True) for row in pair][: len(rows)] == rows
    assert qr_svg(sealed).startswith(b"<?xml")
