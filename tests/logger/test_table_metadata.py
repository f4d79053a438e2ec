"""The metadata beside an exported CSV file holds by an independent reader of the standard, and tells it the table.

Source: W3C "Metadata Vocabulary for Tabular Data" and "Model for Tabular Data and Metadata on the Web" (2015); read
here by the package csvw, which checks the metadata against the standard's schema, and each cell against its datatype.
It does not decode names of local files, so that the file under test has a plain one.
"""

import json
from collections.abc import Callable
from datetime import datetime
from decimal import Decimal
from pathlib import Path
from typing import Any

import pytest
from csvw import CSVW

from logger.csv_table import csv_line, guarded
from logger.export import export_to_file
from logger.readings_csv import JUDGED, KEPT, OPTIONAL, REQUIRED
from logger.readings_import import import_readings
from logger.selection import Selection
from logger.table_metadata import table_metadata

Write = Callable[[str, str], Path]
HEAD = (
    "kind",
    "fret",
    "place",
    "value",
    "unit",
    "low",
    "high",
    "gauge",
    "session",
    "sequence",
    "taken_at",
    "taken_back",
)
ROWS = (
    ("seated_height", "5", "bass", "-0.25", "mm", "", "", "=depth", "a", "1", "2026-01-31T12:00:00+00:00", ""),
    ("slot_width", "5", "bass", "", "mm", "0.55", "0.6", 'le"av,es', "a", "1", "", "=HYPERLINK(0), x"),
    ("", "", "", "1.7", "mm", "", "", "=depth", "a", "2", "", "thumb, wet"),
)


@pytest.fixture
def exported(write: Write, tmp_path: Path, instrument: Path) -> Path:
    lines = [csv_line([guarded(cell) if index > 6 else cell for index, cell in enumerate(row)]) for row in ROWS]
    import_readings(write("in.csv", csv_line(HEAD) + "".join(lines)), tmp_path / "s.db", instrument=instrument)
    path = tmp_path / "readings.csv"
    export_to_file(tmp_path / "s.db", path, wanted=Selection(uncertainty=True))
    return path


def _read(path: Path) -> CSVW:
    return CSVW(str(path), str(path.with_name(f"{path.name}-metadata.json")), validate=True)


@pytest.mark.filterwarnings("default")
def test_the_file_and_its_metadata_hold_together(exported: Path):
    found = _read(exported)

    assert found.is_valid
    (table,) = found.tablegroup.tables
    rows = list(table.iterdicts())
    assert [row["sequence"] for row in rows] == [1, 1, 2]
    assert rows[0]["value"] == Decimal("-0.25")
    assert isinstance(rows[0]["taken_at"], datetime)
    assert rows[1]["value"] is None
    assert rows[1]["taken_back"] == "'=HYPERLINK(0), x"
    assert rows[0]["gauge"] == "'=depth"
    assert rows[2]["kind"] is None


@pytest.mark.filterwarnings("default")
@pytest.mark.parametrize(
    ("before", "after"),
    [
        pytest.param(",-0.250000,mm", ",about -0.25,mm", id="no number"),
        pytest.param("2026-01-31T12:00:00.000+00:00", "31.1.2026", id="no time"),
        pytest.param(",mm,", ",in,", id="another unit"),
        pytest.param("seated_height,5,", "seated_height,five,", id="no whole number"),
    ],
)
def test_a_file_that_does_not_hold_is_found(exported: Path, before: str, after: str):
    text = exported.read_text(encoding="utf-8")
    assert before in text
    exported.write_text(text.replace(before, after, 1), encoding="utf-8")

    assert not _read(exported).is_valid


@pytest.mark.filterwarnings("default")
def test_a_key_that_stands_twice_is_found(exported: Path):
    text = exported.read_text(encoding="utf-8")
    exported.write_text(text + text.splitlines(keepends=True)[1], encoding="utf-8")

    with pytest.raises(ValueError, match="duplicate primary key"):
        assert not _read(exported).is_valid


def test_the_metadata_names_every_column_in_order():
    names = (*REQUIRED, *OPTIONAL, *KEPT)
    plain, judged = (table_metadata("r.csv", uncertainty=judge)["tableSchema"]["columns"] for judge in (False, True))

    assert [one["name"] for one in plain] == list(names)
    assert [one["name"] for one in judged] == [*names, *JUDGED]
    assert all(one["dc:description"] for one in judged)
    assert {one["name"] for one in judged if one.get("schema:unitText") == "mm"} == {
        "value", "low", "high", "span_mm", "resolution", "u", "value_mm", "U_mm"
    }  # fmt: skip


def test_the_metadata_is_named_and_says_as_the_standard_asks(exported: Path):
    beside = exported.with_name("readings.csv-metadata.json")
    found: dict[str, Any] = json.loads(beside.read_text(encoding="utf-8"))

    assert found["@context"][0] == "http://www.w3.org/ns/csvw"
    assert found["url"] == "readings.csv"
    assert table_metadata("my readings.csv", uncertainty=False)["url"] == "my%20readings.csv"
    assert found["tableSchema"]["primaryKey"] == ["session", "gauge", "sequence"]
    assert "one apostrophe" in found["dc:description"]
