"""Settled capture, one behaviour at a time; properties are in test_steady_properties.py."""

import importlib.util
import re
from collections.abc import Iterable
from pathlib import Path
from statistics import median
from types import ModuleType

import pytest

from drivers import CaptureSettings, NotStillError, Settled, SteadyCapture
from drivers.steady import MOST_SAMPLES

S = 1_000_000_000
STEP = S // 10  # ten samples a second
UM = 1000

#: Round numbers: still within 10 um (drift 4 um) for 0.5 s, six samples; away from 50 um on.
EASY = CaptureSettings(
    band_nm=10 * UM, drift_nm=4 * UM, dwell_s=0.5, least=6, rearm_nm=50 * UM, away_s=0.2, gap_s=0.3
)  # fmt: skip


def feed(capture: SteadyCapture, values: Iterable[int], begin_ns: int, step_ns: int = STEP) -> list[Settled]:
    """Return what was taken of values at even times."""
    found = (capture.take(value, begin_ns + i * step_ns) for i, value in enumerate(values))
    return [one for one in found if one is not None]


def with_(**changes: object) -> CaptureSettings:
    fields = {name: getattr(EASY, name) for name in EASY.__dataclass_fields__}
    return CaptureSettings(**(fields | changes))  # type: ignore[arg-type]


@pytest.mark.parametrize(
    ("changes", "words"),
    [
        ({"band_nm": 0}, "band_nm must be more than 0, got 0"),
        ({"drift_nm": 0}, "drift_nm must be over 0 and at most band_nm, got 0"),
        ({"drift_nm": 10_001}, "drift_nm must be over 0 and at most band_nm, got 10001"),
        ({"rearm_nm": 10_000}, "rearm_nm must be more than band_nm 10000, got 10000"),
        ({"least": 2}, "least must be 3 to 1000 samples, got 2"),
        ({"least": 1001}, "least must be 3 to 1000 samples, got 1001"),
        ({"dwell_s": 0.04}, "dwell_s must be 0.05 to 60 s, got 0.04"),
        ({"dwell_s": float("nan")}, "dwell_s must be 0.05 to 60 s, got nan"),
        ({"away_s": -0.1}, "away_s must be 0 to 60 s, got -0.1"),
        ({"gap_s": 0}, "gap_s must be over 0 and at most 60 s, got 0"),
        ({"low_nm": 5, "high_nm": 5}, "low_nm must be under high_nm, got 5 and 5"),
    ],
    ids=str,
)
def test_settings_that_do_not_hold_are_refused(changes: dict[str, object], words: str) -> None:
    with pytest.raises(ValueError, match=f"^{re.escape(words)}$"):
        with_(**changes)


@pytest.mark.parametrize("name", ["band_nm", "drift_nm", "least", "rearm_nm", "low_nm", "high_nm"])
def test_lengths_and_counts_are_whole(name: str) -> None:
    with pytest.raises(TypeError, match=f"^{name} must be an integer, got 7.5$"):
        with_(**{name: 7.5})


def test_the_settled_value_is_the_median_and_tells_its_window() -> None:
    [taken] = feed(SteadyCapture(EASY), [1000, 1300, 1100, 1900, 1100, 1400], 7 * S)

    assert taken == Settled(
        value_nm=1200, monotonic_ns=7 * S + 5 * STEP, count=6, range_nm=900, sd_nm=taken.sd_nm, by="still"
    )
    assert taken.sd_nm == pytest.approx(
        328.6335, abs=1e-4
    )  # deviations from 1300 in hundreds: -3 0 -2 6 -2 1; sqrt(54 / 5)
    assert taken.status == "settled n=6 range=0.0009 mm"


@pytest.mark.parametrize(("last", "times"), [(10 * UM, 1), (10 * UM + 1, 0)])
def test_the_band_holds_the_whole_window(last: int, times: int) -> None:
    assert len(feed(SteadyCapture(with_(least=9)), [0, last, 0, 0, 0, 0, 0, 0, 0], 0)) == times


@pytest.mark.parametrize(("late", "times"), [(4 * UM, 1), (4 * UM + 1, 0)])
def test_a_creep_inside_the_band_is_not_still(late: int, times: int) -> None:
    assert len(feed(SteadyCapture(EASY), [0, 0, 2 * UM, 2 * UM, late, late], 0)) == times


def test_a_swing_inside_the_band_is_not_still() -> None:
    assert feed(SteadyCapture(EASY), [0, 0, 4001, 4001, 0, 0], 0) == []
    assert len(feed(SteadyCapture(EASY), [0, 0, 4000, 4000, 0, 0], 0)) == 1


def test_the_least_number_of_samples_lengthens_the_dwell_of_a_slow_stream() -> None:
    [taken] = feed(SteadyCapture(EASY), [0] * 6, 0, step_ns=S // 4)

    assert taken.monotonic_ns == 5 * S // 4
    assert feed(SteadyCapture(EASY), [0] * 50, 0, step_ns=S // 100) == []  # 0.49 s


@pytest.mark.parametrize(("pause_ns", "counted"), [(3 * STEP, 3), (3 * STEP + 1, 6)])
def test_a_longer_pause_begins_the_dwell_anew(pause_ns: int, counted: int) -> None:
    capture = SteadyCapture(EASY)
    feed(capture, [0] * 3, -2 * STEP)

    [taken] = feed(capture, [0] * 10, pause_ns)

    assert taken.monotonic_ns == pause_ns + (counted - 1) * STEP


def test_a_clock_that_steps_back_begins_the_dwell_anew_and_keeps_hold() -> None:
    capture = SteadyCapture(EASY)
    feed(capture, [0] * 5, 100 * S)
    assert [one.monotonic_ns for one in feed(capture, [0] * 20, 50 * S)] == [50 * S + 5 * STEP]

    assert feed(capture, [0] * 20, 10 * S) == []
    assert capture.state.phase == "held"


def test_a_step_back_begins_the_time_away_anew() -> None:
    capture = SteadyCapture(EASY)
    feed(capture, [0] * 6, 100 * S)

    capture.take(99 * UM, 100 * S + 6 * STEP)
    capture.take(99 * UM, 100 * S)
    assert capture.state.phase == "held"
    feed(capture, [99 * UM] * 2, 100 * S + STEP)
    assert capture.state.phase == "settling"


@pytest.mark.parametrize(
    ("away", "again"),
    [
        pytest.param([49_999] * 9, 0, id="not far enough"),
        pytest.param([50_000], 0, id="one wild sample"),
        pytest.param([50_000, 0, 50_000, 0, -50_000, 0], 0, id="wild samples now and then"),
        pytest.param([50_000, 500_000], 0, id="not long enough"),
        pytest.param([50_000, 500_000, 50_000], 1, id="away"),
        pytest.param([-50_000, 500_000, -50_000], 1, id="away on both sides"),
    ],
)
def test_it_must_move_away_before_the_next(away: list[int], again: int) -> None:
    capture = SteadyCapture(EASY)

    assert len(feed(capture, [0] * 6 + away + [0] * 30, 0)) == 1 + again


def test_what_is_out_of_the_expected_is_never_taken_and_counts_as_away() -> None:
    capture = SteadyCapture(with_(low_nm=-20 * UM, high_nm=20 * UM))

    assert feed(capture, [20_001] * 30, 0) == []
    assert (capture.state.phase, capture.state.why) == ("away", "outside of where readings are expected")
    found = feed(capture, [20_000] * 6 + [20_001] * 3 + [-20_000] * 6 + [-20_001] * 9, 3 * S)
    assert [one.value_nm for one in found] == [20_000, -20_000]


def test_one_sample_out_of_the_expected_begins_the_dwell_anew() -> None:
    capture = SteadyCapture(with_(high_nm=3 * UM))

    [taken] = feed(capture, [3 * UM] * 5 + [3 * UM + 1] + [3 * UM] * 7, 0)

    assert taken.monotonic_ns == 11 * STEP


def test_the_state_tells_the_way_of_a_reading() -> None:
    capture = SteadyCapture(EASY)
    seen = [(capture.state.phase, capture.state.fraction)]

    for i, value in enumerate([9 * S, 0, 0, 0, 0, 0, 0, 0, 60_000, 60_000, 60_000, 60_001, 0]):
        capture.take(value, i * STEP)
        seen.append((capture.state.phase, round(capture.state.fraction, 9)))

    assert seen == [
        ("away", 0), ("away", 0), ("away", 0), ("settling", 0.2), ("settling", 0.4), ("settling", 0.6),
        ("settling", 0.8), ("settled", 1), ("held", 1), ("held", 1), ("held", 1), ("settling", 0.4), ("settling", 0.6),
        ("away", 0),
    ]  # fmt: skip


def test_the_state_says_what_is_missing() -> None:
    capture = SteadyCapture(EASY)
    assert capture.state.why == "no new sample"
    feed(capture, [0, 0, 0], 0)
    assert capture.state.why == "still for 0.2 s with 3 of at least 6 samples"
    feed(capture, [4500, 4500, 4500], 3 * STEP)
    assert capture.state.why == "creeps by 0.0045 mm meanwhile, at most 0.0040 mm counts as still"
    feed(capture, [4500] * 4, 6 * STEP)
    assert capture.state.why == "taken at 0.0045 mm, waits until it is 0.0500 mm away"


def test_a_press_takes_the_window_only_when_asked() -> None:
    capture = SteadyCapture(with_(hands_free=False))
    assert feed(capture, [700, 900] * 9, 0) == []
    assert capture.state.phase == "settled"

    taken = capture.trigger(17 * STEP + STEP)

    assert (taken.value_nm, taken.count, taken.monotonic_ns) == (800, 6, 17 * STEP)
    assert taken.status == "pressed n=6 range=0.0002 mm"
    assert capture.state.phase == "settled"
    capture.take(700, 18 * STEP)
    assert capture.state.phase == "held"


def test_a_press_repeats_a_held_value_but_no_sample_counts_twice() -> None:
    capture = SteadyCapture(EASY)
    feed(capture, [0] * 11, 0)
    with pytest.raises(NotStillError, match=r"it is not: still for 0.4 s with 5 of at least 6 samples; hold it still"):
        capture.trigger(10 * STEP)

    feed(capture, [0], 11 * STEP)
    assert capture.trigger(11 * STEP).by == "press"
    with pytest.raises(NotStillError, match=r"it is not: no new sample; hold it still and press again$"):
        capture.trigger(11 * STEP + 1)


def test_a_press_while_it_moves_away_begins_the_time_away_anew() -> None:
    capture = SteadyCapture(with_(dwell_s=0.2, least=3, away_s=1.0))
    assert len(feed(capture, [0] * 3 + [60_000] * 6, 0)) == 1

    assert capture.trigger(8 * STEP).value_nm == 60_000

    assert len(feed(capture, [0] * 10, 9 * STEP)) == 0
    assert len(feed(capture, [0], 19 * STEP)) == 1


def test_a_press_on_a_moving_gauge_says_why() -> None:
    capture = SteadyCapture(EASY)
    feed(capture, range(0, 20 * 11 * UM, 11 * UM), 0)

    words = (
        "gauge must be still within 0.0100 mm for 0.5 s, it is not: still for 0.0 s with 1 of at least 6 samples; "
        "hold it still and press again"
    )
    with pytest.raises(NotStillError, match=f"^{re.escape(words)}$"):
        capture.trigger(19 * STEP)


@pytest.mark.parametrize(("late_ns", "words"), [(3 * STEP + 1, "0.3 s from"), (-4 * STEP, "0.4 s from")])
def test_a_press_without_a_sample_near_it_is_refused(late_ns: int, words: str) -> None:
    capture = SteadyCapture(with_(hands_free=False))
    feed(capture, [0] * 9, 0)

    with pytest.raises(NotStillError, match=f"^a press must come within 0.3 s of a sample, the last is {words}"):
        capture.trigger(8 * STEP + late_ns)
    assert capture.trigger(8 * STEP + 3 * STEP).value_nm == 0


def test_a_press_before_any_sample_is_refused() -> None:
    with pytest.raises(NotStillError, match=r"^gauge must stream before .* no sample came; switch it on$"):
        SteadyCapture().trigger(0)


def test_samples_of_one_time_count_each() -> None:
    capture = SteadyCapture(EASY)

    found = [capture.take(i % 3, (i // 5) * 5 * STEP // 2) for i in range(15)]

    assert [one.count for one in found if one is not None] == [7]  # the last at 0 s, five at 0.25 s, the first at 0.5 s


def test_hours_of_a_fast_stream_keep_no_more_than_a_dwell() -> None:
    capture = SteadyCapture(EASY)

    taken, kept = 0, []
    for i in range(30_000):
        taken += capture.take(i // 2000 % 2 * 90_000, i * S // 1000) is not None
        kept.append((len(capture._times), len(capture._values)))

    assert taken == 15
    assert max(kept) == (501, 501)


def test_a_clock_that_stands_keeps_no_more_than_the_most_and_says_so() -> None:
    capture = SteadyCapture(EASY)

    assert feed(capture, [0] * (MOST_SAMPLES + 500), 0, step_ns=0) == []

    assert len(capture._times) == MOST_SAMPLES
    assert capture.state.why == f"more than {MOST_SAMPLES} samples came meanwhile"


@pytest.fixture(scope="module")
def settling() -> ModuleType:
    spec = importlib.util.spec_from_file_location("settling", Path(__file__).parents[1] / "measures" / "settling.py")
    assert spec is not None
    assert spec.loader is not None
    module = importlib.util.module_from_spec(spec)
    spec.loader.exec_module(module)
    return module


@pytest.mark.parametrize("per_s", [5, 10, 50])
@pytest.mark.parametrize("noise_um", [0, 1, 3])
def test_a_simulated_hand_gets_its_readings(settling: ModuleType, per_s: int, noise_um: int) -> None:
    # Reduced from tests/measures/settling.py, same code
    found = settling.run(40, per_s, noise_um, 3)

    assert found.kinds["right"] >= 39
    assert found.kinds["none"] == found.kinds["twice"] == 0
    assert median(found.latency_s) < 0.7


@pytest.mark.parametrize(("um_per_s", "taken"), [(2, 20), (40, 0)])
def test_a_creep_is_told_from_rest(settling: ModuleType, um_per_s: int, taken: int) -> None:
    for per_s, noise_um in ((5, 3), (50, 0), (50, 3)):
        assert settling.creeps(20, per_s, noise_um, um_per_s, 3) == taken
