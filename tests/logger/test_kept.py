"""Kept readings as observations: each once, and again only when what it is made of changed."""

from dataclasses import replace
from typing import Any

import pytest

from logger import kept as module
from logger.gauge_file import GaugeSpec
from logger.kept import Observer, observations_of
from logger.store import Climate, KeptReading, ReadingRow, TakeBack

SPECS = {"depth": GaugeSpec(kind="depth_indicator", resolution_mm=0.001, u_mm=0.003)}
WARM = Climate(session="s", number=1, at_ns=0, temperature_mc=24_000, humidity_mpercent=48_000, who="")


def _reading(sequence: int, *, taken_back: bool = False, fret: int = 7) -> KeptReading:
    row = ReadingRow(session="s", gauge="depth", sequence=sequence, kind="seated_height", fret=fret, place="bass",
                     value_nm=1_100_000, unit="mm", raw=b"", status="", taken_at_ns=0, monotonic_ns=0)  # fmt: skip
    gone = TakeBack(session="s", number=1, gauge="depth", sequence=sequence, at_ns=0, who="", why="")
    return KeptReading(row=row, taken_back=gone if taken_back else None, original=row)


def test_observing_again_gives_what_observing_afresh_gives():
    observer, kept = Observer(), [_reading(1), _reading(2)]
    moved = replace(kept[1], row=replace(kept[1].row, fret=8))
    better = {"depth": replace(SPECS["depth"], u_mm=0.001)}
    given = ((kept, SPECS, []), ([kept[0], _reading(2, taken_back=True)], SPECS, []), ([kept[0], moved], SPECS, []),
             (kept, better, []), (kept, {}, []), (kept, SPECS, [WARM]), (kept, SPECS, []))  # fmt: skip

    for readings, specs, climates in given:
        assert observer.observations(readings, specs, climates) == observations_of(readings, specs, climates)


def test_what_was_observed_before_is_not_made_again(monkeypatch: pytest.MonkeyPatch):
    made: list[int] = []
    true_observation = module.observation_of

    def noted(row: ReadingRow, *more: Any) -> Any:
        made.append(row.sequence)
        return true_observation(row, *more)

    monkeypatch.setattr(module, "observation_of", noted)
    observer, kept = Observer(), [_reading(1), _reading(2)]

    first = observer.observations(kept, SPECS, [WARM])
    second = observer.observations([*kept, _reading(3)], SPECS, [WARM])

    assert made == [1, 2, 3]
    assert second[0] is first[0]
