"""Check a file of records from the file alone, and say in plain words what does not hold.

Three questions, one after the other: is each record what was sealed (`read_records`), by whom (`check_trust`), and is
the chain whole up to a head that was kept outside (`check_head`, `check_code`).
"""

import hashlib
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from datetime import UTC, datetime
from itertools import pairwise
from pathlib import Path
from typing import Any, Final

from logger.errors import InputFileError, RecordError
from logger.plain_file import read_named
from logger.sealing.canonical import MOST_BYTES, canonical, parse
from logger.sealing.keys import begins, check_certificate, fingerprint, is_signed, short_code
from logger.store.events import check as check_form

FILE_FORMAT: Final = "fretledger-records-1"
RECORD_FORMAT: Final = "fretledger-record-1"
HEAD_FORMAT: Final = "fretledger-head-1"
_RECORD_KEYS: Final = {"document", "sha256", "signature", "key", "certificate"}
_HEAD_KEYS: Final = {"format", "store", "number", "sha256", "at_ns", "key", "signature"}
_TEXTS: Final = ("id", "previous", "names", "at_ns", "software")


@dataclass(frozen=True, slots=True, kw_only=True)
class Sealed:
    """A record that is what was sealed; by whom is another question."""

    document: Mapping[str, Any]
    sha256: str
    key: str
    certificate: Mapping[str, str] | None

    @property
    def rests(self) -> Mapping[str, Any] | None:
        """On what it rests, as `logger.store.events` tells it; None in a record from before records said so."""
        found: Mapping[str, Any] | None = self.document.get("rests_on")
        return found

    @property
    def number(self) -> int:
        """Its place in the chain of its bench, from 1."""
        return int(self.document["number"])

    @property
    def at(self) -> datetime:
        """When it was sealed, by the bench's clock."""
        return datetime.fromtimestamp(int(self.document["at_ns"]) // 10**9, UTC)


@dataclass(frozen=True, slots=True, kw_only=True)
class Head:
    """Where a chain ended when its head was signed."""

    number: int
    sha256: str
    key: str


def read_file(path: Path, *, what: str = "a file of records") -> bytes:
    """Return the content of a file that is to be checked.

    Args:
        path: the file.
        what: what to name instead where it cannot be read.

    Raises:
        InputFileError: it cannot be read, is no file or too large.
    """
    try:
        return read_named(path, most_bytes=MOST_BYTES)
    except OSError as error:
        raise InputFileError(f"{path}: cannot be read ({error.strerror}); name {what}") from error


def read_records(content: bytes) -> list[Sealed]:
    """Return the records of a file after checking each one's hash and signature, and how they are chained.

    Keys in another order, or space between them, make no other record: what is signed is the canonical form.

    Raises:
        RecordError: with the reason, if any of that does not hold.
    """
    values = parse(content)
    if not isinstance(values, dict) or set(values) != {"format", "records"} or values["format"] != FILE_FORMAT:
        raise RecordError(f"unknown format: this program knows {FILE_FORMAT}")
    records = values["records"]
    if not isinstance(records, list) or not records:
        raise RecordError("the file holds no record")
    sealed = [_sealed(one) for one in records]
    check_chain(sealed)
    return sealed


def _sealed(values: Any) -> Sealed:
    if not isinstance(values, dict) or set(values) != _RECORD_KEYS:
        raise RecordError(f"unknown format: a record of the file must have {', '.join(sorted(_RECORD_KEYS))}")
    document, certificate = values["document"], values["certificate"]
    texts = {name: values[name] for name in ("sha256", "signature", "key")}
    if not isinstance(document, dict) or not all(isinstance(one, str) for one in texts.values()):
        raise RecordError("unknown format: a record must be a document with texts for hash, signature and key")
    where = _check_document(document)
    signed = canonical(document)
    found = hashlib.sha256(signed).hexdigest()
    if found != texts["sha256"]:
        raise RecordError(f"{where} was changed after it was sealed: its content has the hash {found[:16]}..., "
                          f"sealed was {texts['sha256'][:16]}...")  # fmt: skip
    if not is_signed("record", signed, public=texts["key"], signature=texts["signature"]):
        raise RecordError(f"{where}: the signature is not its key's over this content; it was swapped or forged")
    if document["bench"]["key"] != texts["key"]:
        raise RecordError(f"{where} was sealed in the name of another bench's key than the one that signed it")
    own = None if certificate is None else check_certificate(certificate, bench=texts["key"])
    return Sealed(document=document, sha256=found, key=texts["key"], certificate=own)


def _check_document(document: Mapping[str, Any]) -> str:
    """Return how a record is called, after checking what the checks themselves need of it.

    Raises:
        RecordError: it lacks that.
    """
    if document.get("format") != RECORD_FORMAT:
        raise RecordError(f"unknown format: this program knows records of {RECORD_FORMAT}")
    number, bench = document.get("number"), document.get("bench")
    holds = (
        isinstance(number, int) and not isinstance(number, bool) and number >= 1
        and all(isinstance(document.get(name), str) for name in _TEXTS)
        and document["at_ns"].isascii() and document["at_ns"].isdigit() and len(document["at_ns"]) <= 19
        and isinstance(bench, dict) and all(isinstance(bench.get(name), str) for name in ("key", "store"))
    )  # fmt: skip
    if not holds:
        raise RecordError("unknown format: a record must have its number, time, bench and what it follows")
    try:
        if "rests_on" in document:
            check_form(document["rests_on"])
    except ValueError as error:
        raise RecordError("unknown format: this program does not know what the record says it rests on") from error
    return f"record {number}"


def check_chain(sealed: Sequence[Sealed]) -> None:
    """Check that records follow each other without a gap, those of one file or of several that continue each other.

    Raises:
        RecordError: with the reason.
    """
    first = sealed[0]
    if (first.number == 1) != (first.document["previous"] == ""):
        raise RecordError(f"record {first.number} has the wrong previous: only the first of a chain follows none")
    _check_once(sealed)
    for before, after in pairwise(sealed):
        if not _same_bench(before, after):
            raise RecordError(f"record {after.number} belongs to another store's chain than the one before it")
        if after.number != before.number + 1:
            raise RecordError(f"the chain is cut: record {after.number} stands after record {before.number}")
        if after.document["previous"] != before.sha256:
            raise RecordError(f"record {after.number} has the wrong previous: it follows another record "
                              f"{before.number} than this one")  # fmt: skip


def _check_once(sealed: Sequence[Sealed]) -> None:
    seen: dict[int, str] = {}
    for one in sealed:
        kept = seen.setdefault(one.number, one.sha256)
        if kept != one.sha256:
            raise RecordError(
                f"there are two records {one.number}, codes {short_code(kept)} and {short_code(one.sha256)}: one of "
                "them was made anew, or is another store's"
            )
    if len(seen) < len(sealed):
        twice = next(after.number for after in sealed if sum(one.number == after.number for one in sealed) > 1)
        raise RecordError(f"record {twice} is given twice; give each record once")


def _same_bench(before: Sealed, after: Sealed) -> bool:
    """Tell whether a record's store is that of the record before it, or one that was recovered from that."""
    old, new = (one.document["bench"]["store"] for one in (before, after))
    return new == old or old in [one["store"] for one in (after.rests or {"recovered": []})["recovered"]]


def certified(sealed: Sequence[Sealed], certificate: Mapping[str, str]) -> list[Sealed]:
    """Return records with a certificate, given beside their file, on those that its bench sealed.

    Raises:
        RecordError: that bench sealed none of them.
    """
    bench = certificate["bench_key"]
    if all(one.key != bench for one in sealed):
        raise RecordError(f"the certificate is for bench key {fingerprint(bench)}, which sealed none of the records")
    return [replace(one, certificate=certificate) if one.key == bench else one for one in sealed]


def check_trust(sealed: Sequence[Sealed], *, key: str | None, shop: str | None) -> None:
    """Check that records were sealed by a bench's key, or by keys that a shop's key certified, or both.

    Raises:
        RecordError: with the reason.
    """
    for one in sealed:
        if key is not None and one.key != key:
            raise RecordError(f"record {one.number} was sealed by key {fingerprint(one.key)}, "
                              f"not by {fingerprint(key)}")  # fmt: skip
        if shop is not None:
            _check_shop(one, shop)


def _check_shop(one: Sealed, shop: str) -> None:
    if one.certificate is None:
        raise RecordError(f"record {one.number} has no certificate of a shop; give the one that its bench has got "
                          "since with --certificate, or check it against the bench's key with --key")  # fmt: skip
    if one.certificate["shop_key"] != shop:
        raise RecordError(f"record {one.number} is certified by another shop's key, "
                          f"{fingerprint(one.certificate['shop_key'])}, not by {fingerprint(shop)}")  # fmt: skip
    if one.at < begins(dict(one.certificate)):
        raise RecordError(
            f"record {one.number} was sealed before its bench's certificate begins to hold; a shop that knows that the "
            "key was that bench's by then says so by record certify --since"
        )


def read_head(content: bytes) -> Head:
    """Return the head that a file states, checked to be signed by the key it names.

    Raises:
        RecordError: it is no head, or was altered.
    """
    values = parse(content)
    if not isinstance(values, dict) or set(values) != _HEAD_KEYS or values["format"] != HEAD_FORMAT:
        raise RecordError(f"unknown format of the head: this program knows {HEAD_FORMAT}")
    stated = {name: value for name, value in values.items() if name != "signature"}
    number, texts = values["number"], [values[name] for name in ("sha256", "key", "signature")]
    if not isinstance(number, int) or not all(isinstance(one, str) for one in texts):
        raise RecordError(f"unknown format of the head: this program knows {HEAD_FORMAT}")
    sha256, key, signature = texts
    if not is_signed("head", canonical(stated), public=key, signature=signature):
        raise RecordError("the head was changed after it was signed, or another key signed it")
    return Head(number=number, sha256=sha256, key=key)


def check_head(sealed: Sequence[Sealed], head: Head) -> None:
    """Check that a chain ends where a head, kept outside, says that it ended, or goes on from there.

    Raises:
        RecordError: the tail was cut, or the chain is another.
    """
    at_head = next((one for one in sealed if one.number == head.number), None)
    if at_head is None:
        raise RecordError(f"the file holds records {sealed[0].number} to {sealed[-1].number}, the head tells of record "
                          f"{head.number}: the chain was cut, or the file holds a part of it")  # fmt: skip
    if at_head.key != head.key:
        raise RecordError(f"the head is signed by another key than record {head.number}, {fingerprint(head.key)}")
    if at_head.sha256 != head.sha256:
        raise RecordError(f"record {head.number} is another one than the head tells of: the chain was made anew")


def check_code(sealed: Sequence[Sealed], code: str) -> None:
    """Check that one of the records is the one that a short code was written down of.

    Raises:
        RecordError: none is.
    """
    plain = code.replace("-", "").replace(" ", "").upper()
    if plain not in {short_code(one.sha256).replace("-", "") for one in sealed}:
        raise RecordError("no record of the file has that code: the chain was cut or made anew, or the code mistyped")
