"""What the commands share: exit status, texts turned into values, common options, stopping in order."""

import argparse
import contextlib
import os
import re
import signal
import sys
import threading
from collections.abc import Callable, Iterator
from functools import partial
from pathlib import Path
from typing import Any, Final, NoReturn

from logger.door import Serve
from logger.names import short_line
from logger.store import default_path

OK, FAILED, USAGE, GAUGE, STORE, OUR_FAULT = 0, 1, 2, 3, 4, 70
STORE_VARIABLE: Final = "FRETLEDGER_STORE"
_NUMBER: Final = re.compile(r"[+-]?([0-9]{1,9}\.?[0-9]{0,9}|\.[0-9]{1,9})")
_WHOLE: Final = re.compile(r"-?[0-9]{1,9}")
_SHOWN: Final = 40


class CommandError(Exception):
    """The command was given something that does not hold."""


class OneLineParser(argparse.ArgumentParser):
    """A parser that tells what is wrong in one line, as every other fault is told."""

    def error(self, message: str) -> NoReturn:
        """Say the fault on stderr and leave."""
        self.exit(USAGE, f"fretledger: {short_line(message)}; see {self.prog} --help\n")


def number(text: str) -> float:
    """Return a decimal number.

    Raises:
        argparse.ArgumentTypeError: the text is none.
    """
    if not _NUMBER.fullmatch(text):
        raise argparse.ArgumentTypeError(
            f"must be a number of at most nine digits before and after the point, got {text[:_SHOWN]!r}"
        )
    return float(text)


def above_zero(text: str) -> float:
    """Return a number above zero.

    Raises:
        argparse.ArgumentTypeError: the text is none.
    """
    value = number(text)
    if value <= 0:
        raise argparse.ArgumentTypeError(f"must be a number above 0, got {text!r}")
    return value


def whole(text: str) -> int:
    """Return a whole number of at most nine digits.

    Raises:
        argparse.ArgumentTypeError: the text is none.
    """
    if not _WHOLE.fullmatch(text):
        raise argparse.ArgumentTypeError(f"must be a whole number of at most nine digits, got {text[:_SHOWN]!r}")
    return int(text)


def whole_above_zero(text: str) -> int:
    """Return a whole number from 1 to 9999.

    Raises:
        argparse.ArgumentTypeError: the text is none.
    """
    if not (text.isascii() and text.isdigit() and len(text) <= 4 and int(text) > 0):
        raise argparse.ArgumentTypeError(f"must be a whole number from 1 to 9999, got {text!r}")
    return int(text)


def port_number(text: str) -> int:
    """Return a port number.

    Raises:
        argparse.ArgumentTypeError: the text is none.
    """
    if not text.isascii() or not text.isdigit() or int(text) > 65535:
        raise argparse.ArgumentTypeError(f"must be a port number from 0 to 65535, got {text!r}")
    return int(text)


def command(
    add: Callable[..., argparse.ArgumentParser], name: str, words: str, work: Callable[..., int]
) -> argparse.ArgumentParser:
    """Add a command and what runs it."""
    parser = add(name, help=words, description=words)
    parser.set_defaults(run=work)
    return parser


def add_page(parser: argparse.ArgumentParser) -> None:
    """Add the options of a command that serves a page."""
    parser.add_argument(
        "--port", type=port_number, default=0, metavar="N", help="port of the page; 0 takes any free one"
    )
    parser.add_argument("--no-browser", dest="browser", action="store_false", help="do not open a browser")
    parser.add_argument("--lan", action="store_true", help="let machines of the workshop network in, each by a code")
    parser.add_argument("--words", type=Path, metavar="W.toml", help="the page's words in another language")


def page_as_asked(options: argparse.Namespace, serve: Serve) -> Serve:
    """Return the page with what `add_page` was asked for beside its port."""
    asked: dict[str, Any] = {"language": options.words} if options.words else {}
    if options.lan:
        asked["lan"] = lambda line: print(line, file=sys.stderr, flush=True)
    return partial(serve, **asked) if asked else serve


def add_store(parser: argparse.ArgumentParser, *, default: str | None = None) -> None:
    """Add the option that names the store."""
    parser.add_argument(
        "--store",
        type=Path,
        default=default,
        metavar="PATH",
        help=f"the session store; else {STORE_VARIABLE}, else your own data folder",
    )


def store_from_environment() -> Path | None:
    """Return the store that the environment names, None if it names none."""
    named = os.environ.get(STORE_VARIABLE)
    return Path(named) if named else None


def store_path(options: argparse.Namespace) -> Path:
    """Return the store that a command uses."""
    named: Path | None = options.store
    return named or store_from_environment() or default_path()


@contextlib.contextmanager
def stopped_by_signal() -> Iterator[threading.Event]:
    """Turn Ctrl-C and a polite kill into an event, so that everything is closed in order.

    The event is set by a thread of its own: the signal is taken by the main thread, which may be within the event's own
    lock at that moment and would wait for itself.
    """
    stop = threading.Event()

    def end(*_: object) -> None:
        threading.Thread(target=stop.set, name="stopped by a signal").start()

    before = {number: signal.signal(number, end) for number in (signal.SIGINT, signal.SIGTERM)}
    try:
        yield stop
    finally:
        for number, handler in before.items():
            signal.signal(number, handler)


@contextlib.contextmanager
def page_port(port: int) -> Iterator[None]:
    """Tell in words that the port of a page is taken.

    Raises:
        CommandError: it is.
        OSError: something else could not be opened.
    """
    try:
        yield
    except OSError as error:
        if isinstance(error, FileNotFoundError | IsADirectoryError) or not port:
            raise
        raise CommandError(
            f"port {port} cannot be used for the page ({error.strerror or error}); "
            "choose another with --port, or 0 for any free one"
        ) from error
