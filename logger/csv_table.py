"""Small CSV tables that a person wrote: named columns, one cell each, every fault with its line.

Texts that a spreadsheet would take for a formula are written behind an apostrophe and read back without it.
"""

import csv
import io
import re
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass
from decimal import Decimal
from pathlib import Path
from typing import Any, Final

from logger.errors import ReadingsFileError
from logger.features import NM_PER
from logger.input_text import input_text
from logger.names import brief

FORMULA_STARTS: Final = ("=", "+", "-", "@", "\t", "\r", "'")
"""A text beginning with one of these gets an apostrophe before it; the last is the apostrophe itself, so that what
was written can be told from what was there before."""
MOST_FILE: Final = 64_000_000
"""The largest CSV file that is read, bytes: some four hundred thousand readings."""
MOST_CELL: Final = 64 * 1024 * 1024
csv.field_size_limit(MOST_CELL)  # the module's own limit of 131 072 refuses texts that the store holds

_NUMBER: Final = re.compile(r"[+-]?(?:[0-9]{1,12}(?:\.[0-9]{0,12})?|\.[0-9]{1,12})")
_ANY_DIGITS: Final = re.compile(r"[+-]?(?:[0-9]+(?:\.[0-9]*)?|\.[0-9]+)")


def decimal_fault(name: str, cell: str) -> str:
    """Return what is wrong with a cell as a plain decimal number, empty where nothing is."""
    if _NUMBER.fullmatch(cell):
        return ""
    if _ANY_DIGITS.fullmatch(cell):
        return (
            f"{name} must have at most 12 digits before the decimal point and 12 after it, got {brief(cell)}; round it"
        )
    hint = "write a decimal point, not a comma" if "," in cell else "write it like 0.512"
    return f"{name} must be a plain decimal number, got {brief(cell)}; {hint}"


@dataclass(frozen=True, slots=True, kw_only=True)
class Line:
    """One row: its cells by column, stripped, and where it stands."""

    where: str
    cells: Mapping[str, str]

    def get(self, name: str) -> str:
        """Return a cell, empty where the column is absent."""
        return self.cells.get(name, "")

    def error(self, text: str) -> ReadingsFileError:
        """Return the error that tells a fault of this row."""
        return ReadingsFileError(f"{self.where}: {text}")

    def unit_nm(self) -> int:
        """Return the nanometres in one of the row's unit; millimetres where it names none.

        Raises:
            ReadingsFileError: the unit is none of the three.
        """
        unit = self.get("unit") or "mm"
        if unit not in NM_PER:
            raise self.error(f"unit must be mm, in or thou, got {brief(unit)}")
        return NM_PER[unit]

    def length_nm(self, name: str) -> Decimal:
        """Return a length in nanometres, exactly.

        Raises:
            ReadingsFileError: the cell is no plain decimal number, has too many digits, or the unit does not hold.
        """
        cell = self.get(name)
        fault = decimal_fault(name, cell)
        if fault:
            raise self.error(fault)
        return Decimal(cell) * self.unit_nm()


def guarded(text: str) -> str:
    """Return a text as a cell that no spreadsheet computes and no reader trims; `unguarded` undoes it."""
    return f"'{text}" if text.startswith(FORMULA_STARTS) or text != text.strip() else text


def unguarded(cell: str) -> str:
    """Return the text of a cell: without the apostrophe of `guarded`, else without the blanks around it."""
    text = cell[1:]
    if cell.startswith("'") and (text.startswith(FORMULA_STARTS) or text != text.strip()):
        return text
    return cell.strip()


def csv_line(cells: Sequence[str]) -> str:
    """Return one line of CSV (RFC 4180, ended by a line feed); a cell with a comma, quote or line end is quoted.

    Before Python 3.13 the standard writer leaves a lone carriage return unquoted.
    """
    return ",".join(_quoted(cell) for cell in cells) + "\n"


def _quoted(cell: str) -> str:
    return '"' + cell.replace('"', '""') + '"' if any(one in cell for one in ',"\r\n') else cell


def read_table(path: Path, *, required: Sequence[str], optional: Sequence[str], what: str) -> Iterator[Line]:
    """Return, one by one, the rows of a CSV file below its header; blank rows are passed over.

    Args:
        path: the file, UTF-8.
        required: columns that must be there.
        optional: columns that may be.
        what: what the file holds, for the words of an error.

    Raises:
        ReadingsFileError: the file, its header or the shape of a row does not hold.
    """
    return _lines(csv_text(path, what=what), str(path), required, optional)


def csv_text(path: Path, *, what: str) -> str:
    """Return the text of a CSV file of ``what``.

    Raises:
        ReadingsFileError: the file is missing, no file, too large or no UTF-8 text.
    """
    return input_text(path, ReadingsFileError, what=f"a CSV file of {what}", most_bytes=MOST_FILE)


def _lines(text: str, where: str, required: Sequence[str], optional: Sequence[str]) -> Iterator[Line]:
    rows = csv.DictReader(io.StringIO(text, newline=""), strict=True, skipinitialspace=True)
    try:
        names = [name.strip() for name in rows.fieldnames or ()]
        _check_header(names, where, required, optional)
        rows.fieldnames = names
        for cells in rows:
            if any(cells.values()):
                yield Line(
                    where=f"{where}, line {rows.line_num}", cells=_cells(cells, f"{where}, line {rows.line_num}")
                )
    except csv.Error as cause:
        raise ReadingsFileError(f"{where}, line {rows.line_num}: not CSV: {cause}") from cause


def _check_header(names: Sequence[str], where: str, required: Sequence[str], optional: Sequence[str]) -> None:
    header = ",".join(required)
    if not names:
        raise ReadingsFileError(f"{where}: the file is empty; it must begin with the header {header}")
    for name in required:
        if name not in names:
            raise ReadingsFileError(f"{where}: column {name!r} is missing; the header must be {header}")
    for name in names:
        if name not in (*required, *optional) or names.count(name) > 1:
            raise ReadingsFileError(
                f"{where}: column {brief(name)} is unknown or stands twice; the header must be {header}"
            )


def _cells(cells: Mapping[str | None, Any], where: str) -> dict[str, str]:
    if None in cells or None in cells.values():
        raise ReadingsFileError(f"{where}: every row needs one cell per column")
    return {str(name): str(value).strip() for name, value in cells.items()}
