"""What comes next when a sheet is complete."""

from types import SimpleNamespace
from typing import Any

import pytest

from logger.limits import CHECKS
from logger.next_steps import ORDER, STEP_OF, next_steps
from logger.sheet import Progress

FULL = [Progress("wire", 16, 0, 16), Progress("seating", 60, 0, 60)]


def verdict(check: str, fret: int | None, said: str = "fail") -> Any:
    return SimpleNamespace(check=check, fret=fret, verdict=said)


def test_hands_go_from_what_is_missing_over_seating_to_levelling_and_the_seal() -> None:
    failed = {"high_fret": (9, 7), "proud_end": (7,), "tilted_fret": (3,), "barb_bite": (None,), "hump": (14,)}
    found = [verdict(check, fret) for check, frets in failed.items() for fret in frets]
    found += [verdict("proud_end", 5, "remeasure"), verdict("uneven_seating", 7)]

    assert next_steps(found, [Progress("wire", 0, 16, 16), FULL[1]]) == [
        {"step": "skipped", "stages": ["wire"]},
        {"step": "again", "frets": [5]},
        {"step": "board", "frets": [14]},
        {"step": "fit", "frets": []},
        {"step": "reseat", "frets": [3, 7]},
        {"step": "level", "frets": [9]},
        {"step": "seal_later"},
    ]


def test_where_nothing_fails_the_record_is_sealed() -> None:
    assert next_steps([verdict("proud_end", 7, "pass")], FULL) == [{"step": "seal"}]
    assert next_steps([], FULL) == []


@pytest.mark.parametrize("check", CHECKS)
def test_every_check_has_a_step(check: str) -> None:
    assert STEP_OF[check] in ORDER
