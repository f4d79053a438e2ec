"""Settled capture on any stream: against a reference without state, and what holds whatever comes."""

import statistics
from dataclasses import dataclass, replace
from itertools import pairwise

import numpy as np
import pytest
from hypothesis import example, given, settings
from hypothesis import strategies as st

from drivers import CaptureSettings, SteadyCapture

S = 1_000_000_000
EASY = CaptureSettings(band_nm=100, drift_nm=40, dwell_s=0.5, least=4, rearm_nm=300, away_s=0.2, gap_s=0.3)

Stream = list[tuple[int, int]]  # (value in nm, time in ns)


def captures(stream: Stream, rules: CaptureSettings) -> list[tuple[int, int, int, int]]:
    """Return (index, value, count, range) of what the code under test takes."""
    capture = SteadyCapture(rules)
    found = ((i, capture.take(value, at)) for i, (value, at) in enumerate(stream))
    return [(i, one.value_nm, one.count, one.range_nm) for i, one in found if one is not None]


@dataclass
class Reference:
    """The definition in words, worked out from the whole history for every sample, without windows or states."""

    stream: Stream
    rules: CaptureSettings

    def broken(self, i: int) -> bool:
        """Tell whether sample i does not follow on from the one before."""
        return i == 0 or not 0 <= self.stream[i][1] - self.stream[i - 1][1] <= self.rules.gap_s * S

    def inside(self, i: int) -> bool:
        low, high = self.rules.low_nm, self.rules.high_nm
        return (low is None or self.stream[i][0] >= low) and (high is None or self.stream[i][0] <= high)

    def is_away(self, i: int, taken: int) -> bool:
        return not self.inside(i) or abs(self.stream[i][0] - taken) >= self.rules.rearm_nm

    def left(self, taken_at: int, taken: int) -> tuple[int, int] | None:
        """Return the first stretch of samples (begin, end) that were away for long enough after a capture."""
        for end in range(taken_at + 1, len(self.stream)):
            begin = end
            while begin - 1 > taken_at and not self.broken(begin) and self.is_away(begin - 1, taken):
                begin -= 1
            if self.is_away(end, taken) and self.stream[end][1] - self.stream[begin][1] >= self.rules.away_s * S:
                return begin, end
        return None

    def window(self, first: int, last: int) -> range | None:
        """Return the shortest unbroken stretch from ``first`` at the earliest to ``last`` that is long enough."""
        begin = last
        while True:
            if not self.inside(begin):
                return None
            enough = self.stream[last][1] - self.stream[begin][1] >= self.rules.dwell_s * S
            if enough and last - begin + 1 >= self.rules.least:
                return range(begin, last + 1)
            if begin == first or self.broken(begin):
                return None
            begin -= 1

    def still(self, stretch: range) -> bool:
        values = [self.stream[i][0] for i in stretch]
        third = (len(values) + 2) // 3
        middle = values[(len(values) - third) // 2 :][:third]
        medians = [int(statistics.median(part) // 1) for part in (values[:third], middle, values[-third:])]
        return max(values) - min(values) <= self.rules.band_nm and max(medians) - min(medians) <= self.rules.drift_nm

    def captures(self) -> list[tuple[int, int, int, int]]:
        found = []
        first, i = 0, 0
        while i < len(self.stream):
            stretch = self.window(first, i)
            if stretch is None or not self.still(stretch):
                i += 1
                continue
            values = [self.stream[k][0] for k in stretch]
            taken = int(statistics.median(values) // 1)
            found.append((i, taken, len(values), max(values) - min(values)))
            gone = self.left(i, taken)
            if gone is None:
                break
            first, i = gone
        return found


@st.composite
def streams(draw: st.DrawFn) -> Stream:
    """Draw pieces of rest, slides and jumps, with pauses and clocks that step back."""
    stream, value, at = [], draw(st.integers(-500, 500)), draw(st.integers(-S, S))
    for _ in range(draw(st.integers(1, 8))):
        value += draw(st.sampled_from((0, 20, -90, 299, 301, -700, 5000)))
        speed = draw(st.sampled_from((0, 0, 0, 5, -30, 200)))
        step = draw(st.sampled_from((0, S // 20, S // 10, S // 5)))
        shakes = draw(st.lists(st.integers(-25, 25), min_size=draw(st.sampled_from((0, 8))), max_size=25))
        at += draw(st.sampled_from((0, 0, S // 4, 3 * S // 10 + 1, -1, -5 * S)))
        for shake in shakes:
            at += step
            value += speed
            stream.append((value + shake, at))
    return stream


RULES = st.builds(
    lambda least, away_s, limits, dwell_s: replace(
        EASY, least=least, away_s=away_s, low_nm=limits[0], high_nm=limits[1], dwell_s=dwell_s
    ),
    st.integers(3, 9),
    st.sampled_from((0, 0.1, 0.25)),
    st.sampled_from(((None, None), (-400, None), (None, 250), (-300, 900))),
    st.sampled_from((0.05, 0.35, 0.5)),
)


@settings(max_examples=250)
@given(streams(), RULES)
def test_it_does_what_the_definition_says(stream: Stream, rules: CaptureSettings) -> None:
    assert captures(stream, rules) == Reference(stream, rules).captures()


def test_the_drawn_streams_hold_captures() -> None:
    """The comparison above would be empty on streams that never come to rest."""
    counts: list[int] = []

    @settings(max_examples=200, database=None, derandomize=True)
    @given(streams(), RULES)
    def count(stream: Stream, rules: CaptureSettings) -> None:
        counts.append(len(captures(stream, rules)))

    count()

    assert sum(n >= 1 for n in counts) >= 60
    assert sum(n >= 2 for n in counts) >= 20


@given(streams(), RULES)
def test_between_two_captures_it_was_away_for_long_enough(stream: Stream, rules: CaptureSettings) -> None:
    reference = Reference(stream, rules)
    for (i, taken, *_), (k, *_) in pairwise(captures(stream, rules)):
        longest, begun = -1, None
        for n in range(i + 1, k + 1):
            if not reference.is_away(n, taken):
                begun = None
                continue
            begun = stream[n][1] if begun is None or reference.broken(n) else begun
            longest = max(longest, stream[n][1] - begun)
        assert longest >= rules.away_s * S


@given(streams(), RULES, st.integers(-(10**10), 10**10), st.integers(-(10**15), 10**15))
def test_an_offset_of_values_or_of_time_changes_only_itself(
    stream: Stream, rules: CaptureSettings, more_nm: int, later_ns: int
) -> None:
    moved = replace(
        rules,
        low_nm=None if rules.low_nm is None else rules.low_nm + more_nm,
        high_nm=None if rules.high_nm is None else rules.high_nm + more_nm,
    )

    found = captures([(value + more_nm, at + later_ns) for value, at in stream], moved)

    assert found == [(i, value + more_nm, n, spread) for i, value, n, spread in captures(stream, rules)]


@given(
    st.lists(st.tuples(st.integers(1, S // 4), st.integers(0, 10**6)), min_size=3, max_size=80),
    st.sampled_from((1, -1)),
)
@example([(S // 10, 0)] * 40, 1)
def test_what_always_moves_faster_than_a_band_in_a_dwell_is_never_taken(steps: list[tuple[int, int]], way: int) -> None:
    """At any times between samples and any speed above the limit, without turning."""
    stream, value, at = [], 0, 0
    for step_ns, more_nm in steps:
        at += step_ns
        # rounded up and 1 nm more: over the band within the dwell, however the steps fall
        value += way * (-(-EASY.band_nm * 2 * step_ns // S) + 1 + more_nm)
        stream.append((value, at))

    assert captures(stream, EASY) == []


@given(st.integers(4, 200), st.floats(1.02, 20))
@example(8, 1.02)
@example(200, 1.02)
def test_an_even_slide_over_the_stated_speed_is_never_taken(per_s: int, times: float) -> None:
    rules = replace(EASY, band_nm=100_000, drift_nm=40_000, rearm_nm=10**9)
    speed = times * rules.slide_nm_per_s
    step_ns = S // per_s

    stream = [(round(speed * i * step_ns / S), i * step_ns) for i in range(6 * per_s)]

    assert rules.slide_nm_per_s == 120_000
    assert captures(stream, rules) == []


def test_an_even_slide_well_under_the_stated_speed_is_taken() -> None:
    """So that the limit is a limit: the test above would hold of code that takes nothing."""
    rules = replace(EASY, band_nm=100_000, drift_nm=40_000, rearm_nm=10**9)

    assert len(captures([(1130 * i, i * S // 100) for i in range(200)], rules)) == 1


@given(
    st.lists(st.integers(1, S // 10), min_size=40, max_size=60),
    st.lists(st.integers(200, 10**6), max_size=20),
    st.integers(-(10**9), 10**9),
)
def test_it_fires_once_within_the_dwell_and_one_sample_of_coming_to_rest(
    steps: list[int], approach: list[int], rest_nm: int
) -> None:
    values = [rest_nm + sum(approach[i:]) for i in range(len(approach))] + [rest_nm] * len(steps)
    times = [sum((steps * 2)[: i + 1]) for i in range(len(values))]
    stream = list(zip(values, times, strict=True))
    begun = times[len(approach)]
    enough = [i for i, at in enumerate(times) if at >= begun + EASY.dwell_s * S and i >= len(approach) + EASY.least - 1]

    found = captures(stream, EASY)

    assert [(i, value) for i, value, *_ in found] == [(i, rest_nm) for i in enough[:1]]


@pytest.mark.parametrize("per_s", [10, 50, 200])
def test_noise_of_an_eighth_of_the_band_fires_within_two_dwells(per_s: int) -> None:
    """White noise, drift half the band; seeded. Of 300 times that it comes to rest, 297 at least."""
    rules = CaptureSettings(band_nm=24_000, drift_nm=12_000, dwell_s=0.8)
    rng = np.random.default_rng(per_s)
    in_time = 0
    for _ in range(300):
        noise = rng.normal(0, 3000, 2 * round(0.8 * per_s) + 1).round().astype(int).tolist()
        found = captures([(value, i * S // per_s) for i, value in enumerate(noise)], rules)
        in_time += len(found) == 1 and abs(found[0][1]) < 6000

    assert in_time >= 297
