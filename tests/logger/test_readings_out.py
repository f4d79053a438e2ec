"""Readings leave the store as CSV, JSON, Parquet and DataFrame: chosen, with units, whole or not at all."""

import csv
import gc
import io
import json
import os
import re
import sys
from collections.abc import Callable
from dataclasses import replace
from datetime import UTC, date, datetime
from pathlib import Path

import pandas as pd
import pyarrow as pa
import pytest
from pyarrow import parquet

from logger.cli import run
from logger.errors import InputFileError, SessionNotFoundError
from logger.export import export_readings, export_to_file
from logger.frame import readings_frame
from logger.readings_import import import_readings
from logger.selection import Selection
from logger.store import KeptReading, Store, StoreReader
from logger.store.reader import PAGE

Write = Callable[[str, str], Path]
READINGS = """\
kind,fret,place,value,unit,low,high,gauge,round,u,resolution,session,sequence,taken_at,taken_back
slot_width,5,bass,,mm,0.55,0.60,leaves,,,,a,1,2026-01-30T23:59:59.999+00:00,
crown_height,,,1.10,mm,,,depth,1,0.003,0.001,a,1,2026-01-31T00:00:00.000+00:00,
seated_height,5,bass,1.30,mm,,,depth,1,0.003,0.001,a,2,2026-01-31T12:00:00.000+00:00,
seated_height,5,centre,1.10,mm,,,depth,1,0.003,0.001,a,3,2026-02-01T00:00:00.000+00:00,
seated_height,6,centre,1.17,mm,,,depth,1,0.003,0.001,a,4,,slipped
,,,0.5,mm,,,depth,,0.003,0.001,a,5,,
"""


@pytest.fixture
def store(write: Write, tmp_path: Path, instrument: Path) -> Path:
    path = tmp_path / "bench.db"
    import_readings(write("in.csv", READINGS), path, instrument=instrument)
    return path


def _run(*arguments: object) -> int:
    return run([str(one) for one in arguments], lambda *_, **__: None)  # type: ignore[arg-type, return-value]


def _chosen(store: Path, **wanted: object) -> list[tuple[str, int]]:
    out = io.StringIO(newline="")
    export_readings(store, out, wanted=Selection(**wanted))  # type: ignore[arg-type]
    return [(row["gauge"], int(row["sequence"])) for row in csv.DictReader(io.StringIO(out.getvalue(), newline=""))]


@pytest.mark.parametrize(
    ("wanted", "found"),
    [
        pytest.param({}, [("leaves", 1), *(("depth", n) for n in range(1, 6))], id="all"),
        pytest.param({"kind": "seated_height"}, [("depth", 2), ("depth", 3), ("depth", 4)], id="kind"),
        pytest.param({"fret": 5}, [("leaves", 1), ("depth", 2), ("depth", 3)], id="fret"),
        pytest.param({"fret": 5, "kind": "slot_width"}, [("leaves", 1)], id="both"),
        pytest.param({"since": date(2026, 1, 31)}, [("depth", 1), ("depth", 2), ("depth", 3)], id="from midnight"),
        pytest.param({"until": date(2026, 1, 31)}, [("leaves", 1), ("depth", 1), ("depth", 2)], id="to midnight"),
        pytest.param({"since": date(2026, 1, 31), "until": date(2026, 1, 31)}, [("depth", 1), ("depth", 2)], id="day"),
        pytest.param({"instrument": "Invented neck", "fret": 6}, [("depth", 4)], id="instrument"),
    ],
)
def test_a_selection(store: Path, wanted: dict[str, object], found: list[tuple[str, int]]):
    assert _chosen(store, **wanted) == found


def test_one_session_of_several(store: Path, write: Write, tmp_path: Path):
    import_readings(write("more.csv", READINGS.replace(",a,", ",b,")), store)
    with StoreReader(store) as reader:
        first, second = (one.id for one in reader.sessions())

    assert len(_chosen(store)) == 12
    assert len(_chosen(store, session=second)) == 6
    assert len(_chosen(store, instrument="Invented neck")) == 6
    assert first != second


@pytest.mark.parametrize(
    ("wanted", "error", "words"),
    [
        ({"session": "none"}, SessionNotFoundError, "holds no session 'none'"),
        ({"instrument": "lute"}, InputFileError, "no instrument 'lute' in .*; it holds 'Invented neck'"),
        ({"kind": "slot"}, InputFileError, "unknown kind 'slot'; known are tang_thickness"),
        ({"fret": -1}, InputFileError, r"a fret must be from 0 \(the nut\) to 48, got -1"),
        ({"fret": 49}, InputFileError, "a fret must be from 0 .* got 49"),
        (
            {"since": date(2026, 2, 1), "until": date(2026, 1, 1)},
            InputFileError,
            "must not come after the last, got 2026-02-01 and 2026-01-01; change them round",
        ),
    ],
)
def test_what_cannot_be_chosen_is_said(store: Path, wanted: dict[str, object], error: type[Exception], words: str):
    with pytest.raises(error, match=words):
        _chosen(store, **wanted)


@pytest.mark.parametrize(
    ("arguments", "status"),
    [
        pytest.param(["--kind", "nonsense"], 2, id="kind"),
        pytest.param(["--fret", "-1"], 2, id="fret"),
        pytest.param(["--from", "2026-02-01", "--to", "2026-01-01"], 2, id="days"),
        pytest.param(["--session", "none"], 4, id="session"),
        pytest.param(["--instrument-to", "no/such/folder/i.toml"], 2, id="a file that cannot be written"),
    ],
)
@pytest.mark.parametrize("form", ["csv", "json"])
def test_nothing_is_printed_when_it_fails(store: Path, arguments: list[str], status: int, form: str, capsys):
    assert _run("readings", "--store", store, "--format", form, *arguments) == status

    out, err = capsys.readouterr()
    assert (out, err.count("\n")) == ("", 1)


def test_nothing_is_printed_when_it_cannot_be_judged(store: Path, capsys):
    """The second session's limits do not hold, and the first would be written already."""
    with Store.open(store) as opened, opened.reader() as reader:
        opened.put(replace(reader.sessions()[0], id="bad", limits="nonsense = ["))

    assert _run("readings", "--store", store, "--with-uncertainty") == 2
    assert capsys.readouterr().out == ""


@pytest.mark.parametrize(
    "arguments", [["--fret", "20"], ["--from", "2199-01-01", "--to", "9999-12-31"], ["--kind", "tang_thickness"]]
)
def test_a_selection_that_finds_nothing_says_so(store: Path, arguments: list[str], tmp_path: Path, capsys):
    assert _run("readings", "--store", store, *arguments) == 0
    out, err = capsys.readouterr()
    assert out.count("\n") == 1, "the header"
    assert err == f"no reading in {store} is what was asked for; leave an option away to see more\n"
    assert _run("readings", "--store", store, *arguments, "--out", tmp_path / "out.csv") == 0
    assert capsys.readouterr().err == err
    assert _run("readings", "--store", store, "--fret", "5") == 0
    assert capsys.readouterr().err == ""


def test_json_has_numbers_with_their_unit_in_the_name(store: Path, capsys):
    assert _run("readings", "--store", store, "--format", "json", "--with-uncertainty", "--fret", 5) == 0
    slot, bass, _ = json.loads(capsys.readouterr().out)

    assert (slot["reading_mm"], slot["low_mm"], slot["high_mm"]) == (None, 0.55, 0.6)
    assert "unit" not in slot
    assert (bass["reading_mm"], bass["u_mm"], bass["resolution_mm"]) == (1.3, 0.003, 0.001)
    assert (bass["value_mm"], bass["verdict"]) == (1.3, "fail")
    assert bass["taken_at"] == "2026-01-31T12:00:00.000+00:00"
    # by hand: u 0.003 and half a digit of 0.001 as a rectangle, 95 %
    assert bass["U_mm"] == pytest.approx(1.96 * (0.003**2 + 0.001**2 / 12) ** 0.5, rel=0.01)


def test_json_of_nothing_is_an_empty_list(store: Path, capsys):
    assert _run("readings", "--store", store, "--format", "json", "--fret", 19) == 0
    assert json.loads(capsys.readouterr().out) == []


def test_a_reading_taken_back_or_without_a_feature_has_no_verdict(store: Path):
    frame = readings_frame(store, uncertainty=True)

    assert frame["verdict"].isna().tolist() == [True, False, False, False, True, True]
    assert frame["taken_back"].dropna().tolist() == ["slipped"]


def test_a_frame_is_typed_and_says_its_units(store: Path):
    frame = readings_frame(store, kind="seated_height", uncertainty=True)

    assert len(frame) == 3
    assert frame.attrs["units"]["reading_mm"] == frame.attrs["units"]["U_mm"] == "mm"
    assert set(frame.attrs["words"]) == set(frame.columns)
    assert str(frame.dtypes["taken_at"]) == "datetime64[us, UTC]"
    assert (str(frame.dtypes["fret"]), str(frame.dtypes["reading_mm"])) == ("Int64", "float64")
    assert frame["taken_at"].iloc[0] == datetime(2026, 1, 31, 12, tzinfo=UTC)
    assert frame["taken_at"].isna().tolist() == [False, False, True]


def test_the_readmes_three_lines_run(store: Path, capsys):
    readme = (Path(__file__).parents[2] / "README.md").read_text(encoding="utf-8")
    (lines,) = re.findall(r"```python\n(.*?)```", readme, re.DOTALL)
    exec(lines.replace('"shop.db"', repr(str(store))), {})

    shown = capsys.readouterr().out
    assert "0.575" in shown
    assert "'U_mm': 'mm'" in shown


def test_an_empty_frame_has_its_columns(store: Path):
    frame = readings_frame(store, fret=19)

    assert len(frame) == 0
    assert frame.dtypes.equals(readings_frame(store).dtypes)


def test_parquet_holds_the_same_as_the_frame(store: Path, tmp_path: Path):
    path = tmp_path / "r.parquet"
    assert _run("readings", "--store", store, "--format", "parquet", "--with-uncertainty", "--out", path) == 0
    table = parquet.read_table(path)
    frame = readings_frame(store, uncertainty=True)

    assert table.schema.field("U_mm").metadata[b"unit"] == b"mm"
    assert table.schema.field("taken_at").type == pa.timestamp("us", tz="UTC")
    back = pd.DataFrame({name: pd.Series(table[name].to_pylist(), dtype=frame.dtypes[name]) for name in frame.columns})
    pd.testing.assert_frame_equal(back, frame)


def test_parquet_without_its_package_is_said_in_one_line(store: Path, tmp_path: Path, monkeypatch, capsys):
    monkeypatch.setitem(sys.modules, "pyarrow", None)

    assert _run("readings", "--store", store, "--format", "parquet", "--out", tmp_path / "r.parquet") == 2
    assert capsys.readouterr().err == (
        "fretledger: --format parquet needs the package pyarrow, which is not installed; "
        "install fretledger[parquet], or choose csv or json\n"
    )
    assert not list(tmp_path.glob("*parquet*")) + list(tmp_path.glob(".*.part"))
    assert _run("readings", "--store", store, "--format", "parquet") == 2
    assert "name a file with --out" in capsys.readouterr().err


@pytest.mark.parametrize(
    ("name", "words"),
    [
        ("..", "must name a file in a folder|is a link, a folder or a device"),
        ("sub/../bench.db", "belongs to the session store"),
        ("none/r.csv", "must name a file in a folder that exists"),
        ("bench.db", "belongs to the session store"),
        ("bench.db-wal", "belongs to the session store"),
        ("linked/bench.db.lock", "belongs to the session store"),
        ("link.csv", "is a link, a folder or a device"),
        ("sub", "is a link, a folder or a device"),
        ("a\nb.csv", "must not hold control characters"),
        ("a\0b.csv", "must not hold control characters"),
    ],
)
def test_paths_that_trick_are_refused(store: Path, tmp_path: Path, name: str, words: str):
    (tmp_path / "sub").mkdir()
    (tmp_path / "linked").symlink_to(tmp_path)
    (tmp_path / "link.csv").symlink_to(tmp_path / "elsewhere.csv")
    before = store.read_bytes()

    with pytest.raises(InputFileError, match=words):
        export_to_file(store, tmp_path / name)
    assert store.read_bytes() == before
    assert not (tmp_path / "elsewhere.csv").exists()


def test_a_path_that_climbs_is_the_persons_own(store: Path, tmp_path: Path):
    (tmp_path / "sub").mkdir()

    assert export_to_file(store, tmp_path / "sub" / ".." / "r.csv") > 0
    assert (tmp_path / "r.csv").is_file()


def test_a_link_in_the_place_of_the_metadata_is_refused(store: Path, tmp_path: Path):
    (tmp_path / "r.csv-metadata.json").symlink_to(tmp_path / "elsewhere")

    with pytest.raises(InputFileError, match="is a link"):
        export_to_file(store, tmp_path / "r.csv")
    assert not (tmp_path / "elsewhere").exists()
    assert not (tmp_path / "r.csv").exists()


def test_a_file_is_replaced_whole_or_stays(store: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch):
    path = tmp_path / "r.csv"
    path.write_text("before", encoding="utf-8")

    def fail(*_: object) -> object:
        raise OSError(28, "No space left on device")

    monkeypatch.setattr(os, "fsync", fail)
    with pytest.raises(InputFileError, match="cannot be written"):
        export_to_file(store, path)
    assert path.read_text(encoding="utf-8") == "before"
    monkeypatch.undo()
    export_to_file(store, path)
    assert len(path.read_text(encoding="utf-8").splitlines()) == 7
    assert [one.name for one in tmp_path.glob(".*")] == []


@pytest.mark.parametrize("words", ["2026-13-01", "yesterday", ""])
def test_a_date_that_is_none_is_refused(store: Path, words: str, capsys):
    with pytest.raises(SystemExit):
        _run("readings", "--store", store, "--from", words)
    assert "must be a date like 2026-01-31" in capsys.readouterr().err


class _Counted(io.TextIOBase):
    """Count lines and, now and then, the readings that are alive."""

    lines = 0
    most = 0

    def write(self, text: str) -> int:
        self.lines += text.count("\n")
        if self.lines % 9_973 == 0:
            self.most = max(self.most, sum(isinstance(one, KeptReading) for one in gc.get_objects()))
        return len(text)


def test_a_hundred_thousand_readings_stream(write: Write, tmp_path: Path):
    path = tmp_path / "s.db"
    one = "kind,fret,place,value,unit,gauge,session,sequence\nslot_depth,5,bass,1,mm,caliper,a,1\n"
    import_readings(write("r.csv", one), path)
    with Store.open(path) as store, store.reader() as reader:
        (first,) = (kept.row for kept in reader.readings())
        last = [store.submit(replace(first, sequence=n, value_nm=n)) for n in range(2, 100_001)][-1]
        last.result(60)
    out = _Counted()
    export_readings(path, out)  # type: ignore[arg-type]

    assert out.lines == 100_001
    assert 0 < out.most <= PAGE + 1, "a page of readings at a time"
