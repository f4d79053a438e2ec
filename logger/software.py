"""What this program calls itself in what it writes: its name and version."""

from importlib.metadata import version
from typing import Final

SOFTWARE: Final = f"fretledger {version('fretledger')}"
