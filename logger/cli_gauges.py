"""The `gauges` commands of a gauge's worth: check it at known sizes, study how far it repeats."""

import argparse
import json
from collections.abc import Callable, Iterator, Mapping, Sequence
from contextlib import contextmanager, suppress
from pathlib import Path
from typing import Any, Final

from drivers.errors import FrameError
from drivers.transports.typed import parse_typed
from logger.begin import default_gauges
from logger.check_conclusion import conclude
from logger.checks import (
    BOTH_WAYS,
    REPEATS,
    ZERO,
    CheckKeeper,
    Outcome,
    Point,
    Size,
    judge,
    kind_of,
    parse_size,
    plan,
    read_points,
    typed_point,
)  # fmt: skip
from logger.cli_arguments import (
    FAILED,
    OK,
    CommandError,
    above_zero,
    add_page,
    add_store,
    command,
    number,
    page_port,
    stopped_by_signal,
    store_path,
    whole,
    whole_above_zero,
)  # fmt: skip
from logger.cli_find import add_find, list_gauges
from logger.cli_listen import add_listen
from logger.cli_replay import add_replay
from logger.climate import check_climate
from logger.door import Serve
from logger.errors import InsufficientDataError
from logger.gauge_file import GaugeSpec, read_gauges
from logger.gauges import Known, find, known, register
from logger.store import Store
from logger.terminal import Terminal

UNITS: Final = ("mm", "in", "thou")
BACK: Final = "back"


# -- check -----------------------------------------------------------------------------------------------------------


@contextmanager
def _enough(what: str) -> Iterator[None]:
    """Tell too few readings as a fault of what was given.

    Raises:
        CommandError: there are too few.
    """
    try:
        yield
    except InsufficientDataError as error:
        raise CommandError(f"{what}: {error}") from error


def _check(options: argparse.Namespace, _serve: Serve) -> int:
    if options.readings and options.block:
        raise CommandError("the sizes of a check come from --from or from --block, not from both")
    given = read_points(options.readings) if options.readings else None
    zeros = [_typed(text, options.unit) for text in options.zero or ()]
    sizes = [parse_size(text) for text in options.block or ()]
    temperature = None if options.temperature is None else check_climate(options.temperature, 0)[0]
    terminal = Terminal()
    with Store.open_or_create(store_path(options), on_trouble=terminal.trouble) as store:
        gauge = _gauge(store, options, terminal)
        if given is None and not options.zero and not sizes:
            sizes = _ask_sizes(terminal)
        asked = _asked(options, gauge, sizes, zeros, given)
        if given is not None or (zeros and not asked):
            with _enough(f"check of {gauge.name}"):  # before anything is kept
                judge([*zeros, *(given or ())], gauge.spec)
        whole = [(one.size, one.direction) for one in (*zeros, *(given or ()))] + asked
        keeper = CheckKeeper(store, gauge, kind=kind_of(whole), who=options.who, temperature_mc=temperature)
        for point in (*zeros, *(given or ())):
            keeper.add(point)
        _measure(terminal, keeper, asked, gauge, options.unit)
        return _conclude(store, options, terminal, gauge, keeper)


def _asked(
    options: argparse.Namespace, gauge: Known, sizes: Sequence[Size], zeros: Sequence[Point],
    given: Sequence[Point] | None,
) -> list[tuple[Size, str]]:  # fmt: skip
    if given is not None:
        return []
    both = gauge.spec.kind in BOTH_WAYS if options.both_ways is None else options.both_ways
    return plan(sizes, zeros=0 if zeros else options.repeats, repeats=options.repeats, both_ways=both)


def _gauge(store: Store, options: argparse.Namespace, terminal: Terminal) -> Known:
    if not options.name.strip():
        raise CommandError("the gauge's name must not be empty")
    defaults = default_gauges()
    file: Mapping[str, GaugeSpec] = read_gauges(options.gauges) if options.gauges else {}
    days = getattr(options, "due_days", None)
    with store.reader() as reader:
        new = options.name not in known(reader)
    gauge = find(store, options.name, kind=options.kind, defaults=defaults, file=file, due_days=days)
    if new and options.kind is None and options.name not in {*defaults, *file}:
        terminal.note(f"fretledger: {gauge.name} is taken for a {gauge.spec.kind.replace('_', ' ')}; "
                      "--kind says otherwise")  # fmt: skip
    return gauge


def _ask_sizes(terminal: Terminal) -> list[Size]:
    sizes: list[Size] = []
    question = (
        "a block, pin or leaf as SIZE:U in mm (U its standard uncertainty), like 10:0.0005; empty when all are told"
    )
    while line := _line(terminal, question):
        try:
            sizes.append(parse_size(line))
        except ValueError as error:
            terminal.note(str(error))
    return sizes


def _typed(text: str, unit: str, size: Size = ZERO, direction: str = "") -> Point:
    """Return the reading that a text holds.

    Raises:
        CommandError: it is no number.
    """
    try:
        return typed_point(size, direction, parse_typed(text, unit=unit), text)
    except FrameError as error:
        raise CommandError(str(error)) from error


def _measure(
    terminal: Terminal, keeper: CheckKeeper, asked: Sequence[tuple[Size, str]], gauge: Known, unit: str
) -> None:
    """Ask for every reading; ``back`` takes the last one back.

    Raises:
        CommandError: the answers end too early.
    """
    done = 0
    while done < len(asked):
        size, direction = asked[done]
        where = "at zero" if size == ZERO else f"at {size.nominal_nm / 1e6:g} mm"
        way = f", going {direction}" if direction else ""
        line = _line(terminal, f"{done + 1} of {len(asked)}: {gauge.name} {where}{way}, in {unit} (or {BACK})")
        if line is None:
            raise CommandError(f"the check of {gauge.name} was broken off after {done} of {len(asked)} readings and "
                               "does not count; begin it anew")  # fmt: skip
        if line.lower() == BACK:
            done -= 1 if done and keeper.back() else 0
            continue
        try:
            keeper.add(_typed(line, unit, size, direction))
            done += 1
        except CommandError as error:
            terminal.note(str(error))


def _line(terminal: Terminal, question: str) -> str | None:
    """Return the next answer, None at the end of the answers or on Ctrl-C."""
    with suppress(KeyboardInterrupt):
        return terminal.ask(question)
    return None


def _conclude(store: Store, options: argparse.Namespace, terminal: Terminal, gauge: Known, keeper: CheckKeeper) -> int:
    with _enough(f"check of {gauge.name}"):
        told, outcome = conclude(store, gauge, keeper, correct=bool(options.correct))
    terminal.say(json.dumps(told, allow_nan=False) if options.json else "\n".join(_check_lines(told, outcome)))
    return FAILED if told["failed"] else OK


def _check_lines(told: Mapping[str, Any], outcome: Outcome) -> list[str]:
    known_error = ", its known error taken off" if told["known_error"] else ""
    lines = [f"{told['gauge']}, {told['kind'].replace('_', ' ')}{known_error}", ""]
    lines.append(f"{'known size, mm':>16}{'error, mm':>12}{'± 95 %':>10}{'readings':>10}")
    lines += [
        f"{one['nominal_mm']:>16.4f}{one['error_mm']:>+12.4f}{one['expanded_u_mm']:>10.4f}{one['readings']:>10}"
        for one in told["errors"]
    ]
    lines += ["", *(f"!! {text}" for text in told["faults"]), *(f"ok {text}" for text in outcome.notes())]
    if told["faults"]:
        lines.append("   clean the faces, set zero and check again; if it stays so, --correct takes the error off its "
                     "readings, or use another gauge")  # fmt: skip
    if told["corrected"]:
        lines.append("   the error found is subtracted from its readings from now on")
    lines += ["", f"{'checks at these sizes':<26}{'mean error, mm':>16}{'± 95 %':>10}"]
    lines += [f"{one['at'][:19]:<26}{one['value_mm']:>+16.4f}{one['expanded_u_mm']:>10.4f}" for one in told["history"]]
    if told["limits"] is not None:
        limits = told["limits"]
        lines.append(f"limits of the mean error: {limits['lower_mm']:+.4f} to {limits['upper_mm']:+.4f} mm "
                     "(individuals and moving range)")  # fmt: skip
    return [*lines, f"from check to check: {told['from_check_to_check']}", f"next check due {told['due'][:10]}"]


# -- study -----------------------------------------------------------------------------------------------------------


def _study(options: argparse.Namespace, serve: Serve) -> int:
    if options.readings is not None:
        return _study_file(options)
    if options.name is None:
        raise CommandError("name the gauge to study, or give a file with --from STUDY.csv")
    return _study_page(options, serve) if options.page else _study_here(options)


def _study_file(options: argparse.Namespace) -> int:
    from logger.gauges import with_study
    from logger.study import read_study

    study = read_study(options.readings)
    if options.name is not None:
        with Store.open_or_create(store_path(options)) as store:
            gauge = _gauge(store, options, Terminal())
            spec = with_study(gauge.spec, u_mm=study.result.repeatability_mm, dof=study.result.dof)
            register(store, options.name, spec, source="study")
    _tell(options, study)
    return OK


def _tell(options: argparse.Namespace, study: Any) -> None:
    from logger.study import study_json, study_lines

    if options.plot is not None:
        from logger.study_plot import write_plot

        write_plot(study, options.plot)
    if options.json:
        Terminal().say(json.dumps(study_json(study.result, tolerance_mm=options.tolerance), allow_nan=False))
    else:
        Terminal().say("\n".join(study_lines(study, tolerance_mm=options.tolerance)))


def _study_here(options: argparse.Namespace) -> int:
    from logger.guided_study import ask_readings, begin, conclude

    terminal = Terminal()
    with Store.open_or_create(store_path(options), on_trouble=terminal.trouble) as store:
        gauge = _gauge(store, options, terminal)
        study = begin(store, gauge, _wish(options), anew=options.new)
        recorder = ask_readings(store, study, terminal, unit=options.unit)
        with _enough(f"study of {gauge.name}"):
            found = conclude(store, study, recorder, terminal)
    if found is not None:
        _tell(options, found)
    return OK


def _study_page(options: argparse.Namespace, serve: Serve) -> int:
    from logger.guided_study import PageOptions, run_page

    terminal = Terminal()
    wanted = PageOptions(wish=_wish(options), anew=options.new, ports=options.gauge or [], browser=options.browser,
                         port=options.port)  # fmt: skip
    with (
        stopped_by_signal() as stop,
        page_port(options.port),
        Store.open_or_create(store_path(options), on_trouble=wanted.trouble) as store,
    ):
        gauge = _gauge(store, options, terminal)
        with _enough(f"study of {gauge.name}"):
            found = run_page(store, gauge, wanted, serve, stop=stop, terminal=terminal)
    if found is not None:
        _tell(options, found)
    return OK


def _wish(options: argparse.Namespace) -> Any:
    from logger.study_session import Wish

    return Wish(parts=_names(options.parts, counted=True), people=_names(options.people), trials=options.trials,
                seed=options.seed)  # fmt: skip


def _names(text: str | None, *, counted: bool = False) -> list[str] | None:
    """Return names parted by commas, or 1, 2, 3 ... where a count is given; None where nothing is said.

    Raises:
        CommandError: the count does not hold.
    """
    if text is None:
        return None
    if counted and text.isascii() and text.isdigit():
        if not 1 <= int(text) <= 999:
            raise CommandError(f"--parts must be from 1 to 999, or names parted by commas, got {text!r}")
        return [str(number) for number in range(1, int(text) + 1)]
    return [name.strip() for name in text.split(",")]


# -- arguments -------------------------------------------------------------------------------------------------------


def add_gauges(add: Callable[..., argparse.ArgumentParser]) -> None:
    """Add the command `gauges` and what it can do."""
    parser = command(
        add, "gauges", "list the gauges there are; find, listen to, replay, check or study one", list_gauges
    )
    add_store(parser)
    parser.add_argument("--json", action="store_true", help="print what the store knows as one JSON list instead")
    parser.add_argument("--scan", type=above_zero, metavar="SECONDS", help="also listen for Bluetooth devices so long")
    work = parser.add_subparsers(dest="work", metavar="WORK")
    add_find(work.add_parser)
    add_listen(work.add_parser)
    add_replay(work.add_parser)
    _add_check(
        command(work.add_parser, "check", "is a gauge true: zero, and blocks, pins or leaves of known size", _check)
    )
    _add_study(command(work.add_parser, "study", "how far a gauge's readings repeat: parts x people x trials", _study))


def _add_common(parser: argparse.ArgumentParser) -> None:
    add_store(parser, default=argparse.SUPPRESS)
    parser.add_argument(
        "--kind", choices=tuple(default_gauges()), help="what the gauge is, when the store does not know"
    )
    parser.add_argument("--gauges", type=Path, metavar="G.toml", help="what your gauges are worth")
    parser.add_argument("--unit", choices=UNITS, default="mm", help="unit of typed readings that name none")
    parser.add_argument("--json", action="store_true", default=argparse.SUPPRESS, help="print one JSON object instead")


def _add_check(parser: argparse.ArgumentParser) -> None:
    parser.add_argument("name", metavar="NAME", help="the gauge")
    parser.add_argument(
        "--from", dest="readings", type=Path, metavar="CHECK.csv",
        help="readings from a file with the columns nominal,u_nominal,reading and, optionally, unit,direction",
    )  # fmt: skip
    parser.add_argument("--zero", nargs="+", metavar="V", help="readings at zero; else they are asked for")
    parser.add_argument(
        "--block", action="append", metavar="SIZE:U",
        help="a known size and its standard uncertainty in mm, like 10:0.0005; may be given again",
    )  # fmt: skip
    parser.add_argument("--repeats", type=whole_above_zero, default=REPEATS, metavar="N", help="readings of each size")
    parser.add_argument("--both-ways", action=argparse.BooleanOptionalAction, default=None,
                        help="run the sizes up and down, as an indicator is by default")  # fmt: skip
    parser.add_argument("--who", default="bench", metavar="NAME", help="who measures")
    parser.add_argument("--temperature", type=number, metavar="C", help="temperature in degrees Celsius")
    parser.add_argument("--due-days", type=whole_above_zero, metavar="N",
                        help="days to the next check; 90 until told otherwise (common practice)")  # fmt: skip
    parser.add_argument("--correct", action="store_true", help="subtract the error found from its readings from now on")
    _add_common(parser)


def _add_study(parser: argparse.ArgumentParser) -> None:
    parser.add_argument("name", metavar="NAME", nargs="?", help="the gauge, whose repeatability the study becomes")
    parser.add_argument(
        "--from", dest="readings", type=Path, metavar="STUDY.csv", help="a file: columns part,person,trial,value"
    )
    parser.add_argument("--parts", metavar="N", help="how many parts, or their names parted by commas; else 10")
    parser.add_argument("--people", metavar="A,B", help="who measures, parted by commas; else one person")
    parser.add_argument(
        "--trials", type=whole_above_zero, metavar="N", help="how often each measures each part; else 3"
    )
    parser.add_argument("--seed", type=whole, metavar="N", help="of the random order")
    parser.add_argument("--new", action="store_true", help="give up a study that is not finished and begin anew")
    parser.add_argument(
        "--tolerance", type=above_zero, metavar="MM", help="also say the share of this tolerance, in mm"
    )
    parser.add_argument("--plot", type=Path, metavar="FILE.html", help="write readings by part and person as a page")
    parser.add_argument("--page", action="store_true", help="measure on the live page instead of the terminal")
    parser.add_argument("--gauge", action="append", metavar="NAME",
                        help="with --page: a saved gauge or NAME=PROFILE@PORT; else readings are typed")  # fmt: skip
    _add_common(parser)
    add_page(parser)
