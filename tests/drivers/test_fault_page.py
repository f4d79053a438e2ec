"""The page on what a person reads when a gauge fails says what the code says."""

import importlib.util
import re
from pathlib import Path
from types import ModuleType

import pytest

from drivers.transports import bluetooth_faults, faults

DOCS = Path(__file__).parents[2] / "docs"


@pytest.fixture(scope="module")
def make() -> ModuleType:
    spec = importlib.util.spec_from_file_location("make_faults", DOCS / "make_faults.py")
    assert spec is not None
    assert spec.loader is not None
    module = importlib.util.module_from_spec(spec)
    spec.loader.exec_module(module)
    return module


def test_the_page_is_what_the_code_says(make: ModuleType) -> None:
    kept = (DOCS / "gauge-faults.md").read_text(encoding="utf-8")

    assert kept == make.page(), "make it again: python docs/make_faults.py"


def test_every_fault_of_both_tables_is_on_the_page(make: ModuleType) -> None:
    page = make.page()

    for module, cases in ((faults, make.SERIAL_CASES), (bluetooth_faults, make.BLUETOOTH_CASES)):
        found = dict(make.constants(module))
        assert list(found) == list(cases)
        for fault in found.values():
            assert f"{fault.symptom}" in page
            assert f"{fault.cause}; {fault.remedy}" in page


def test_every_sentence_says_what_to_do_and_no_row_lacks_a_cell(make: ModuleType) -> None:
    rows = [line for line in make.page().splitlines() if line.startswith("| ") and not line.startswith("| Case")]

    assert len(rows) > 40
    for row in rows:
        assert all(cell.strip() for cell in re.split(r"(?<!\\)\|", row)[1:4])
    opening = make.page().partition("## Opening")[2]
    assert all("; " in row for row in opening.splitlines() if row.startswith("| ") and not row.startswith("| Case"))
