"""Readings as they stand after everything that was taken back or assigned anew."""

from collections.abc import Callable, Iterable
from dataclasses import replace

from logger.store.rows import KeptReading, ReadingRow, Reassignment, TakeBack


def as_they_stand(
    originals: Iterable[ReadingRow], take_backs: Iterable[TakeBack], reassignments: Iterable[Reassignment]
) -> list[KeptReading]:
    """Return readings as they stand after every take-back and reassignment of theirs."""
    amend = amendments(take_backs, reassignments)
    return [amend(row) for row in originals]


def amendments(
    take_backs: Iterable[TakeBack], reassignments: Iterable[Reassignment]
) -> Callable[[ReadingRow], KeptReading]:
    """Return what tells a reading as it stands after all of these."""
    taken = {_key(row): row for row in sorted(take_backs, key=lambda row: -row.number)}
    newest = {_key(row): row for row in sorted(reassignments, key=lambda row: row.number)}
    return lambda row: KeptReading(
        row=_amended(row, newest.get(_key(row))), taken_back=taken.get(_key(row)), original=row
    )


def _key(row: ReadingRow | TakeBack | Reassignment) -> tuple[str, str, int]:
    return row.session, row.gauge, row.sequence


def _amended(row: ReadingRow, by: Reassignment | None) -> ReadingRow:
    if by is None:
        return row
    return replace(row, kind=by.kind, fret=by.fret, place=by.place, feet=by.feet, round=by.round)
