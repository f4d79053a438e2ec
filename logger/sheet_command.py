"""`fretledger sheet`: the quality-check sheet of an instrument as a PDF."""

import argparse
from collections.abc import Callable
from pathlib import Path

from logger.attachments import open_attachment
from logger.cli_arguments import OK, CommandError, add_store, command, store_path
from logger.instrument_record import record_of, with_pictures
from logger.judging import evaluate_session
from logger.sheet_choices import AUDIENCES, PAPERS, UNITS
from logger.store import NO_INSTRUMENT, StoreReader
from logger.whole_file import check_out, whole_file


def write_sheet(store: Path, session: str | None, out: Path, *, audience: str, unit: str, paper: str) -> Path:
    """Write the sheet of a session and return where it is.

    Args:
        store: the session store.
        session: which; None for the newest that measured an instrument.
        out: the file to write.
        audience: ``customer`` or ``shop``.
        unit: of sentences, ``mm`` or ``in``.
        paper: ``a4`` or ``letter``.

    Raises:
        CommandError: there is no such session, or it measured no instrument.
        InputFileError: the file cannot be written.
        StoreError: the store cannot be read.
    """
    from logger.sheet_pdf import sheet_pdf  # its library takes a second to import; most commands never need it
    from logger.small_picture import small_picture

    place = check_out(out, store=store)
    with StoreReader(store) as reader:
        chosen = session or _newest(reader, store)
        if reader.session(chosen).instrument == NO_INSTRUMENT:
            raise CommandError(f"session {chosen!r} measures no instrument; choose another with --session")
        told = record_of(reader, evaluate_session(reader, chosen), chosen)
        shown, pictures = with_pictures(told, lambda sha256: small_picture(open_attachment(reader, sha256)[2]))
    made = sheet_pdf(shown, pictures, audience=audience, unit=unit, paper=paper)
    with whole_file(place) as part:
        part.write_bytes(made)
    return place


def _newest(reader: StoreReader, store: Path) -> str:
    _, found = reader.rack(most=1)
    if not found or not found[0].visits:
        raise CommandError(f"session store {store} has no session on an instrument; measure one first")
    return found[0].visits[0].session


def add_sheet(add: Callable[..., argparse.ArgumentParser]) -> None:
    """Add the command `sheet`."""
    parser = command(add, "sheet", "print the quality-check sheet of an instrument to a PDF", _sheet)
    add_store(parser)
    parser.add_argument("--session", metavar="ID", help="which session; else the newest that measured an instrument")
    parser.add_argument("--out", type=Path, required=True, metavar="FILE.pdf", help="the file to write")
    parser.add_argument(
        "--for", dest="audience", choices=AUDIENCES, default="customer", help="one page for the customer, or all"
    )
    parser.add_argument("--unit", choices=UNITS, default="mm", help="unit of sentences; tables have both")
    parser.add_argument("--paper", choices=PAPERS, default="a4", help="size of the paper")


def _sheet(options: argparse.Namespace, _serve: object) -> int:
    made = write_sheet(
        store_path(options), options.session, options.out, audience=options.audience, unit=options.unit,
        paper=options.paper,
    )  # fmt: skip
    print(made)
    return OK
