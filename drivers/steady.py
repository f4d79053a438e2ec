"""When a gauge that streams is still: its settled value, taken hands-free or at a press.

`SteadyCapture` takes one sample after another and gives a `Settled` value once the gauge has been still for long
enough; then it waits until the gauge has moved away. It has no clock and no thread: time comes with the samples and the
presses.
A gauge with a send button needs none of this, there every sample is a reading.
"""

import math
import statistics
from collections import deque
from dataclasses import dataclass
from typing import Final, Literal

from drivers.errors import NotStillError

#: Samples that are kept at most. A stream with more than this in a dwell never counts as still, and the state says so.
MOST_SAMPLES: Final = 20_000

_NS: Final = 1_000_000_000
_NM_PER_MM: Final = 1_000_000

Phase = Literal["away", "settling", "settled", "held"]


@dataclass(frozen=True, slots=True, kw_only=True)
class CaptureSettings:
    """When a stream of samples counts as still, and when as moved away.

    Common practice, no source; the values suit a digit of 0.001 mm and are counted by tests/measures/settling.py.

    Attributes:
        band_nm: Largest range of all samples in the dwell. About seven times the standard deviation of the gauge's
            noise lets nearly every dwell pass; no less than one digit.
        drift_nm: Largest difference between the medians of the first, the middle and the last third of the dwell, so
            that neither a slow creep nor a slow swing inside the band passes.
        dwell_s: How long it must be still; the longer, the fewer slow swings pass.
        least: Fewest samples in the dwell; with fewer the dwell lasts until they are there.
        rearm_nm: How far from the value taken counts as moved away. Places whose values differ by less, with no lift
            between them, need a press.
        away_s: How long it must be away before the next value may be taken, so that one wild sample does not count.
        gap_s: Longest pause between samples; after a longer one the dwell begins anew.
        low_nm: Smallest value that may be taken; what is lower counts as away (jaws closed, spindle hanging free).
        high_nm: Largest value that may be taken; what is higher counts as away.
        hands_free: False if only a press takes a value.

    Raises:
        TypeError: If a length or count is not an integer.
        ValueError: If a setting does not hold.
    """

    band_nm: int = 20_000
    drift_nm: int = 5_000
    dwell_s: float = 1.0
    least: int = 5
    rearm_nm: int = 100_000
    away_s: float = 0.15
    gap_s: float = 0.5
    low_nm: int | None = None
    high_nm: int | None = None
    hands_free: bool = True

    def __post_init__(self) -> None:
        """Refuse settings that do not hold.

        Raises:
            TypeError: If a length or count is not an integer.
            ValueError: If a setting does not hold.
        """
        for name in ("band_nm", "drift_nm", "least", "rearm_nm", "low_nm", "high_nm"):
            value = getattr(self, name)
            if type(value) is not int and not (value is None and name in {"low_nm", "high_nm"}):
                raise TypeError(f"{name} must be an integer, got {value!r}")
        low, high = self.low_nm, self.high_nm
        rules = (
            (self.band_nm > 0, f"band_nm must be more than 0, got {self.band_nm}"),
            (0 < self.drift_nm <= self.band_nm, f"drift_nm must be over 0 and at most band_nm, got {self.drift_nm}"),
            (self.rearm_nm > self.band_nm, f"rearm_nm must be more than band_nm {self.band_nm}, got {self.rearm_nm}"),
            (3 <= self.least <= 1000, f"least must be 3 to 1000 samples, got {self.least}"),
            (0.05 <= self.dwell_s <= 60, f"dwell_s must be 0.05 to 60 s, got {self.dwell_s!r}"),
            (0 <= self.away_s <= 60, f"away_s must be 0 to 60 s, got {self.away_s!r}"),
            (0 < self.gap_s <= 60, f"gap_s must be over 0 and at most 60 s, got {self.gap_s!r}"),
            (low is None or high is None or low < high, f"low_nm must be under high_nm, got {low} and {high}"),
        )
        broken = next((words for holds, words in rules if not holds), None)
        if broken is not None:
            raise ValueError(broken)

    @property
    def slide_nm_per_s(self) -> float:
        """Speed over which a steady slide without noise, sampled at even times, is never taken for still.

        In a dwell it covers the speed times the dwell; the medians of the outer thirds are two thirds of that apart.
        With noise of a seventh of the band a slide of three seconds passes now and then at twice this speed.
        """
        return min(self.band_nm, 1.5 * self.drift_nm) / self.dwell_s

    def may_take(self, value_nm: int) -> bool:
        """Tell whether a value lies where readings are expected."""
        return (self.low_nm is None or value_nm >= self.low_nm) and (self.high_nm is None or value_nm <= self.high_nm)


@dataclass(frozen=True, slots=True, kw_only=True)
class Settled:
    """The value of a gauge that was still.

    Attributes:
        value_nm: Median of the samples in the dwell; of an even number the mean of the middle two, rounded down.
        monotonic_ns: Time of the last of them.
        count: How many samples there were.
        range_nm: Largest less smallest.
        sd_nm: Their standard deviation. It tells how still the gauge was; its repeatability is another matter, since
            nothing was lifted and put back.
        by: "still" if taken hands-free, "press" if by a pedal or key.
    """

    value_nm: int
    monotonic_ns: int
    count: int
    range_nm: int
    sd_nm: float
    by: Literal["still", "press"]

    @property
    def status(self) -> str:
        """What a reading keeps about it, such as "settled n=41 range=0.0030 mm"."""
        return f"{'settled' if self.by == 'still' else 'pressed'} n={self.count} range={_mm(self.range_nm)}"


@dataclass(frozen=True, slots=True, kw_only=True)
class Steadiness:
    """How still a gauge is.

    Attributes:
        phase: "away" while it moves or is outside of where readings are expected; "settling" while it has been still
            for a part of the dwell; "settled" when a value was just taken, or a press would take one; "held" until it
            has moved away from the value taken.
        fraction: The part of the dwell that is done, 0 to 1.
        why: What is still missing, for people; empty if nothing is.
    """

    phase: Phase
    fraction: float
    why: str


class SteadyCapture:
    """Takes samples, gives the settled value once for every time that the gauge comes to rest.

    No sample counts for two values, so a pedal that bounces takes one.
    """

    def __init__(self, settings: CaptureSettings | None = None) -> None:
        self.settings = settings or CaptureSettings()
        self._dwell_ns = round(self.settings.dwell_s * _NS)
        self._times: deque[int] = deque(maxlen=MOST_SAMPLES)
        self._values: deque[int] = deque(maxlen=MOST_SAMPLES)
        self._last_ns: int | None = None
        self._taken_nm: int | None = None  # held: the value that the gauge has to move away from
        self._just_taken = False
        self._inside = True
        self._away_since_ns: int | None = None

    def take(self, value_nm: int, monotonic_ns: int) -> Settled | None:
        """Take the next sample and return the settled value if this sample completes it.

        Several samples may carry one time. After a longer pause than ``gap_s``, or a clock that steps back, the dwell
        and the time away begin anew; a value that was taken stays held.
        """
        if self._last_ns is not None and not 0 <= monotonic_ns - self._last_ns <= self.settings.gap_s * _NS:
            self._restart()
            self._away_since_ns = None
        self._last_ns = monotonic_ns
        self._just_taken = False
        inside = self._inside = self.settings.may_take(value_nm)
        if self._taken_nm is not None:
            near = inside and abs(value_nm - self._taken_nm) < self.settings.rearm_nm
            self._watch_leaving(near, monotonic_ns)
        if not inside:
            self._restart()
            return None
        self._add(value_nm, monotonic_ns)
        if self.settings.hands_free and self._taken_nm is None and self._is_still():
            return self._capture("still")
        return None

    def trigger(self, monotonic_ns: int) -> Settled:
        """Return the settled value at a press of a pedal or key at this time, also of a gauge that is held.

        Raises:
            NotStillError: If the gauge is not still, or sent no sample within ``gap_s`` of the press.
        """
        gap_s = self.settings.gap_s
        if self._last_ns is None:
            raise NotStillError("gauge must stream before a press can take a value, no sample came; switch it on")
        pause_s = abs(monotonic_ns - self._last_ns) / _NS
        if pause_s > gap_s:
            raise NotStillError(
                f"a press must come within {gap_s:g} s of a sample, the last is {pause_s:.1f} s from it; "
                "see that the gauge still sends"
            )
        if not self._is_still():
            raise NotStillError(
                f"gauge must be still within {_mm(self.settings.band_nm)} for {self.settings.dwell_s:g} s, it is not: "
                f"{self._progress().why}; hold it still and press again"
            )
        return self._capture("press")

    @property
    def state(self) -> Steadiness:
        """How still the gauge is, as of the last sample."""
        if self._just_taken or (self._taken_nm is None and self._is_still()):
            return Steadiness(phase="settled", fraction=1.0, why="")
        if self._taken_nm is not None:
            why = f"taken at {_mm(self._taken_nm)}, waits until it is {_mm(self.settings.rearm_nm)} away"
            return Steadiness(phase="held", fraction=1.0, why=why)
        return self._progress()

    def _watch_leaving(self, near: bool, monotonic_ns: int) -> None:
        """Let go of the value that was taken once the gauge has been away from it for long enough."""
        if near:
            self._away_since_ns = None
            return
        if self._away_since_ns is None:
            self._away_since_ns = monotonic_ns
            self._restart()  # what was seen before it left belongs to the old place
        if monotonic_ns - self._away_since_ns >= self.settings.away_s * _NS:
            self._taken_nm = None
            self._away_since_ns = None

    def _add(self, value_nm: int, monotonic_ns: int) -> None:
        """Keep a sample, and no more older ones than the dwell and the least number need."""
        times, values = self._times, self._values
        times.append(monotonic_ns)
        values.append(value_nm)
        while len(times) > self.settings.least and monotonic_ns - times[1] >= self._dwell_ns:
            times.popleft()
            values.popleft()

    def _restart(self) -> None:
        self._times.clear()
        self._values.clear()

    def _is_long_enough(self) -> bool:
        return len(self._times) >= self.settings.least and self._times[-1] - self._times[0] >= self._dwell_ns

    def _is_still(self) -> bool:
        return (
            self._is_long_enough()
            and max(self._values) - min(self._values) <= self.settings.band_nm
            and self._drift_nm() <= self.settings.drift_nm
        )

    def _drift_nm(self) -> int:
        """Return how far the medians of the first, middle and last third are apart."""
        values = list(self._values)
        third = -(-len(values) // 3)
        begin_middle = (len(values) - third) // 2
        medians = [_median(values[begin : begin + third]) for begin in (0, begin_middle, len(values) - third)]
        return max(medians) - min(medians)

    def _capture(self, by: Literal["still", "press"]) -> Settled:
        values = list(self._values)
        taken = Settled(
            value_nm=_median(values),
            monotonic_ns=self._times[-1],
            count=len(values),
            range_nm=max(values) - min(values),
            sd_nm=statistics.stdev(values),
            by=by,
        )
        self._taken_nm = taken.value_nm
        self._just_taken = True
        self._away_since_ns = None
        self._restart()
        return taken

    def _progress(self) -> Steadiness:
        """Return how much of the dwell is done, going back from the newest sample while all stay in the band."""
        count, low, high = 0, math.inf, -math.inf
        for value in reversed(self._values):
            low, high = min(low, value), max(high, value)
            if high - low > self.settings.band_nm:
                break
            count += 1
        if not count:
            why = "no new sample" if self._inside else "outside of where readings are expected"
            return Steadiness(phase="away", fraction=0.0, why=why)
        span_ns = self._times[-1] - self._times[-count]
        part = min(1.0, span_ns / self._dwell_ns, (count - 1) / (self.settings.least - 1))
        why = f"still for {span_ns / _NS:.1f} s with {count} of at least {self.settings.least} samples"
        if count == len(self._times) and self._is_long_enough():
            why = f"creeps by {_mm(self._drift_nm())} meanwhile, at most {_mm(self.settings.drift_nm)} counts as still"
        elif count == MOST_SAMPLES:
            why = f"more than {MOST_SAMPLES} samples came meanwhile"
        return Steadiness(phase="settling" if count > 1 else "away", fraction=part, why=why)


def _median(values: list[int]) -> int:
    ordered = sorted(values)
    return (ordered[(len(ordered) - 1) // 2] + ordered[len(ordered) // 2]) // 2


def _mm(length_nm: int) -> str:
    return f"{length_nm / _NM_PER_MM:.4f} mm"
