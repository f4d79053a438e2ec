"""Seal an instrument's account: one document, signed by the bench, chained to that bench's record before it."""

import hashlib
import json
import os
from collections.abc import Collection, Mapping, Sequence
from dataclasses import replace
from datetime import UTC, datetime
from pathlib import Path
from typing import Any, Final

from logger.errors import InputFileError, StoreLossError
from logger.names import brief
from logger.sealing.canonical import canonical, parse
from logger.sealing.document import Account, account_json, gather, judged
from logger.sealing.keys import SigningKey
from logger.sealing.verify import FILE_FORMAT, HEAD_FORMAT, RECORD_FORMAT, check_trust, read_records
from logger.store import NO_INSTRUMENT, Attachment, RecordRow, SessionRow, Store, StoreReader, new_id
from logger.store.attached import ASTRAY, content_state
from logger.store.events import rests_on

_SAYS: Final = (
    "instrument",
    "sessions",
    "gauges",
    "checks",
    "attachments",
    "attachment_notes",
    "lost_files",
    "software",
)
"""What a document says of the instrument; the rest is about the record itself, or follows from it."""


class NothingToSealError(InputFileError):
    """There is nothing to seal, or it is not clear what."""


def choose(reader: StoreReader, *, session: str | None, name: str | None) -> list[SessionRow]:
    """Return the sessions that a record is to tell: one, or all of an instrument.

    Raises:
        NothingToSealError: it is not clear which, there is none, or it measures no instrument.
        StoreError: the store cannot be read, or holds no such session.
    """
    aside = {one.session for one in reader.purposes()}
    every = [one for one in reader.sessions() if one.id not in aside and one.instrument != NO_INSTRUMENT]
    if session is not None:
        chosen = [reader.session(session)]
        if chosen[0] not in every:
            raise NothingToSealError(f"session {session} does not measure an instrument; name another session")
        return chosen
    names = {one.instrument: one.name for one in reader.instruments()}
    measured = list(dict.fromkeys(one.instrument for one in every))
    wanted = [one for one in measured if name is None or names[one] == name]
    if len(wanted) == 1:
        return [one for one in every if one.instrument == wanted[0]]
    listed = ", ".join(repr(names[one][:60]) for one in measured[-10:]) or "none"
    if not wanted:
        called = "" if name is None else f" {name!r:.60}"
        raise NothingToSealError(f"no session measures an instrument{called}; the store's instruments are {listed}")
    raise NothingToSealError(f"the store holds several instruments; name one with --instrument: {listed}")


def seal(
    store: Store, sessions: Sequence[SessionRow], key: SigningKey, *, certificate: Mapping[str, str] | None,
    software: str, now_ns: int, without_lost: bool = False,
) -> tuple[RecordRow, bool]:  # fmt: skip
    """Seal what the store holds of some sessions of one instrument, keep the record, return it and whether it is new.

    Where the instrument's last record says all of it already, that one is returned: sealing again finishes what a
    program that was killed in between had begun. A new record also says on what it rests: since when the store's rows
    are counted, and what the store was recovered from.

    Args:
        store: owned by this process, so that nothing is added meanwhile.
        sessions: of one instrument, at least one.
        key: the bench's.
        certificate: the shop's for that key, or None.
        software: what judges, with its version.
        now_ns: UTC wall clock.
        without_lost: where the content of attached files is lost, say so in the record instead of refusing.

    Raises:
        RecordError: the account has no canonical form or is too large, or the certificate does not hold yet.
        InputFileError: a description or a session's limits do not hold.
        StoreLossError: an attached file's content is missing or changed; a record names only what is there.
        StoreError: the store cannot be read or cannot keep the record.
    """
    instrument = sessions[0].instrument
    with store.reader() as reader:
        account = gather(reader, instrument, sessions)
        before = reader.last_record()
        opened = next(reversed(reader.records(instrument)), None)
        rests = rests_on(reader.events(), store.path)
    said = account_json(account) | {"software": software}
    if opened is not None and _is_said(opened, said):
        return opened, False
    astray = _astray(account, store.path)
    if astray and not without_lost:
        raise StoreLossError(_lost_words(astray), path=store.path)
    if astray:
        account = _without(account, {one.sha256 for one in astray})
        lost = [{"name": one.name, "sha256": one.sha256, "size": one.size} for one in astray]
        said = account_json(account) | {"software": software, "lost_files": lost}
        if opened is not None and _is_said(opened, said):
            return opened, False
    bench = {"key": key.public, "store": store.store_id}
    row = _row(said | {"bench": bench, "rests_on": rests}, account, key, before, opened, certificate, now_ns)
    store.put(row)
    return row, True


def _astray(account: Account, store: Path) -> dict[Attachment, str]:
    """Return the attached files whose content is not there as it was attached, and what is wrong with it."""
    found = {one: content_state(store, one.sha256, one.size) for one in account.attachments}
    return {one: state for one, state in found.items() if state}


def _lost_words(astray: Mapping[Attachment, str]) -> str:
    listed = ", ".join(f"{brief(one.name)} is {state}" for one, state in list(astray.items())[:5])
    more = f" and {len(astray) - 5} more" if len(astray) > 5 else ""
    return (
        f"every attached file must be there to be sealed, but {listed}{more}: nothing was sealed; {ASTRAY}, or let the "
        "record say that it is lost: record seal --without-lost-files"
    )


def _without(account: Account, hashes: Collection[str]) -> Account:
    kept = [one for one in account.attachments if one.sha256 not in hashes]
    own = {one.id for one in kept}
    notes = [one for one in account.attachment_notes if one.attachment in own]
    return replace(account, attachments=kept, attachment_notes=notes)


def sealed_already(reader: StoreReader, sessions: Sequence[SessionRow], *, software: str) -> RecordRow | None:
    """Return the instrument's last record where it says all that sealing these sessions now would say, else None.

    Raises:
        RecordError: the account has no canonical form.
        StoreError: the store cannot be read.
    """
    instrument = sessions[0].instrument
    opened = next(reversed(reader.records(instrument)), None)
    if opened is None:
        return None
    said = account_json(gather(reader, instrument, sessions)) | {"software": software}
    return opened if _is_said(opened, said) else None


def _is_said(opened: RecordRow, said: Mapping[str, Any]) -> bool:
    return _says(parse(opened.document.encode())) == _says(parse(canonical(dict(said))))


def _says(document: Mapping[str, Any]) -> dict[str, Any]:
    return {name: document.get(name) for name in _SAYS}


def _row(
    said: Mapping[str, Any], account: Account, key: SigningKey, before: RecordRow | None, opened: RecordRow | None,
    certificate: Mapping[str, str] | None, now_ns: int,
) -> RecordRow:  # fmt: skip
    identity = new_id(now_ns, os.urandom(8))
    number = 1 if before is None else before.number + 1
    previous = "" if before is None else before.sha256
    names = "" if opened is None else opened.id
    document = canonical({
        **said, "format": RECORD_FORMAT, "id": identity, "number": number, "previous": previous, "names": names,
        "at_ns": str(now_ns), "at": datetime.fromtimestamp(now_ns / 1e9, UTC).isoformat(timespec="seconds"),
        "verdicts": judged(account),
    })  # fmt: skip
    made = RecordRow(
        id=identity, instrument=account.revisions[-1].instrument,
        sessions=json.dumps([one.session.id for one in account.sittings]), number=number, at_ns=now_ns,
        document=document.decode(), sha256=hashlib.sha256(document).hexdigest(),
        signature=key.sign("record", document), key=key.public,
        certificate="" if certificate is None else canonical(dict(certificate)).decode(), previous=previous,
        names=names,
    )  # fmt: skip
    sealed = read_records(records_file([made]))  # what cannot be read back is not sealed
    check_trust(sealed, key=key.public, shop=None if certificate is None else certificate["shop_key"])
    return made


# -- files -----------------------------------------------------------------------------------------------------------


def records_file(rows: Sequence[RecordRow], *, certificate: Mapping[str, str] | None = None) -> bytes:
    """Return records, in the order of their chain, as the file that `logger.sealing.verify` reads.

    Args:
        rows: the records.
        certificate: goes beside each record of its bench that was sealed before there was one; what is signed stays.

    Raises:
        RecordError: a kept document is not JSON any more.
    """
    records = [
        {
            "document": parse(row.document.encode()), "sha256": row.sha256, "signature": row.signature, "key": row.key,
            "certificate": parse(row.certificate.encode()) if row.certificate else None,
        }
        for row in rows
    ]  # fmt: skip
    if certificate is not None:
        later = dict(certificate)
        for one in records:
            if one["certificate"] is None and one["key"] == later["bench_key"]:
                one["certificate"] = later
    return canonical({"format": FILE_FORMAT, "records": records})


def head_file(row: RecordRow, key: SigningKey, *, store_id: str, now_ns: int) -> bytes:
    """Return the signed head of a chain: how many records there are, and the hash of the last."""
    stated = {
        "format": HEAD_FORMAT, "store": store_id, "number": row.number, "sha256": row.sha256, "at_ns": str(now_ns),
        "key": key.public,
    }  # fmt: skip
    return canonical(stated | {"signature": key.sign("head", canonical(stated))})


def check_writable(path: Path, *, new: bool) -> None:
    """Check, before anything is sealed, that a file can be written.

    Raises:
        InputFileError: with ``new``, something lies there; there is no such folder, or it cannot be written.
    """
    if new and path.exists():
        raise InputFileError(f"{path}: exists already, and a record is never written over; name another file")
    if not path.parent.is_dir() or path.is_dir() or not os.access(path.parent, os.W_OK):
        raise InputFileError(f"{path}: cannot be written; give a file in a writable folder")


def write_file(path: Path, content: bytes, *, new: bool) -> None:
    """Write a file whole or not at all.

    Args:
        path: where to.
        content: all of it.
        new: refuse to write over what lies there.

    Raises:
        InputFileError: it cannot be written, or with ``new`` something lies there.
    """
    check_writable(path, new=new)
    building = path.with_name(f".{path.name}.{os.getpid()}.new")
    try:
        with building.open("xb") as file:
            file.write(content)
            file.flush()
            os.fsync(file.fileno())
        building.replace(path)
    except OSError as error:
        building.unlink(missing_ok=True)
        raise InputFileError(
            f"{path}: cannot be written ({error.strerror}); give a file in a writable folder"
        ) from error
