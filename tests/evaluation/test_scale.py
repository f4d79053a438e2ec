"""Fret positions against a published table."""

import csv
from pathlib import Path

import pytest

from logger.evaluation.scale import fret_positions_mm

TABLE = Path(__file__).parents[1] / "reference" / "fret_table_25in_to_bridge.csv"


def test_positions_agree_with_a_published_table_for_25_inches():
    with TABLE.open(encoding="utf-8") as lines:  # source named in the file's first lines
        rows = list(csv.DictReader(line for line in lines if not line.startswith("#")))
    ours = fret_positions_mm(25 * 25.4, 24) / 25.4

    assert len(rows) == 25
    for row in rows:
        assert 25 - ours[int(row["fret"])] == pytest.approx(float(row["in_to_bridge"]), abs=5e-4)


def test_the_octave_stands_in_the_middle():
    assert fret_positions_mm(645.0, 12)[12] == pytest.approx(322.5)


def test_one_published_position():
    # Source: organicdesign.org/peterson/tuning/formulas.html: 650 mm, first fret 36.4816967 mm from the nut
    assert fret_positions_mm(650.0, 1)[1] == pytest.approx(36.4816967, abs=1e-7)
