"""Which wire and which blade, asked on a page: the answer for typed candidates, and those that the store knows.

Plain JSON values; lengths in mm.
"""

import re
import statistics
from collections.abc import Callable, Iterable, Mapping, Sequence
from typing import Any, Final

from logger.candidates import BLADE_SIZES, WIRE_SIZES, candidates_of, in_sawn_slots, keys_of, pairings_json
from logger.door import QuestionError
from logger.errors import ChoicesError
from logger.evaluate import Evaluation
from logger.evaluation.estimate import Estimate, combine
from logger.evaluation.observation import FeatureKey
from logger.factors import factors_of
from logger.fit_report import SURE, FretFit
from logger.kept import utc_text
from logger.names import text_fault
from logger.selection import judge_of
from logger.store import NO_INSTRUMENT, SessionRow, StoreReader
from logger.toml_input import Table

MOST_EACH: Final = 12
"""Wires, and blades, that a page asks about at once (our choice): more columns nobody reads."""
MOST_NAME: Final = 80
"""Characters of a name."""
MOST_VISITS: Final = 6
"""Other visits whose wire and slots are offered (our choice): each takes about a second to judge for the first time."""
LOOKED_AT: Final = 40
"""Newest visits among which they are looked for."""

Told = dict[str, Any]
_PLACES: Final = {"wire": WIRE_SIZES, "blade": BLADE_SIZES}
_KEY: Final = re.compile(r"(wire|blade)\.([0-9]{1,3})\.([a-z_]{1,20})")
_NUMBER: Final = re.compile(r"[+-]?([0-9]+\.?[0-9]*|\.[0-9]+)(e-?[0-9]{1,2})?")


def choose(found: Evaluation, wanted: Mapping[str, str]) -> Told:
    """Return the chance that a fret fits, for every wire with every blade and in the slots sawn already.

    Args:
        found: the session as judged: its limits, and its slots.
        wanted: the candidates as texts, like ``wire.0.name``, ``wire.0.tang_mm`` and ``blade.2.kerf_sd_mm``.

    Raises:
        QuestionError: a candidate does not hold, two have one name, or there are too many.
    """
    try:
        given = candidates_of(*map(_tables, _rows(wanted), _PLACES))
    except ChoicesError as error:
        raise QuestionError(str(error)) from error
    for kind, names in (("wire", [one.name for one in given.wires]), ("blade", [name for name, _ in given.blades])):
        if twice := [name for name in names if names.count(name) > 1]:
            raise QuestionError(f"every {kind} needs a name of its own, got {twice[0]!r} twice; change one")
    estimates, limits = found.judge.estimates, found.limits
    return {
        "pairs": pairings_json(given.ranked(limits)),
        "slots": [_slots_json(one.name, in_sawn_slots(one, estimates, limits)) for one in given.wires],
    }


def _rows(wanted: Mapping[str, str]) -> tuple[dict[int, Told], dict[int, Told]]:
    rows: dict[str, dict[int, Told]] = {kind: {} for kind in _PLACES}
    for name, text in wanted.items():
        if name == "id":
            continue
        at = _KEY.fullmatch(name)
        if at is None or at[3] not in keys_of(_PLACES[at[1]]):
            raise QuestionError(f"a wire or a blade is told like wire.0.tang_mm, got {name[:40]!r}")
        value = _value(f"the {at[3]} of {at[1]} {int(at[2]) + 1}", text.strip(), number=at[3] != "name")
        rows[at[1]].setdefault(int(at[2]), {}).update({at[3]: value} if text.strip() else {})
    for kind, given in rows.items():
        if len(given) > MOST_EACH:
            raise QuestionError(f"at most {MOST_EACH} {kind}s are compared at once, got {len(given)}; take some away")
    return rows["wire"], rows["blade"]


def _value(what: str, text: str, *, number: bool) -> str | float:
    """Return a text as the number that it is, else as it stands, for the table's rules to judge.

    Raises:
        QuestionError: it is too long, or no line of text.
    """
    if fault := text_fault(what, text, most=MOST_NAME):
        raise QuestionError(fault)
    return float(text) if number and _NUMBER.fullmatch(text) else text


def _tables(rows: Mapping[int, Told], kind: str) -> list[Table]:
    return [Table(one, where=f"{kind} {at + 1}", error=ChoicesError) for at, one in sorted(rows.items())]


def _slots_json(wire: str, frets: Sequence[FretFit]) -> Told:
    worst = min(frets, key=lambda one: one.chance, default=None)
    least = {} if worst is None else {"least": round(worst.chance, 6), "fret": worst.fret, "place": worst.place}
    return {"wire": wire, "sure": sum(one.chance >= SURE for one in frets), "of": len(frets), **least}


def offered(
    reader: StoreReader, session: str, rows: Iterable[SessionRow], evaluated: Callable[[str], Evaluation]
) -> Told:
    """Return wires and blades that the store knows: of this session, and of other visits where they were named.

    Args:
        reader: the store.
        session: which.
        rows: all sessions of the store.
        evaluated: gives a session as judged.

    Raises:
        StoreError: the store cannot be read.
    """
    told: dict[str, list[Told]] = {"wires": [], "blades": []}
    _add(told, reader, reader.session(session), evaluated(session), here=True)
    others = [one for one in rows if one.id != session and one.instrument != NO_INSTRUMENT]
    newest = sorted(others, key=lambda one: (-one.started_at_ns, one.id))[:LOOKED_AT]
    judged = 0
    for row in newest:
        if judged == MOST_VISITS:
            break
        if _promises(told, reader, row):
            judged += 1
            _add(told, reader, row, evaluated(row.id), here=False)
    return dict(told)


def _names(reader: StoreReader, row: SessionRow) -> dict[str, str]:
    factors = factors_of(judge_of(reader, row).instrument, reader.factors(row.id))
    return {"wires": factors.get("wire", ""), "lot": factors.get("lot", ""), "blades": factors.get("blade", "")}


def _promises(told: Mapping[str, Sequence[Told]], reader: StoreReader, row: SessionRow) -> bool:
    """Tell whether a visit has a wire or a blade that is named, measured and not offered yet."""
    names = _names(reader, row)
    wire, blade = names["wires"] and _fresh(told, "wires", names), names["blades"] and _fresh(told, "blades", names)
    if not (wire or blade):
        return False
    kinds = {one.row.kind for one in reader.readings(row.id) if one.taken_back is None}
    return bool((wire and {"tang_thickness", "barb_span"} <= kinds) or (blade and "slot_width" in kinds))


def _fresh(told: Mapping[str, Sequence[Told]], part: str, names: Mapping[str, str]) -> bool:
    lot = names["lot"] if part == "wires" else ""
    return all((one["name"], one["lot"]) != (names[part], lot) for one in told[part])


def _add(told: dict[str, list[Told]], reader: StoreReader, row: SessionRow, found: Evaluation, *, here: bool) -> None:
    names = _names(reader, row)
    from_ = {"here": here, "instrument": found.instrument.name, "at": utc_text(row.started_at_ns)}
    for part, sizes in (("wires", _wire_sizes(found)), ("blades", _slot_sizes(found))):
        if sizes and (here or (names[part] and _fresh(told, part, names))):
            lot = names["lot"] if part == "wires" else ""
            told[part].append({"name": names[part], "lot": lot, **from_, **sizes})


def _wire_sizes(found: Evaluation) -> Told:
    """Return tang and span of the wire that a session measured; empty where one of them was not."""
    told: Told = {}
    coils = found.judge.fit().coils
    for size, kind in (("tang", "tang_thickness"), ("span", "barb_span")):
        one = found.judge.estimates.get(FeatureKey(kind=kind))
        if one is None:
            return {}
        told |= _told(size, one, coils[kind].sd_mm if kind in coils else 0.0)
    return told


def _slot_sizes(found: Evaluation) -> Told:
    """Return the mean slot of a session and how its slots scatter, measuring included; empty without slots."""
    slots = [one for key, one in found.judge.estimates.items() if key.kind == "slot_width"]
    if not slots:
        return {}
    mean = combine([(1 / len(slots), one) for one in slots])
    scatter = statistics.stdev(one.value_mm for one in slots) if len(slots) > 1 else 0.0
    return {**_told("kerf", mean, scatter), "slots": len(slots)}


def _told(size: str, one: Estimate, sd_mm: float) -> Told:
    u = {f"{size}_u_mm": round(one.u_mm, 6)} if one.known else {}
    return {f"{size}_mm": round(one.value_mm, 6), **u, f"{size}_sd_mm": round(sd_mm, 6)}
