from collections.abc import Callable

import pytest

from logger.store import ReadingRow, Store
from logger.store.clocks import JUMP_NS, ClockWatch

MakeReading = Callable[..., ReadingRow]
S = 1_000_000_000


@pytest.mark.parametrize(
    ("wall_ns", "steady_ns", "step_ns"),
    [
        pytest.param(10 * S, 10 * S, None, id="both go on"),
        pytest.param(10 * S + JUMP_NS, 10 * S, None, id="at the limit, forward"),
        pytest.param(10 * S + JUMP_NS + 1, 10 * S, JUMP_NS + 1, id="past the limit, forward"),
        pytest.param(10 * S - JUMP_NS, 10 * S, None, id="at the limit, back"),
        pytest.param(10 * S - JUMP_NS - 1, 10 * S, -JUMP_NS - 1, id="past the limit, back"),
        pytest.param(-3600 * S, 10 * S, -3610 * S, id="an hour back"),
        pytest.param(10 * S, -5 * S, 15 * S, id="started anew"),
    ],
)
def test_a_step_is_the_wall_clock_against_the_steady_one(wall_ns: int, steady_ns: int, step_ns: int | None) -> None:
    watch = ClockWatch()
    assert watch.see("s1", "caliper", 1, 10**18, 10**15) is None

    jump = watch.see("s1", "caliper", 2, 10**18 + wall_ns, 10**15 + steady_ns)

    assert (None if jump is None else jump.step_ns) == step_ns
    assert jump is None or jump.anew == (steady_ns < 0)


def test_sessions_are_compared_each_with_itself() -> None:
    watch = ClockWatch()
    watch.see("s1", "caliper", 1, 10**18, 10**15)

    assert watch.see("s2", "caliper", 1, 5, 5) is None
    assert watch.see("s1", "rocker", 1, 10**18 + S, 10**15 + S) is None


def test_a_reading_taken_before_but_kept_after_is_no_restart() -> None:
    """Two gauges reach the writer in another order than they sent."""
    watch = ClockWatch()
    watch.see("s1", "caliper", 1, 10**18, 10**15)

    assert watch.see("s1", "rocker", 1, 10**18 - 1000, 10**15 - 1000) is None


def test_a_restart_is_told_as_one() -> None:
    watch = ClockWatch()
    watch.see("s1", "caliper", 1, 10**18, 10**15)
    jump = watch.see("s1", "caliper", 2, 10**18 + 60 * S, 5 * S)

    assert jump is not None
    assert jump.words().startswith("the computer was started anew before reading 2 of caliper in session s1; ")


def test_readings_that_came_without_a_steady_clock_are_compared_with_none() -> None:
    """Readings of a file: what it does not say is 0, and the times of the day are another bench's."""
    watch = ClockWatch()
    seen = [watch.see("s1", "caliper", number, number * 60 * S, 0) for number in range(1, 4)]

    assert seen == [None, None, None]
    assert watch.see("s1", "caliper", 4, 1000 * S, S) is None, "a bench goes on after them"
    assert watch.see("s1", "caliper", 5, 0, 0) is None
    assert watch.see("s1", "caliper", 6, 1001 * S, 2 * S) is None


def test_the_bench_says_it_in_its_log(started: Store, reading: MakeReading, caplog: pytest.LogCaptureFixture) -> None:
    """A clock that was set back changes neither the order nor a key."""
    started.put(reading(1, taken_at_ns=100 * S, monotonic_ns=S))
    started.put(reading(2, taken_at_ns=40 * S, monotonic_ns=2 * S))
    started.put(reading(3, taken_at_ns=41 * S, monotonic_ns=3 * S))
    started.close()

    assert caplog.text.count("the clock of the computer went back by 61.000 s before reading 2 of caliper") == 1
    assert caplog.text.count("the clock of the computer") == 1
    with started.reader() as reader:
        assert [one.row.sequence for one in reader.readings("s1")] == [1, 2, 3]
