"""The rocker fixture for a neck: how far apart its feet stand for which frets, and how long its bars are.

The feet are two flat bars in one plane; the plunger, with a flat tip, stands midway between them. Over a fret each bar
must rest on one fret alone, and the tip on its own. Fret spacing shrinks along the neck, so that one distance of the
feet serves some frets only. Lengths in mm along the neck.
"""

import math
from collections.abc import Iterable, Sequence
from dataclasses import dataclass, replace
from string import ascii_uppercase
from typing import Final

from logger.evaluation.statistics import Floats

TIP_MM: Final = 5.0
"""Length of the flat tip (common practice, no source)."""
PLACING_MM: Final = 1.0
"""How far the fixture may stand off its place (common practice, no source)."""
EDGE_MM: Final = 0.5
"""At its ends a bar or tip does not bear: its edge is broken, and a crown is flat (common practice, no source)."""
_SET_PER_MM: Final = 10
"""Feet are set to a tenth of a millimetre."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Setting:
    """One distance of the feet and the frets it serves.

    Attributes:
        name: ``A`` and on.
        feet_mm: distance of the bars, from centre to centre.
        frets: frets under the plunger.
        margin_mm: how far the fixture may stand off its place on any of them.
        reach: 1 where the feet are on the neighbours, 2 for long steps.
    """

    name: str
    feet_mm: float
    frets: tuple[int, ...]
    margin_mm: float
    reach: int = 1


@dataclass(frozen=True, slots=True, kw_only=True)
class Unserved:
    """A step that the fixture cannot take, and why."""

    fret: int
    reach: int
    why: str


@dataclass(frozen=True, slots=True, kw_only=True)
class FixturePlan:
    """The fewest settings of the feet, with one pair of bars.

    Attributes:
        bar_mm: length of either bar along the neck; None where no step can be taken.
        settings: in the order of the frets, long steps last.
        unserved: steps that no setting serves.
    """

    bar_mm: float | None
    settings: tuple[Setting, ...]
    unserved: tuple[Unserved, ...]


@dataclass(frozen=True, slots=True, kw_only=True)
class _Fret:
    """Distances from the fret under the plunger, the worse of both sides and of all paths.

    Attributes:
        near: least distance to a fret that a bar rests on; ``far`` the largest.
        within: largest distance to a fret between bar and plunger, 0 for the fret itself.
        beyond: least distance to a fret or the nut behind a bar.
        beside: least distance to the next fret.
    """

    fret: int
    near: float
    far: float
    within: float
    beyond: float
    beside: float


@dataclass(frozen=True, slots=True, kw_only=True)
class _Fixture:
    """What is the same on every fret: bars, tip, the distances that the feet can be set to, and the placing error."""

    bar: float
    tip: float
    feet: tuple[float, ...]
    placing: float

    def feet_for(self, frets: Sequence[_Fret]) -> tuple[float, float]:
        """Return the best distance of the feet for some frets and its margin; below zero where nothing fits."""
        least = self.bar + self.tip + 2 * EDGE_MM  # else a bar would stand in the tip's way
        low, high = self._outer_ends(frets)
        tenths = max(low + high - self.bar, least) * _SET_PER_MM
        options = self.feet or (math.floor(tenths) / _SET_PER_MM, math.ceil(tenths) / _SET_PER_MM)
        found = [(one, self.margin(frets, one)) for one in options if one >= least]
        return max(found, key=lambda each: each[1], default=(0.0, -math.inf))

    def margin(self, frets: Sequence[_Fret], feet: float) -> float:
        """Return how far the fixture may stand off its place on any of some frets."""
        return min(slack for one in frets for slack, _ in self.slacks(one, feet))

    def slacks(self, one: _Fret, feet: float) -> list[tuple[float, str]]:
        """Return how far the fixture may be off its place before something goes wrong on a fret, and what."""
        outer, inner = (feet + self.bar) / 2, (feet - self.bar) / 2
        return [
            (outer - one.far - EDGE_MM, "a bar would slip off its fret"),
            (one.near - inner - EDGE_MM, "a bar would slip off its fret"),
            (one.beyond - outer - EDGE_MM, "a bar would touch a second fret, or the nut"),
            (inner - one.within - EDGE_MM, "a bar would touch a second fret"),
            (self.tip / 2 - EDGE_MM, "the tip would slip off its fret"),
            (one.beside - self.tip / 2 - EDGE_MM, "the tip would touch the next fret"),
        ]

    def _outer_ends(self, frets: Sequence[_Fret]) -> tuple[float, float]:
        """Return how near and how far from the plunger a bar may end."""
        low = max(max(one.far, one.within + self.bar) for one in frets)
        high = min(min(one.beyond, one.near + self.bar) for one in frets)
        return low, high

    def serves(self, one: _Fret) -> bool:
        """Tell whether some setting serves a fret."""
        return self.feet_for([one])[1] >= self.placing

    def settings(self, frets: Sequence[_Fret], reach: int) -> list[Setting]:
        """Return the fewest settings for the frets that can be served, and of those the ones with most margin.

        Margins are compared from the least one up, so that no setting is tighter than it must be.
        """
        served = [one for one in frets if self.serves(one)]
        best: list[list[Setting]] = [[]]
        for end in range(1, len(served) + 1):
            found = []
            for start in range(end - 1, -1, -1):
                feet, margin = self.feet_for(served[start:end])
                if margin < self.placing:
                    break
                numbers = tuple(one.fret for one in served[start:end])
                found.append([
                    *best[start],
                    Setting(name="", feet_mm=feet, frets=numbers, margin_mm=margin, reach=reach),
                ])
            best.append(min(found, key=_worth))
        return best[-1]


def _worth(settings: Iterable[Setting]) -> tuple[int, list[float]]:
    """Return what orders ways to set the feet, the best first: how many settings, then margins, the tightest first."""
    margins = sorted(one.margin_mm for one in settings)
    return len(margins), [-one for one in margins]


def plan_fixture(
    paths_mm: Sequence[Floats], *, reaches: Sequence[int] = (1,), bars_mm: Sequence[float] = (),
    feet_mm: Sequence[float] = (), tip_mm: float = TIP_MM, placing_mm: float = PLACING_MM,
) -> FixturePlan:  # fmt: skip
    """Return the fewest settings of the feet that serve a neck, with the bars that need fewest, then most margin.

    Args:
        paths_mm: distances from the nut by fret number, shape (frets + 1,), of every path; fanned frets are reckoned
            with their worse side.
        reaches: how many frets away the feet stand: 1 for steps, 2 for long steps.
        bars_mm: lengths of bars to choose from; with none the best whole millimetre is chosen.
        feet_mm: distances that the feet can be set to; with none any tenth of a millimetre.
        tip_mm: length of the tip.
        placing_mm: how far the fixture may stand off its place.
    """
    frets = {reach: _frets(paths_mm, reach) for reach in reaches}
    longest = max((one.far for found in frets.values() for one in found), default=0.0)
    bars = sorted(bars_mm) or [float(length) for length in range(1, math.ceil(longest) + 1)]
    fixtures = [_Fixture(bar=bar, tip=tip_mm, feet=tuple(feet_mm), placing=placing_mm) for bar in bars]
    tried = [(one, [each for reach, found in frets.items() for each in one.settings(found, reach)]) for one in fixtures]
    if not tried:
        return FixturePlan(bar_mm=None, settings=(), unserved=())
    chosen, settings = min(tried, key=lambda one: (-sum(len(each.frets) for each in one[1]), *_worth(one[1])))
    unserved = [Unserved(fret=one.fret, reach=reach, why=_why(one, chosen, fixtures))
                for reach, found in frets.items() for one in found if not chosen.serves(one)]  # fmt: skip
    named = tuple(replace(one, name=_letter(index)) for index, one in enumerate(settings))
    return FixturePlan(bar_mm=chosen.bar if named else None, settings=named, unserved=tuple(unserved))


def _frets(paths_mm: Sequence[Floats], reach: int) -> list[_Fret]:
    last = len(paths_mm[0]) - 1

    def away(fret: int, by: int) -> list[float]:
        """Return the distances to what lies some frets away on both sides, the nut included, on all paths."""
        ends = [end for end in (fret - by, fret + by) if 0 <= end <= last]
        return [abs(float(path[end] - path[fret])) for path in paths_mm for end in ends]

    return [
        _Fret(
            fret=fret, near=min(away(fret, reach)), far=max(away(fret, reach)), within=max(away(fret, reach - 1)),
            beyond=min(away(fret, reach + 1), default=math.inf), beside=min(away(fret, 1)),
        )
        for fret in range(1 + reach, last + 1 - reach)
    ]  # fmt: skip


def _letter(index: int) -> str:
    times, place = divmod(index, len(ascii_uppercase))
    return ascii_uppercase[place] + (str(times + 1) if times else "")


def _why(one: _Fret, fixture: _Fixture, others: Sequence[_Fixture]) -> str:
    """Say why a fixture serves a fret with no setting: what goes wrong first at the best one."""
    able = [other.bar for other in others if other.serves(one)]
    if able:
        return f"bars of {able[0]:g} mm would serve it, but not all that bars of {fixture.bar:g} mm serve"
    margin, feet, best = max(((margin, feet, other) for other in others for feet, margin in [other.feet_for([one])]),
                             key=lambda found: found[0])  # fmt: skip
    if margin == -math.inf:
        return "the bars would stand in the tip's way: their feet cannot be set far enough apart"
    room, what = min(best.slacks(one, feet))
    if room < 0:
        return f"{what} even where the fixture stands in its place"
    return f"{what}: room for {room:.1f} mm off its place, {fixture.placing:g} mm are needed"
