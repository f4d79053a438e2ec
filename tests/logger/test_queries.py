"""A reading that does not belong with its repeats is asked about, once, and never dropped."""

from collections.abc import Sequence
from dataclasses import replace
from typing import Any

import numpy as np
import pytest

from logger import queries
from logger.features import LIKELY_MM
from logger.gauge_file import GaugeSpec
from logger.queries import CHANCE, Asker, suspects
from logger.store import KeptReading, ReadingRow, TakeBack
from logger.unit_slip import USUAL_MM

SPECS = {"depth": GaugeSpec(kind="depth_indicator", resolution_mm=0.001, u_mm=0.003), "bare": GaugeSpec(kind="caliper")}


def _kept(
    values_mm: Sequence[float], *, kind: str = "seated_height", gauge: str = "depth", fret: int | None = 7,
    first: int = 1, **more: object,
) -> list[KeptReading]:  # fmt: skip
    rows = [
        ReadingRow(session="s", gauge=gauge, sequence=first + n, kind=kind, fret=fret, place="bass",
                   value_nm=round(value * 1e6), unit="mm", raw=b"", status="", taken_at_ns=0, monotonic_ns=0,
                   **more)  # type: ignore[arg-type]
        for n, value in enumerate(values_mm)
    ]  # fmt: skip
    return [KeptReading(row=row, taken_back=None, original=row) for row in rows]


def test_a_slipped_gauge_is_asked_about_with_its_distance():
    (one,) = suspects(_kept([1.100, 1.102, 1.160]), SPECS)

    assert one.key == ("depth", 3)
    assert one.text("mm").startswith("It stands 0.059 mm from its 2 other readings: take it back if")
    assert one.text("thou").startswith("It stands 2.3 thou from its 2 other readings")
    assert one.json()["value_nm"] == 1_160_000


def test_of_two_the_newest_is_asked_about():
    (one,) = suspects(_kept([1.160, 1.100]), SPECS)

    assert (one.row.sequence, one.others) == (2, 1)
    assert "from its other reading:" in one.text("mm")


@pytest.mark.parametrize("values", [[1.1], [1.100, 1.105], [1.1, 1.1, 1.1], [1.100, 1.101, 1.102]])
def test_repeats_that_agree_are_not_asked_about(values: list[float]):
    assert suspects(_kept(values), SPECS) == []


def test_what_was_kept_or_taken_back_is_not_asked_about_again():
    kept = _kept([1.100, 1.102, 1.160])
    gone = TakeBack(session="s", number=1, gauge="depth", sequence=3, at_ns=0, who="", why="")

    assert suspects(kept, SPECS, {("depth", 3)}) == []
    assert suspects([*kept[:2], KeptReading(row=kept[2].row, taken_back=gone, original=kept[2].row)], SPECS) == []


def test_places_frets_and_gauges_are_not_mixed():
    assert suspects([*_kept([1.1]), *_kept([1.3], fret=8, first=2), *_kept([1.5], gauge="bare")], SPECS) == []


def test_a_wire_may_vary_along_its_coil_but_not_without_end():
    assert suspects(_kept([0.50, 0.51, 0.52, 0.53], kind="tang_thickness", fret=None), SPECS) == []
    (one,) = suspects(_kept([0.52, 0.53, 0.62], kind="tang_thickness", fret=None), SPECS)
    assert one.row.sequence == 3
    (one,) = suspects(_kept([2.9, 20.9], kind="barb_span", fret=None), SPECS)
    assert one.row.sequence == 2


def test_a_gauge_of_unknown_worth_is_judged_by_its_own_spread():
    assert suspects(_kept([0.51, 0.55], gauge="bare"), SPECS) == []
    (one,) = suspects(_kept([0.51, 0.511, 0.512, 0.51, 0.511, 0.56], gauge="bare"), SPECS)
    assert one.row.sequence == 6


def test_leaves_that_exclude_each_other_are_asked_about():
    first = _kept([0.51], kind="slot_width", gauge="leaves", low_nm=500_000, high_nm=520_000)
    second = _kept([0.54], kind="slot_width", gauge="leaves", first=2, low_nm=530_000, high_nm=550_000)
    touching = _kept([0.53], kind="slot_width", gauge="leaves", first=2, low_nm=520_000, high_nm=540_000)

    assert "exclude each other" in suspects(first + second, SPECS)[0].text("mm")
    assert suspects(first + touching, SPECS) == []


def test_in_a_study_the_other_parts_say_how_far_readings_scatter():
    parts = [_kept([1 + 0.1 * part, 1.004 + 0.1 * part, 0.998 + 0.1 * part], kind="study", fret=part, first=10 * part)
             for part in range(1, 6)]  # fmt: skip
    calm = [one for part in parts for one in part]
    odd = _kept([1.600, 1.602, 1.640], kind="study", fret=6, first=60)

    assert suspects(calm, {}) == []
    assert [one.row.sequence for one in suspects(calm + odd, {})] == [62]
    assert suspects(odd, {}) == [], "one part alone cannot tell"


def test_good_repeats_are_asked_about_no_oftener_than_stated():
    rng = np.random.default_rng(20)
    sets = 4000
    asked = sum(bool(suspects(_kept(rng.normal(1.1, 0.003, 3).round(3)), SPECS)) for _ in range(sets))

    assert asked / sets <= CHANCE + 3 * (CHANCE / sets) ** 0.5


def test_asking_again_finds_what_asking_afresh_finds():
    asker, kept = Asker(), [*_kept([1.100, 1.102, 1.160]), *_kept([1.2, 1.2], fret=8, first=4)]
    gone = TakeBack(session="s", number=1, gauge="depth", sequence=3, at_ns=0, who="", why="")
    wider = {"depth": GaugeSpec(kind="depth_indicator", resolution_mm=0.001, u_mm=0.1)}
    back = [*kept[:2], KeptReading(row=kept[2].row, taken_back=gone, original=kept[2].row), *kept[3:]]
    elsewhere = [*kept[:2], replace(kept[2], row=replace(kept[2].row, fret=8)), *kept[3:]]

    for given, specs in ((kept, SPECS), (kept, wider), (back, SPECS), (elsewhere, SPECS), (kept, SPECS)):
        assert asker.suspects(given, specs) == suspects(given, specs)
    assert len(asker.suspects(kept, SPECS)) == 1


def test_a_set_to_which_nothing_came_is_not_looked_at_again(monkeypatch: pytest.MonkeyPatch):
    looked: list[int | None] = []
    true_suspect = queries._suspect

    def noted(rows: list[ReadingRow], *more: Any) -> Any:
        looked.append(rows[0].fret)
        return true_suspect(rows, *more)

    monkeypatch.setattr(queries, "_suspect", noted)
    asker, kept = Asker(), [*_kept([1.1, 1.1]), *_kept([1.2, 1.2], fret=8, first=3)]

    asker.suspects(kept, SPECS)
    asker.suspects([*kept, *_kept([1.3], fret=8, first=5)], SPECS)

    assert looked == [7, 8, 8]


@pytest.mark.parametrize("value", [12.0, -1.2, 0.0001])
def test_what_cannot_be_a_height_is_asked_about_whenever_it_comes(value: float):
    sound = [one for n in range(8) for one in _kept([1.1 + n / 100], fret=n + 8, first=n + 2)]
    odd = _kept([value])

    for kept in (odd, odd + sound, sound + odd):
        (one,) = suspects(kept, SPECS)
        assert (one.key, one.others) == (("depth", 1), 0)
    assert suspects(odd + sound, SPECS, {("depth", 1)}) == []


def test_the_question_names_the_value_and_what_is_likely():
    (one,) = suspects(_kept([0.0001]), SPECS)

    assert one.text("mm") == ("0.000100 mm is not likely here, where 0.2 to 3 mm is: take it back if it was "
                              "mistyped or the gauge slipped, keep it if it is right")  # fmt: skip
    (one,) = suspects(_kept([12.0]), SPECS)
    assert one.text("thou").startswith("0.4724 in is not likely here, where 0.008 to 0.118 in is")


def test_an_indicator_may_be_zeroed_anywhere():
    on_a_crown = [one for n in range(8) for one in _kept([-0.08 + n / 100], fret=n + 1, first=n + 1)]
    odd = _kept([3.0], fret=9, first=9)
    steps = [one for n in range(8) for one in _kept([5.2 + n / 100], kind="fret_step", fret=n + 2, first=n + 1)]

    assert suspects(on_a_crown, SPECS) == suspects(steps, SPECS) == []
    assert [one.key for one in suspects(on_a_crown + odd, SPECS)] == [("depth", 9)]
    assert [one.likely_mm for one in suspects(on_a_crown[:1], SPECS)] == [(0.2, 3.0)], "one reading tells no zero"


def test_an_unlikely_repeat_is_asked_about_once_and_its_set_compared_when_that_is_answered():
    kept = _kept([1.100, 1.102, 3.160])

    assert [(one.row.sequence, one.others) for one in suspects(kept, SPECS)] == [(3, 0)]
    assert suspects(kept, SPECS, {("depth", 3)}) == []
    (other,) = suspects([*_kept([1.100, 1.160]), *_kept([3.1], fret=8, first=3)], SPECS, {("depth", 3)})
    assert (other.row.sequence, other.others) == (2, 1)


def test_what_is_likely_is_wider_than_what_is_usual():
    for kind, (low, high) in USUAL_MM.items():
        assert LIKELY_MM[kind][0] < low < high < LIKELY_MM[kind][1]
