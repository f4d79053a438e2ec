"""What a person writes in TOML is taken, or refused in one line that names file, key, rule and what came."""

import errno
import os
import re
from collections.abc import Callable
from pathlib import Path

import pytest

from dashboard.translation import TranslationError, read_translation
from drivers import NamedGaugesError, RecordingError, named_gauges, read_recording
from logger.cli import run
from logger.csv_table import csv_text
from logger.errors import GaugesError, InputFileError, InstrumentError, KeyFileError, LimitsError, ReadingsFileError
from logger.evaluation.conformity import Process
from logger.gauge_file import gauges_toml, read_gauges
from logger.instrument import read_instrument
from logger.limits import CHECKS, default_limits, limits_toml, parse_limits, read_limits
from logger.sealing.keys import read_certificate
from logger.sealing.verify import read_file

Write = Callable[[str, str], Path]
BASE = 'name = "n"\nkind = "bass"\nscale_mm = 864.0\nfrets = 24\n'


def test_instrument_is_read(instrument: Path):
    neck = read_instrument(instrument)

    assert (neck.name, neck.kind, neck.scale_mm, neck.frets, neck.join_fret) == (
        "Invented neck", "steel-string", 645.0, 20, 14)  # fmt: skip
    assert (neck.nut_radius_mm, neck.join_radius_mm, neck.wire["name"]) == (400.0, 400.0, "medium")
    assert neck.positions_mm[12] == pytest.approx(322.5)


def test_scale_in_inches_is_exact(write: Write):
    neck = read_instrument(write("i.toml", 'name = "n"\nscale_in = 25.5\nfrets = 22\n'))

    assert neck.scale_mm == 647.7


@pytest.mark.parametrize(
    ("text", "message"),
    [
        pytest.param("", "frets is missing; it must be a whole number from 1 to 48", id="empty"),
        pytest.param(
            BASE + "fretts = 3\n", "unknown key 'fretts'; known are board, cauls_mm, fixture, frets", id="unknown key"
        ),
        pytest.param(BASE.replace("24", '"24"'), "frets must be a whole number from 1 to 48, got '24'", id="text"),
        pytest.param(BASE.replace("24", "24.0"), "frets must be a whole number from 1 to 48, got 24.0", id="decimal"),
        pytest.param(BASE.replace("24", "true"), "frets must be a whole number from 1 to 48, got True", id="bool"),
        pytest.param(BASE.replace("24", "0"), "frets must be a whole number from 1 to 48, got 0", id="no frets"),
        pytest.param(BASE.replace("864.0", "nan"), "scale_mm must be a number, got nan", id="nan"),
        pytest.param(
            BASE.replace("864.0", "25.5"), "scale_mm must be at least 150 and at most 1500, got 25.5", id="inches as mm"
        ),
        pytest.param(BASE.replace("scale_mm = 864.0\n", ""), "give the scale length once", id="no scale"),
        pytest.param(BASE + "scale_in = 34.0\n", "give the scale length once", id="two scales"),
        pytest.param(BASE + "join_fret = 30\n", "join_fret must be a whole number from 1 to 24, got 30", id="join"),
        pytest.param(BASE + "radius_mm = -1\n", "radius_mm must be above 0, got -1", id="radius"),
        pytest.param(BASE + "radius_mm = 400\nnut_radius_mm = 300\n", "radius_mm is a cylinder", id="two radii"),
        pytest.param(BASE.replace('"n"', '" "'), "name must be a text in quotes, got ' '", id="blank name"),
        pytest.param(BASE.replace('name = "n"\n', ""), "name is missing", id="no name"),
        pytest.param(BASE + "wire = 3\n", "[wire] must be a table, got 3", id="wire no table"),
        pytest.param(BASE + "[wire]\nlot = [1]\n", "[wire]: lot must be a text or a number, got [1]", id="wire list"),
        pytest.param("name = ", "not TOML", id="broken TOML"),
        pytest.param(f"frets = {'9' * 5000}", "not TOML that can be read: Exceeds the limit", id="too many digits"),
        pytest.param("a = " + "[" * 5000, "not TOML that can be read", id="too deep"),
        pytest.param(BASE.replace("24", "9" * 400), "48, got a whole number of too many digits", id="huge"),
        pytest.param(BASE.replace("864.0", "9" * 400), "scale_mm must be a number, got a whole number", id="huge mm"),
        pytest.param(
            BASE.replace('"bass"', "[" + "1, " * 99 + "1]"),
            f"kind must be a text in quotes, got [{'1, ' * 19}1,...",
            id="long value is cut",
        ),
        pytest.param(BASE + "[target]\nrelief_to = 30\n", "[target]: relief_to must be a whole number", id="relief_to"),
        pytest.param(BASE + "[target]\nrelief_from = 9\nrelief_to = 9\n", "relief_from 9 must be below", id="relief"),
        pytest.param(BASE + "[target]\nrelief = 0.2\n", "[target]: unknown key 'relief'", id="target key"),
        pytest.param(BASE + '[plan]\nobjective = "least"\n', "objective must be total or largest", id="objective"),
        pytest.param(BASE + "[plan]\ntolerance_mm = -1\n", "tolerance_mm must be at least 0", id="tolerance"),
        pytest.param(BASE + "[plan]\nreseats = 99\n", "reseats must be a whole number", id="reseats"),
        pytest.param(BASE + "[[string]]\nname = 'e'\n", "[[string]] 1: give the height once", id="string height"),
        pytest.param(BASE + "[string]\nname = 'e'\n", "strings are tables that begin with [[string]]", id="string"),
        pytest.param(BASE + "[[string]]\naction_12_mm = 2\nplace = 'middle'\n", "place must be bass", id="path"),
        pytest.param(BASE + "[wire]\nbarb_pitch_mm = 2\nbarb_length_mm = 3\n", "barb_length_mm must not be", id="barb"),
        pytest.param(BASE + "[wire]\npiece_mm = 'long'\n", "piece_mm must be a number", id="piece"),
        pytest.param(BASE + "[neck]\nthickness = 20\n", "[neck]: unknown key 'thickness'", id="neck key"),
        pytest.param(BASE + "[sheet]\nsweep = ['left']\n", "sweep must be a list of bass", id="sheet path"),
        pytest.param(BASE + "[sheet]\ngaps = [1]\n", "gaps must be a list of frets between", id="gap at the end"),
        pytest.param(BASE + "[sheet]\nlong_steps = 1\n", "long_steps must be true or false", id="long steps"),
        pytest.param(BASE + "[sheet]\npieces = 'all'\n", "pieces must be true or false", id="pieces"),
        pytest.param("cauls_mm = 300\n" + BASE, "cauls_mm must be a list of radii above 0", id="cauls"),
        pytest.param(BASE + "scale_bass_mm = 660\n", "give the scale length once", id="a fan too"),
        pytest.param('name = "n"\nfrets = 9\nscale_bass_mm = 660\n', "scale_treble_mm is missing", id="half a fan"),
        pytest.param(BASE + "square_fret = 7\n", "square_fret belongs to fanned frets", id="square without a fan"),
        pytest.param(
            'name = "n"\nfrets = 9\nscale_bass_mm = 660\nscale_treble_mm = 630\nsquare_fret = 9.5\n',
            "square_fret must be at least 0 and at most 9, got 9.5",
            id="square beyond the last",
        ),
    ],
)
def test_instrument_is_refused_in_one_line(write: Write, text: str, message: str):
    path = write("neck.toml", text)

    with pytest.raises(InstrumentError, match=re.escape(message)) as caught:
        read_instrument(path)

    assert "neck.toml" in str(caught.value)
    assert "\n" not in str(caught.value)


def test_names_are_limited(write: Write):
    with pytest.raises(InstrumentError, match=r"i\.toml: name must have at most 120 characters, got 121; shorten it"):
        read_instrument(write("i.toml", BASE.replace('"n"', f'"{"n" * 121}"')))
    with pytest.raises(GaugesError, match=r"g\.toml: a gauge's name must be one line of plain text, got 'a.x1bb'"):
        read_gauges(write("g.toml", '[gauge."a\\u001Bb"]\nkind = "caliper"\n'))
    with pytest.raises(GaugesError, match="kind must have at most 120 characters"):
        read_gauges(write("g.toml", f'[gauge.a]\nkind = "{"n" * 121}"\n'))


def test_missing_and_unreadable_files_are_named(tmp_path: Path):
    with pytest.raises(InstrumentError, match=r"none\.toml: no such file"):
        read_instrument(tmp_path / "none.toml")
    with pytest.raises(InstrumentError, match=r": is a folder, not a file; give the path of a TOML file$"):
        read_instrument(tmp_path)
    (tmp_path / "latin.toml").write_bytes(b'name = "\xe9"')
    with pytest.raises(InstrumentError, match=r"latin\.toml: is not UTF-8 text; save it as UTF-8"):
        read_instrument(tmp_path / "latin.toml")


@pytest.mark.skipif(not hasattr(os, "mkfifo"), reason="no pipes with a name")
def test_what_has_no_end_is_refused_unread(tmp_path: Path):
    pipe, large = tmp_path / "pipe.toml", tmp_path / "large.toml"
    os.mkfifo(pipe)
    with large.open("wb") as file:
        file.truncate(1_500_000)
    for path in (Path("/dev/zero"), pipe):
        with pytest.raises(InstrumentError, match=f"{path}: is a folder, a pipe or a device, not a file; give the"):
            read_instrument(path)
        with pytest.raises(ReadingsFileError, match="is a folder, a pipe or a device"):
            csv_text(path, what="readings")
        with pytest.raises(InputFileError, match="is a folder, a pipe or a device"):
            read_file(path)
        with pytest.raises(KeyFileError, match="is a folder, a pipe or a device"):
            read_certificate(path, bench=None)
        with pytest.raises(RecordingError, match="a pipe or a device, not a file"):
            read_recording(path)
        with pytest.raises(NamedGaugesError, match="a pipe or a device, not a file"):
            named_gauges(path)
        with pytest.raises(TranslationError, match="is a folder, a pipe or a device"):
            read_translation(path, {})
    with pytest.raises(InstrumentError, match=r"must have at most 1\.0 MB, got 1\.5 MB; make it smaller"):
        read_instrument(large)
    with pytest.raises(NamedGaugesError, match="larger than 1 MB"):
        named_gauges(large)
    link = tmp_path / "link.toml"
    link.symlink_to(tmp_path / "i.toml")
    (tmp_path / "i.toml").write_text(BASE)
    assert read_instrument(link).frets == 24


def test_a_file_that_may_not_be_read_is_named(tmp_path: Path, monkeypatch: pytest.MonkeyPatch):
    def refused(*_: object, **__: object) -> str:
        raise PermissionError(errno.EACCES, "Permission denied")

    monkeypatch.setattr(os, "open", refused)
    with pytest.raises(
        InstrumentError, match=r"n\.toml: cannot be read \(Permission denied\); give the path of a TOML"
    ):
        read_instrument(tmp_path / "n.toml")


@pytest.mark.parametrize("option", ["--instrument", "--gauges", "--limits", "readings"])
def test_a_folder_for_any_input_file_is_said(
    tmp_path: Path, write: Write, instrument: Path, option: str, capsys: pytest.CaptureFixture[str]
):
    readings = write("r.csv", "kind,fret,place,value,unit\nslot_depth,5,bass,1.7,mm\n")
    given = {"readings": readings, "--instrument": instrument} | {option: tmp_path}
    command = ["evaluate", str(given.pop("readings")), *(str(one) for pair in given.items() for one in pair)]

    assert run(command, lambda *_: 0) == 2  # type: ignore[arg-type, return-value]
    said = capsys.readouterr().err
    assert said.startswith(f"fretledger: {tmp_path}: is a folder, not a file; give the path of a ")
    assert said.count("\n") == 1


@pytest.mark.parametrize(
    ("text", "message"),
    [
        (
            "nut_width_mm = 43\nradius_mm = 10\n",
            "radius_mm must be at least 21.5, half of nut_width_mm, got 10; give it",
        ),
        ("nut_width_mm = 43\njoin_width_mm = 56\nradius_mm = 27.99\n", "at least 28, half of join_width_mm, got 27.99"),
        ("join_width_mm = 56\nnut_radius_mm = 12\njoin_radius_mm = 400\n", "nut_radius_mm must be at least 28"),
        ("join_width_mm = 56\nnut_radius_mm = 400\njoin_radius_mm = 16\n", "join_radius_mm must be at least 28"),
    ],
)
def test_a_radius_below_half_the_board_is_refused(write: Write, text: str, message: str):
    with pytest.raises(InstrumentError, match=re.escape(message)):
        read_instrument(write("n.toml", BASE + text))


def test_a_radius_of_half_the_board_is_taken(write: Write):
    assert read_instrument(write("n.toml", BASE + "join_width_mm = 56\nradius_mm = 28\n")).join_radius_mm == 28
    assert read_instrument(write("n.toml", BASE + "radius_mm = 10\n")).nut_radius_mm == 10


@pytest.mark.parametrize(
    ("kind", "step"),
    [
        ("steel-string", 0.05),
        ("bass", 0.05),
        ("electric", 0.03),
        ("classical", 0.06),
        ("zither", 0.05),
        ("../../x", 0.05),
    ],
)
def test_default_limits_by_kind(kind: str, step: float):
    limits = default_limits(kind)

    assert tuple(limits) == CHECKS
    assert (limits["high_fret"].upper_mm, limits["low_fret"].lower_mm) == (step, -step)


def test_a_limits_file_overrides_check_by_check(write: Write):
    limits = read_limits(write("l.toml", "[proud_end]\nupper_mm = 0.04\np_pass = 0.9\n"), kind="classical")

    assert (limits["proud_end"].upper_mm, limits["proud_end"].p_pass, limits["proud_end"].p_fail) == (0.04, 0.9, 0.05)
    assert limits["high_fret"].upper_mm == 0.06


def test_limits_are_parsed_from_text_too():
    limits = parse_limits("[low_fret]\nlower_mm = -0.2\n", where="kept", kind="bass")

    assert limits["low_fret"].lower_mm == -0.2
    assert limits["high_fret"] == default_limits("bass")["high_fret"]
    with pytest.raises(LimitsError, match="kept: not TOML"):
        parse_limits("low = ", where="kept", kind="bass")


def test_a_process_survives_writing_and_reading():
    text = "[high_fret]\nupper_mm = 0.05\nprocess_mean_mm = 0.01\nprocess_sd_mm = 0.02\n"
    limits = parse_limits(text, where="t", kind="bass")

    assert limits["high_fret"].process == Process(mean_mm=0.01, sd_mm=0.02)
    assert parse_limits(limits_toml(limits), where="t", kind="bass") == limits


def test_limits_survive_writing_and_reading(write: Write):
    limits = default_limits("electric")

    assert dict(read_limits(write("l.toml", limits_toml(limits)), kind="bass")) == dict(limits)


@pytest.mark.parametrize(
    ("text", "message"),
    [
        pytest.param("[proud]\nupper_mm = 1\n", "unknown key 'proud'; known are barb_bite", id="unknown check"),
        pytest.param("[proud_end]\nmax = 1\n", "[proud_end]: unknown key 'max'", id="unknown key"),
        pytest.param("[proud_end]\np_pass = 0.9\n", "give lower_mm, upper_mm or both", id="no limit"),
        pytest.param("[proud_end]\nupper_mm = 'a'\n", "upper_mm must be a number, got 'a'", id="text"),
        pytest.param(
            "[barb_bite]\nlower_mm = 1\nupper_mm = 1\n", "lower_mm 1.0 must be below upper_mm 1.0", id="order"
        ),
        pytest.param("[tilted_fret]\nlower_mm = 0\n", "tilted_fret is a size; give upper_mm alone", id="size"),
        pytest.param("[proud_end]\nupper_mm = 1\np_pass = 1.5\n", "p_pass must be above 0 and at most 1", id="p"),
        pytest.param(
            "[proud_end]\nupper_mm = 1\np_fail = 0.99\n", "p_fail 0.99 must be below p_pass 0.95", id="p order"
        ),
    ],
)
def test_limits_are_refused_in_one_line(write: Write, text: str, message: str):
    with pytest.raises(LimitsError, match=re.escape(message)):
        read_limits(write("l.toml", text), kind="bass")


def test_gauges_survive_writing_and_reading(write: Write, gauges: Path):
    known = read_gauges(gauges)

    assert known["caliper"].resolution_mm == 0.01
    assert read_gauges(write("again.toml", gauges_toml(known))) == known


@pytest.mark.parametrize(
    ("text", "message"),
    [
        pytest.param("[gauges.a]\nkind = 'x'\n", "unknown key 'gauges'; known are gauge", id="wrong table"),
        pytest.param("[gauge.a]\nresolution_mm = 0.01\n", "[a]: kind is missing", id="no kind"),
        pytest.param("[gauge.a]\nkind = 'x'\nu = 1\n", "unknown key 'u'", id="unknown key"),
        pytest.param("[gauge.a]\nkind = 'x'\nu_mm = -0.1\n", "u_mm must be at least 0", id="negative"),
        pytest.param("gauge = 3\n", "[gauge] must be a table, got 3", id="no table"),
    ],
)
def test_gauges_are_refused_in_one_line(write: Write, text: str, message: str):
    with pytest.raises(GaugesError, match=re.escape(message)):
        read_gauges(write("g.toml", text))
