"""Tie each row class to its table: columns, key, statements, and what a value must be."""

from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, fields
from operator import attrgetter
from types import MappingProxyType
from typing import Any, Final, get_type_hints

from logger.store.rows import (
    Attachment,
    AttachmentNote,
    CheckPoint,
    CheckResult,
    Climate,
    Gauge,
    GaugeCheck,
    InstrumentRevision,
    InstrumentRow,
    ReadingRow,
    Reassignment,
    RecordRow,
    Row,
    SessionEnd,
    SessionFactor,
    SessionGauge,
    SessionNote,
    SessionPurpose,
    SessionRow,
    SheetRequest,
    Skip,
    StoreEvent,
    TakeBack,
)

Value = int | str | bytes | None
_KINDS: Final = ((int, "a whole number"), (str, "text"), (bytes, "bytes"))
_LOWEST: Final = -(1 << 63)
_HIGHEST: Final = (1 << 63) - 1


@dataclass(frozen=True, slots=True, kw_only=True)
class Column:
    """A column: the Python type of its values and whether None may stand in it."""

    name: str
    kind: type
    words: str
    optional: bool

    def problem(self, value: object) -> str | None:
        """Say what is wrong with a value, None if nothing is."""
        if value is None and self.optional:
            return None
        if not isinstance(value, self.kind) or isinstance(value, bool):
            return f"{self.name} must be {self.words}, got {value!r}"
        if isinstance(value, int) and not _LOWEST <= value <= _HIGHEST:
            return f"{self.name} must fit 64 bits, got {value}"
        if isinstance(value, str) and not _is_unicode(value):
            return f"{self.name} must be text without lone surrogates, got {value!r}"
        return None


@dataclass(frozen=True, slots=True, kw_only=True)
class Table:
    """A table of the store: ``name``, its ``key`` columns, and ``parent``, what a row of it refers to, in words."""

    name: str
    make: Callable[..., Any]
    names: tuple[str, ...]
    key: tuple[str, ...]
    parent: str
    columns: tuple[Column, ...]
    insert: str
    find: str
    select: str
    values: Callable[[Any], tuple[Value, ...]]

    def problem(self, values: Sequence[object]) -> str | None:
        """Say what is wrong with a row's values, None if their types hold."""
        for column, value in zip(self.columns, values, strict=True):
            if text := column.problem(value):
                return text
        return None

    def key_of(self, values: Sequence[Value]) -> tuple[Value, ...]:
        """Return the values of the key columns."""
        return tuple(values[index] for index, column in enumerate(self.columns) if column.name in self.key)

    def key_in_words(self, values: Sequence[Value]) -> str:
        """Name a row by its key: ``reading (session 'a', gauge 'caliper', sequence 3)``."""
        pairs = zip(self.key, self.key_of(values), strict=True)
        return f"{self.name.replace('_', ' ')} ({', '.join(f'{name} {value!r}' for name, value in pairs)})"

    def row(self, values: Sequence[Value]) -> Any:
        """Build the row class's instance from values in column order."""
        return self.make(**dict(zip(self.names, values, strict=True)))


def _is_unicode(text: str) -> bool:
    try:
        text.encode()
    except UnicodeEncodeError:
        return False
    return True


def _column(name: str, hint: Any) -> Column:
    options = getattr(hint, "__args__", (hint,))
    kind, words = next(pair for pair in _KINDS if pair[0] in options)
    return Column(name=name, kind=kind, words=words, optional=type(None) in options)


def _table(row: type[Row], name: str, key: tuple[str, ...], parent: str = "") -> Table:
    hints = get_type_hints(row)
    names = [field.name for field in fields(row)]
    listed = ", ".join(names)
    marks = ", ".join("?" * len(names))
    where = " AND ".join(f"{part} = ?" for part in key)
    select = f"SELECT {listed} FROM {name}"
    return Table(
        name=name,
        make=row,
        names=tuple(names),
        key=key,
        parent=parent,
        columns=tuple(_column(part, hints[part]) for part in names),
        insert=f"INSERT INTO {name} ({listed}) VALUES ({marks})",
        find=f"{select} WHERE {where}",
        select=select,
        values=attrgetter(*names),
    )


_AMENDMENT: Final = ("session", "number")

TABLES: Final[Mapping[type, Table]] = MappingProxyType({
    InstrumentRow: _table(InstrumentRow, "instrument", ("id",)),
    InstrumentRevision: _table(InstrumentRevision, "instrument_revision", ("instrument", "revision"), "its instrument"),
    SessionRow: _table(SessionRow, "session", ("id",), "that revision of its instrument"),
    SessionEnd: _table(SessionEnd, "session_end", ("session",), "its session"),
    SessionGauge: _table(SessionGauge, "session_gauge", ("session", "gauge"), "its session"),
    ReadingRow: _table(ReadingRow, "reading", ("session", "gauge", "sequence"), "its gauge in that session"),
    TakeBack: _table(TakeBack, "take_back", _AMENDMENT, "the reading it takes back"),
    Reassignment: _table(Reassignment, "reassignment", _AMENDMENT, "the reading it assigns anew"),
    Skip: _table(Skip, "skip", _AMENDMENT, "its session"),
    SheetRequest: _table(SheetRequest, "sheet_request", _AMENDMENT, "its session"),
    SessionPurpose: _table(SessionPurpose, "session_purpose", ("session",), "its session"),
    Climate: _table(Climate, "climate", _AMENDMENT, "its session"),
    Gauge: _table(Gauge, "gauge", ("name", "number")),
    GaugeCheck: _table(GaugeCheck, "gauge_check", ("id",), "that revision of its gauge"),
    CheckPoint: _table(CheckPoint, "gauge_check_point", ("gauge_check", "number"), "its check"),
    CheckResult: _table(CheckResult, "gauge_check_result", ("gauge_check",), "its check"),
    RecordRow: _table(RecordRow, "record", ("id",), "its instrument"),
    Attachment: _table(Attachment, "attachment", ("id",), "its instrument or session"),
    AttachmentNote: _table(AttachmentNote, "attachment_note", ("attachment", "number"), "its attached file"),
    SessionFactor: _table(SessionFactor, "session_factor", _AMENDMENT, "its session"),
    StoreEvent: _table(StoreEvent, "store_event", ("number",)),
    SessionNote: _table(SessionNote, "session_note", _AMENDMENT, "its session, or the note that it replaces"),
})
"""Every row class and its table."""
