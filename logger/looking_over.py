"""What pages ask over all sessions: the rack, and what all instruments say together, of this bench or of all."""

from collections.abc import Mapping, Sequence
from typing import TYPE_CHECKING, Any, Final

from logger.door import QuestionError
from logger.errors import ShopError
from logger.evaluation.shop_rates import LEAST_ENDS, LEAST_FOR_DRIFT, LEAST_NECKS
from logger.judgements import Judgements
from logger.judging import Judged
from logger.kept import utc_text
from logger.lessons_words import SIGNIFICANT, lessons_json
from logger.snapshot import CAUTIONS
from logger.store import NO_INSTRUMENT, StoreReader
from logger.store.rack import STATES, Visit

if TYPE_CHECKING:
    from logger.shop.looking import ShopLook

MOST_ROWS: Final = 50
"""Instruments of the rack that one answer holds."""
MOST_PAGE: Final = 1_000_000
RACK_STATES: Final = ("", *STATES, "failed")
SHOP: Final = "shop"
PLACES: Final = ("", SHOP)
"""Where a page looks: at this bench's store, or at all benches of the shop."""

Wanted = Mapping[str, str]
Told = dict[str, Any]


def outcome_of(judged: Judged) -> Told:
    """Return how many verdicts of a session there are of each kind, or why there are none, as a page gets it."""
    why = {"why": judged.why} if judged.why else {}
    return {"session": judged.key.session, "counts": judged.counts, **why}


# -- the rack --------------------------------------------------------------------------------------------------------


def rack_told(reader: StoreReader, judgements: Judgements, wanted: Wanted, *, current: str) -> Told:
    """Return a page of the rack.

    Args:
        reader: of this bench's store.
        judgements: what sessions came to.
        wanted: ``find`` a text, ``state`` one of `RACK_STATES`, ``page`` from 0, ``where`` one of `PLACES`.
        current: the session at the bench.

    Raises:
        QuestionError: the rack is not asked for like this.
        StoreError: the store cannot be read.
    """
    state, text, where = wanted.get("state", ""), wanted.get("find", ""), _where(wanted)
    if state not in RACK_STATES:
        raise QuestionError(f"the rack is filtered by {', '.join(RACK_STATES[1:])}, got {state[:40]!r}")
    page = min(int(wanted["page"]), MOST_PAGE) if wanted.get("page", "").isdecimal() else 0
    judgements.take_in(reader)
    away, found = "", None
    if where == SHOP and judgements.shop is not None:
        try:
            judgements.take_in_shop()
            found = _rack_there(judgements, judgements.shop, text, state, page, current=current)
        except ShopError as error:
            away = str(error)
    whole = found is not None
    of, rows = found or _rack_here(reader, judgements, text, state, page, current=current)
    progress = judgements.progress(whole=whole)
    return {
        "instruments": rows, "of": of, "page": page, "rows": MOST_ROWS, "find": text, "state": state, "where": where,
        "shop": judgements.shop is not None, "away": away, "judged": progress["judged"], "judging": progress,
    }  # fmt: skip


def _where(wanted: Wanted) -> str:
    where = wanted.get("where", "")
    if where not in PLACES:
        raise QuestionError(f"a page looks at this bench (an empty text) or at the {SHOP}, got {where[:40]!r}")
    return where


def _rack_here(
    reader: StoreReader, judgements: Judgements, text: str, state: str, page: int, *, current: str
) -> tuple[int, list[Told]]:
    failed = {key.session for key in judgements.failed()} if state == "failed" else None
    kept = "" if state == "failed" else state
    of, found = reader.rack(find=text, state=kept, among=failed, start=page * MOST_ROWS, most=MOST_ROWS)
    return of, [
        {"instrument": one.instrument, "name": one.name,
         "sessions": [_visit(each, judgements, current=current) for each in one.visits]} for one in found
    ]  # fmt: skip


def _visit(one: Visit, judgements: Judgements, *, current: str, store: str = "") -> Told:
    known = judgements.of(one.session, (one.session, one.readings, one.amended), store=store)
    return {
        "session": one.session, "started_at": utc_text(one.started_at_ns), "readings": one.readings,
        "ended": one.ended, "here": not store and one.session == current,
        "outcome": None if known is None else outcome_of(known),
    }  # fmt: skip


def _rack_there(
    judgements: Judgements, shop: "ShopLook", text: str, state: str, page: int, *, current: str
) -> tuple[int, list[Told]]:
    from logger.shop.rack import Wanted as Asked

    failed = None
    if state == "failed":
        failed = [(key.store or shop.own, key.session) for key in judgements.failed(whole=True)]
    kept = "" if state == "failed" else state
    of, found = shop.rack(Asked(find=text, state=kept, among=failed, start=page * MOST_ROWS, most=MOST_ROWS))
    rows = []
    for one in found:
        own = one["store"] == shop.own
        visits = [Visit(session=session, started_at_ns=at_ns, ended=ended, readings=readings, amended=amended)
                  for session, at_ns, ended, readings, amended in one["visits"]]  # fmt: skip
        rows.append({
            "instrument": f"{one['store']}/{one['instrument']}", "name": one["name"],
            "bench": {"own": own, "name": one["login"] or "", "store": one["store"]},
            "sessions": [_visit(each, judgements, current=current, store="" if own else one["store"])
                         for each in visits],
        })  # fmt: skip
    return of, rows


# -- what all instruments say together -------------------------------------------------------------------------------


def shop_told(reader: StoreReader, judgements: Judgements, wanted: Wanted) -> Told:
    """Return what all instruments of this bench, or of the whole shop, say together, lengths in mm.

    Without a background everything is judged here and now; with one, what is judged so far is told.

    Args:
        reader: of this bench's store.
        judgements: what sessions came to.
        wanted: ``where`` one of `PLACES`.

    Raises:
        QuestionError: there is no such place.
        StoreError: the store cannot be read.
    """
    where, away, there = _where(wanted), "", None
    judgements.take_in(reader)
    if not judgements.background:
        judgements.judge_all(reader)
    if judgements.shop is not None:
        try:
            there = judgements.shop.statistics() | {"own": judgements.shop.own}
            if where == SHOP:
                judgements.take_in_shop()
        except ShopError as error:
            away = str(error)
    whole = where == SHOP and not away
    lessons = judgements.lessons(whole=whole)
    return {
        "where": where, "shop": judgements.shop is not None, "away": away, "there": there,
        "address": "" if judgements.shop is None else judgements.shop.address.shown,
        "here": _here(reader), "judging": judgements.progress(whole=whole), "lessons": lessons_json(lessons),
        "checks": judgements.checks(whole=whole), "limits": _limits(),
        "cautions": {name: CAUTIONS[name] for name in ("slots", "wire", "seating")},
    }  # fmt: skip


def _here(reader: StoreReader) -> Told:
    sessions: Sequence[Any] = [one for one in reader.sessions() if one.instrument != NO_INSTRUMENT]
    return {"instruments": len({one.instrument for one in sessions}), "sessions": len(sessions),
            "readings": reader.count()}  # fmt: skip


def _limits() -> Told:
    """Return from how much data on something is told."""
    return {"necks": LEAST_NECKS, "ends": LEAST_ENDS, "drift": LEAST_FOR_DRIFT, "p": SIGNIFICANT}
