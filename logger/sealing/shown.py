"""The seal that a page or a printed sheet of a session may show: code and QR of its newest record."""

import json
from typing import Any

from logger.sealing.keys import short_code
from logger.sealing.qr import modules_of
from logger.store import StoreReader
from logger.store.events import short_words

_PARTS = ("readings", "take_backs", "reassignments")


def seal_of(reader: StoreReader, session: str) -> dict[str, Any] | None:
    """Return number, code, time in nanoseconds and QR of the newest record that holds a session as it stands now.

    ``rests_on`` is as the record says it, None in one from before records did, and ``rests`` the same in few words.

    None where there is no record, or something was added to the session since: a code beside other verdicts than those
    that were sealed would vouch for what nobody signed.

    Raises:
        StoreError: the store cannot be read.
    """
    instrument = reader.session(session).instrument
    holding = [one for one in reader.records(instrument) if session in json.loads(one.sessions)]
    if not holding:
        return None
    newest = holding[-1]
    document = json.loads(newest.document)
    sealed = next(one for one in document["sessions"] if one["session"]["id"] == session)
    now = (reader.count(session), len(reader.take_backs(session)), len(reader.reassignments(session)))
    if now != tuple(len(sealed[name]) for name in _PARTS):
        return None
    rests = document.get("rests_on")
    return {
        "number": newest.number, "code": short_code(newest.sha256), "at_ns": newest.at_ns,
        "modules": modules_of(newest.number, newest.sha256), "rests_on": rests,
        "rests": "" if rests is None else short_words(rests),
    }  # fmt: skip
