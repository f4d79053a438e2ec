"""Which sessions something was added to, told by the last entry of each table: nothing is ever changed."""

from collections.abc import Callable, Mapping, Sequence
from typing import Any, Final

TABLES: Final = ("session", "session_gauge", "reading", "take_back", "reassignment", "climate", "session_factor")
"""Tables that a judgement rests on."""
_LISTED: Final = """
SELECT s.id, s.instrument, s.started_at_ns FROM session AS s
WHERE s.instrument <> 'none' AND NOT EXISTS (SELECT 1 FROM session_purpose AS p WHERE p.session = s.id)"""
_AMONG: Final = " AND s.id IN ({})"

Ask = Callable[[str, Sequence[Any]], list[tuple[Any, ...]]]


def added(ask: Ask, marks: Mapping[str, int]) -> tuple[list[tuple[str, str, int]], dict[str, int]]:
    """Return the sessions that measure an instrument and have something after the marks, and the marks of now.

    Args:
        ask: executes a statement, inside one read transaction.
        marks: by table, the last entry that was looked at; empty for all sessions.

    Returns:
        Of each session its id, its instrument and when it was begun; and the marks for the next call.
    """
    now = {name: int(ask(f"SELECT coalesce(max(entry), 0) FROM {name}", ())[0][0]) for name in TABLES}
    if not marks:
        return [(one, neck, at_ns) for one, neck, at_ns in ask(_LISTED, ())], now
    since = [name for name in TABLES if now[name] > marks.get(name, 0)]
    if not since:
        return [], now
    named = " UNION ".join(f"SELECT {'id' if name == 'session' else 'session'} FROM {name} WHERE entry > ?"
                           for name in since)  # fmt: skip
    found = ask(_LISTED + _AMONG.format(named), [marks.get(name, 0) for name in since])
    return [(one, neck, at_ns) for one, neck, at_ns in found], now
