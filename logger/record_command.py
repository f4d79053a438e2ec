"""What the `record` commands do: seal an instrument's account, check a file of records, show it, write it again."""

import argparse
import time
from collections.abc import Callable, Mapping, Sequence
from datetime import UTC, datetime
from pathlib import Path
from typing import Any, Final

from logger.attach_command import attach_files, list_attachments
from logger.cli_arguments import FAILED, OK, CommandError, store_path
from logger.counted import counted
from logger.errors import RecordError
from logger.sealing import keys
from logger.sealing.beside import check_beside, check_folder, files_of, folder_of, write_beside
from logger.sealing.canonical import MOST_BYTES, canonical, parse
from logger.sealing.page import check_told, page, plain
from logger.sealing.qr import qr_svg, qr_text
from logger.sealing.seal import (
    NothingToSealError,
    check_writable,
    choose,
    head_file,
    records_file,
    seal,
    write_file,
)  # fmt: skip
from logger.sealing.told import check_own, good_words, head_path
from logger.sealing.verify import (
    Head,
    Sealed,
    certified,
    check_chain,
    check_code,
    check_head,
    check_trust,
    read_file,
    read_head,
    read_records,
)  # fmt: skip
from logger.software import SOFTWARE
from logger.store import RecordRow, Store, StoreReader
from logger.store.events import rests_on, words
from logger.terminal import Terminal


def _folder(options: argparse.Namespace) -> Path:
    named: Path | None = options.keys
    return named or keys.default_folder()


# -- seal ------------------------------------------------------------------------------------------------------------


def _seal(options: argparse.Namespace) -> int:
    terminal, path = Terminal(), store_path(options)
    head = options.head or head_path(path)
    beside, troubles = list[str](), list[str]()
    customer = None if options.customer is None else _customer_file(options.out)
    written = [one for one in (options.out, customer) if one is not None]
    for file in written:
        check_writable(file, new=True)
    if options.out is not None:
        check_folder(options.out)
    row, new, rests = _sealed(options, terminal, path, head)
    if options.out is not None:
        beside, troubles = _write_files(options.out, [row], path)
        write_file(options.out, records_file([row]), new=True)
    if customer is not None:
        companion = {"customer": options.customer, "record": row.id, "sha256": row.sha256}
        write_file(customer, canonical(companion), new=True)
    since = words(rests) if rests["counted_since"] is not None else []
    for line in [*_sealed_lines(row, new, head, written), *beside, *(f"note: {one}" for one in since)]:
        terminal.say(line)
    for line in troubles:
        terminal.note(line)
    return FAILED if troubles else OK


def _sealed(
    options: argparse.Namespace, terminal: Terminal, path: Path, head: Path
) -> tuple[RecordRow, bool, dict[str, Any]]:
    """Seal what is asked for and write the signed head; return the record, whether it is new, and what it rests on.

    Raises:
        CommandError: what is asked for cannot be sealed.
        StoreError: the store cannot be used, or is not what its witness says.
    """
    folder = _folder(options)
    with Store.open(path, on_trouble=terminal.trouble, hash_all=True) as store:
        check_writable(head, new=False)
        with store.reader() as reader:
            sessions = choose(reader, session=options.session, name=options.instrument)
        key = keys.own_key(folder, keys.BENCH)
        own = folder / keys.CERTIFICATE
        certificate = keys.read_certificate(own, bench=key.public) if own.exists() else None
        try:
            row, new = seal(
                store, sessions, key, certificate=certificate, software=SOFTWARE, now_ns=time.time_ns(),
                without_lost=options.without_lost_files,
            )  # fmt: skip
        except RecordError as error:
            raise CommandError(f"this account cannot be sealed: {error}") from error
        with store.reader() as reader:
            last = reader.last_record() or row
            rests = rests_on(reader.events(), path)
        write_file(head, head_file(last, key, store_id=store.store_id, now_ns=time.time_ns()), new=False)
    return row, new, rests


def _write_files(out: Path, rows: Sequence[RecordRow], store: Path) -> tuple[list[str], list[str]]:
    """Write the attached files of records beside where their file goes; return what to say, and what was lost.

    Raises:
        RecordError: a kept document is no record any more.
        InputFileError: a file cannot be written.
    """
    files = files_of(parse(row.document.encode()) for row in rows)
    troubles = write_beside(out, files, store=store)
    written = len(files) - len(troubles)
    return (
        [f"written {folder_of(out)}, the attached files ({written}); send it along with {out.name}"] if written else [],
        [f"not written: {trouble}" for trouble in troubles],
    )


def _customer_file(out: Path | None) -> Path:
    if out is None:
        raise CommandError("--customer goes into a file beside the record; give --out too")
    return out.with_name(f"{out.name}.customer.json")


def _sealed_lines(row: RecordRow, new: bool, head: Path, written: Sequence[Path]) -> list[str]:
    again = f", reopens {row.names}" if row.names else ""
    return [
        f"record {row.number} sealed{again}" if new else f"record {row.number} says all of it already; none was made",
        f"code {keys.short_code(row.sha256)}   write it down outside the store, or keep {head}",
        f"key {row.key}   the bench's public one: give it to whoever is to check the record",
        *(f"written {one}" for one in written),
    ]


# -- verify, show, export --------------------------------------------------------------------------------------------


def _verify(options: argparse.Namespace) -> int:
    terminal = Terminal()
    key, shop = (None if one is None else keys.public_key(one) for one in (options.key, options.shop))
    head = None if options.head is None else read_file(options.head, what="the file of a signed head")
    later = None if options.certificate is None else keys.read_certificate(options.certificate, bench=None)
    contents = [read_file(one) for one in options.files]
    try:
        by_file = [read_records(content) for content in contents]
        sealed = [one for each in by_file for one in each]
        check_chain(sealed)
        if later is not None:
            sealed = certified(sealed, later)
        whose = check_own(sealed, _folder(options)) if key is None and shop is None else _given_words(key, shop)
        check_trust(sealed, key=key, shop=shop)
        for one in sealed:
            check_told(one)
        kept_outside = "" if head is None else _check_head(sealed, read_head(head))
        if options.code is not None:
            check_code(sealed, options.code)
        beside = [check_beside(file, each) for file, each in zip(options.files, by_file, strict=True)]
    except RecordError as error:
        terminal.say(f"not good: {plain(str(error), 500)}")
        return FAILED
    kept_outside = kept_outside or ("code compared" if options.code is not None else "no head compared")
    good = f"good: {good_words(sealed, whose, kept_outside)}"
    terminal.say("; ".join([good, *(plain(one, 800) for one in beside if one)]))
    return OK


def _given_words(key: str | None, shop: str | None) -> str:
    parts = [
        *(["the key you gave"] if key is not None else []),
        *(["certified by the shop key you gave"] if shop is not None else []),
    ]
    return " and ".join(parts)


def _check_head(sealed: Sequence[Sealed], head: Head) -> str:
    """Return how far a chain goes beyond its head, in words.

    Raises:
        RecordError: it is not the head's chain.
    """
    check_head(sealed, head)
    more = sealed[-1].number - head.number
    return "ends at the head" if not more else f"goes on {counted(more, 'record')} after the head"


def _show(options: argparse.Namespace) -> int:
    terminal = Terminal()
    content = read_file(options.file)
    try:
        sealed = read_records(content)
        lines = [line for one in sealed for line in ("", *page(one, software=SOFTWARE))][1:]
    except RecordError as error:
        raise CommandError(f"{options.file}: not what was sealed: {plain(str(error), 400)}") from error
    if options.qr_svg is not None:
        write_file(options.qr_svg, qr_svg(sealed[-1]), new=False)
    for line in (*lines, *([qr_text(sealed[-1])] if options.qr else [])):
        terminal.say(line)
    return OK


def _export(options: argparse.Namespace) -> int:
    terminal = Terminal()
    check_writable(options.out, new=True)
    certificate = None if options.certificate is None else keys.read_certificate(options.certificate, bench=None)
    with StoreReader(store_path(options)) as reader:
        chosen, store = _chosen(reader, options.records), reader.path
    try:
        content = records_file(chosen, certificate=certificate)
        read_records(content)
        lines, troubles = _write_files(options.out, chosen, store)
    except RecordError as error:
        terminal.say(f"not good: {plain(str(error), 400)}")
        return FAILED
    write_file(options.out, content, new=True)
    for line in lines:
        terminal.say(line)
    for line in troubles:
        terminal.note(line)
    return FAILED if troubles else OK


def _chosen(reader: StoreReader, wanted: tuple[int, int] | None) -> list[RecordRow]:
    last = reader.last_record()
    held = 0 if last is None else last.number
    first, until = (1, held) if wanted is None else wanted
    if not 1 <= first <= until <= held:
        holds = f"records 1 to {held}" if held else "no record"
        raise NothingToSealError(f"the store holds {holds}; seal one with record seal, or name others")
    rows: list[RecordRow] = []
    size = 0
    for number in range(first, until + 1):
        row = reader.record(number)
        if row is None:
            raise CommandError(
                f"the store's chain has no record {number}; restore the store from its copy, or write those before and "
                "after it with --records"
            )
        size += len(row.document.encode())
        if size > MOST_BYTES * 0.95 and rows:
            raise CommandError(
                f"records {first} to {until} are too large for one file; write them in parts, --records "
                f"{first}-{number - 1} first, and give verify all of the files"
            )
        rows.append(row)
    return rows


# -- keys ------------------------------------------------------------------------------------------------------------


def _key(options: argparse.Namespace) -> int:
    folder, terminal = _folder(options), Terminal()
    name = keys.SHOP if options.of_shop else keys.BENCH
    key = keys.own_key(folder, name)
    if options.certificate is not None:
        if options.of_shop:
            raise CommandError("a certificate is for a bench's key; leave --of-shop away")
        certificate = keys.read_certificate(options.certificate, bench=key.public)
        write_file(folder / keys.CERTIFICATE, canonical(certificate), new=False)
    terminal.say(f"{key.public}   {keys.fingerprint(key.public)}   {folder / name}.pub")
    return OK


def _certify(options: argparse.Namespace) -> int:
    bench = keys.public_key(options.key)
    shop = keys.own_key(_folder(options), keys.SHOP)
    certificate = keys.certify(shop, bench, name=options.name, at=options.since or datetime.now(UTC))
    write_file(options.out, canonical(certificate), new=True)
    Terminal().say(f"certified {keys.fingerprint(bench)} as '{plain(options.name)}' by shop key {shop.public}")
    return OK


WORK: Final[Mapping[str, Callable[[argparse.Namespace], int]]] = {
    "seal": _seal, "verify": _verify, "show": _show, "export": _export, "key": _key, "certify": _certify,
    "attach": attach_files, "attachments": list_attachments,
}  # fmt: skip
"""What each of the commands runs; it returns the exit status."""
