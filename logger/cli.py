"""The command line: what people type, what is printed, and the exit status.

0 no fail; 1 a verdict is ``fail``, no plan holds, a place is outside it, or two ends differ; 2 command or input file;
3 gauge; 4 store or shop; 70 our own fault.
"""

import argparse
import contextlib
import errno
import json
import logging
import os
import sys
import threading
from collections.abc import Iterator, Sequence
from pathlib import Path
from typing import Final

from drivers.errors import DriverError, NamedGaugesError, RecordingError
from logger.cli_arguments import (
    FAILED,
    GAUGE,
    OK,
    OUR_FAULT,
    STORE,
    USAGE,
    CommandError,
    OneLineParser,
    above_zero,
    add_page,
    add_store,
    command,
    page_as_asked,
    page_port,
    stopped_by_signal,
    store_from_environment,
    store_path,
    whole,
)
from logger.cli_gauges import add_gauges
from logger.cli_readings import add_lessons, add_readings
from logger.cli_record import add_record
from logger.climate import parse_climate
from logger.door import Serve
from logger.errors import InputFileError, ShopError, StoreError
from logger.features import NM_PER
from logger.names import short_line
from logger.sheet_command import add_sheet
from logger.shop_command import add_shop, shop_address
from logger.software import SOFTWARE
from logger.store_command import add_store_care
from logger.terminal import write_plainly

DISK_FULL: Final = (errno.ENOSPC, errno.EDQUOT, errno.EFBIG)


def run(arguments: Sequence[str], serve: Serve) -> int:
    """Run one command and return its exit status; errors become one line on stderr."""
    write_plainly()
    logging.basicConfig(level=logging.WARNING, format="%(levelname)s %(name)s: %(message)s", stream=sys.stderr)
    parser = _parser()
    options = parser.parse_args(arguments)
    if options.command is None:
        parser.print_help(sys.stderr)
        return USAGE
    try:
        return _guarded(options, serve)
    except BrokenPipeError:  # whoever read stdout went away; not ours to report
        _drop_output()
        return OK


def _drop_output() -> None:
    with contextlib.suppress(OSError):
        os.dup2(os.open(os.devnull, os.O_WRONLY), sys.stdout.fileno())


def _guarded(options: argparse.Namespace, serve: Serve) -> int:
    try:
        status: int = options.run(options, serve)
        sys.stdout.flush()
        return status
    except (InputFileError, CommandError, NamedGaugesError, RecordingError) as error:
        return _say(error, USAGE)
    except (StoreError, ShopError) as error:
        return _say(error, STORE)
    except DriverError as error:
        return _say(error, GAUGE)
    except BrokenPipeError:
        raise
    except Exception as error:
        if os.environ.get("FRETLEDGER_TRACE"):
            raise
        if isinstance(error, OSError) and error.errno in DISK_FULL:
            _drop_output()
            return _say(f"no space to write in ({error.strerror}); free some and try again", USAGE)
        return _say(f"our own fault: {type(error).__name__}: {error}; set FRETLEDGER_TRACE=1 to see where", OUR_FAULT)


def _say(error: object, status: int) -> int:
    line = short_line(str(error)) or type(error).__name__
    print(f"fretledger: {line}", file=sys.stderr)
    return status


# -- commands --------------------------------------------------------------------------------------------------------


def _demo(options: argparse.Namespace, serve: Serve) -> int:
    with stopped_by_signal() as stop:
        return _run_demo(options, serve, stop)


def _run_demo(options: argparse.Namespace, serve: Serve, stop: threading.Event) -> int:
    from logger.demo.operator import BenchSilentError
    from logger.demo.run import DemoOptions, run_demo

    wanted = DemoOptions(
        seconds=options.seconds,
        seed=options.seed,
        browser=options.browser,
        stay=options.stay or (options.seconds is None and (options.browser or sys.stdout.isatty())),
        port=options.port,
        store=options.store or store_from_environment(),
        acks=options.acks,
    )
    with page_port(options.port), _writable(options.acks):
        try:
            return run_demo(wanted, page_as_asked(options, serve), stop=stop)
        except BenchSilentError as error:
            return _say(error, GAUGE)


def _bench(options: argparse.Namespace, serve: Serve) -> int:
    with stopped_by_signal() as stop:  # before the imports, which take a second
        return _run_bench(options, serve, stop)


def _run_bench(options: argparse.Namespace, serve: Serve, stop: threading.Event) -> int:
    from logger.sitting import SittingOptions, run_sitting

    wanted = SittingOptions(
        store=store_path(options),
        instrument=options.instrument,
        gauges=options.gauges,
        limits=options.limits,
        ports=options.gauge or [],
        browser=options.browser,
        port=options.port,
        new=options.new,
        climate=None if options.climate is None else parse_climate(options.climate),
        factors=options.factor or (),
        shop=shop_address(options.shop),
    )
    with page_port(options.port):
        return run_sitting(wanted, page_as_asked(options, serve), stop=stop)


def _evaluate(options: argparse.Namespace, _serve: Serve) -> int:
    from logger.evaluate import evaluate_file, print_table

    if options.covariance and not options.json:
        raise CommandError("--covariance is a matrix for --json alone; add --json, or leave --covariance out")
    result = evaluate_file(
        options.readings, options.instrument, gauges=options.gauges, limits=options.limits, session=options.session
    )
    for note in result.notes:
        print(f"fretledger: note: {note}", file=sys.stderr)
    if options.json:
        print(json.dumps(result.json(covariance=options.covariance), ensure_ascii=False, allow_nan=False))
    else:
        print_table(result, unit=options.unit)
    return FAILED if result.failed else OK


def _plan(options: argparse.Namespace, _serve: Serve) -> int:
    from logger.evaluate import evaluate_file
    from logger.plan_command import (
        has_plan,
        levelling_of_file,
        plan_lines,
        plan_result_json,
        second_sweep,
        swept_of,
        verify_json,
        verify_lines,
    )

    files = {"instrument": options.instrument, "gauges": options.gauges, "limits": options.limits,
             "session": options.session}  # fmt: skip
    result = evaluate_file(options.readings, **files)
    for note in result.notes:
        print(f"fretledger: note: {note}", file=sys.stderr)
    levelling = levelling_of_file(result)
    second = None if options.verify is None else second_sweep(result, options.verify, **files)
    if options.json:
        verification = {} if second is None else {"verification": verify_json(second)}
        print(json.dumps(plan_result_json(result, levelling) | verification, ensure_ascii=False, allow_nan=False))
    else:
        lines = plan_lines(
            result.instrument.name, levelling, result.judge.sweep, unit=options.unit, swept=swept_of(result)
        )
        lines += [] if second is None else verify_lines(second, unit=options.unit)
        print("\n".join(lines))
    return OK if has_plan(levelling) and not (second and second.outside) else FAILED


def _fit(options: argparse.Namespace, _serve: Serve) -> int:
    from logger.evaluate import evaluate_file
    from logger.fit_command import fit_lines, fit_result_json, read_choices, read_transfer

    result = evaluate_file(
        options.readings, options.instrument, gauges=options.gauges, limits=options.limits, session=options.session
    )
    transfer = None if options.reliefs is None else read_transfer(options.reliefs)
    fit = result.judge.fit(transfer=transfer)
    pairings = [] if options.choices is None else read_choices(options.choices, result.limits)
    if options.json:
        print(json.dumps(fit_result_json(result, fit, pairings), ensure_ascii=False, allow_nan=False))
    else:
        print("\n".join(fit_lines(result, fit, pairings, unit=options.unit, learnt=transfer is not None)))
    return OK


def _cut(options: argparse.Namespace, _serve: Serve) -> int:
    from logger.cut_command import cut_json, cut_lines, cutting_list

    found = cutting_list(options.instrument)
    table = "\n".join(cut_lines(found, unit=options.unit))
    print(json.dumps(cut_json(found), ensure_ascii=False, allow_nan=False) if options.json else table)
    return OK


def _fixture(options: argparse.Namespace, _serve: Serve) -> int:
    from logger.fixture_command import fixture_json, fixture_lines
    from logger.instrument import read_instrument

    neck = read_instrument(options.instrument)
    plan = neck.fixture_plan
    table = "\n".join(fixture_lines(neck, plan, unit=options.unit))
    print(json.dumps(fixture_json(neck, plan), ensure_ascii=False, allow_nan=False) if options.json else table)
    return OK if plan.settings else FAILED


def _wear(options: argparse.Namespace, _serve: Serve) -> int:
    from logger.wear_command import two_visits, wear_json, wear_lines

    found = two_visits(
        options.readings, options.later, days=options.days, instrument=options.instrument, gauges=options.gauges,
        limits=options.limits, session=options.session,
    )  # fmt: skip
    print(
        json.dumps(wear_json(found), allow_nan=False)
        if options.json
        else "\n".join(wear_lines(found, unit=options.unit))
    )
    return OK


@contextlib.contextmanager
def _writable(acks: Path | None) -> Iterator[None]:
    if acks is not None:
        try:
            acks.open("a", encoding="utf-8").close()
        except OSError as error:
            raise CommandError(
                f"{acks}: cannot be written ({error.strerror}); give --acks a file in a folder that "
                "exists and is writable"
            ) from error
    yield


# -- arguments -------------------------------------------------------------------------------------------------------


def _parser() -> argparse.ArgumentParser:
    parser = OneLineParser(prog="fretledger", description="Take, keep and judge fretwork readings.")
    parser.add_argument("--version", action="version", version=SOFTWARE)
    commands = parser.add_subparsers(dest="command", metavar="COMMAND")
    _add_demo(command(commands.add_parser, "demo", "an invented instrument, measured by simulated gauges", _demo))
    _add_bench(command(commands.add_parser, "bench", "measure with the gauges that are plugged in, or type", _bench))
    _add_evaluate(command(commands.add_parser, "evaluate", "judge a file of readings without a bench", _evaluate))
    _add_fit(command(commands.add_parser, "fit", "how wire and slots fit, and the back-bow to expect", _fit))
    _add_cut(command(commands.add_parser, "cut", "how to cut the wire for an instrument's frets", _cut))
    _add_fixture(command(commands.add_parser, "fixture", "how to set the rocker fixture's feet for a neck", _fixture))
    _add_plan(command(commands.add_parser, "plan", "what to file, re-seat or leave, fret by fret", _plan))
    _add_wear(command(commands.add_parser, "wear", "the same neck at two visits: how its crowns wear", _wear))
    add_sheet(commands.add_parser)
    add_readings(commands.add_parser)
    add_lessons(commands.add_parser)
    add_gauges(commands.add_parser)
    add_store_care(commands.add_parser)
    add_record(commands.add_parser)
    add_shop(commands.add_parser)
    return parser


def _add_demo(parser: argparse.ArgumentParser) -> None:
    parser.add_argument(
        "--seconds", type=above_zero, metavar="N", help="measure the whole sheet within N seconds and end"
    )
    parser.add_argument(
        "--stay", action="store_true",
        help="show the page after the last reading until Ctrl-C; this is so anyway unless --seconds is given, or "
        "--no-browser with its output going elsewhere than to a terminal",
    )  # fmt: skip
    parser.add_argument("--seed", type=whole, default=1, metavar="N", help="which faults, where and how large")
    add_page(parser)
    parser.add_argument("--store", type=Path, metavar="PATH", help="keep the readings here; else a temporary store")
    parser.add_argument("--acks", type=Path, metavar="FILE", help="write one JSON line per reading once it is on disk")


def _add_bench(parser: argparse.ArgumentParser) -> None:
    parser.add_argument("--instrument", type=Path, metavar="I.toml", help="the instrument; else a plain steel-string")
    parser.add_argument("--gauges", type=Path, metavar="G.toml", help="what your gauges are worth")
    parser.add_argument("--limits", type=Path, metavar="L.toml", help="limits of your own")
    parser.add_argument(
        "--gauge",
        action="append",
        metavar="NAME",
        help="a saved gauge, or NAME=PROFILE@PORT like green=caliper-mm@/dev/ttyUSB0; may be given again",
    )
    parser.add_argument("--new", action="store_true", help="start a new session even if one is open")
    parser.add_argument(
        "--factor",
        action="append",
        metavar="NAME=WHAT",
        help="how it is fretted, for `lessons`: seating, glue, caul, wire, lot, blade or wood; may be given again",
    )
    parser.add_argument("--climate", metavar="C,PERCENT", help="temperature and relative humidity, like 21.5,48")
    parser.add_argument("--shop", metavar="URL", help="also send all to the shop's PostgreSQL; else FRETLEDGER_SHOP")
    add_store(parser)
    add_page(parser)


def _add_evaluate(parser: argparse.ArgumentParser) -> None:
    _add_files(parser)
    parser.add_argument("--covariance", action="store_true", help="with --json: the covariance of the heights too")


def _add_plan(parser: argparse.ArgumentParser) -> None:
    _add_files(parser)
    parser.add_argument("--verify", type=Path, metavar="SECOND.csv", help="the sweep after levelling, to compare")


def _add_fit(parser: argparse.ArgumentParser) -> None:
    _add_files(parser)
    parser.add_argument("--choices", type=Path, metavar="C.toml", help="wires and blades to choose from")
    parser.add_argument("--reliefs", type=Path, metavar="R.csv", help="relief before and after fretting, of your necks")


def _add_cut(parser: argparse.ArgumentParser) -> None:
    parser.add_argument("--instrument", type=Path, required=True, metavar="I.toml")
    parser.add_argument("--unit", choices=tuple(NM_PER), default="mm", help="unit of the table")
    parser.add_argument("--json", action="store_true", help="print one JSON object instead of a table")


def _add_fixture(parser: argparse.ArgumentParser) -> None:
    parser.add_argument("instrument", type=Path, metavar="INSTRUMENT.toml")
    parser.add_argument("--unit", choices=("mm", "in"), default="mm", help="unit of the table")
    parser.add_argument("--json", action="store_true", help="print one JSON object instead of a table")


def _add_wear(parser: argparse.ArgumentParser) -> None:
    _add_files(parser)
    parser.add_argument("later", type=Path, metavar="LATER.csv", help="the readings of the later visit")
    parser.add_argument("--days", type=above_zero, metavar="N", help="days between the visits; else from taken_at")


def _add_files(parser: argparse.ArgumentParser) -> None:
    """Add what every command takes that judges a file of readings."""
    parser.add_argument("readings", type=Path, metavar="READINGS.csv")
    parser.add_argument("--instrument", type=Path, required=True, metavar="I.toml")
    parser.add_argument("--gauges", type=Path, metavar="G.toml", help="what the gauges in the file are worth")
    parser.add_argument("--limits", type=Path, metavar="L.toml", help="limits of your own")
    parser.add_argument("--session", metavar="ID", help="judge one session of a file that holds several; all for all")
    parser.add_argument("--unit", choices=tuple(NM_PER), default="mm", help="unit of the table")
    parser.add_argument("--json", action="store_true", help="print one JSON object instead of a table")
