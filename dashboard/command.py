"""The ``fretledger`` command with the page plugged in: the one place that joins command line and dashboard."""

import sys

from logger.cli import run
from logger.door import Door, PageServer


def _serve(door: Door, *, port: int) -> PageServer:
    from dashboard.server import serve  # Dash takes a second to import; most commands never need it

    return serve(door, port=port)


def main() -> None:
    """Run the command and leave with its exit status."""
    sys.exit(run(sys.argv[1:], _serve))
