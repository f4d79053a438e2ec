"""What a page tells of an instrument's seals: what the next would hold, the records there are, and how they check."""

import json
from collections.abc import Sequence
from datetime import UTC, datetime
from pathlib import Path
from typing import Any

from logger.errors import RecordError
from logger.sealing import keys
from logger.sealing.page import Found, beside_sealed, check_told, plain
from logger.sealing.seal import choose, records_file, sealed_already
from logger.sealing.verify import Sealed, check_head, check_trust, read_file, read_head, read_records
from logger.sentences import CHECK_WORDS, VERDICT_WORDS, where_words
from logger.store import RecordRow, SessionRow, StoreReader
from logger.store.events import short_words
from logger.visit_notes import standing

Told = dict[str, Any]


def head_path(store: Path) -> Path:
    """Return where the signed head of a store's chain is kept unless another file is named."""
    return store.with_name(f"{store.name}.head.json")


def check_own(sealed: Sequence[Sealed], folder: Path) -> str:
    """Return whose key it is: this person's own bench's sealed all records, or their own shop's certified them.

    Raises:
        RecordError: neither, with the reason.
    """
    bench, shop = keys.known_public(folder, keys.BENCH), keys.known_public(folder, keys.SHOP)
    if all(one.key == bench for one in sealed):
        return "your own bench's"
    try:
        if shop is None:
            raise RecordError("you have no shop key of your own")
        check_trust(sealed, key=None, shop=shop)
    except RecordError as error:
        why = str(error).split(";")[0]
        raise RecordError(
            f"nothing here vouches for key {keys.fingerprint(sealed[-1].key)}, which sealed it: it is not your own "
            f"bench's, and {why}; get the bench's public key from the bench itself, not with the file, and give it "
            "with --key, or the shop's with --shop"
        ) from error
    return "certified by your own shop's key"


def good_words(sealed: Sequence[Sealed], whose: str, kept_outside: str = "") -> str:
    """Say which records were found good, who sealed the last of them, what was compared, and on what they rest.

    Args:
        sealed: the records, in the order of their chain.
        whose: whose key it is, in words, as `check_own` returns them.
        kept_outside: what was held against something kept outside the store, in words.
    """
    first, last = sealed[0], sealed[-1]
    which = f"record {last.number}" if len(sealed) == 1 else f"records {first.number} to {last.number}, one chain"
    by = f"bench key {keys.fingerprint(last.key)} ({whose})"
    if last.certificate is not None:
        name, shop = plain(last.certificate["name"]), keys.fingerprint(last.certificate["shop_key"])
        asked = "" if "certified" in whose else ", which was not compared with a key of yours"
        by += f", certified as '{name}' by shop key {shop}{asked}"
    else:
        by += ", not certified by a shop"
    chained = "from the first record" if first.number == 1 else f"follows record {first.number - 1}, not given"
    outside = kept_outside and f"; {kept_outside}"
    rests = "" if last.rests is None else f"; {plain(short_words(last.rests), 300)}"
    return (
        f"{which}, sealed {last.at:%Y-%m-%d %H:%M} UTC by {by}; {chained}{outside}{rests}; code "
        f"{keys.short_code(last.sha256)}"
    )


def sittings_of(reader: StoreReader, session: str) -> list[SessionRow]:
    """Return every session of the instrument that one of them measured, as a record tells them.

    Raises:
        NothingToSealError: the session measures no instrument.
        StoreError: the store cannot be read, or holds no such session.
    """
    (own,) = choose(reader, session=session, name=None)
    aside = {one.session for one in reader.purposes()}
    return [one for one in reader.sessions() if one.instrument == own.instrument and one.id not in aside]


def seals_of(reader: StoreReader, session: str, *, software: str, folder: Path) -> Told:
    """Return what sealing now would hold, the records of the instrument, and the keys, as plain JSON values.

    Args:
        reader: of the store.
        session: one of the instrument's.
        software: what would judge, with its version.
        folder: of this person's keys; nothing is made in it.

    Raises:
        InputFileError: the session measures no instrument, or a key or certificate cannot be read.
        StoreError: the store cannot be read.
    """
    sittings = sittings_of(reader, session)
    instrument = sittings[0].instrument
    records = reader.records(instrument)
    own, certificate = keys.known_public(folder, keys.BENCH), folder / keys.CERTIFICATE
    certified = keys.read_certificate(certificate, bench=own) if own is not None and certificate.exists() else None
    return {
        "session": session, "software": software,
        "will": {
            "visits": len(sittings), "readings": sum(reader.count(one.id) for one in sittings),
            "files": len([one for one in reader.attachments(instrument)
                          if one.session in {None, *(each.id for each in sittings)}]),
            "people": list(dict.fromkeys(one.people for one in sittings if one.people)),
            "noted": any(one.note for one in sittings),
            "notes": sum(len(standing(reader.notes(one.id))) for one in sittings),
            "open": [one.id for one in sittings if reader.session_end(one.id) is None],
        },
        "said": sealed_already(reader, sittings, software=software) is not None,
        "records": [_record(one, records, session) for one in records],
        "key": None if own is None else keys.fingerprint(own),
        "certificate": None if certified is None else _certificate(certified),
    }  # fmt: skip


def _record(row: RecordRow, records: Sequence[RecordRow], session: str) -> Told:
    sessions = json.loads(row.sessions)
    document = json.loads(row.document)
    certificate = None if not row.certificate else _certificate(json.loads(row.certificate))
    return {
        "number": row.number, "code": keys.short_code(row.sha256), "key": keys.fingerprint(row.key),
        "at": datetime.fromtimestamp(row.at_ns // 10**9, UTC).isoformat(), "software": document["software"],
        "reopens": next((one.number for one in records if one.id == row.names), None), "certificate": certificate,
        "visits": len(sessions), "here": session in sessions, "files": len(document["attachments"]),
        "readings": sum(len(one["readings"]) for one in document["sessions"]),
    }  # fmt: skip


def _certificate(values: Told) -> Told:
    return {"name": values["name"], "shop_key": keys.fingerprint(values["shop_key"])}


def verified(reader: StoreReader, session: str, *, software: str, folder: Path) -> Told:
    """Return how the records of a session's instrument check, and what is found otherwise now than in the newest.

    Each is checked on its own: that it is what was sealed, and by whose key. Where the head of the chain lies beside
    the store, the store's last record is held against it. That the chain has no gap is for ``record verify``.

    Args:
        reader: of the store.
        session: one of the instrument's.
        software: what judges again, with its version.
        folder: of this person's keys.

    Raises:
        InputFileError: a key or the head cannot be read.
        StoreError: the store cannot be read, or holds no such session.
    """
    rows = reader.records(reader.session(session).instrument)
    told: Told = {"software": software, "checks": [_checked(one, folder) for one in rows]}
    told["head"] = _head(reader)
    if rows and told["checks"][-1]["good"]:
        (newest,) = read_records(records_file(rows[-1:]))
        found, why = beside_sealed(newest)
        told |= {"number": newest.number, "sealed_by": newest.document["software"], "why_not": plain(why, 400)}
        told["differs"] = [_differs(before, now) for before, now in found]
    return told


def _checked(row: RecordRow, folder: Path) -> Told:
    try:
        sealed = read_records(records_file([row]))
        check_told(sealed[0])
        whose = check_own(sealed, folder)
    except RecordError as error:
        return {"number": row.number, "good": False, "says": plain(str(error), 400)}
    return {"number": row.number, "good": True, "says": good_words(sealed, whose)}


def _head(reader: StoreReader) -> Told | None:
    path, last = head_path(reader.path), reader.last_record()
    if last is None or not path.exists():
        return None
    try:
        check_head(read_records(records_file([last])), read_head(read_file(path)))
    except RecordError as error:
        return {"good": False, "says": plain(str(error), 400)}
    return {"good": True, "says": ""}


def _differs(before: Found | None, now: Found | None) -> Told:
    one = before or now
    assert one is not None  # noqa: S101 - a difference is of something
    return {
        "words": plain(CHECK_WORDS.get(one.check, one.check)), "where": plain(where_words(one.fret, one.place)),
        "fret": one.fret, "place": one.place,
        "sealed": _side(before), "now": _side(now),
    }  # fmt: skip


def _side(one: Found | None) -> Told | None:
    if one is None:
        return None
    return {"value_mm": one.value_mm, "U_mm": one.expanded_u_mm, "verdict": one.verdict,
            "said": VERDICT_WORDS[one.verdict]}  # fmt: skip
