"""Temperature and humidity: bounds, kept with the session, shown with the moisture that wood settles at."""

from pathlib import Path

import pytest

from logger.begin import open_session
from logger.bench import Bench
from logger.climate import ClimateError, climate_json, parse_climate
from logger.export import export_readings
from logger.gauge_file import GaugeSpec, read_gauges
from logger.instrument import parse_instrument
from logger.kept import observations_of
from logger.limits import default_limits
from logger.readings_csv import read_readings
from logger.recorder import Hooks, Recorder
from logger.sheet import Sheet, standard_items
from logger.store import Climate, Store, StoreReader

NECK = parse_instrument('name = "n"\nkind = "bass"\nscale_mm = 864\nfrets = 5\n', where="test")


@pytest.fixture
def bench(bass_bench: Bench) -> Bench:
    return bass_bench


def _shown(bench: Bench) -> dict[str, object] | None:
    for _ in range(50):
        snapshot = bench.door.snapshot()
        if snapshot.get("climate"):
            return dict(snapshot["climate"])
        bench.door.wait(snapshot["version"], timeout_s=1)
    return None


def test_what_is_noted_is_kept_and_shown_and_survives_a_restart(bench: Bench):
    answer = bench.door.act("1", {"do": "climate", "temperature_c": 21.5, "humidity_percent": 48})

    shown = _shown(bench)
    assert answer.done
    assert shown is not None
    assert (shown["temperature_c"], shown["humidity_percent"]) == (21.5, 48.0)
    assert shown["moisture_percent"] == pytest.approx(8.9, abs=0.06)
    again = Recorder(bench.store, bench.session, Sheet(), specs={}, hooks=Hooks())
    assert [one.temperature_mc for one in again.kept().climates] == [21_500]


@pytest.mark.parametrize(
    ("temperature", "humidity", "words"),
    [
        (50.1, 50, "temperature_c must be from -20 to 50 °C, got 50.1 °C"),
        (-20.1, 50, "temperature_c must be from -20"),
        (20, 100.5, "humidity_percent must be from 0 to 100 %"),
        (20, -1, "humidity_percent must be from 0 to 100 %"),
        ("20", 50, "temperature_c must be a number from -20 to 50 °C, got '20'"),
        (20, None, "humidity_percent must be a number"),
        (float("nan"), 50, "temperature_c must be a number"),
        (True, 50, "temperature_c must be a number"),
    ],
)
def test_what_no_workshop_has_is_refused_in_words(bench: Bench, temperature: object, humidity: object, words: str):
    answer = bench.door.act("1", {"do": "climate", "temperature_c": temperature, "humidity_percent": humidity})

    assert not answer.done
    assert words in answer.text
    with StoreReader(bench.store.path) as reader:
        assert reader.climates(bench.session) == []


def test_the_bounds_themselves_hold():
    assert parse_climate("-20,0") == (-20_000, 0)
    assert parse_climate("50, 100") == (50_000, 100_000)


@pytest.mark.parametrize("text", ["", "21.5", "21,5,48", "a,b", "nan,50", "60,50"])
def test_a_text_that_does_not_hold_is_refused(text: str):
    with pytest.raises(ClimateError):
        parse_climate(text)


def test_moisture_is_not_stated_where_its_equation_is_not():
    row = Climate(session="s", number=1, at_ns=0, temperature_mc=-15_000, humidity_mpercent=50_000, who="me")

    assert climate_json(row)["moisture_percent"] is None


def test_what_the_bench_judged_is_judged_again_from_its_files(tmp_path: Path):
    # repeatability with its degrees of freedom, a known error and the temperature go along with the readings
    studied = GaugeSpec(kind="caliper", resolution_mm=0.01, u_mm=0.006, u_dof=12.0, zero_u_mm=0.004, bias_mm=0.013,
                        bias_u_mm=0.002, bias_about_mm=10.0, bias_slope=0.001, bias_slope_u=0.0001)  # fmt: skip
    with Store.create(tmp_path / "s.db") as store:
        session = open_session(store, NECK, default_limits("bass"), resume=False)
        sheet = Sheet(standard_items(NECK))
        recorder = Recorder(store, session, sheet, specs={"typed caliper": studied}, hooks=Hooks())
        recorder.typed("0.51", "mm")
        recorder.climate(24.5, 50)
        recorder.typed("0.0205", "in")
        kept = recorder.kept()
    bench = observations_of(kept.readings, kept.specs, kept.climates)

    with (tmp_path / "r.csv").open("w", encoding="utf-8") as out:
        export_readings(tmp_path / "s.db", out, gauges_to=tmp_path / "g.toml")
    again = [
        one.observation for one in read_readings(tmp_path / "r.csv", frets=5, gauges=read_gauges(tmp_path / "g.toml"))
    ]

    assert again == bench
    assert [(one.u_dof, one.temperature_c) for one in again] == [(12.0, 24.5), (12.0, 24.5)]
    assert again[0].bias_mm == pytest.approx(0.013 - 0.00949)
