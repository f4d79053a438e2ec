"""The commands over what a store holds: readings out and in, and what all its sessions together say."""

import argparse
import json
import sys
from collections.abc import Callable
from datetime import date
from pathlib import Path

from logger.cli_arguments import OK, USAGE, CommandError, add_store, command, store_path, whole
from logger.door import Serve
from logger.terminal import Terminal, progress_shown, write_utf8

FORMS = ("csv", "json", "parquet")


def day(text: str) -> date:
    """Return a date.

    Raises:
        argparse.ArgumentTypeError: the text is none.
    """
    try:
        return date.fromisoformat(text)
    except ValueError as error:
        raise argparse.ArgumentTypeError(f"must be a date like 2026-01-31, got {text[:40]!r}") from error


def _readings(options: argparse.Namespace, _serve: Serve) -> int:
    from logger.export import describe_newest, export_readings, export_to_file
    from logger.selection import Selection
    from logger.store.counts import not_as_witnessed

    wanted = Selection(
        session=options.session, instrument=options.instrument, kind=options.kind, fret=options.fret,
        since=options.since, until=options.until, uncertainty=options.uncertainty,
    )  # fmt: skip
    if options.form == "parquet" and options.out is None:
        raise CommandError("--format parquet is no text; name a file with --out")
    store = store_path(options)
    beside = {"instrument_to": options.instrument_to, "gauges_to": options.gauges_to, "limits_to": options.limits_to}
    if options.out is None:
        write_utf8()
        count = export_readings(store, sys.stdout, wanted=wanted, form=options.form, **beside)
    else:
        count = export_to_file(store, options.out, wanted=wanted, form=options.form)
        if any(beside.values()):
            describe_newest(store, wanted, **beside)
    if not count:
        Terminal().note(f"no reading in {store} is what was asked for; leave an option away to see more")
    if told := not_as_witnessed(store):
        Terminal().note(told)
    return OK


def _import(options: argparse.Namespace, _serve: Serve) -> int:
    from logger.readings_import import import_lines, import_readings

    done = import_readings(
        options.file,
        store_path(options),
        instrument=options.description,
        gauges=options.gauges,
        dry_run=options.dry_run,
    )
    print("\n".join(import_lines(done, dry_run=options.dry_run)))
    return USAGE if done.refused else OK


def _lessons(options: argparse.Namespace, _serve: Serve) -> int:
    from logger.lessons import learn
    from logger.lessons_words import lessons_json, lessons_lines
    from logger.store.counts import not_as_witnessed

    found = progress_shown(
        lambda line: learn(
            store_path(options), on_progress=lambda done, of: line("judging sessions", done / max(of, 1))
        )
    )
    if options.plot is not None:
        from logger.lessons_plot import write_kerf_plot

        write_kerf_plot(found, options.plot)
    if options.json:
        print(json.dumps(lessons_json(found), ensure_ascii=False, allow_nan=False))
    else:
        print("\n".join(lessons_lines(found, unit=options.unit)))
    if told := not_as_witnessed(store_path(options)):
        Terminal().note(told)
    return OK


# -- arguments -------------------------------------------------------------------------------------------------------


def add_readings(add: Callable[..., argparse.ArgumentParser]) -> None:
    """Add the command `readings`, and `readings import`."""
    parser = command(add, "readings", "write readings of a store as CSV, JSON or Parquet; import some", _readings)
    add_store(parser)
    parser.add_argument("--format", dest="form", choices=FORMS, default="csv", help="of what is written")
    parser.add_argument("--out", type=Path, metavar="FILE", help="write here, whole or not at all; else to stdout")
    parser.add_argument("--session", metavar="ID", help="one session only")
    parser.add_argument("--instrument", metavar="NAME", help="sessions on one instrument only")
    parser.add_argument("--kind", metavar="KIND", help="one kind of reading only, like slot_width")
    parser.add_argument("--fret", type=whole, metavar="N", help="one fret only")
    parser.add_argument("--from", dest="since", type=day, metavar="DATE", help="taken on this day (UTC) or later")
    parser.add_argument("--to", dest="until", type=day, metavar="DATE", help="taken on this day (UTC) or earlier")
    parser.add_argument(
        "--with-uncertainty", dest="uncertainty", action="store_true",
        help="also judge, and add value_mm, U_mm (half the 95 %% interval) and verdict of each reading's feature",
    )  # fmt: skip
    for what in ("instrument", "gauges", "limits"):
        parser.add_argument(
            f"--{what}-to", type=Path, metavar="FILE",
            help=f"also write the newest session's {what} as TOML, as evaluate reads it",
        )  # fmt: skip
    work = parser.add_subparsers(dest="work", metavar="WORK")
    _add_import(command(work.add_parser, "import", "keep the readings of a CSV file in a store", _import))


def _add_import(parser: argparse.ArgumentParser) -> None:
    parser.add_argument("file", type=Path, metavar="READINGS.csv")
    add_store(parser, default=argparse.SUPPRESS)
    parser.add_argument("--instrument", dest="description", type=Path, metavar="I.toml",
                        help="the instrument; without it the readings are kept and never judged")  # fmt: skip
    parser.add_argument("--gauges", type=Path, metavar="G.toml", help="what the gauges in the file are worth")
    parser.add_argument("--dry-run", action="store_true", help="only say what would be kept")


def add_lessons(add: Callable[..., argparse.ArgumentParser]) -> None:
    """Add the command `lessons`."""
    parser = command(add, "lessons", "what all sessions of a store together say: fit, ends, visits", _lessons)
    add_store(parser)
    parser.add_argument("--unit", choices=("mm", "thou"), default="mm", help="unit of the tables")
    parser.add_argument("--json", action="store_true", help="print one JSON object instead of tables")
    parser.add_argument("--plot", type=Path, metavar="FILE.html", help="write slot widths by blade as a page")
