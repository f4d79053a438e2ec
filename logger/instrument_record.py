"""Everything that is known of one instrument at one visit, as plain values: what a page shows and a sheet prints."""

import json
import time
from collections.abc import Callable, Mapping, Sequence
from functools import lru_cache
from pathlib import Path
from typing import Any, Final

from logger.attachments import Attached, attachments
from logger.errors import AttachmentError
from logger.evaluate import Evaluation
from logger.factors import FACTORS, factors_of
from logger.fault_groups import fault_groups
from logger.features import PLACES
from logger.file_kinds import kind_of
from logger.gauges import records
from logger.kept import spec_of, utc_text
from logger.report import CheckVerdict
from logger.sealing.shown import seal_of
from logger.sentences import CHECK_WORDS, VERDICT_WORDS, flag_sentence, settle, where_words
from logger.sheet_choices import MOST_PICTURES
from logger.snapshot import GAUGE_WORDS, cautions_of
from logger.store import SessionGauge, StoreReader
from logger.store.attached import read_content
from logger.sweep_report import profile_json
from logger.visit_notes import notes_json

WORST_FIRST: Final = ("fail", "remeasure", "pass")
MAP_PLACES: Final = (*PLACES, "")
"""Rows of the neck map: the places, and what is judged of a fret as a whole."""
SMALLABLE: Final = frozenset({"image/jpeg", "image/png", "image/webp"})
"""Pictures: what `logger.small_picture` draws small."""
_REMEMBERED: Final = 500
READ_OFF: Final = (
    "± is the expanded uncertainty at 95 %. Pass and fail are decided by the chance of lying within the limits; "
    "measure again says that the readings do not decide."
)

Told = dict[str, Any]


def record_of(reader: StoreReader, found: Evaluation, session: str) -> Told:
    """Return the record of a session as plain JSON values, lengths in mm.

    Args:
        reader: of the store that holds the session.
        found: the verdicts on it.
        session: which.

    Raises:
        StoreError: the store cannot be read.
    """
    row, end, neck = reader.session(session), reader.session_end(session), found.instrument
    worked = factors_of(neck, reader.factors(session))
    return {
        "session": session, "seal": seal_of(reader, session),
        "instrument": {
            "name": neck.name, "kind": neck.kind, "scale_mm": neck.scale_mm, "frets": neck.frets,
            "join_fret": neck.join_fret, "invented": neck.invented, "wire": worked.get("wire", ""),
        },
        "worked_with": [{"name": name, "words": FACTORS[name], "value": worked[name]} for name in FACTORS
                        if name in worked],
        "started_at": utc_text(row.started_at_ns), "ended": None if end is None else utc_text(end.at_ns),
        "taken_at": None if found.taken_at is None else found.taken_at.isoformat(timespec="seconds"),
        "people": row.people, "note": row.note, "visit_notes": notes_json(reader, session),
        "software": row.software, "readings": found.readings,
        "counts": counts_of(found.verdicts), "zeros_moved": [_moved(one) for one in found.judge.moved_zeros],
        "map": worst_by_place(found.verdicts),
        "verdicts": [_verdict(one, found) for one in worst_first(found.verdicts)],
        "faults": fault_groups(found.verdicts, found.limits),
        "limits": [_limits(check, found) for check in dict.fromkeys(one.check for one in found.verdicts)],
        "profile": profile_json(found.judge.sweep.profile if found.judge.sweep else None),
        "gauges": _gauges(reader, session), "attachments": _attachments(reader, session),
        "climate": [{"at": utc_text(one.at_ns), "temperature_c": one.temperature_mc / 1000,
                     "humidity_percent": one.humidity_mpercent / 1000} for one in reader.climates(session)],
        "notes": list(found.notes), "cautions": cautions_of(_stages(found)), "read_off": READ_OFF,
    }  # fmt: skip


def counts_of(verdicts: Sequence[CheckVerdict]) -> dict[str, int]:
    """Return how many verdicts there are of each kind, the worst first."""
    return {name: sum(one.verdict == name for one in verdicts) for name in WORST_FIRST}


def worst_first(verdicts: Sequence[CheckVerdict]) -> list[CheckVerdict]:
    """Return verdicts by what they say, the worst first, and by fret within."""
    return sorted(verdicts, key=lambda one: (WORST_FIRST.index(one.verdict), one.fret or 0))


def worst_by_place(verdicts: Sequence[CheckVerdict]) -> list[Told]:
    """Return the worst verdict of every fret and place that any check judged; place "" is the fret as a whole."""
    found: dict[tuple[int, str], list[CheckVerdict]] = {}
    for one in verdicts:
        if one.fret is not None:
            found.setdefault((one.fret, one.place or ""), []).append(one)
    worst = {key: worst_first(several) for key, several in found.items()}
    return [
        {"fret": fret, "place": place, "verdict": several[0].verdict,
         "checks": list(dict.fromkeys(one.check for one in several if one.verdict == several[0].verdict))}
        for (fret, place), several in sorted(worst.items(), key=lambda one: (one[0][0], MAP_PLACES.index(one[0][1])))
    ]  # fmt: skip


def _verdict(one: CheckVerdict, found: Evaluation) -> Told:
    judgement = one.judgement
    texts = {}
    if one.verdict == "fail":
        for unit, key in (("mm", "text"), ("in", "text_in")):
            texts[key] = flag_sentence(one.check, one.fret, one.place, judgement, found.limits[one.check], unit=unit)[0]
    return {
        "check": one.check, "words": CHECK_WORDS[one.check], "fret": one.fret, "place": one.place,
        "where": where_words(one.fret, one.place), "verdict": one.verdict, "said": VERDICT_WORDS[one.verdict],
        "value_mm": round(judgement.estimate.value_mm, 6),
        "U_mm": None if judgement.expanded_u_mm is None else round(judgement.expanded_u_mm, 6),
        "p": judgement.p, "todo": one.what_to_do or settle(judgement), **texts,
    }  # fmt: skip


def _limits(check: str, found: Evaluation) -> Told:
    limits = found.limits[check]
    several = [one for one in found.verdicts if one.check == check]
    return {
        "check": check, "words": CHECK_WORDS[check], "lower_mm": limits.lower_mm, "upper_mm": limits.upper_mm,
        "p_pass": limits.p_pass, "p_fail": limits.p_fail, "counts": counts_of(several),
    }  # fmt: skip


def _moved(one: Any) -> Told:
    return {"text": one.sentence("mm"), "text_in": one.sentence("in"), "todo": one.what_to_do}


def _stages(found: Evaluation) -> set[str]:
    """Return the stages that the verdicts come from: their cautions belong to what is done about them."""
    of_check = {"hump": "board", "board_arc": "board", "slot_position": "slots", "tang_clearance": "slots",
                "barb_bite": "wire", "slot_depth_spare": "slots", "high_fret": "sweep", "low_fret": "sweep",
                "string_clearance": "sweep"}  # fmt: skip
    return {of_check.get(one.check, "seating") for one in found.verdicts}


def _attachments(reader: StoreReader, session: str) -> list[Told]:
    """Return the files of a session and those of its instrument as a whole, in the order they came."""
    instrument = reader.session(session).instrument
    newest = next((one for one in reversed(reader.records(instrument)) if session in json.loads(one.sessions)), None)
    sealed = set() if newest is None else {one["id"] for one in json.loads(newest.document)["attachments"]}
    return [
        _attachment(reader, one, sealed=None if newest is None else one.row.id in sealed)
        for one in attachments(reader, instrument)
        if one.row.session in {None, session}
    ]


def _attachment(reader: StoreReader, one: Attached, *, sealed: bool | None) -> Told:
    row = one.row
    return {
        "name": row.name, "size": row.size, "media_type": row.media_type, "sha256": row.sha256,
        "at": utc_text(row.at_ns), "who": one.who, "note": one.note, "wrong": one.state, "sealed": sealed,
        "picture": row.media_type in SMALLABLE and not one.state,
        "cautions": [] if one.state else list(_cautions(reader.path, row.sha256, row.size)),
    }  # fmt: skip


def with_pictures(told: Mapping[str, Any], small: Callable[[str], bytes | None]) -> tuple[Told, list[bytes]]:
    """Return a record as a sheet shows it, and the first of its pictures, small.

    Args:
        told: the record.
        small: gives the small copy of a picture by its hash, None where it cannot be drawn; it is named all the same.
    """
    pictures: list[bytes] = []
    files = []
    for one in told["attachments"]:
        drawn = small(one["sha256"]) if one["picture"] and len(pictures) < MOST_PICTURES else None
        pictures += [] if drawn is None else [drawn]
        files.append(one | {"picture": drawn is not None})
    return {**told, "attachments": files}, pictures


@lru_cache(maxsize=_REMEMBERED)
def _cautions(store: Path, sha256: str, size: int) -> tuple[str, ...]:
    """Return what a person should know of a file; content of one hash never changes, so it is read once."""
    try:
        return kind_of(read_content(store, sha256, size)).cautions
    except AttachmentError as error:  # taken by a program that knew less
        return (f"it {error}",)


def _gauges(reader: StoreReader, session: str) -> list[Told]:
    known = {one["gauge"]: one for one in records(reader, now_ns=time.time_ns())}
    return [_gauge(one, known.get(one.gauge)) for one in reader.gauges(session)]


def _gauge(one: SessionGauge, now: Told | None) -> Told:
    spec = spec_of(one)
    return {
        "name": one.gauge, "kind": one.kind, "words": GAUGE_WORDS.get(one.kind, one.kind), "profile": one.profile,
        "resolution_mm": spec.resolution_mm, "u_mm": spec.u_mm, "zero_u_mm": spec.zero_u_mm,
        "last_check": None if now is None else now["last_check"], "due": None if now is None else now["due"],
        "checked": "never checked" if now is None else now["words"],
    }  # fmt: skip
