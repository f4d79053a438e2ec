"""The published values, read from their files."""

import csv
from collections.abc import Callable
from pathlib import Path

import pytest

FOLDER = Path(__file__).parents[1] / "reference"
Rows = list[dict[str, str]]


@pytest.fixture
def published() -> Callable[[str], Rows]:
    """Return a function that reads a file of published values; each names its source in its first lines."""

    def _rows(name: str) -> Rows:
        with (FOLDER / f"{name}.csv").open(encoding="utf-8") as lines:
            return list(csv.DictReader(line for line in lines if not line.startswith("#")))

    return _rows
