"""The `record` commands as they are typed; what they do is in `record_command`, which is imported when one is run."""

import argparse
from collections.abc import Callable
from datetime import UTC, date, datetime, time
from pathlib import Path

from logger.cli_arguments import add_store, command, whole_above_zero
from logger.door import Serve


def _run(options: argparse.Namespace, _serve: Serve) -> int:
    from logger.record_command import WORK

    return WORK[options.work](options)


def add_record(add: Callable[..., argparse.ArgumentParser]) -> None:
    """Add the command `record` and what it can do."""
    parser = add("record", help="seal an instrument's account, check one, show one")
    work = parser.add_subparsers(dest="work", metavar="WORK", required=True)
    _add_seal(command(work.add_parser, "seal", "sign all of an instrument's readings and verdicts", _run))
    _add_verify(command(work.add_parser, "verify", "is a file of records what was sealed, and by whom", _run))
    _add_attach(command(work.add_parser, "attach", "keep pictures, PDF or text with an instrument", _run))
    _add_attachments(command(work.add_parser, "attachments", "the files attached to an instrument", _run))
    _add_show(command(work.add_parser, "show", "a file of records as a page of text", _run))
    _add_export(command(work.add_parser, "export", "write sealed records from the store into a file", _run))
    _add_key(command(work.add_parser, "key", "this bench's public key; made where there is none", _run))
    _add_certify(command(work.add_parser, "certify", "certify a bench's key with the shop's", _run))


def _numbers(text: str) -> tuple[int, int]:
    """Return the first and last number that ``3`` or ``3-7`` names.

    Raises:
        argparse.ArgumentTypeError: the text names none.
    """
    first, dash, last = text.partition("-")
    return whole_above_zero(first), whole_above_zero(last if dash else first)


def _day(text: str) -> datetime:
    """Return the first moment, UTC, of a day.

    Raises:
        argparse.ArgumentTypeError: the text names none.
    """
    try:
        return datetime.combine(date.fromisoformat(text), time(), UTC)
    except ValueError as error:
        raise argparse.ArgumentTypeError(f"must be a day like 2026-03-01, got {text[:20]!r}") from error


def _add_keys(parser: argparse.ArgumentParser) -> None:
    parser.add_argument("--keys", type=Path, metavar="FOLDER", help="where keys lie; else in your own data folder")


def _add_which(parser: argparse.ArgumentParser) -> None:
    add_store(parser)
    which = parser.add_mutually_exclusive_group()
    which.add_argument("--session", metavar="ID", help="one session only")
    which.add_argument("--instrument", metavar="NAME", help="all sessions of this instrument")


def _add_attach(parser: argparse.ArgumentParser) -> None:
    parser.add_argument("files", type=Path, nargs="+", metavar="FILE", help="JPEG, PNG, WebP, PDF or plain text")
    _add_which(parser)
    parser.add_argument("--note", default="", metavar="TEXT", help="what they show; it goes into the record")
    parser.add_argument("--who", default="", metavar="NAME", help="who attaches them; it goes into the record")


def _add_attachments(parser: argparse.ArgumentParser) -> None:
    _add_which(parser)
    parser.add_argument("--json", action="store_true", help="print a JSON list instead of lines")


def _add_seal(parser: argparse.ArgumentParser) -> None:
    _add_which(parser)
    parser.add_argument("--out", type=Path, metavar="FILE.json", help="also write the record as a file")
    parser.add_argument(
        "--head", type=Path, metavar="FILE.json", help="where the signed head goes; else beside the store"
    )
    parser.add_argument(
        "--without-lost-files", action="store_true", help="where attached files are lost, the record says so"
    )
    parser.add_argument("--customer", metavar="NAME", help="kept unsigned, in a file beside --out, never in the record")
    _add_keys(parser)


def _add_verify(parser: argparse.ArgumentParser) -> None:
    parser.add_argument("files", type=Path, nargs="+", metavar="FILE.json", help="several must continue each other")
    parser.add_argument("--key", metavar="PUB", help="the bench's public key: 64 hex digits or a PEM file")
    parser.add_argument("--shop", metavar="PUB", help="the public key of the shop that certified the bench's")
    parser.add_argument(
        "--certificate", type=Path, metavar="CERT.json", help="the bench's, of a record sealed before it had one"
    )
    parser.add_argument("--head", type=Path, metavar="HEAD.json", help="a signed head that was kept outside")
    parser.add_argument("--code", metavar="CODE", help="a short code that was written down")
    _add_keys(parser)


def _add_show(parser: argparse.ArgumentParser) -> None:
    parser.add_argument("file", type=Path, metavar="FILE.json")
    parser.add_argument("--qr", action="store_true", help="the last record's number and hash as a QR code, in text")
    parser.add_argument("--qr-svg", type=Path, metavar="FILE.svg", help="the same as an image")


def _add_export(parser: argparse.ArgumentParser) -> None:
    add_store(parser)
    parser.add_argument("--records", type=_numbers, metavar="N or N-M", help="these only; else the whole chain")
    parser.add_argument("--out", type=Path, required=True, metavar="FILE.json", help="a file that does not exist yet")
    parser.add_argument(
        "--certificate",
        type=Path,
        metavar="CERT.json",
        help="goes beside records that were sealed before there was one",
    )


def _add_key(parser: argparse.ArgumentParser) -> None:
    parser.add_argument("--of-shop", action="store_true", help="the shop's key instead")
    parser.add_argument(
        "--certificate", type=Path, metavar="CERT.json", help="take the shop's certificate for this key"
    )
    _add_keys(parser)


def _add_certify(parser: argparse.ArgumentParser) -> None:
    parser.add_argument("key", metavar="PUB", help="the bench's public key: 64 hex digits or a PEM file")
    parser.add_argument("--name", required=True, metavar="NAME", help="what the shop calls that bench")
    parser.add_argument(
        "--since", type=_day, metavar="DAY", help="the key was that bench's from this day on, like 2026-03-01; else now"
    )
    parser.add_argument("--out", type=Path, required=True, metavar="CERT.json", help="a file that does not exist yet")
    _add_keys(parser)
