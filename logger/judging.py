"""Judge a kept session: the one way for pages, sheets and lessons, here or in a process of its own."""

import signal
import sys
from collections import Counter
from collections.abc import Iterator, Mapping, Sequence
from contextlib import contextmanager, suppress
from dataclasses import dataclass
from datetime import UTC, datetime
from multiprocessing.connection import Connection
from pathlib import Path
from typing import TYPE_CHECKING, Any, Final

from logger.errors import InputFileError, ShopError, StoreError
from logger.evaluate import Evaluation
from logger.instrument_record import WORST_FIRST, counts_of
from logger.kept import observations_of, spec_of
from logger.lessons import Visit, visit_of
from logger.limits import kind_notes
from logger.report import CheckVerdict
from logger.selection import judge_of
from logger.sessions import SessionKey, SessionReader
from logger.store import KeptReading, StoreReader
from logger.sweep_words import sweep_notes

if TYPE_CHECKING:
    from logger.shop.address import ShopAddress

NICE: Final = 10
"""How far the process that judges stands back behind the bench: its share of a busy processor is a tenth."""

State = tuple[object, ...]
"""A session and what changes when something of it is added."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Judged:
    """What judging a session came to.

    Attributes:
        key: which.
        state: how much of it there was, as `state_of` has it.
        checks: of each check, how many verdicts of each kind.
        why: why it could not be judged; empty where it was.
        visit: what it says of slots, fit and ends; None where it measured none.
        again: the visit has its heights, because the neck was visited more than once.
    """

    key: SessionKey
    state: State
    checks: Mapping[str, Mapping[str, int]]
    why: str = ""
    visit: Visit | None = None
    again: bool = False

    @property
    def counts(self) -> dict[str, int] | None:
        """How many verdicts there are of each kind, the worst first; None where it could not be judged."""
        if self.why:
            return None
        total: Counter[str] = Counter()
        for one in self.checks.values():
            total.update(one)
        return {name: total[name] for name in WORST_FIRST}


@dataclass(frozen=True, slots=True)
class Fault:
    """The store or the shop could not be read, in words."""

    text: str


def evaluate_session(reader: SessionReader, session: str) -> Evaluation:
    """Return the verdicts on a session of a store, with its own limits and gauges.

    Raises:
        SessionNotFoundError: there is no such session.
        InputFileError: its description does not hold.
        StoreError: the store cannot be read.
    """
    return _evaluated(reader, session)[0]


def _evaluated(reader: SessionReader, session: str) -> tuple[Evaluation, list[KeptReading]]:
    judge = judge_of(reader, reader.session(session))
    neck = judge.instrument
    specs = {gauge.gauge: spec_of(gauge) for gauge in reader.gauges(session)}
    kept = reader.readings(session)
    verdicts = judge.verdicts(observations_of(kept, specs, reader.climates(session)))
    taken = [one.row.taken_at_ns for one in kept if one.taken_back is None]
    found = Evaluation(
        instrument=neck, limits=judge.limits, readings=sum(one.taken_back is None for one in kept), verdicts=verdicts,
        judge=judge, notes=[*kind_notes(neck.kind), *sweep_notes(judge.sweep)],
        taken_at=datetime.fromtimestamp(max(taken) / 1e9, UTC) if taken else None,
    )  # fmt: skip
    return found, kept


def state_of(reader: SessionReader, session: str) -> State:
    """Return a session and how much of it there is.

    Raises:
        StoreError: the store cannot be read.
    """
    return session, reader.count(session), len(reader.take_backs(session)) + len(reader.reassignments(session))


def judge_session(reader: SessionReader, key: SessionKey, *, again: bool) -> Judged:
    """Return what judging a session comes to; that its description does not hold is an answer too.

    Args:
        reader: of the store that holds it.
        key: which.
        again: keep the heights for a comparison with another visit of the neck.

    Raises:
        SessionNotFoundError: there is no such session.
        StoreError: the store cannot be read.
    """
    state = state_of(reader, key.session)  # first: what is added while it is judged makes the state another
    try:
        found, kept = _evaluated(reader, key.session)
    except InputFileError as error:
        return Judged(key=key, state=state, checks={}, why=str(error))
    row, factors = reader.session(key.session), reader.factors(key.session)
    visit = visit_of(row, found.judge, found.verdicts, kept, factors, again=again)
    return Judged(key=key, state=state, checks=by_check(found.verdicts), visit=visit, again=again)


def by_check(verdicts: Sequence[CheckVerdict]) -> dict[str, dict[str, int]]:
    """Return, of each check, how many verdicts there are of each kind."""
    checks = dict.fromkeys(one.check for one in verdicts)
    return {check: counts_of([one for one in verdicts if one.check == check]) for check in checks}


# -- a process of its own --------------------------------------------------------------------------------------------


def judge_on_request(asked: Connection, store: Path, shop: "ShopAddress | None") -> None:
    """Judge session after session, as they are asked for, until whoever asks has gone; behind everything else.

    Args:
        asked: brings `SessionKey` and whether heights are wanted, takes `Judged` or `Fault`.
        store: the bench's own.
        shop: the database that holds the sessions of other benches.
    """
    _stand_back()
    shops = _shop_reader(shop)
    while True:
        try:
            key, again = asked.recv()
        except EOFError:
            return
        try:
            with _reader(store, shops, key) as reader:
                told: Judged | Fault = judge_session(reader, key, again=again)
        except (StoreError, ShopError) as error:
            told = Fault(str(error))
        with suppress(BrokenPipeError):  # nobody asks any more
            asked.send(told)


def _stand_back() -> None:
    signal.signal(signal.SIGINT, signal.SIG_IGN)  # Ctrl-C is for the bench, which then closes the line
    if sys.platform != "win32":
        import os

        os.nice(NICE)


def _shop_reader(shop: "ShopAddress | None") -> Any:
    if shop is None:
        return None
    from logger.shop.sessions import ShopSessions

    return ShopSessions(shop)


@contextmanager
def _reader(store: Path, shops: Any, key: SessionKey) -> Iterator[SessionReader]:
    if key.store:
        yield shops.of(key.store)
        return
    with StoreReader(store) as reader:
        yield reader
