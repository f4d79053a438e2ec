"""The fewest frets that explain the readings of all paths: a search over sets of causes, with a cost for each.

Every path offers its normal equations; the cost of a set is the number of causes it names, weighed, less what they
explain. Nothing here knows of gauges or frets beyond their numbers.
"""

from collections.abc import Iterable, Iterator, Sequence
from dataclasses import dataclass
from itertools import combinations
from typing import Final

import numpy as np

from logger.evaluation.statistics import Floats

DEVIATION_PRIOR_MM: Final = 0.15
"""How large a deviation may be, one standard deviation: breaks ties toward the smaller explanation."""
PENALTY: Final = 10.0
"""Cost of one more deviating fret in units of chi-square: about 3.2 standard deviations, 1 in 600 by chance."""
AGAIN: Final = 4.0
"""Cost of a fret on one more path, when it deviates on another already: most faults are of the whole fret."""
WEAK: Final = 5.0
"""What a fret costs more, once, where no step of its own bears it out, so that it hangs on its neighbours."""
MOST_DEVIATIONS: Final = 12
"""Causes on one path; more than these and the board is to blame, not the frets."""
AS_GOOD: Final = 6.0
"""Difference of cost below which another explanation is as good: odds of 20 to 1."""
LONGEST_RUN: Final = 6
"""Neighbours that are tried together; a longer run is the shape of the board, not single frets."""

Frets = frozenset[int]
State = tuple[Frets, ...]


@dataclass(frozen=True, slots=True, kw_only=True)
class Offer:
    """One path: its frets, which of them are weakly known, and matrix and right-hand side of its normal equations."""

    frets: tuple[int, ...]
    weak: Frets
    normal: Floats
    right: Floats


class _Search:
    def __init__(self, offers: Sequence[Offer]) -> None:
        self.offers = offers
        self.column = [{fret: index for index, fret in enumerate(one.frets)} for one in offers]
        self.gains: list[dict[Frets, float]] = [{frozenset(): 0.0} for _ in offers]

    def gain(self, path: int, chosen: Frets) -> float:
        if chosen not in self.gains[path]:
            self.reckon(path, [chosen])
        return self.gains[path][chosen]

    def reckon(self, path: int, sets: Iterable[Frets]) -> None:
        """Work out what sets of frets explain on a path, many of one size at once."""
        by_size: dict[int, list[Frets]] = {}
        for one in dict.fromkeys(sets):
            if one not in self.gains[path]:
                by_size.setdefault(len(one), []).append(one)
        offer, column = self.offers[path], self.column[path]
        for size, alike in by_size.items():
            picked = np.array([[column[fret] for fret in sorted(one)] for one in alike])
            inner = offer.normal[picked[:, :, None], picked[:, None, :]] + np.eye(size) / DEVIATION_PRIOR_MM**2
            right = offer.right[picked]
            found = np.einsum("ij,ij->i", right, np.linalg.solve(inner, right[:, :, None])[:, :, 0])
            self.gains[path].update(zip(alike, map(float, found), strict=True))

    def cost(self, state: State) -> float:
        named = frozenset().union(*state)
        again = sum(map(len, state)) - len(named)
        weak = len(frozenset().union(*(own & offer.weak for own, offer in zip(state, self.offers, strict=True))))
        gains = sum(self.gain(path, own) for path, own in enumerate(state))
        return PENALTY * len(named) + AGAIN * again + WEAK * weak - gains

    def moves(self, state: State) -> Iterator[State]:
        """Give the changes worth trying: on one path, and on all paths at once."""
        for path, own in enumerate(state):
            for changed in _changes(own, self.offers[path].frets):
                yield (*state[:path], changed, *state[path + 1 :])
        if len(state) > 1:
            shared = frozenset.intersection(*(frozenset(one.frets) for one in self.offers))
            everywhere = frozenset().union(*state) & shared
            for added in _additions(everywhere, sorted(shared)):
                yield tuple(own | added for own in state)
            for gone in everywhere:
                yield tuple(own - {gone} for own in state)
                for new in shared - everywhere:
                    yield tuple((own - {gone}) | {new} for own in state)


def _additions(own: Frets, frets: Sequence[int]) -> Iterator[Frets]:
    """Give one, two or a run of neighbours to add.

    Runs are tried as a whole because three high frets side by side look, one at a time, like two low ones around them.
    """
    spare = [fret for fret in frets if fret not in own]
    for size in (1, 2):
        for extra in combinations(spare, size):
            yield frozenset(extra)
    for size in range(3, LONGEST_RUN + 1):
        for first in range(len(frets) - size + 1):
            yield frozenset(frets[first : first + size])


def _changes(own: Frets, frets: Sequence[int]) -> Iterator[Frets]:
    for added in _additions(own, frets):
        yield own | added
    for gone in own:
        yield own - {gone}
        for new in frets:
            if new not in own:
                yield (own - {gone}) | {new}


def fewest(offers: Sequence[Offer]) -> list[tuple[tuple[int, ...], frozenset[int]]]:
    """Choose for every path the frets that explain its readings at least cost, until no change helps.

    Returns:
        For every path the frets, in order, and those among them that another fret of the path could replace at nearly
        the same cost.
    """
    search = _Search(offers)
    best: State = tuple(frozenset() for _ in offers)
    least = 0.0
    while True:
        tries = [one for one in search.moves(best) if all(len(own) <= MOST_DEVIATIONS for own in one)]
        for path in range(len(offers)):
            search.reckon(path, (one[path] for one in tries))
        winner = min(tries, key=search.cost, default=best)
        if search.cost(winner) >= least - 1e-9:
            break
        best, least = winner, search.cost(winner)
    return [(tuple(sorted(own)), _replaceable(search, best, path, least)) for path, own in enumerate(best)]


def _replaceable(search: _Search, state: State, path: int, least: float) -> frozenset[int]:
    own = state[path]

    def cost(changed: Frets) -> float:
        return search.cost((*state[:path], changed, *state[path + 1 :]))

    others = [fret for fret in search.offers[path].frets if fret not in own]
    return frozenset(old for old in own for new in others if cost((own - {old}) | {new}) < least + AS_GOOD)
