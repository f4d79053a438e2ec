"""Look over a store: is it what it was, what is lost, and what to do; it is only read, whoever writes it meanwhile."""

import sqlite3
from collections.abc import Iterator, Sequence
from contextlib import closing, contextmanager
from dataclasses import dataclass, field
from itertools import islice
from pathlib import Path
from tempfile import TemporaryDirectory
from typing import Any, Final

from logger.counted import are, counted
from logger.errors import StoreError, WitnessError
from logger.store import events
from logger.store.attached import ASTRAY, astray
from logger.store.chain import START, Link, columns_of, follow, last_entry, quoted, tables_of
from logger.store.clocks import ClockWatch
from logger.store.connect import check_present, connect_file, resolve, store_id_of
from logger.store.faults import in_words, primary_code
from logger.store.files import Progress, beside, no_progress
from logger.store.log_size import log_bytes
from logger.store.mending import made_readable
from logger.store.past_damage import last_readable, readable
from logger.store.schema import STEPS, check_guards, check_identity
from logger.store.trail import Marks, changed_spans, changed_words, table_words
from logger.store.witness import (
    PUT_BACK,
    REMEDY,
    Witness,
    another_store,
    astray_witness,
    cut_log_words,
    gone_words,
    is_comparable,
    read_witness,
    witness_or_words,
    witness_path,
)

_DAMAGED: Final = (sqlite3.SQLITE_CORRUPT, sqlite3.SQLITE_NOTADB)
_MOST_TOLD: Final = 5
_TOLD_EVERY: Final = 1_000
_STEPS_BETWEEN: Final = 1_000_000
"""How many steps SQLite works between two looks at the clock."""


@dataclass(slots=True, kw_only=True)
class Inspection:
    """What was found in a store.

    ``chain`` has each readable table's rows and hash, ``in_part`` how many rows can be read of each that is damaged;
    ``wrong`` says what is lost or altered, ``astray`` which attached files beside it are missing or changed, ``to_do``
    what to do, and ``notes`` what is worth knowing and no fault. ``rests_on`` is as `events.rests_on` returns it. The
    remedy of the witness is for a store of which its witness alone is wrong.
    """

    path: Path
    store_id: str
    version: int
    witnessed_at: str | None = None
    chain: dict[str, Link] = field(default_factory=dict)
    in_part: dict[str, int] = field(default_factory=dict)
    wrong: list[str] = field(default_factory=list)
    astray: list[str] = field(default_factory=list)
    notes: list[str] = field(default_factory=list)
    rests_on: dict[str, Any] | None = None
    remedy: str = REMEDY
    remedy_of_witness: str = ""

    @property
    def to_do(self) -> str:
        """What to do about what is wrong, empty for a sound store with all of its files."""
        remedy = self.remedy_of_witness if self.remedy_of_witness and len(self.wrong) == 1 else self.remedy
        return "; ".join([*([remedy] if self.wrong else []), *([ASTRAY] if self.astray else [])])


def inspect(path: Path | str, progress: Progress = no_progress) -> Inspection:
    """Read a whole store and compare it with itself and with its witness.

    Args:
        path: the store's file.
        progress: told what is being done.

    Raises:
        StoreVersionError: if a newer program wrote it.
        StoreForeignError: if the file is not a session store.
        StoreError: if there is no such file, or it cannot be read.
    """
    path = resolve(path)
    check_present(path)
    try:
        return _look_over_or_mend(path, progress)
    except (sqlite3.Error, OSError) as error:
        fault = in_words(error, path=path, doing="inspected")
        raise fault from error


def _look_over_or_mend(path: Path, progress: Progress) -> Inspection:
    try:
        with closing(connect_file(path, "ro")) as connection:
            return _look_over(connection, path, progress)
    except sqlite3.DatabaseError as error:
        found = _look_over_mended(path, progress) if primary_code(error) in _DAMAGED else None
        if found is None:
            raise
        return found


def _look_over(
    connection: sqlite3.Connection, path: Path, progress: Progress, mended: Sequence[str] = ()
) -> Inspection:
    # ``mended`` says what was wrong with the file that the connection's was made of.
    found = Inspection(path=path, version=check_identity(connection, path), store_id="")
    # Read before the rows: a bench that writes meanwhile only adds to what the witness counts.
    witness = _witness(found, connection)
    found.wrong[:0] = mended
    connection.execute("BEGIN")
    if not mended:
        _check_structure(connection, found, progress)
    _check_guards(connection, found)
    _check_rows(connection, found, witness, progress)
    _note_events(connection, found)
    _check_attached(connection, found, progress)
    _note_files(found, witness)
    _note_clocks(connection, found, progress)
    return found


def _look_over_mended(path: Path, progress: Progress) -> Inspection | None:
    # Of a file that SQLite refuses as a whole; None where nothing says that it is a store, or why it is refused.
    mended: list[str] = []
    with TemporaryDirectory(prefix="fretledger-") as folder:
        try:
            readable_from = made_readable(path, Path(folder) / path.name, mended)
        except StoreError as error:
            return _nothing_left(path, [*mended, str(error)])
        if not mended:
            return None
        with closing(connect_file(readable_from, "ro")) as connection:
            return _look_over(connection, path, progress, mended)


def _nothing_left(path: Path, wrong: list[str]) -> Inspection:
    witness = witness_or_words(path, wrong)
    if witness is None:
        return Inspection(path=path, store_id="", version=0, wrong=wrong, remedy=PUT_BACK)
    rows = sum(link.entries for link in witness.chain.values())
    wrong.append(f"its witness saw {counted(rows, 'row')} at {witness.at}: {_listed(witness)}")
    return Inspection(
        path=path, store_id=witness.store_id, version=witness.version, witnessed_at=witness.at, wrong=wrong,
        remedy=PUT_BACK,
    )  # fmt: skip


def _listed(witness: Witness) -> str:
    held = sorted((name, link.entries) for name, link in witness.chain.items() if link.entries)
    return ", ".join(counted(rows, table_words(name)) for name, rows in held) or "none"


def _witness(found: Inspection, connection: sqlite3.Connection) -> Witness | None:
    witness = None
    try:
        witness = read_witness(found.path)
    except WitnessError as error:
        found.wrong.append(error.found)
        found.remedy_of_witness = error.remedy
    try:
        found.store_id = store_id_of(connection, found.path)
    except sqlite3.DatabaseError:
        found.wrong.append("the id of the store cannot be read")
        found.store_id = "" if witness is None else witness.store_id
    other = another_store(witness, found.store_id) if witness is not None else None
    if witness is None or other is not None:
        found.wrong += [other] if other else []
        return None
    found.witnessed_at = witness.at
    return witness


@contextmanager
def ticking(connection: sqlite3.Connection, words: str, progress: Progress) -> Iterator[None]:
    """Tell that something of unknown length goes on, while SQLite works on it."""

    def tick() -> int:
        progress(words, None)
        return 0

    connection.set_progress_handler(tick, _STEPS_BETWEEN)
    try:
        yield
    finally:
        connection.set_progress_handler(None, 0)


def _check_structure(connection: sqlite3.Connection, found: Inspection, progress: Progress) -> None:
    for pragma, what in (("integrity_check", "the file's structure"), ("foreign_key_check", "what refers to what")):
        said = ""
        try:
            with ticking(connection, f"checking {what}", progress):
                told = [_one_line(row) for row in connection.execute(f"PRAGMA {pragma}") if row[0] != "ok"]
        except sqlite3.DatabaseError as error:
            told, said = [], f"{what} cannot be checked{_reported(found, error)}"
        if said:
            found.wrong.append(said)
        elif told:
            more = f" and {len(told) - _MOST_TOLD} more" if len(told) > _MOST_TOLD else ""
            found.wrong.append(f"{what} is damaged: {'; '.join(told[:_MOST_TOLD])}{more}")


def _reported(found: Inspection, error: sqlite3.Error) -> str:
    # What the library says of damage is said once; then it says nothing more.
    return "" if any(str(error) in text for text in found.wrong) else f" ({error})"


def _one_line(row: tuple[object, ...]) -> str:
    return " ".join(" ".join(str(part) for part in row).split())


def _check_guards(connection: sqlite3.Connection, found: Inspection) -> None:
    try:
        check_guards(connection, found.path, steps=STEPS[: found.version])
    except StoreError as error:
        found.wrong.append(str(error))


def _check_rows(connection: sqlite3.Connection, found: Inspection, witness: Witness | None, progress: Progress) -> None:
    seen = {} if witness is None else dict(witness.chain)
    marks = witness.marks if witness is not None and is_comparable(witness, found.version) else None
    tables = tables_of(connection)
    lost = [
        f"{gone_words(link.entries, link.entries, name)} with their table"
        for name, link in sorted(seen.items())
        if name not in tables and link.entries
    ]
    for name in tables:
        known = seen.get(name, START)
        try:
            link, count = _read_table(connection, name, known, progress)
        except sqlite3.DatabaseError as error:
            found.in_part[name] = _count_past_damage(connection, name, known, progress)
            if witness is not None and not known.entries and not found.in_part[name] and found.wrong:
                continue  # an empty table: its page is damaged, which is told already, and no row is known to be lost
            rows = f"the {counted(known.entries, 'row')}" if known.entries else "the rows"
            found.wrong.append(
                f"{rows} of {table_words(name)} cannot all be read{_reported(found, error)}: {found.in_part[name]} "
                f"{are(found.in_part[name])} read by going past the damage, as `fretledger store recover` does"
            )
            continue
        found.chain[name] = link[1]
        if now_gone := _gone(name, known, link[1], count):
            lost.append(now_gone)
        elif marks is not None and link[0] != known:
            found.wrong += _changed(connection, name, known, marks.get(name, ()))
    if lost and witness is not None and not found.in_part:
        lost += cut_log_words(found.path, witness)
    found.wrong += lost


def _count_past_damage(connection: sqlite3.Connection, name: str, known: Link, progress: Progress) -> int:
    last = max(known.entries, last_readable(connection, name))
    found = 0
    for entry, *_ in readable(
        connection, name, "".join(f", {quoted(one)}" for one in columns_of(connection, name)), last
    ):
        found += 1
        if found % _TOLD_EVERY == 0:
            progress(f"going past the damage of {table_words(name)}", min(entry / max(last, 1), 1.0))
    return found


def _check_attached(connection: sqlite3.Connection, found: Inspection, progress: Progress) -> None:
    if "attachment" in found.chain:  # else its rows cannot be read, which is told already
        found.astray += astray(connection, found.path, progress)


def _read_table(
    connection: sqlite3.Connection, name: str, known: Link, progress: Progress
) -> tuple[tuple[Link, Link], int]:
    # The links at the witness's last row and at the table's, and how many rows there are.
    total, done = max(last_entry(connection, name), 1), 0

    def tick(rows: int) -> None:
        nonlocal done
        done += rows
        progress(f"reading every {table_words(name)}", min(done / total, 1.0))

    then = follow(connection, name, until=known.entries, tick=tick)
    now = follow(connection, name, then, tick=tick)
    return (then, now), int(connection.execute(f"SELECT count(*) FROM {quoted(name)}").fetchone()[0])


def _gone(name: str, known: Link, now: Link, count: int) -> str:
    if now.entries < known.entries:
        return gone_words(known.entries - count, known.entries, name)
    if count < now.entries:
        return f"{gone_words(now.entries - count, now.entries, name)}, from between the others"
    return ""


def _changed(connection: sqlite3.Connection, name: str, known: Link, marks: Marks) -> list[str]:
    found = changed_words(connection, name, changed_spans(connection, name, known, marks))
    return [f"{one}: a digit was changed on the disk or by another program" for one in found]


def _note_events(connection: sqlite3.Connection, found: Inspection) -> None:
    try:
        found.rests_on = events.rests_on(events.events_of(connection), found.path)
    except StoreError as error:
        found.wrong.append(str(error))
    except sqlite3.DatabaseError:
        return  # told already, with the table that cannot be read
    else:
        if found.rests_on["counted_since"] is not None:
            found.notes += events.words(found.rests_on)


def _note_files(found: Inspection, witness: Witness | None) -> None:
    if found.witnessed_at is None and not found.wrong:
        found.notes.append(_no_witness_words(found))
    newer = sum(link.entries for link in found.chain.values())
    if witness is not None and not found.wrong:
        newer -= sum(link.entries for link in witness.chain.values())
        if newer:
            found.notes.append(
                f"{counted(newer, 'row')} {are(newer)} newer than the witness, which is written at most once a second"
            )
    size = log_bytes(found.path)
    if size:
        found.notes.append(
            f"{beside(found.path, '-wal').name} ({size // 1024 + 1} KiB) is part of the store: a program has it open "
            "or was killed; copy with `fretledger store copy`, never the one file alone"
        )


def _no_witness_words(found: Inspection) -> str:
    named, astray_one = witness_path(found.path).name, astray_witness(found.path, found.store_id)
    if astray_one is not None:
        return (
            f"its witness lies beside it as {astray_one.name}: the store was renamed without it; rename the witness to "
            f"{named} and inspect again, so that what is lost or changed would be seen"
        )
    return (
        f"no witness lies beside it ({named}): rows missing at the end would not be seen; the bench makes one when it "
        "opens the store, which says from then on since when it is counted"
    )


def _note_clocks(connection: sqlite3.Connection, found: Inspection, progress: Progress) -> None:
    if found.wrong or "reading" not in found.chain:
        return
    jumps = _jumps(connection, found.chain["reading"].entries, progress)
    told = list(islice(jumps, _MOST_TOLD))
    more = sum(1 for _ in jumps)
    found.notes += [*told, *([f"the clock jumped {more} times more"] if more else [])]


def _jumps(connection: sqlite3.Connection, total: int, progress: Progress) -> Iterator[str]:
    watch = ClockWatch()
    columns = "session, gauge, sequence, taken_at_ns, monotonic_ns"
    rows = connection.execute(f"SELECT {columns} FROM reading ORDER BY entry")
    for number, row in enumerate(rows):
        jump = watch.see(*row)
        if jump is not None:
            yield jump.words()
        if number % 10_000 == 0:
            progress("comparing the clocks", min(number / max(total, 1), 1.0))
