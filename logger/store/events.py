"""What happened to a store itself, kept in it: since when its rows are counted, and what it was recovered from.

A witness can be taken away, and a new one counts from then on; a recovered store looks like any other. So both are rows
of the store, and what a record rests on is told from them.
"""

import json
import sqlite3
from collections.abc import Mapping, Sequence
from contextlib import suppress
from datetime import UTC, datetime, timedelta
from pathlib import Path
from typing import Any, Final

from logger.counted import counted
from logger.errors import StoreError
from logger.store.chain import tables_of
from logger.store.keep import keep
from logger.store.rows import StoreEvent
from logger.store.tables import TABLES

COUNTED, RECOVERED = "counted", "recovered"
"""Kinds of event: rows are counted from here on; the store was made of what another still held."""
NO_WITNESS: Final = "no witness lay beside the store when it was opened"
_FORM: Final = {"counted_since": (str, type(None)), "because": (str,), "recovered": (list,)}
_FORM_OF_RECOVERY: Final = {
    "at": (str,), "store": (str,), "file_sha256": (str,), "log_sha256": (str,), "witnessed": (bool,), "lost": (dict,),
    "changed": (dict,),
}  # fmt: skip
_EPOCH: Final = datetime(1970, 1, 1, tzinfo=UTC)
_HASH_SHOWN: Final = 16
_MOST_TEXT: Final = 200


def note(connection: sqlite3.Connection, path: Path, kind: str, description: Mapping[str, Any], *, at_ns: int) -> None:
    """Keep an event, in the transaction that is open or in one of its own.

    Raises:
        StoreError: if it cannot be kept.
        sqlite3.Error: likewise, for a cause of the file's.
    """
    own = not connection.in_transaction
    if own:
        connection.execute("BEGIN IMMEDIATE")
    try:
        number = connection.execute("SELECT coalesce(max(number), 0) + 1 FROM store_event").fetchone()[0]
        text = json.dumps(description, ensure_ascii=False, sort_keys=True)
        keep(connection, StoreEvent(number=number, at_ns=at_ns, kind=kind, description=text), path)
        if own:
            connection.execute("COMMIT")
    finally:
        if own and connection.in_transaction:
            with suppress(sqlite3.Error):  # what broke the transaction is on its way up
                connection.execute("ROLLBACK")


def events_of(connection: sqlite3.Connection) -> list[StoreEvent]:
    """Return the events of a store, none of one that is older than they are.

    Raises:
        sqlite3.Error: if they cannot be read.
    """
    table = TABLES[StoreEvent]
    if table.name not in tables_of(connection):
        return []
    return [table.row(values) for values in connection.execute(f"{table.select} ORDER BY entry")]


def rests_on(events: Sequence[StoreEvent], path: Path) -> dict[str, Any]:
    """Return, as plain values, what anything told from a store rests on.

    ``counted_since`` is None where a witness counted from the store's beginning, else a time and ``because`` why;
    ``recovered`` lists, oldest first, the stores that this one was recovered from and what was lost on the way.

    Raises:
        StoreError: an event is not as this program keeps it.
    """
    told: dict[str, Any] = {"counted_since": None, "because": "", "recovered": []}
    try:
        for event in events:
            if event.kind not in {COUNTED, RECOVERED}:
                continue  # of a later program, or another's
            held = json.loads(event.description)
            at = (_EPOCH + timedelta(microseconds=event.at_ns // 1000)).isoformat(timespec="microseconds")
            if event.kind == COUNTED:
                told |= {"counted_since": at, "because": held["because"]}
            else:
                told |= {"counted_since": at, "because": "the store was recovered from another"}
                told["recovered"].append({"at": at} | {name: held[name] for name in _FORM_OF_RECOVERY if name != "at"})
        check(told)
    except (ValueError, KeyError, TypeError, OverflowError) as error:
        raise StoreError(
            f"session store {path} must tell what happened to it as this program keeps it, and one event cannot be "
            "understood; another program altered it: restore a copy",
            path=path,
        ) from error
    return told


def check(told: Any) -> None:
    """Check the form of what `rests_on` returns, as it may come back from a file.

    Raises:
        ValueError: it is another.
    """
    if not _has_form(told, _FORM) or not all(_has_form(one, _FORM_OF_RECOVERY) for one in told["recovered"]):
        raise ValueError("not what a record rests on")
    times = [one["at"] for one in told["recovered"]] + ([told["counted_since"]] if told["counted_since"] else [])
    for time in times:
        _moment(time)
    counts = [number for one in told["recovered"] for name in ("lost", "changed") for number in one[name].values()]
    if not all(type(number) is int for number in counts):
        raise ValueError("not what a record rests on")


def _has_form(values: Any, form: Mapping[str, tuple[type, ...]]) -> bool:
    return (
        isinstance(values, dict)
        and set(values) == set(form)
        and all(isinstance(values[name], kinds) for name, kinds in form.items())
    )


def words(told: Mapping[str, Any]) -> list[str]:
    """Say what anything told from a store rests on, a sentence for each thing; ``told`` is as `check` wants it."""
    lines = [_recovery_words(one) for one in told["recovered"]]
    since = told["counted_since"]
    if since is None:
        return [*lines, "a witness counted every row from the store's beginning"]
    if told["recovered"] and told["recovered"][-1]["at"] == since:
        return lines
    why = told["because"][:_MOST_TEXT]
    only = f"a witness counts the rows only since {_moment(since)}, because {why}"
    return [*lines, f"{only}: what was lost or changed before would not be seen"]


def short_words(told: Mapping[str, Any]) -> str:
    """Say in few words what anything told from a store rests on; ``told`` is as `check` wants it."""
    since = told["counted_since"]
    if since is None:
        return "rows counted from the store's beginning"
    parts = [f"recovered store, {_losses(one)}" for one in told["recovered"]]
    if not told["recovered"] or told["recovered"][-1]["at"] != since:
        parts.append(f"rows counted only since {_moment(since)}")
    return "; ".join(parts)


def _losses(one: Mapping[str, Any]) -> str:
    what = [f"{_rows_words(one['lost'])} lost"] if one["lost"] else []
    what += [f"at least {_rows_words(one['changed'])} changed"] if one["changed"] else []
    nothing = "nothing known to be lost or changed" if one["witnessed"] else "no witness told how many rows there were"
    return ", ".join(what) or nothing


def _recovery_words(one: Mapping[str, Any]) -> str:
    source = f"store {one['store'][:_MOST_TEXT]}" if one["store"] else "a store whose id was lost"
    return (
        f"the store was recovered on {_moment(one['at'])} from {source}, file SHA-256 "
        f"{one['file_sha256'][:_HASH_SHOWN]}...: {_losses(one)}"
    )


def _rows_words(counts: Mapping[str, int]) -> str:
    return ", ".join(
        counted(number, "reading") if name == "reading" else f"{counted(number, 'row')} of {name.replace('_', ' ')}"
        for name, number in sorted(counts.items())
    )


def _moment(text: str) -> str:
    return f"{datetime.fromisoformat(text).astimezone(UTC):%Y-%m-%d %H:%M:%S} UTC"
