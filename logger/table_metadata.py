"""Say what the columns of an exported CSV file are, as W3C tabular metadata (CSV on the Web).

Source: W3C Recommendation "Metadata Vocabulary for Tabular Data" (2015), 5.3 to 5.6; file name as in "Model for Tabular
Data and Metadata on the Web" (2015), 5.3; unit codes of UN/CEFACT Recommendation 20, from memory.
"""

from pathlib import Path
from types import MappingProxyType
from typing import Any, Final
from urllib.parse import quote

from logger.csv_table import FORMULA_STARTS
from logger.reading_columns import Column, columns
from logger.readings_csv import JUDGED, KEPT, OPTIONAL, REQUIRED

_DATATYPES: Final = MappingProxyType({
    "text": "string", "whole": {"base": "integer", "minimum": 0}, "number": "decimal", "time": "dateTimeStamp",
})  # fmt: skip
_UNIT_CODES: Final = MappingProxyType({"mm": "MMT", "degC": "CEL"})
_APOSTROPHE: Final = (
    "A text that begins with one of "
    + " ".join(repr(one).strip("\"'") or "'" for one in FORMULA_STARTS)
    + ", or with or before a blank at its ends, stands behind one apostrophe, which is not part of it, so that no "
    "spreadsheet computes it."
)


def metadata_path(path: Path) -> Path:
    """Return the name that the standard gives the metadata of a CSV file: ``r.csv-metadata.json`` for ``r.csv``."""
    return path.with_name(f"{path.name}-metadata.json")


def table_metadata(name: str, *, uncertainty: bool) -> dict[str, Any]:
    """Return the metadata of an exported CSV file of that name, as plain JSON values."""
    known = {column.csv: _described(column) for column in columns(uncertainty=uncertainty)}
    known["unit"] = {
        "name": "unit", "titles": "unit", "required": True, "datatype": {"base": "string", "format": "mm"},
        "dc:description": "unit of value, low, high, resolution and u: always mm in a file that was exported",
    }  # fmt: skip
    names = (*REQUIRED, *OPTIONAL, *KEPT, *(JUDGED if uncertainty else ()))
    return {
        "@context": ["http://www.w3.org/ns/csvw", {"@language": "en"}],
        "url": quote(name),
        "dc:title": "Readings of gauges on fretted instruments",
        "dc:description": f"One row is one reading. {_APOSTROPHE}",
        "dialect": {"delimiter": ",", "quoteChar": '"', "doubleQuote": True, "header": True, "encoding": "utf-8",
                    "lineTerminators": ["\n"], "trim": False},
        "tableSchema": {"columns": [known[one] for one in names], "primaryKey": ["session", "gauge", "sequence"]},
    }  # fmt: skip


def _described(column: Column) -> dict[str, Any]:
    said: dict[str, Any] = {
        "name": column.csv, "titles": column.csv, "datatype": _DATATYPES[column.holds], "null": "",
        "dc:description": column.words,
    }  # fmt: skip
    if column.unit:
        said |= {"schema:unitText": column.unit, "schema:unitCode": _UNIT_CODES[column.unit]}
    return said
