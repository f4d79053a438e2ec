"""The fixture's zero before and after its steps: taken off them, and flagged where it moved."""

import json
from collections.abc import Callable
from pathlib import Path

import pytest

from logger.cli import run
from logger.errors import InputFileError
from logger.evaluation.observation import FeatureKey, Observation, estimate_features
from logger.fixture_report import moved_flags, moved_zeros, with_zeros
from logger.instrument import parse_instrument
from logger.kept import key_of
from logger.sheet import Sheet, round_of, standard_items, suits
from logger.store import ReadingRow

HEAD = "kind,fret,place,value,unit,feet,gauge,round\n"
Write = Callable[[str, str], Path]


def _reading(kind: str, value_mm: float, place: str, fret: int | None = None, round_: str = "s/A") -> Observation:
    feet = None if fret is None else (fret - 1, fret + 1)
    own = round_ if kind == "fixture_zero" else ""
    return Observation(
        key=FeatureKey(kind=kind, fret=fret, place=place, feet=feet, round=own), value_mm=value_mm, gauge="rocker",
        round=round_, u_mm=0.003, resolution_mm=0.001, zero_u_mm=0.002,
    )  # fmt: skip


def _zero(value_mm: float, when: str, round_: str = "s/A") -> Observation:
    return _reading("fixture_zero", value_mm, f"setting A, {when}", round_=round_)


def test_the_mean_zero_is_taken_off_the_steps_of_its_round_alone():
    steps = [_reading("fret_step", 0.05, "centre", 5), _reading("fret_step", 0.05, "centre", 15, "s/B")]
    found = estimate_features(with_zeros([*steps, _zero(0.010, "before"), _zero(0.016, "after")]))
    own, other = found[steps[0].key], found[steps[1].key]

    assert own.value_mm == pytest.approx(0.05 - 0.013)
    assert other.value_mm == pytest.approx(0.05)
    assert own.u_mm > other.u_mm
    left = next(cause.u_mm for cause, _ in own.terms if cause.name.startswith("drift:"))
    assert left == pytest.approx(0.003 / 3**0.5)  # a rectangle of half of what the zero moved


def test_without_zeros_nothing_changes():
    steps = [_reading("fret_step", 0.05, "centre", 5)]

    assert with_zeros(steps) == steps


@pytest.mark.parametrize(
    ("after_mm", "moved"),
    # two readings of u 0.003 and a digit of 0.001 differ by 2.576 * 0.00427 = 0.0110 in 1 case of 100
    [(0.010, False), (-0.010, False), (0.012, True), (-0.012, True)],
)
def test_a_zero_moved_when_its_uncertainty_does_not_explain_it(after_mm: float, moved: bool):
    found = moved_zeros(estimate_features([_zero(0.0, "before"), _zero(after_mm, "after")]))

    assert [one.setting for one in found] == ["setting A"] * moved
    if moved:
        sign = "" if after_mm > 0 else "\N{MINUS SIGN}"
        text = f"zero moved by {sign}0.012 ± 0.008 mm during setting A; take its steps again"
        assert moved_flags(found)[0]["text"] == text


@pytest.mark.parametrize(
    "zeros",
    [
        pytest.param([_zero(0.0, "before")], id="none after"),
        pytest.param([_zero(0.5, "after")], id="none before"),
        pytest.param([_zero(0.0, "before"), _zero(0.5, "after", "t/A")], id="another sitting"),
    ],
)
def test_only_two_zeros_of_one_round_are_compared(zeros: list[Observation]):
    assert moved_zeros(estimate_features(zeros)) == []


def _rows(after_mm: float, offset_mm: float) -> str:
    rows = [f"fret_step,{fret},centre,{offset_mm:.4f},mm,{fret - 1}-{fret + 1},rocker,A" for fret in range(2, 20)]
    rows += [f'fixture_zero,,"setting A, before",{offset_mm},mm,,rocker,A',
             f'fixture_zero,,"setting A, after",{after_mm},mm,,rocker,A']  # fmt: skip
    return HEAD + "\n".join(rows) + "\n"


def test_a_file_with_a_moved_zero_fails_and_says_so(
    write: Write, instrument: Path, gauges: Path, capsys: pytest.CaptureFixture[str]
):
    files = ["--instrument", str(instrument), "--gauges", str(gauges)]
    assert run(["evaluate", str(write("r.csv", _rows(0.040, 0.0))), *files], lambda *_: 0) == 1  # type: ignore[arg-type, return-value]

    assert "!! zero moved by 0.040 ± 0.008 mm during setting A; take its steps again" in capsys.readouterr().out


def test_an_indicator_that_was_not_at_zero_makes_no_bow(
    write: Write, instrument: Path, gauges: Path, capsys: pytest.CaptureFixture[str]
):
    files = ["--instrument", str(instrument), "--gauges", str(gauges), "--json"]
    assert run(["evaluate", str(write("r.csv", _rows(0.05, 0.05))), *files], lambda *_: 0) == 0  # type: ignore[arg-type, return-value]
    found = json.loads(capsys.readouterr().out)

    assert found["zeros_moved"] == []
    assert max(abs(one["height_mm"]) for one in found["profile"]) < 1e-6


@pytest.mark.parametrize(
    ("row", "message"),
    [
        ("fixture_zero,,A,0,mm,,rocker,A", "place of a fixture_zero must be like 'setting A, before'"),
        ("fixture_zero,,,0,mm,,rocker,A", "place of a fixture_zero must be like"),
        ('fixture_zero,3,"setting A, after",0,mm,,rocker,A', "belongs to no fret"),
        ('fixture_zero,,"setting A, after",0,mm,,rocker,', "needs the round of its steps"),
    ],
)
def test_a_zero_that_belongs_to_no_setting_is_refused(
    write: Write, instrument: Path, row: str, message: str, capsys: pytest.CaptureFixture[str]
):
    readings = str(write("r.csv", f"{HEAD}{row}\n"))

    assert run(["evaluate", readings, "--instrument", str(instrument)], lambda *_: 0) == 2  # type: ignore[arg-type, return-value]
    assert message in capsys.readouterr().err


def test_a_kept_zero_knows_its_round():
    row = ReadingRow(
        session="s", gauge="rocker", sequence=1, kind="fixture_zero", place="setting B, after",
        round="sweep, setting B", value_nm=0, unit="mm", raw=b"", status="", taken_at_ns=0, monotonic_ns=0,
    )  # fmt: skip

    assert key_of(row) == FeatureKey(kind="fixture_zero", place="setting B, after", round="s/sweep, setting B/rocker")


def test_the_sheet_says_how_far_apart_the_feet_are():
    text = 'name = "n"\nkind = "electric"\nscale_mm = 645\nfrets = 20\n[fixture]\nfoot_settings_mm = [54.4, 26.2]\n'
    neck = parse_instrument(text, where="n.toml")
    feet = {item.setting: item.feet_mm for item in standard_items(neck) if item.setting}

    assert feet == {"A": 54.4, "B": 26.2}
    assert {item.feet_mm for item in standard_items(neck) if not item.setting} == {None}


STAGED = 'name = "n"\nkind = "electric"\nscale_mm = 645\nfrets = 20\n[sheet]\nzeros = ["wire", "seating"]\n'


def test_the_sheet_asks_for_the_zero_of_a_stage_first_and_last():
    items = standard_items(parse_instrument(STAGED, where="n.toml"))
    zeros = [(index, item.feature.place) for index, item in enumerate(items) if item.feature.kind == "gauge_zero"]
    stages = [item.stage for item in items]

    for stage in ("wire", "seating"):
        own = [index for index, name in enumerate(stages) if name == stage]
        assert (own[0], f"{stage}, before") in zeros
        assert (own[-1], f"{stage}, after") in zeros
    assert len(zeros) == 4


def test_a_stage_that_is_none_is_refused():
    with pytest.raises(InputFileError, match=r"zeros must be a list of wire, board, slots, seating, sweep, got"):
        parse_instrument(STAGED.replace("seating", "polish"), where="n.toml")


def test_the_zero_of_a_stage_is_taken_off_all_that_its_gauge_read_in_it(
    write: Write, instrument: Path, gauges: Path, capsys: pytest.CaptureFixture[str]
):
    head = "kind,fret,place,value,unit,low,high,gauge,round\n"
    rows = (
        'gauge_zero,,"seating, before",0.010,mm,,,depth,seating\n'
        "seated_height,3,bass,1.110,mm,,,depth,seating\n"
        "seated_height,3,centre,,mm,1.09,1.11,leaves,seating\n"
        'gauge_zero,,"seating, after",0.012,mm,,,depth,seating\n'
    )
    files = [str(write("r.csv", head + rows)), "--instrument", str(instrument), "--gauges", str(gauges)]
    run(["evaluate", *files, "--json"], lambda *_: None)  # type: ignore[arg-type, return-value]
    found = json.loads(capsys.readouterr().out)
    (ended,) = [one for one in found["verdicts"] if one["check"] == "proud_end"]

    assert ended["value_mm"] == pytest.approx(1.110 - 0.011 - 1.10, abs=1e-6)
    assert found["zeros_moved"] == []


def test_a_zero_that_moved_during_a_stage_is_flagged(
    write: Write, instrument: Path, gauges: Path, capsys: pytest.CaptureFixture[str]
):
    head = "kind,fret,place,value,unit,gauge,round\n"
    rows = 'gauge_zero,,"wire, before",0,mm,caliper,wire\ngauge_zero,,"wire, after",0.05,mm,caliper,wire\n'
    files = [str(write("r.csv", head + rows)), "--instrument", str(instrument), "--gauges", str(gauges)]
    status = run(["evaluate", *files], lambda *_: None)  # type: ignore[arg-type, return-value]
    said = capsys.readouterr().out

    assert status == 1
    assert "!! zero of the gauge moved by 0.050 ±" in said
    assert "during the stage wire; take its readings again" in said


def test_each_of_two_rockers_is_asked_for_its_zero_in_every_setting():
    text = 'name = "n"\nkind = "electric"\nscale_mm = 645\nfrets = 20\n[fixture]\nfoot_settings_mm = [54.4, 26.2]\n'
    sheet = Sheet(standard_items(parse_instrument(text, where="n.toml")))
    for gauge, kind in (("green", "rocker"), ("slide", "caliper"), ("blue", "rocker")):
        sheet.know(gauge, kind)
    zeros = [item for item in sheet.items if item.feature.kind == "fixture_zero"]

    assert [item.feature.place for item in zeros if item.setting == "A"] == [
        f"setting A of {gauge}, {when}" for when in ("before", "after") for gauge in ("green", "blue")
    ]  # fmt: skip
    assert [item.gauge for item in zeros if item.setting == "B"] == ["green", "blue"] * 2
    assert zeros[0].feature.words() == "setting A, before: zero of the fixture, with green"
    assert suits(zeros[0], "rocker", 0, bracket=False, gauge="green")
    assert not suits(zeros[0], "rocker", 0, bracket=False, gauge="blue")
    assert {round_of(item) for item in zeros if item.setting == "A"} == {"sweep, setting A"}


def test_a_rocker_that_comes_when_a_setting_is_done_is_asked_only_in_the_next():
    text = 'name = "n"\nkind = "electric"\nscale_mm = 645\nfrets = 20\n[fixture]\nfoot_settings_mm = [54.4, 26.2]\n'
    sheet = Sheet([item for item in standard_items(parse_instrument(text, where="n.toml")) if item.setting])
    sheet.know("green", "rocker")
    while (item := sheet.next()) and item.setting == "A":
        sheet.fill(("green", 1))
    sheet.know("blue", "rocker")
    asked = {(item.setting, item.gauge) for item in sheet.items if item.open and item.gauge}

    assert asked == {("B", "green"), ("B", "blue")}


def test_of_two_rockers_in_one_setting_each_has_its_own_zero(
    write: Write, instrument: Path, gauges: Path, capsys: pytest.CaptureFixture[str]
):
    """One was zeroed 0.05 off and moved; what the other read is not touched by that."""
    both = gauges.read_text() + gauges.read_text().partition("[gauge.rocker]")[2].join(["[gauge.blue]", ""])
    rows = _rows(0.0, 0.0).replace("setting A, ", "setting A of rocker, ")
    rows += ('fixture_zero,,"setting A of blue, before",0.05,mm,,blue,A\n'
             'fixture_zero,,"setting A of blue, after",0.09,mm,,blue,A\n')  # fmt: skip
    files = ["--instrument", str(instrument), "--gauges", str(write("two.toml", both))]
    status = run(["evaluate", str(write("r.csv", rows)), *files], lambda *_: 0)  # type: ignore[arg-type, return-value]
    said = capsys.readouterr().out

    assert status == 1
    assert "!! zero of blue moved by 0.040 ±" in said
    assert "during setting A; take its steps again" in said
    assert said.count("moved by") == 1


@pytest.mark.parametrize("place", ["setting A, before", "polish, before", "wire"])
def test_a_gauges_zero_belongs_to_a_stage(
    write: Write, instrument: Path, capsys: pytest.CaptureFixture[str], place: str
):
    rows = write("r.csv", f'kind,fret,place,value,unit,gauge,round\ngauge_zero,,"{place}",0,mm,caliper,wire\n')
    run(["evaluate", str(rows), "--instrument", str(instrument)], lambda *_: None)  # type: ignore[arg-type, return-value]

    assert "place of a gauge_zero must be like 'wire, before' or 'wire, after'" in capsys.readouterr().err


def test_of_two_gauges_with_one_round_each_has_its_own_zero(
    write: Write, instrument: Path, gauges: Path, capsys: pytest.CaptureFixture[str]
):
    """Named by place or not: the two zeros of one gauge are compared, and not mixed with those of the other."""
    head = "kind,fret,place,value,unit,gauge,round\n"
    rows = (
        'gauge_zero,,"wire, before",0,mm,caliper,wire\ngauge_zero,,"wire of depth, before",0.5,mm,depth,wire\n'
        'gauge_zero,,"wire of caliper, after",0.05,mm,caliper,wire\n'
        'gauge_zero,,"wire of depth, after",0.5,mm,depth,wire\n'
    )
    files = [str(write("r.csv", head + rows)), "--instrument", str(instrument), "--gauges", str(gauges)]
    status = run(["evaluate", *files], lambda *_: None)  # type: ignore[arg-type, return-value]
    said = capsys.readouterr().out

    assert status == 1
    assert "!! zero of caliper moved by 0.050 ±" in said
    assert "during the stage wire; take its readings again" in said
    assert said.count("moved by") == 1
