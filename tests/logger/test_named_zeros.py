"""Two gauges of one kind at a bench: each is asked for its own zero, by name, also after a restart."""

import time
from collections.abc import Callable
from datetime import UTC, datetime

import pytest

from drivers.reading import Reading
from logger.begin import default_gauges, open_session
from logger.features import Feature, zero_parts, zero_place
from logger.gauge_file import GaugeSpec
from logger.instrument import parse_instrument
from logger.limits import default_limits
from logger.recorder import Hooks, Recorder
from logger.sheet import Item, Sheet, standard_items, suits
from logger.snapshot import _next
from logger.store import Store

NECK = parse_instrument(
    'name = "n"\nscale_mm = 645\nfrets = 5\n[sheet]\nzeros = ["wire", "seating"]\n', where="a test"
)  # fmt: skip
CALIPER = GaugeSpec(kind="caliper", resolution_mm=0.01, u_mm=0.004)
Make = Callable[..., Recorder]


def _sheet(*gauges: str) -> Sheet:
    sheet = Sheet(standard_items(NECK))
    for one in gauges:
        sheet.know(one, "caliper")
    return sheet


def _zeros(sheet: Sheet, stage: str = "wire") -> list[tuple[str, str, bool]]:
    found = [item for item in sheet.items if item.feature.kind == "gauge_zero" and item.stage == stage]
    return [(zero_parts(item.feature.place or "")[2], item.gauge, item.open) for item in found]


@pytest.mark.parametrize("gauge", ["", "green", "a, b of c", "wire, before"])
def test_a_place_says_stage_gauge_and_when(gauge: str):
    assert zero_parts(zero_place("wire", "after", gauge)) == ("wire", gauge, "after")


def test_one_gauge_is_asked_for_by_kind():
    assert _zeros(_sheet("green")) == _zeros(_sheet()) == [("before", "", True), ("after", "", True)]


def test_two_gauges_are_asked_for_by_name_at_both_ends():
    sheet = _sheet("green", "typed caliper", "leaves", "blue", "green")
    assert _zeros(sheet) == [
        ("before", "green", True), ("before", "blue", True), ("after", "green", True), ("after", "blue", True),
    ]  # fmt: skip
    assert _zeros(sheet, "seating") == [("before", "", True), ("after", "", True)]
    assert [item.stage for item in sheet.items] == sorted(
        (item.stage for item in sheet.items), key=("wire", "slots", "seating", "sweep").index
    )


def test_a_zero_that_was_taken_before_the_second_gauge_came_stays():
    sheet = _sheet("green")
    sheet.fill(("green", 1))
    sheet.fill(("green", 2))
    sheet.know("blue", "caliper")
    assert _zeros(sheet)[:2] == [("before", "green", False), ("before", "blue", True)]
    assert sheet.next() == next(item for item in sheet.items if item.gauge == "blue"), "asked for at once"
    sheet.know("red", "caliper")
    assert [one[1:] for one in _zeros(sheet)] == [
        ("green", False), ("blue", True), ("red", True), ("green", True), ("blue", True), ("red", True),
    ]  # fmt: skip


def test_no_item_between_two_readings_of_one_zero_is_lost():
    sheet = _sheet("green")
    for number in range(1, 4):
        sheet.fill(("green", number))
    sheet.repeat(sheet.items[0].feature)
    before = [item.feature for item in sheet.items if item.feature.kind != "gauge_zero"]
    sheet.know("blue", "caliper")
    assert [item.feature for item in sheet.items if item.feature.kind != "gauge_zero"] == before


def test_a_gauge_that_comes_when_a_stage_is_done_is_not_asked_for_its_zero_there():
    sheet = _sheet("green")
    while (item := sheet.next()) and item.stage == "wire":
        sheet.fill(("green", 1))
    sheet.know("blue", "caliper")
    assert not any(is_open for _, _, is_open in _zeros(sheet))


def test_only_the_gauge_that_is_named_fills_it():
    item = _sheet("green", "blue").items[0]
    assert suits(item, "caliper", 0, bracket=False, gauge="green")
    assert not suits(item, "caliper", 0, bracket=False, gauge="blue")


def test_the_page_names_the_gauge():
    told = _next(_sheet("green <b>", "blue").items[0]) or {}
    assert (told["words"], told["gauge_words"]) == ("wire, before: zero of green <b>", "green <b>")
    assert (told["gauge"], told["gauge_kind"]) == ("green <b>", "caliper")


@pytest.fixture
def make(store: Store) -> Make:
    """Return a recorder of a session; the same session again is as after a restart."""
    session = open_session(store, NECK, default_limits("bass"), resume=False)

    def recorder(*gauges: str) -> Recorder:
        made = Recorder(store, session, Sheet(standard_items(NECK)), specs=default_gauges(), hooks=Hooks())
        for one in gauges:
            made.add_gauge(one, CALIPER)
        return made

    return recorder


def _take(recorder: Recorder, gauge: str, sequence: int) -> None:
    recorder.take(Reading(gauge=gauge, sequence=sequence, value_nm=10_000, unit="mm", raw=b"", status="",
                          taken_at=datetime.now(UTC), monotonic_ns=time.monotonic_ns())).result(10)  # fmt: skip


def _open(recorder: Recorder) -> list[tuple[Feature, int]]:
    return [(item.feature, item.repeat) for item in recorder._sheet.items if item.open]


def _first(recorder: Recorder) -> Item:
    item = recorder.sheet_state()[0]
    assert item is not None
    return item


def test_after_a_restart_the_same_zeros_are_asked_for(make: Make):
    recorder = make("green")
    _take(recorder, "green", 1)  # as the zero of any caliper
    assert recorder.repeat().done
    _take(recorder, "green", 2)
    recorder.add_gauge("blue", CALIPER)
    assert _first(recorder).gauge == "blue"
    _take(recorder, "green", 3)  # not asked for: kept without a feature
    assert recorder.kept().readings[-1].row.kind is None
    assert _open(make()) == _open(recorder)
    _take(recorder, "blue", 1)
    assert recorder.kept().readings[-1].row.place == "wire of blue, before"
    assert _first(recorder).feature.kind == "tang_thickness"
    assert _open(make("green", "blue")) == _open(recorder)


def test_a_zero_that_was_skipped_or_asked_for_again_by_kind_is_so_by_name(make: Make):
    recorder = make("green")
    assert recorder.skip().done
    assert recorder.unskip().done
    _take(recorder, "green", 1)
    assert recorder.repeat().done  # never taken
    recorder.add_gauge("blue", CALIPER)
    again = make()
    assert {one.place for one, _ in _open(again)} >= {"wire of green, before", "wire of blue, before"}
    assert recorder.skip().done
    assert _first(recorder).feature.kind in {"gauge_zero", "tang_thickness"}


def test_the_zero_of_one_gauge_is_not_typed(make: Make):
    recorder = make("green", "blue")
    answer = recorder.typed("0.01", "mm")
    assert not answer.done
    assert answer.text == ("the zero of green must come from itself, got a typed one; press its own button, or skip it")
    assert recorder.kept().readings == []


def test_a_typed_zero_belongs_to_the_kind_of_gauge_of_its_stage(make: Make):
    """It was kept as the caliper's whatever the stage, and so taken off nothing that was typed in it."""
    recorder = make()
    while _first(recorder).stage != "seating":
        recorder.skip()
    assert recorder.typed("0.01", "mm").done
    assert recorder.typed("1.10", "mm").done
    assert [one.row.gauge for one in recorder.kept().readings] == ["typed depth indicator"] * 2
