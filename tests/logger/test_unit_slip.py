"""A value in the wrong unit is asked about, and nothing else is."""

from collections.abc import Callable
from pathlib import Path

import pytest
from hypothesis import given
from hypothesis import strategies as st

from logger.cli import run
from logger.queries import suspects
from logger.store import KeptReading, ReadingRow
from logger.unit_slip import USUAL_MM, slip_words, usual_again_mm


@pytest.mark.parametrize(
    ("kind", "value_mm", "meant"),
    [
        pytest.param("tang_thickness", 0.0230, 0.5842, id="inches typed as mm"),
        pytest.param("tang_thickness", 14.7, 0.5787, id="mm typed as inches"),
        pytest.param("seated_height", 0.0433, 1.09982, id="a crown in inches"),
        pytest.param("tang_thickness", 0.58, None, id="usual"),
        pytest.param("tang_thickness", 3.0, None, id="odd in either unit"),
        pytest.param("fret_step", 0.001, None, id="a step may be anything small"),
        pytest.param("slot_position", 14.0, None, id="a position may be anything"),
        pytest.param(None, 0.02, None, id="no feature"),
    ],
)
def test_only_the_other_unit_explains(kind: str | None, value_mm: float, meant: float | None):
    found = usual_again_mm(kind, value_mm)

    assert found == (None if meant is None else pytest.approx(meant, rel=1e-3))


@given(st.sampled_from(sorted(USUAL_MM)), st.floats(0.001, 0.999))
def test_a_usual_value_in_the_other_unit_is_always_seen(kind: str, share: float):
    low, high = USUAL_MM[kind]
    value = low + share * (high - low)

    assert usual_again_mm(kind, value) is None
    for slipped in (value / 25.4, value * 25.4):
        found = usual_again_mm(kind, slipped)
        assert found is not None
        assert low <= found <= high


def test_the_bench_asks_at_the_first_reading_and_only_once():
    row = ReadingRow(session="s", gauge="caliper", sequence=1, kind="tang_thickness", fret=None, place=None,
                     value_nm=23_000, unit="mm", raw=b"", status="", taken_at_ns=0, monotonic_ns=0)  # fmt: skip
    kept = [KeptReading(row=row, taken_back=None, original=row)]

    (one,) = suspects(kept, {})

    assert one.text("mm").startswith("Inch or mm? 0.023 mm is 25.4 times off what is usual here; 0.584 mm would be")
    assert "0.0230 in would be usual" in one.text("thou")
    assert one.text("mm").endswith("or keep it if it is right")
    assert suspects(kept, {}, {("caliper", 1)}) == []


def test_a_file_is_asked_about_too(
    write: Callable[[str, str], Path], instrument: Path, capsys: pytest.CaptureFixture[str]
):
    rows = write("r.csv", "kind,fret,place,value,unit,u\nseated_height,3,bass,0.043,mm,0.003\n")
    run(["evaluate", str(rows), "--instrument", str(instrument)], lambda *_: None)  # type: ignore[arg-type, return-value]

    assert "height of the seated fret: Inch or mm? 0.043 mm is 25.4 times off" in capsys.readouterr().err


def test_words_are_empty_where_there_is_no_question():
    assert slip_words("tang_thickness", 0.58) == ""


def test_among_good_repeats_the_unit_is_asked_about_and_not_a_slip_of_the_hand():
    rows = [ReadingRow(session="s", gauge="caliper", sequence=n, kind="tang_thickness", fret=None, place=None,
                       value_nm=value, unit="mm", raw=b"", status="", taken_at_ns=0, monotonic_ns=0)
            for n, value in enumerate((530_000, 531_000, 13_500_000), 1)]  # fmt: skip
    kept = [KeptReading(row=row, taken_back=None, original=row) for row in rows]

    (one,) = suspects(kept, {})

    assert (one.row.sequence, one.text("mm")[:11]) == (3, "Inch or mm?")
