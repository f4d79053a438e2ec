"""The rocker fixture from an instrument's file: its table, its command and its line on the sheet."""

import json
from collections.abc import Callable
from pathlib import Path

import pytest

from logger.cli import run
from logger.errors import InstrumentError
from logger.features import Feature
from logger.fixture_report import fixture_notes
from logger.instrument import Instrument, parse_instrument, read_instrument
from logger.sheet import Item, round_of, standard_items

Write = Callable[[str, str], Path]
WISHES = '[sheet]\nsweep = ["bass", "centre", "treble"]\nlong_steps = true\ngaps = [8, 14]\n'


def _run(*arguments: str) -> int:
    return run(list(arguments), lambda *_: 0)  # type: ignore[arg-type, return-value]


def _neck(text: str = "", *, frets: int = 20) -> Instrument:
    return parse_instrument(f'name = "n"\nscale_mm = 645\nfrets = {frets}\n{text}', where="n.toml")


def _sweep(neck: Instrument) -> list[Item]:
    return [item for item in standard_items(neck) if item.stage == "sweep"]


def test_the_table_has_a_row_for_each_setting(instrument: Path, capsys: pytest.CaptureFixture[str]):
    assert _run("fixture", str(instrument)) == 0
    said = capsys.readouterr().out

    assert "both bars 19.0 mm along the neck, flat tip 5.0 mm" in said
    rows = [line.split() for line in said.splitlines() if line[:2] in {"A ", "B "}]
    assert [row[:9] for row in rows] == [
        ["A", "54.4", "mm", "35.4", "mm", "2", "to", "10", "2.0"],
        ["B", "26.2", "mm", "7.2", "mm", "11", "to", "19", "1.8"],
    ]
    assert said.count("on the flat plate, before its first step and after its last") == 2


def test_the_table_in_inches(instrument: Path, capsys: pytest.CaptureFixture[str]):
    assert _run("fixture", str(instrument), "--unit", "in") == 0

    assert "2.142 in  1.394 in          2 to 10" in capsys.readouterr().out


def test_as_json_with_what_the_shop_owns(write: Write, instrument: Path, capsys: pytest.CaptureFixture[str]):
    shop = "[fixture]\nbar_mm = [8, 18]\nfoot_settings_mm = [54, 26]\ntip_mm = 4.5\n"
    neck = write("n.toml", instrument.read_text() + shop + "[sheet]\nlong_steps = true\n")
    assert _run("fixture", str(neck), "--json") == 0
    found = json.loads(capsys.readouterr().out)

    assert (found["bar_mm"], found["tip_mm"]) == (18, 4.5)
    assert {one["feet_mm"] for one in found["settings"]} <= {54, 26}
    steps = [one["fret"] for one in found["unserved"] if one["reach"] == 1]
    assert sorted([*steps, *(fret for one in found["settings"] if one["reach"] == 1 for fret in one["frets"])]) == list(
        range(2, 20)
    )
    assert all("mm" in one["why"] or "even where" in one["why"] for one in found["unserved"])


def test_what_cannot_be_measured_is_said(write: Write, instrument: Path, capsys: pytest.CaptureFixture[str]):
    neck = write("n.toml", instrument.read_text() + "[fixture]\nbar_mm = 18\nfoot_settings_mm = 54\n")
    assert _run("fixture", str(neck)) == 0
    said = capsys.readouterr().out

    assert "19: a bar would touch a second fret, or the nut even where the fixture stands in its place" in said
    assert said.count("!!") < 9
    assert "the steps at frets 11 to 19, so the sheet leaves them out" in fixture_notes(read_instrument(neck))[0]


def test_two_frets_have_no_step_to_measure(write: Write, capsys: pytest.CaptureFixture[str]):
    neck = write("n.toml", 'name = "n"\nscale_mm = 645\nfrets = 2\n')

    assert _run("fixture", str(neck)) == 1
    assert "no setting of the rocker fixture\n   a step needs three frets" in capsys.readouterr().out


@pytest.mark.parametrize(
    ("text", "message"),
    [
        ("bar_mm = 0", "bar_mm must be a length above 0"),
        ("bar_mm = []", "bar_mm must be a length above 0 and at most 500 mm, or a list of them, got"),
        ("bar_mm = [18, true]", "bar_mm must be a length"),
        ("foot_settings_mm = [54, 'b']", "foot_settings_mm must be a length"),
        ("foot_settings_mm = nan", "foot_settings_mm must be a length"),
        ("tip_mm = -1", "tip_mm must be above 0 and at most 500, got -1"),
        ("tips_mm = 5", "unknown key 'tips_mm'; known are bar_mm, foot_settings_mm, tip_mm"),
    ],
)
def test_a_table_that_does_not_hold_is_refused(text: str, message: str):
    with pytest.raises(InstrumentError, match=r"n.toml: \[fixture\]: ") as caught:
        _neck(f"[fixture]\n{text}\n")

    assert message in str(caught.value)


def test_without_the_table_the_sheet_is_as_before():
    assert _neck(WISHES).fixture.stated is False
    assert not [item for item in _sweep(_neck(WISHES)) if item.setting or item.feature.kind == "fixture_zero"]
    assert fixture_notes(_neck(WISHES)) == []


def test_the_sweep_is_asked_for_setting_by_setting_between_two_zeros():
    plain, asked = _sweep(_neck(WISHES)), _sweep(_neck(WISHES + "[fixture]\n"))
    zeros = [item for item in asked if item.feature.kind == "fixture_zero"]
    steps = [item for item in asked if item.feature.kind == "fret_step"]

    assert {item.feature for item in plain} == {item.feature for item in asked} - {item.feature for item in zeros}
    assert len(asked) == len(plain) + len(zeros)
    assert [item.feature.place for item in zeros[:3]] == ["setting A, before", "setting A, after", "setting B, before"]
    for setting in dict.fromkeys(item.setting for item in steps):
        own = [item for item in asked if item.setting == setting]
        first = asked.index(own[0])
        assert asked[first : first + len(own)] == own, "one setting is measured through before the feet are moved"
        assert [own[0], own[-1]] == [item for item in own if item in zeros]
        assert {round_of(item) for item in own} == {f"sweep, setting {setting}"}
    a = [(item.feature.place, item.feature.fret) for item in steps if item.setting == "A"]
    assert a == [(place, fret) for place in ("bass", "centre", "treble") for fret in range(2, 11)]
    assert [item.feature.kind for item in asked[-6:]] == ["straightedge_gap"] * 6
    assert {round_of(item) for item in asked[-6:]} == {"sweep"}


def test_steps_that_no_setting_serves_are_not_asked_for():
    neck = _neck('[sheet]\nsweep = ["centre"]\n[fixture]\nbar_mm = 18\nfoot_settings_mm = [54]\n')
    asked = [item.feature for item in _sweep(neck)]

    assert [one.fret for one in asked if one.kind == "fret_step"] == list(range(2, 11))
    assert asked[0].words() == "setting A, before: zero of the fixture"
    assert Feature(kind="fixture_zero", place="setting B, before") not in asked
