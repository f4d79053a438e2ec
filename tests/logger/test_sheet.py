"""The sheet: what comes next, and what skip, take back and repeat do to it."""

from collections.abc import Callable
from pathlib import Path

import pytest

from logger.errors import SheetError
from logger.features import STAGES, Feature
from logger.instrument import read_instrument
from logger.sheet import Item, Progress, Sheet, round_of, standard_items, suits, wrong_form

A, B, C = (Feature(kind="slot_width", fret=fret, place="bass") for fret in (1, 2, 3))


def _sheet() -> Sheet:
    return Sheet([
        Item(stage="slots", feature=A, repeat=1, of=2),
        Item(stage="slots", feature=A, repeat=2, of=2),
        Item(stage="slots", feature=B),
        Item(stage="slots", feature=C),
    ])


def _order(sheet: Sheet) -> list[tuple[int | None, int, int]]:
    order = []
    while (item := sheet.next()) is not None:
        order.append((item.feature.fret, item.repeat, item.of))
        sheet.fill(("g", len(order)))
    return order


def test_every_reading_advances_to_the_next_open_item():
    assert _order(_sheet()) == [(1, 1, 2), (1, 2, 2), (2, 1, 1), (3, 1, 1)]


def test_a_full_sheet_takes_nothing_more():
    sheet = _sheet()
    _order(sheet)

    assert sheet.fill(("g", 9)) is None
    with pytest.raises(SheetError, match="nothing to skip"):
        sheet.skip()


def test_skip_passes_over_all_repeats():
    sheet = _sheet()

    assert sheet.skip().feature == A
    assert sheet.next() == Item(stage="slots", feature=B)


def test_take_back_opens_the_very_item_again():
    sheet = _sheet()
    for number in range(1, 4):
        sheet.fill(("g", number))

    assert sheet.take_back(("g", 2)) == Item(stage="slots", feature=A, repeat=2, of=2)
    assert sheet.next() == Item(stage="slots", feature=A, repeat=2, of=2)
    sheet.fill(("g", 4))
    assert sheet.next() == Item(stage="slots", feature=C)


def test_take_back_of_an_unassigned_reading_changes_nothing():
    sheet = _sheet()

    assert sheet.take_back(("g", 77)) is None


def test_repeat_asks_once_more_at_once():
    sheet = _sheet()
    for number in range(1, 4):
        sheet.fill(("g", number))

    assert sheet.repeat(B) == Item(stage="slots", feature=B, repeat=2, of=2)
    assert _order(sheet) == [(2, 2, 2), (3, 1, 1)]


def test_repeat_works_on_a_full_sheet_and_not_on_a_foreign_feature():
    sheet = _sheet()
    _order(sheet)

    sheet.repeat(C)
    assert _order(sheet) == [(3, 2, 2)]
    with pytest.raises(SheetError, match="does not ask for"):
        sheet.repeat(Feature(kind="slot_width", fret=9, place="bass"))


def test_a_resumed_sheet_stands_where_it_stood():
    sheet = _sheet()

    sheet.resume([(("g", 1), A), (("g", 2), B), (("g", 3), B)], [("skip", C)])

    assert _order(sheet) == [(1, 2, 2)]
    assert sum(item.feature == B for item in sheet.items) == 2


def test_what_was_asked_stands_again_after_a_resume():
    asked = [("skip", C), ("unskip", C), ("repeat", B), ("repeat", B)]
    sheet = _sheet()

    sheet.resume([(("g", 1), B), (("g", 2), B)], asked)

    assert sum(item.feature == B for item in sheet.items) == 3, "one repeat is measured, one is still asked for"
    assert [item.feature for item in sheet.items if item.open].count(B) == 1
    assert not any(item.skipped for item in sheet.items)


@pytest.mark.parametrize(
    ("kind", "value_nm", "wrong"),
    [("tang_thickness", 510_000, ""), ("tang_thickness", -1, "sign"), ("tang_thickness", 0, "sign"),
     ("seated_height", -1, ""), ("fret_step", -1, "")],
)  # fmt: skip
def test_a_size_has_no_sign(kind: str, value_nm: int, wrong: str):
    item = Item(stage="wire", feature=Feature(kind=kind, fret=1))

    assert wrong in wrong_form(item, value_nm=value_nm, bracket=False)
    assert bool(wrong) == bool(wrong_form(item, value_nm=value_nm, bracket=False))


def test_a_skipped_feature_is_next_again():
    sheet = _sheet()
    item = sheet.skip()
    sheet.unskip(item.feature)

    assert sheet.next() == item


def test_standard_sheet_asks_for_every_stage(instrument: Path):
    items = standard_items(read_instrument(instrument))
    by_stage = {stage: sum(item.stage == stage for item in items) for stage in STAGES}

    assert by_stage == {"wire": 16, "board": 0, "slots": 120, "seating": 60, "sweep": 18}
    assert items[-1].feature == Feature(kind="fret_step", fret=19, place="centre", feet=(18, 20))


def test_every_piece_is_asked_for_where_it_is_wished(instrument: Path, write: Callable[[str, str], Path]):
    items = standard_items(read_instrument(write("w.toml", instrument.read_text() + "[sheet]\npieces = true\n")))
    wire = [item.feature for item in items if item.stage == "wire"]

    assert len(wire) == 16 + 40
    assert wire[16:18] == [Feature(kind="tang_thickness", fret=1), Feature(kind="barb_span", fret=1)]


def test_a_sheet_asks_setting_by_setting_for_what_the_instrument_wishes(
    instrument: Path, write: Callable[[str, str], Path]
):
    wishes = '[sheet]\nboard = ["centre"]\nsweep = ["treble", "bass"]\nlong_steps = true\ngaps = [14, 8]\n'
    items = standard_items(read_instrument(write("w.toml", instrument.read_text() + wishes)))
    by_stage = {stage: sum(item.stage == stage for item in items) for stage in STAGES}
    rounds = [round_of(item) for item in items if item.stage == "sweep"]

    assert by_stage == {"wire": 16, "board": 36, "slots": 120, "seating": 60, "sweep": 56}
    assert list(dict.fromkeys(rounds)) == ["sweep", "sweep, feet 4 apart"]
    assert rounds[:36] == ["sweep"] * 36  # bass and treble path on one setting before the feet are moved
    assert [item.feature.fret for item in items if item.feature.kind == "straightedge_gap"] == [8, 14, 8, 14]


def test_standard_sheet_of_the_shortest_necks(write: Callable[[str, str], Path]):
    for frets in (1, 2, 3):
        neck = read_instrument(write("i.toml", f'name = "n"\nscale_mm = 300\nfrets = {frets}\n'))
        assert sum(item.stage == "sweep" for item in standard_items(neck)) == max(0, frets - 2)


def test_progress_tells_what_is_skipped_from_what_is_measured():
    sheet = _sheet()
    sheet.fill(("g", 1))
    skipped = sheet.skip().feature

    assert Progress("slots", done=1, skipped=1, of=4) in sheet.progress()
    assert sheet.skipped_of("slots") == [skipped]
    assert sheet.skipped_of("wire") == []
    assert sheet.is_skipped(skipped)
    sheet.unskip(skipped)
    assert Progress("slots", done=1, skipped=0, of=4) in sheet.progress()


@pytest.mark.parametrize(
    ("kind", "gauge", "value_nm", "holds"),
    [
        pytest.param("tang_thickness", "caliper", 580_000, True, id="a size"),
        pytest.param("tang_thickness", "caliper", 0, False, id="jaws closed"),
        pytest.param("tang_thickness", "rocker", 580_000, False, id="another gauge"),
        pytest.param("fret_step", "rocker", -3_000, True, id="a step may be below"),
        pytest.param("study", "rocker", 0, True, id="a study takes what comes"),
    ],
)
def test_a_gauge_at_zero_measures_no_size(kind: str, gauge: str, value_nm: int, holds: bool):
    item = Item(stage="wire", feature=Feature(kind=kind, fret=1, place="bass"))

    assert suits(item, gauge, value_nm, bracket=False) is holds
