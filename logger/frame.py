"""Readings of a store as a pandas DataFrame, in one call."""

from datetime import date
from pathlib import Path
from types import MappingProxyType
from typing import Final

import pandas as pd

from logger.reading_columns import cells, columns
from logger.selection import Selection, select
from logger.store import StoreReader

_DTYPES: Final = MappingProxyType({
    "text": "string", "whole": "Int64", "number": "float64", "time": "datetime64[us, UTC]",
})  # fmt: skip


def readings_frame(
    path: Path | str, *, session: str | None = None, instrument: str | None = None, kind: str | None = None,
    fret: int | None = None, since: date | None = None, until: date | None = None, uncertainty: bool = False,
) -> pd.DataFrame:  # fmt: skip
    """Return the readings of a store, one row each; units in ``attrs["units"]``, words in ``attrs["words"]``.

    Args:
        path: the session store; may be in use.
        session: id of a session; None for all.
        instrument: name of an instrument; None for all.
        kind: what was measured; None for all.
        fret: number of the fret; None for all.
        since: first day, UTC; None from the first on.
        until: last day, UTC, itself included; None to the last.
        uncertainty: also judge: columns ``value_mm``, ``U_mm`` (half the 95 % interval) and ``verdict``.

    Raises:
        SessionNotFoundError: the store holds no such session.
        StoreError: the store cannot be read.
        InputFileError: there is no such instrument or kind, or an instrument's description does not hold.
    """
    wanted = Selection(session=session, instrument=instrument, kind=kind, fret=fret, since=since, until=until,
                       uncertainty=uncertainty)  # fmt: skip
    chosen = columns(uncertainty=uncertainty)
    with StoreReader(path) as reader:
        rows = [cells(one) for one in select(reader, wanted)]
    frame = pd.DataFrame({
        one.name: pd.Series([row[one.name] for row in rows], dtype=_DTYPES[one.holds]) for one in chosen
    })
    frame.attrs["units"] = {one.name: one.unit for one in chosen if one.unit}
    frame.attrs["words"] = {one.name: one.words for one in chosen}
    return frame
