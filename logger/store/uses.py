"""What gauges have read and sessions were worked with, over all: counted in SQL, so that years cost one pass."""

from collections.abc import Callable, Sequence
from dataclasses import dataclass, replace
from typing import Any, Final

from logger.store.tables import Value

READ: Final = "SELECT gauge, session, count(*), max(entry) FROM reading GROUP BY session, gauge"
TAKEN_BACK: Final = "SELECT gauge, session, count(DISTINCT sequence) FROM take_back GROUP BY session, gauge"
KEPT: Final = "SELECT gauge, session, count(DISTINCT sequence) FROM reassignment WHERE why = ? GROUP BY session, gauge"

WORKED: Final = """SELECT name, value, count(*), max(at_ns) FROM session_factor AS one
WHERE value <> '' AND session <> ? AND number = (SELECT max(number) FROM session_factor
WHERE session = one.session AND name = one.name) GROUP BY name, value ORDER BY max(at_ns) DESC, max(entry) DESC"""


@dataclass(frozen=True, slots=True, kw_only=True)
class FactorUse:
    """Something that sessions were worked with: in how many, and when it was last noted."""

    name: str
    value: str
    sessions: int
    last_ns: int


@dataclass(frozen=True, slots=True, kw_only=True)
class GaugeUse:
    """What a gauge read in one session.

    Attributes:
        readings: how many, those taken back too.
        taken_back: how many of them were taken back.
        kept: how many a person kept when they were asked about.
        newest: entry of the last one in the store.
    """

    gauge: str
    session: str
    readings: int
    taken_back: int = 0
    kept: int = 0
    newest: int


def uses(ask: Callable[[str, Sequence[Value]], list[tuple[Any, ...]]], *, why_kept: str) -> list[GaugeUse]:
    """Return every gauge's use of every session in which it read something.

    Args:
        ask: gives the rows of a statement and its values, all of them as of one commit.
        why_kept: reason of a reassignment that keeps a reading where it is.
    """
    found = {
        (gauge, session): GaugeUse(gauge=gauge, session=session, readings=count, newest=newest)
        for gauge, session, count, newest in ask(READ, ())
    }
    for statement, bound, name in ((TAKEN_BACK, (), "taken_back"), (KEPT, (why_kept,), "kept")):
        for gauge, session, count in ask(statement, bound):
            if (gauge, session) in found:  # a store that lost rows may have lost the readings
                found[gauge, session] = replace(found[gauge, session], **{name: count})
    return list(found.values())
