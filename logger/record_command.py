"""What the `record` commands do: seal an instrument's account, check a file of records, show it, write it again."""

import argparse
import time
from collections.abc import Callable, Mapping, Sequence
from datetime import UTC, datetime
from pathlib import Path
from typing import Final

from logger.attach_command import attach_files, list_attachments
from logger.bench import SOFTWARE
from logger.cli_arguments import FAILED, OK, CommandError, store_path
from logger.errors import RecordError
from logger.sealing import keys
from logger.sealing.beside import check_beside, check_folder, files_of, folder_of, write_beside
from logger.sealing.canonical import MOST_BYTES, canonical, parse
from logger.sealing.page import page, plain
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
from logger.sealing.verify import (
    Sealed,
    check_chain,
    check_code,
    check_head,
    check_trust,
    read_file,
    read_head,
    read_records,
)  # fmt: skip
from logger.store import RecordRow, Store, StoreReader
from logger.terminal import Terminal


def _folder(options: argparse.Namespace) -> Path:
    named: Path | None = options.keys
    return named or keys.default_folder()


# -- seal ------------------------------------------------------------------------------------------------------------


def _seal(options: argparse.Namespace) -> int:
    terminal, path, folder = Terminal(), store_path(options), _folder(options)
    head = options.head or path.with_name(f"{path.name}.head.json")
    beside, troubles = list[str](), list[str]()
    customer = None if options.customer is None else _customer_file(options.out)
    for file in (one for one in (options.out, customer) if one is not None):
        check_writable(file, new=True)
    if options.out is not None:
        check_folder(options.out)
    with Store.open(path, on_trouble=terminal.trouble) as store:
        check_writable(head, new=False)
        with store.reader() as reader:
            sessions = choose(reader, session=options.session, name=options.instrument)
        key = keys.own_key(folder, keys.BENCH)
        own = folder / keys.CERTIFICATE
        certificate = keys.read_certificate(own, bench=key.public) if own.exists() else None
        try:
            row, new = seal(
                store, sessions, key, certificate=certificate, software=SOFTWARE, now_ns=time.time_ns()
            )  # fmt: skip
        except RecordError as error:
            raise CommandError(f"this account cannot be sealed: {error}") from error
        with store.reader() as reader:
            last = reader.last_record() or row
        write_file(head, head_file(last, key, store_id=store.store_id, now_ns=time.time_ns()), new=False)
    if options.out is not None:
        beside, troubles = _write_files(options.out, [row], path)
        write_file(options.out, records_file([row]), new=True)
    if customer is not None:
        companion = {"customer": options.customer, "record": row.id, "sha256": row.sha256}
        write_file(customer, canonical(companion), new=True)
    for line in _sealed_lines(row, new, head, [one for one in (options.out, customer) if one is not None]) + beside:
        terminal.say(line)
    for line in troubles:
        terminal.note(line)
    return OK


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
    head = None if options.head is None else read_file(options.head)
    contents = [read_file(one) for one in options.files]
    try:
        by_file = [read_records(content) for content in contents]
        sealed = [one for each in by_file for one in each]
        check_chain(sealed)
        if key is None and shop is None:
            _check_own(sealed, _folder(options))
        check_trust(sealed, key=key, shop=shop)
        if head is not None:
            check_head(sealed, read_head(head))
        if options.code is not None:
            check_code(sealed, options.code)
        beside = [check_beside(file, each) for file, each in zip(options.files, by_file, strict=True)]
    except RecordError as error:
        terminal.say(f"not good: {plain(str(error), 400)}")
        return FAILED
    terminal.say("; ".join([f"good: {_good_words(sealed)}", *(plain(one, 800) for one in beside if one)]))
    return OK


def _check_own(sealed: Sequence[Sealed], folder: Path) -> None:
    """Check that this person's own bench key sealed all records, or that their own shop key certified them.

    Raises:
        RecordError: with the reason.
    """
    bench, shop = keys.known_public(folder, keys.BENCH), keys.known_public(folder, keys.SHOP)
    if all(one.key == bench for one in sealed):
        return
    if shop is None:
        raise RecordError(
            f"nothing here vouches for key {keys.fingerprint(sealed[-1].key)}, which sealed it; give the bench's "
            "public key with --key, or the shop's with --shop"
        )
    check_trust(sealed, key=None, shop=shop)


def _good_words(sealed: Sequence[Sealed]) -> str:
    last = sealed[-1]
    which = f"record {last.number}" if len(sealed) == 1 else f"records {sealed[0].number} to {last.number}, one chain"
    by = f"bench key {keys.fingerprint(last.key)}"
    if last.certificate is not None:
        name = plain(last.certificate["name"])
        by += f", certified by a shop as '{name}'"
    return f"{which}, sealed {last.at:%Y-%m-%d %H:%M} UTC by {by}; code {keys.short_code(last.sha256)}"


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
    with StoreReader(store_path(options)) as reader:
        chosen, store = _chosen(reader, options.records), reader.path
    try:
        content = records_file(chosen)
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
            raise CommandError(f"the store's chain has no record {number}; restore the store from its copy")
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
    certificate = keys.certify(shop, bench, name=options.name, at=datetime.now(UTC))
    write_file(options.out, canonical(certificate), new=True)
    Terminal().say(f"certified {keys.fingerprint(bench)} as '{plain(options.name)}' by shop key {shop.public}")
    return OK


WORK: Final[Mapping[str, Callable[[argparse.Namespace], int]]] = {
    "seal": _seal, "verify": _verify, "show": _show, "export": _export, "key": _key, "certify": _certify,
    "attach": attach_files, "attachments": list_attachments,
}  # fmt: skip
"""What each of the commands runs; it returns the exit status."""
