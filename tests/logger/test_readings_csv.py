"""A readings file is taken to the nanometre, or refused in one line that names line, column, rule and what came."""

import re
from collections.abc import Callable
from pathlib import Path

import pytest
from hypothesis import HealthCheck, example, given, settings
from hypothesis import strategies as st

from logger.errors import ReadingsFileError
from logger.gauge_file import GaugeSpec, read_gauges
from logger.readings_csv import read_readings

Write = Callable[[str, str], Path]
HEAD = "kind,fret,place,value,unit\n"


def _read(path: Path, gauges: dict[str, GaugeSpec] | None = None):
    rows = read_readings(path, frets=20, gauges=gauges or {})
    return [row.observation for row in rows if not row.taken_back]


def test_rows_become_observations(write: Write, gauges: Path):
    text = ("kind,fret,place,value,unit,feet,low,high,gauge,round,span_mm,resolution,u\n"
            "tang_thickness,,,0.02,in,,,,caliper,a,,,\n"
            "slot_width,5,bass,,thou,,21,23,leaves,,,,\n"
            "fret_step,7,,-0.031,mm,6-8,,,rocker,,,0.002,0.004\n"
            "fret_step,7,bass,+.5,mm,5-10,,,rocker,2,,,\n"
            "board_rise,3,,0.9,mm,,,,,,40.5,,\n")  # fmt: skip

    tang, slot, step, long_step, rise = _read(write("r.csv", text), dict(read_gauges(gauges)))

    assert (tang.value_mm, tang.u_mm, tang.resolution_mm, tang.zero_u_mm) == (0.508, 0.004, 0.01, 0.003)
    assert (slot.low_mm, slot.high_mm, slot.key.place) == (0.5334, 0.5842, "bass")
    assert (step.key.feet, step.resolution_mm, step.u_mm) == ((6, 8), 0.002, 0.004)
    assert (long_step.key.feet, long_step.value_mm) == ((5, 10), 0.5)
    assert rise.span_mm == 40.5


@pytest.mark.parametrize("kind", ["fret_step", "board_step"])
def test_feet_default_to_the_neighbours(write: Write, kind: str):
    (step,) = _read(write("r.csv", HEAD + f"{kind},7,centre,0.01,mm\n"))

    assert step.key.feet == (6, 8)


@pytest.mark.parametrize("kind", ["straightedge_gap", "board_gap"])
def test_blocks_have_no_default_place(write: Write, kind: str):
    (gap,) = _read(write("r.csv", HEAD + f"{kind},7,centre,0.01,mm\n"))

    assert gap.key.feet is None


def test_every_setting_of_the_feet_has_a_zero_of_its_own_unless_the_file_says_otherwise(write: Write):
    head = "kind,fret,place,value,unit,feet,round\n"
    rows = "fret_step,7,,0.01,mm,{feet},{round}\n"
    own = _read(write("r.csv", head + rows.format(feet="6-8", round="") + rows.format(feet="5-9", round="")))
    shared = _read(write("s.csv", head + rows.format(feet="6-8", round="a") + rows.format(feet="5-9", round="a")))

    assert own[0].round != own[1].round
    assert shared[0].round == shared[1].round


def test_twelve_digits_on_both_sides_are_taken(write: Write):
    assert (
        _read(write("r.csv", HEAD + "slot_depth,5,bass,000000000001.012999999999,mm\n"))[0].value_mm == 1.012999999999
    )


def test_readings_taken_back_are_not_judged(write: Write):
    text = "kind,fret,place,value,unit,taken_back\nslot_depth,5,bass,1.7,mm,slipped\nslot_depth,5,bass,1.8,mm,\n"

    assert [one.value_mm for one in _read(write("r.csv", text))] == [1.8]


@pytest.mark.parametrize("words", ["", "no", "No", "false", "0"])
def test_a_column_that_says_not_taken_back_is_judged(write: Write, words: str):
    text = f"kind,fret,place,value,unit,taken_back\nslot_depth,5,bass,1.7,mm,{words}\n"

    assert len(_read(write("r.csv", text))) == 1


def test_a_reading_that_the_bench_kept_without_a_feature_is_read_and_not_judged(write: Write):
    text = "kind,fret,place,value,unit,sequence\n,,,1.7,mm,4\nslot_depth,5,bass,1.8,mm,5\n"

    unassigned, depth = _read(write("r.csv", text))

    assert unassigned is None
    assert depth.value_mm == 1.8


def test_the_wire_has_no_place(write: Write):
    text = HEAD + "tang_thickness,,bass,0.5,mm\ntang_thickness,,treble,0.51,mm\n"

    assert {one.key.place for one in _read(write("r.csv", text))} == {None}


@pytest.mark.parametrize("kind", ["seated_height", "fret_step", "straightedge_gap", "board_rise"])
def test_what_has_a_sign_may_be_negative(write: Write, kind: str):
    assert _read(write("r.csv", HEAD + f"{kind},7,centre,-0.01,mm\n"))[0].value_mm == -0.01


def test_byte_order_mark_blank_lines_and_spaces_are_harmless(write: Write):
    assert len(_read(write("r.csv", "\ufeff" + HEAD + "\n slot_depth , 5 , bass , 1.7 , mm \n\n"))) == 1


@pytest.mark.parametrize(
    ("text", "message"),
    [
        pytest.param("", "the file is empty", id="empty"),
        pytest.param(
            "kind;fret;place;value;unit\n",
            "column 'kind' is missing; the header must have kind,fret,place,value,unit"
            "; separate the columns with commas",
            id="semicolons",
        ),
        pytest.param(HEAD + ",5,bass,1,mm\n", "unknown kind ''", id="no kind and not from a bench"),
        pytest.param(HEAD + "tang_thickness,,left,0.5,mm\n", "place must be bass, centre or treble", id="wire place"),
        pytest.param(HEAD + "slot_depth,5,bass,-1.7,mm\n", "slot_depth is a size; value must be above 0", id="sign"),
        pytest.param(HEAD + "slot_depth,5,bass,0,mm\n", "slot_depth is a size; value must be above 0", id="zero"),
        pytest.param(
            HEAD[:-1] + ",low,high\nslot_width,5,bass,,mm,-0.1,0.2\n",
            "a leaf has no sign; low must not be negative",
            id="negative leaf",
        ),
        pytest.param("\n\n", "the file is empty", id="blank"),
        pytest.param(HEAD, "no readings below the header", id="header only"),
        pytest.param("kind,fret,place,value\n", "column 'unit' is missing", id="missing column"),
        pytest.param("kind,fret,place,value,unit,resoluton\n", "unknown column 'resoluton'", id="unknown column"),
        pytest.param("kind,kind,fret,place,value,unit\n", "column 'kind' stands twice", id="column twice"),
        pytest.param(HEAD + "slot,5,bass,1,mm\n", "line 2: unknown kind 'slot'; known are tang_thickness", id="kind"),
        pytest.param(HEAD + "slot_depth,5,bass,1,cm\n", "line 2: unit must be mm, in or thou, got 'cm'", id="unit"),
        pytest.param(HEAD + "slot_depth,5,left,1,mm\n", "place must be bass, centre or treble, got 'left'", id="place"),
        pytest.param(HEAD + "seated_height,5,,1,mm\n", "seated_height needs a place", id="no place"),
        pytest.param(
            HEAD + "slot_depth,21,bass,1,mm\n", "fret must be a whole number from 1 to 20, got '21'", id="fret"
        ),
        pytest.param(HEAD + "slot_depth,0,bass,1,mm\n", "fret must be a whole number from 1 to 20, got '0'", id="nut"),
        pytest.param(HEAD + "slot_depth,5.0,bass,1,mm\n", "fret must be a whole number", id="decimal fret"),
        pytest.param(HEAD + "slot_depth,²,bass,1,mm\n", "fret must be a whole number", id="odd digit"),
        pytest.param(HEAD + "slot_depth,,bass,1,mm\n", "slot_depth needs a fret from 1 to 20", id="no fret"),
        pytest.param(HEAD + "fret_step,20,,0.1,mm\n", "feet 19-21 must stand on both sides of fret 20", id="last step"),
        *(
            pytest.param(HEAD + f'slot_depth,5,bass,"{value}",mm\n', "value must be a plain decimal number", id=value)
            for value in ("nan", "inf", "-inf", "1_0", "1e3", "0x1", "1,5", "one", "--1", "１.0", "1.2.3", ".")
        ),
        *(
            pytest.param(
                HEAD + f"slot_depth,5,bass,{value},mm\n",
                f"value must have at most 12 digits before the decimal point and 12 after it, got '{value}'; round it",
                id=value,
            )
            for value in ("1" * 13, "0.013000000000000001", "-.0130000000000", "1" * 30)
        ),
        pytest.param(HEAD + "slot_depth,5,bass,,mm\n", "value is missing; give a value, or low and high", id="none"),
        pytest.param(HEAD + "slot_depth,5,bass,99999,mm\n", "value must be within 10000 mm, got '99999'", id="too far"),
        pytest.param(HEAD + "slot_depth,5,bass,1\n", "line 2: 4 cells under 5 columns", id="short row"),
        pytest.param(HEAD + 'slot_depth,5,"bass,1,mm\n', "not CSV", id="quote never closed"),
        pytest.param(HEAD.strip() + ",low,high\nslot_width,5,bass,,mm,0.5,\n", "needs low and high", id="half bracket"),
        pytest.param(HEAD.strip() + ",low,high\nslot_width,5,bass,,mm,0.6,0.5\n", "low must be below high", id="order"),
        pytest.param(HEAD.strip() + ",low,high\nslot_width,5,bass,1,mm,0.5,0.6\n", "not both", id="both"),
        pytest.param(HEAD.strip() + ",feet\nfret_step,5,,1,mm,5-7\n", "must stand on both sides of fret 5", id="feet"),
        *(
            pytest.param(
                HEAD.strip() + f",feet\n{kind},{fret},centre,0.01,mm,1-2\n",
                f"a gap over a block tells nothing, and feet 1-2 put a block on fret {fret}; give as feet the two",
                id=f"{kind} over block {fret}",
            )
            for kind in ("straightedge_gap", "board_gap")
            for fret in (1, 2)
        ),
        pytest.param(HEAD.strip() + ",feet\nfret_step,5,,1,mm,4to6\n", "feet must be two frets like 6-8", id="no feet"),
        pytest.param(HEAD.strip() + ",feet\nslot_width,5,bass,1,mm,4-6\n", "feet belong to fret_step", id="whose feet"),
        pytest.param(HEAD.strip() + ",u\nslot_depth,5,bass,1,mm,-1\n", "u must not be negative", id="negative u"),
    ],
)
def test_bad_rows_are_refused_in_one_line(write: Write, text: str, message: str):
    with pytest.raises(ReadingsFileError, match=re.escape(message)) as caught:
        _read(write("bad.csv", text))

    assert "bad.csv" in str(caught.value)
    assert "\n" not in str(caught.value)


def test_files_that_are_not_text_are_refused(tmp_path: Path):
    (tmp_path / "b.csv").write_bytes(b"\xff\xfe\x00kind")
    with pytest.raises(ReadingsFileError, match="is not UTF-8 text; save it as UTF-8 and give a CSV file of readings"):
        _read(tmp_path / "b.csv")
    with pytest.raises(ReadingsFileError, match="no such file"):
        _read(tmp_path / "none.csv")
    with pytest.raises(ReadingsFileError, match="is a folder, not a file; give the path of a CSV file of readings"):
        _read(tmp_path)


@settings(max_examples=150, deadline=None, suppress_health_check=[HealthCheck.function_scoped_fixture])
@given(text=st.text(max_size=200))
@example("kind,fret,place,value,unit\nslot_depth,5,bass,1,mm\x00\n")
@example("kind,fret,place,value,unit\r\rslot_depth")
def test_any_text_is_read_or_refused(tmp_path: Path, text: str):
    path = tmp_path / "any.csv"
    path.write_bytes((HEAD + text).encode("utf-8", "surrogatepass"))

    try:
        outcome = str(_read(path))
    except ReadingsFileError as error:
        outcome = str(error)

    assert "any.csv" in outcome or "Observation(" in outcome
