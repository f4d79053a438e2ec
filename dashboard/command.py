"""The ``fretledger`` command with the page plugged in: the one place that joins command line and dashboard."""

import os
import signal
import sys
from typing import TYPE_CHECKING, Final

if TYPE_CHECKING:
    from collections.abc import Callable
    from pathlib import Path

    from logger.door import Door, PageServer

INTERRUPTED: Final = 130
"""Exit status after Ctrl-C, as shells have it: 128 and the number of the signal."""


def _serve(
    door: "Door", *, port: int, lan: "Callable[[str], None] | None" = None, language: "Path | None" = None
) -> "PageServer":
    from dashboard.server import serve  # Dash takes a second to import; most commands never need it

    return serve(door, port=port, lan=lan, language=language)


ONE_THREAD: Final = ("OPENBLAS_NUM_THREADS", "OMP_NUM_THREADS", "MKL_NUM_THREADS")
"""The matrices here are small: several threads only wait for one another, which took more than twice the time."""


def main() -> None:
    """Run the command and leave with its exit status."""
    for name in ONE_THREAD:  # before anything imports numpy
        os.environ.setdefault(name, "1")
    signal.signal(signal.SIGINT, lambda *_: os._exit(INTERRUPTED))  # while importing: nothing is open yet
    from logger.cli import run

    signal.signal(signal.SIGINT, signal.default_int_handler)
    try:
        status = run(sys.argv[1:], _serve)
    except KeyboardInterrupt:
        status = INTERRUPTED
    signal.signal(signal.SIGINT, signal.SIG_IGN)  # everything is closed; Python itself needs a moment to end
    sys.exit(status)
