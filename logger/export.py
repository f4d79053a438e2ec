"""Write what a store holds as files that `fretledger evaluate` reads."""

import csv
from pathlib import Path
from typing import TextIO

from logger.errors import InputFileError, SessionNotFoundError
from logger.gauge_file import GaugeSpec, gauges_toml
from logger.kept import csv_row, spec_of
from logger.readings_csv import KEPT, OPTIONAL, REQUIRED
from logger.store import StoreReader


def export_readings(
    store: Path, out: TextIO, *, session: str | None = None, instrument_to: Path | None = None,
    gauges_to: Path | None = None, limits_to: Path | None = None,
) -> None:  # fmt: skip
    """Write the readings of instruments as CSV and, where asked, what goes with the newest chosen session as TOML.

    Args:
        store: the session store; may be in use.
        out: where the CSV goes.
        session: one session, or None for all.
        instrument_to: file for the instrument, or None.
        gauges_to: file for the gauges, or None.
        limits_to: file for the limits, or None.

    Raises:
        SessionNotFoundError: the store holds no such session, or none to describe.
        StoreError: the store cannot be read.
        InputFileError: a file cannot be written, or the session is a study.
    """
    with StoreReader(store) as reader:
        studies = {one.session for one in reader.purposes()}
        every = [one for one in reader.sessions() if one.id not in studies]
        chosen = [reader.session(session)] if session is not None else every
        if session in studies:
            raise InputFileError(
                f"session {session} is a repeatability study, not the measuring of an instrument; name another session"
            )
        writer = csv.DictWriter(out, (*REQUIRED, *OPTIONAL, *KEPT), lineterminator="\n")
        writer.writeheader()
        for one in chosen:
            specs = {gauge.gauge: spec_of(gauge) for gauge in reader.gauges(one.id)}
            unknown = GaugeSpec(kind="")
            climates = reader.climates(one.id)
            writer.writerows(
                csv_row(kept, specs.get(kept.row.gauge, unknown), climates) for kept in reader.readings(one.id)
            )
        if not (instrument_to or gauges_to or limits_to):
            return
        if not chosen:
            raise SessionNotFoundError(f"{store}: holds no session to describe; run fretledger bench first", path=store)
        newest = chosen[-1]
        _write(instrument_to, reader.instrument_at(newest.instrument, newest.revision).description)
        _write(gauges_to, gauges_toml({gauge.gauge: spec_of(gauge) for gauge in reader.gauges(newest.id)}))
        _write(limits_to, newest.limits)


def _write(path: Path | None, text: str) -> None:
    if path is None:
        return
    try:
        path.write_text(text, encoding="utf-8")
    except OSError as error:
        raise InputFileError(
            f"{path}: cannot be written ({error.strerror}); give a file in a writable folder"
        ) from error
