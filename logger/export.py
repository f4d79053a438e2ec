"""Write what a store holds as files: readings as CSV that `fretledger evaluate` reads, as JSON or Parquet."""

import json
from collections.abc import Callable, Iterable, Iterator, Mapping
from datetime import datetime
from itertools import islice
from pathlib import Path
from types import MappingProxyType
from typing import Any, Final, TextIO

from logger.csv_table import csv_line
from logger.errors import InputFileError, SessionNotFoundError
from logger.gauge_file import gauges_toml
from logger.kept import spec_of
from logger.reading_columns import Cell, cells, columns, csv_cells
from logger.readings_csv import JUDGED, KEPT, OPTIONAL, REQUIRED
from logger.selection import Chosen, Selection, chosen_sessions, select
from logger.store import StoreReader
from logger.table_metadata import metadata_path, table_metadata
from logger.whole_file import check_out, whole_file

ROWS_AT_ONCE: Final = 10_000
"""Rows of one group of a Parquet file."""


def export_readings(
    store: Path, out: TextIO, *, wanted: Selection | None = None, form: str = "csv", instrument_to: Path | None = None,
    gauges_to: Path | None = None, limits_to: Path | None = None,
) -> int:  # fmt: skip
    """Write readings as CSV or JSON and, where asked, what goes with the newest chosen session as TOML.

    Nothing is written to ``out`` where the selection or a named file does not hold.

    Args:
        store: the session store; may be in use.
        out: where the readings go.
        wanted: which readings; None for all.
        form: ``csv`` or ``json``.
        instrument_to: file for the instrument, or None.
        gauges_to: file for the gauges, or None.
        limits_to: file for the limits, or None.

    Returns:
        How many readings were written.

    Raises:
        SessionNotFoundError: the store holds no such session, or none to describe.
        StoreError: the store cannot be read.
        InputFileError: a file cannot be written, or the selection does not hold.
    """
    chosen = wanted or Selection()
    with StoreReader(store) as reader:
        rows = _Counted(select(reader, chosen))
        if instrument_to or gauges_to or limits_to:
            describe_newest(store, chosen, instrument_to=instrument_to, gauges_to=gauges_to, limits_to=limits_to)
        _TEXTS[form](rows, out, chosen.uncertainty)
    return rows.count


class _Counted:
    """Pass readings on and count them."""

    def __init__(self, rows: Iterator[Chosen]) -> None:
        self._rows = rows
        self.count = 0

    def __iter__(self) -> Iterator[Chosen]:
        for row in self._rows:
            self.count += 1
            yield row


def export_to_file(store: Path, path: Path, *, wanted: Selection | None = None, form: str = "csv") -> int:
    """Write readings to a file, whole or not at all; beside a CSV file what its columns are, as W3C tabular metadata.

    Args:
        store: the session store; may be in use.
        path: the file.
        wanted: which readings; None for all.
        form: ``csv``, ``json`` or ``parquet``.

    Returns:
        How many readings were written.

    Raises:
        StoreError: the store cannot be read.
        InputFileError: the file may not or cannot be written, the selection does not hold, or Parquet is asked for
            without the package that writes it.
    """
    chosen = wanted or Selection()
    place = check_out(path, store=store)
    with StoreReader(store) as reader, whole_file(place) as part:
        rows = _Counted(select(reader, chosen))
        if form == "parquet":
            _write_parquet(iter(rows), part, chosen.uncertainty)
        else:
            with part.open("w", encoding="utf-8", newline="") as out:
                _TEXTS[form](rows, out, chosen.uncertainty)
        if form == "csv":
            beside = check_out(metadata_path(place), store=store)
            with whole_file(beside) as told:
                text = json.dumps(
                    table_metadata(place.name, uncertainty=chosen.uncertainty), ensure_ascii=False, indent=2
                )
                told.write_text(text + "\n", encoding="utf-8")
    return rows.count


def _write_csv(rows: Iterable[Chosen], out: TextIO, uncertainty: bool) -> None:
    names = (*REQUIRED, *OPTIONAL, *KEPT, *(JUDGED if uncertainty else ()))
    out.write(csv_line(names))
    for one in rows:
        texts = csv_cells(one)
        out.write(csv_line([texts[name] for name in names]))


def _write_json(rows: Iterable[Chosen], out: TextIO, uncertainty: bool) -> None:
    names = [column.name for column in columns(uncertainty=uncertainty)]
    before = "[\n"
    for one in rows:
        values = {name: _json_value(value) for name, value in cells(one).items() if name in names}
        out.write(before + json.dumps(values, ensure_ascii=False, allow_nan=False))
        before = ",\n"
    out.write("[]\n" if before == "[\n" else "\n]\n")


def _json_value(value: Cell) -> str | int | float | None:
    return value.isoformat(timespec="milliseconds") if isinstance(value, datetime) else value


_TEXTS: Final[Mapping[str, Callable[[Iterable[Chosen], TextIO, bool], None]]] = MappingProxyType({
    "csv": _write_csv, "json": _write_json,
})  # fmt: skip


def _write_parquet(rows: Iterator[Chosen], path: Path, uncertainty: bool) -> None:
    try:
        import pyarrow as pa
        from pyarrow import parquet
    except ModuleNotFoundError as cause:
        raise InputFileError(
            "--format parquet needs the package pyarrow, which is not installed; install fretledger[parquet], "
            "or choose csv or json"
        ) from cause
    kinds: dict[str, Any] = {
        "text": pa.string(), "whole": pa.int64(), "number": pa.float64(), "time": pa.timestamp("us", tz="UTC"),
    }  # fmt: skip
    schema = pa.schema([
        pa.field(one.name, kinds[one.holds], metadata={"unit": one.unit, "description": one.words})
        for one in columns(uncertainty=uncertainty)
    ])
    with parquet.ParquetWriter(path, schema, compression="zstd") as writer:
        while group := [cells(one) for one in islice(rows, ROWS_AT_ONCE)]:
            writer.write_table(pa.Table.from_pylist(group, schema=schema))


def describe_newest(
    store: Path, wanted: Selection, *, instrument_to: Path | None = None, gauges_to: Path | None = None,
    limits_to: Path | None = None,
) -> None:  # fmt: skip
    """Write instrument, gauges and limits of the newest session of a selection as TOML, each where a file is named.

    Raises:
        SessionNotFoundError: there is no session to describe.
        StoreError: the store cannot be read.
        InputFileError: a file cannot be written, or the selection does not hold.
    """
    with StoreReader(store) as reader:
        chosen = chosen_sessions(reader, wanted)
        if not chosen:
            raise SessionNotFoundError(f"{store}: holds no session to describe; run fretledger bench first", path=store)
        newest = chosen[-1]
        _write(instrument_to, reader.instrument_at(newest.instrument, newest.revision).description)
        _write(gauges_to, gauges_toml({gauge.gauge: spec_of(gauge) for gauge in reader.gauges(newest.id)}))
        _write(limits_to, newest.limits)


def _write(path: Path | None, text: str) -> None:
    if path is None:
        return
    try:
        path.write_text(text, encoding="utf-8")
    except OSError as error:
        raise InputFileError(
            f"{path}: cannot be written ({error.strerror}); give a file in a writable folder"
        ) from error
