"""The fewest frets that explain the readings of all paths: a search over sets of causes, with a cost for each.

Every path offers its normal equations; the cost of a set is the number of causes it names, weighed, less what they
explain. Nothing here knows of gauges or frets beyond their numbers.
"""

from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from itertools import combinations
from typing import Final

import numpy as np
from numpy.typing import NDArray

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
NEAR: Final = 4
"""Two frets this near or nearer are tried together; further apart each is found alone."""
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


@dataclass(frozen=True, slots=True, kw_only=True)
class _Rest:
    """What a path leaves to be explained beside some causes: every fret's normal equations with those eliminated.

    Rows and columns of the causes are those of a matrix of ones with nothing to explain, so that adding one again
    explains nothing.
    """

    gain: float
    normal: Floats
    right: Floats

    def single(self) -> Floats:
        """Return what one fret more explains, for every fret of the path."""
        return self.right**2 / np.diag(self.normal)

    def several(self, columns: NDArray[np.intp]) -> Floats:
        """Return what several frets more explain together, shape (sets,) for columns of shape (sets, size)."""
        inner = self.normal[columns[:, :, None], columns[:, None, :]]
        right = self.right[columns]
        found: Floats = np.einsum("ij,ij->i", right, np.linalg.solve(inner, right[:, :, None])[:, :, 0])
        return found


def _rest(offer: Offer, causes: Sequence[int]) -> _Rest:
    ridged = offer.normal + np.eye(len(offer.frets)) / DEVIATION_PRIOR_MM**2
    if not causes:
        return _Rest(gain=0.0, normal=ridged, right=offer.right)
    chosen = list(causes)
    pull = np.linalg.solve(ridged[np.ix_(chosen, chosen)], np.column_stack([ridged[chosen], offer.right[chosen]]))
    normal = ridged - ridged[:, chosen] @ pull[:, :-1]
    right = offer.right - ridged[:, chosen] @ pull[:, -1]
    normal[chosen, :] = 0.0
    normal[:, chosen] = 0.0
    normal[chosen, chosen] = 1.0
    right[chosen] = 0.0
    return _Rest(gain=float(offer.right[chosen] @ pull[:, -1]), normal=normal, right=right)


class _Additions:
    """The sets that are tried together on a path: one fret, two that are near, or a run of neighbours.

    Runs are tried as a whole because three high frets side by side look, one at a time, like two low ones around them.
    """

    def __init__(self, frets: Sequence[int]) -> None:
        count = range(len(frets))
        pairs: list[tuple[int, ...]] = [(a, b) for a, b in combinations(count, 2) if frets[b] - frets[a] <= NEAR]
        runs = [[tuple(range(a, a + size)) for a in range(len(frets) - size + 1)] for size in range(3, LONGEST_RUN + 1)]
        together: list[list[tuple[int, ...]]] = [block for block in [pairs, *runs] if block]
        self.blocks = [np.array(block) for block in together]
        self.sets = [frozenset({fret}) for fret in frets]
        self.sets += [frozenset(frets[index] for index in one) for block in together for one in block]
        self.names = np.array([[fret in one for fret in frets] for one in self.sets], dtype=float)

    def gains(self, rest: _Rest) -> Floats:
        """Return what every set explains more, shape (sets,)."""
        return np.concatenate([rest.single(), *(rest.several(block) for block in self.blocks)])


class _Search:
    """A search from set to set, each step the change that costs least."""

    def __init__(self, offers: Sequence[Offer]) -> None:
        self.offers = offers
        self.column = [{fret: index for index, fret in enumerate(one.frets)} for one in offers]
        self.weak = frozenset[int]().union(*(one.weak for one in offers))
        shared = frozenset.intersection(*(frozenset(one.frets) for one in offers)) if len(offers) > 1 else frozenset()
        self.shared = tuple(sorted(shared))
        self._additions: dict[tuple[int, ...], _Additions] = {}
        self._rests: dict[tuple[int, Frets], _Rest] = {}
        self._gains: dict[tuple[int, Frets, tuple[int, ...]], Floats] = {}

    def additions(self, frets: tuple[int, ...]) -> _Additions:
        if frets not in self._additions:
            self._additions[frets] = _Additions(frets)
        return self._additions[frets]

    def rest(self, path: int, own: Frets) -> _Rest:
        if (path, own) not in self._rests:
            self._rests[path, own] = _rest(self.offers[path], sorted(self.column[path][fret] for fret in own))
        return self._rests[path, own]

    def price(self, state: State) -> float:
        """Return what naming the causes of a state costs."""
        named = frozenset[int]().union(*state)
        total = sum(map(len, state))
        return PENALTY * len(named) + AGAIN * (total - len(named)) + WEAK * len(named & self.weak)

    def cost(self, state: State) -> float:
        return self.price(state) - sum(self.rest(path, own).gain for path, own in enumerate(state))

    def best_change(self, state: State) -> tuple[float, State]:
        """Return the change that costs least, and the cost of the state that it leads to."""
        found = [self._added(state, path) for path in range(len(state))]
        if self.shared:
            found.append(self._added_everywhere(state))
        found += [(self.cost(one), one) for one in self._dropped(state)]
        found += [self._swapped(one, paths, frets) for one, paths, frets in self._openings(state)]
        return min((one for one in found if one is not None), key=lambda one: one[0])

    def _added(self, state: State, path: int) -> tuple[float, State]:
        own, frets = state[path], self.offers[path].frets
        others = frozenset[int]().union(*state)
        prices = np.array([
            0.0 if fret in own else AGAIN if fret in others else PENALTY + WEAK * (fret in self.weak) for fret in frets
        ])
        table = self.additions(frets)
        costs = table.names @ prices - self._gains_of(path, own, frets)
        costs[len(own) + table.names @ (prices > 0) > MOST_DEVIATIONS] = np.inf
        index = int(np.argmin(costs))
        return self.cost(state) + float(costs[index]), _with(state, (path,), table.sets[index])

    def _added_everywhere(self, state: State) -> tuple[float, State]:
        """Try a fault of whole frets: the same frets on every path."""
        named = [sum(fret in own for own in state) for fret in self.shared]
        prices = np.array([
            AGAIN * (len(state) - count) + (0.0 if count else PENALTY - AGAIN + WEAK * (fret in self.weak))
            for fret, count in zip(self.shared, named, strict=True)
        ])
        table = self.additions(self.shared)
        costs = table.names @ prices
        room = np.zeros(len(costs))
        for path, own in enumerate(state):
            costs -= self._gains_of(path, own, self.shared)
            room = np.maximum(room, len(own) + table.names @ [fret not in own for fret in self.shared])
        costs[room > MOST_DEVIATIONS] = np.inf
        index = int(np.argmin(costs))
        return self.cost(state) + float(costs[index]), _with(state, range(len(state)), table.sets[index])

    def _gains_of(self, path: int, own: Frets, frets: tuple[int, ...]) -> Floats:
        """Return what the sets of some frets explain on a path beside its causes."""
        if (path, own, frets) not in self._gains:
            rest, columns = self.rest(path, own), [self.column[path][fret] for fret in frets]
            part = _Rest(gain=rest.gain, normal=rest.normal[np.ix_(columns, columns)], right=rest.right[columns])
            self._gains[path, own, frets] = self.additions(frets).gains(part)
        return self._gains[path, own, frets]

    @staticmethod
    def _dropped(state: State) -> Iterator[State]:
        for path, own in enumerate(state):
            for gone in own:
                yield _without(state, (path,), gone)
        for gone in frozenset[int]().union(*state):
            yield _without(state, range(len(state)), gone)

    def _openings(self, state: State) -> Iterator[tuple[State, Sequence[int], tuple[int, ...]]]:
        """Give the states with one cause gone, the paths it is gone from, and the frets that could take its place."""
        for path, own in enumerate(state):
            for gone in own:
                yield _without(state, (path,), gone), (path,), self.offers[path].frets
        if self.shared:
            every = range(len(state))
            for gone in frozenset[int]().union(*state):
                yield _without(state, every, gone), every, self.shared

    def _swapped(self, state: State, paths: Sequence[int], frets: tuple[int, ...]) -> tuple[float, State]:
        costs = self.costs_with(state, paths, frets)
        index = int(np.argmin(costs))
        return float(costs[index]), _with(state, paths, frozenset({frets[index]}))

    def costs_with(self, state: State, paths: Sequence[int], frets: tuple[int, ...]) -> Floats:
        """Return the cost of a state with one fret more on some paths, for each of the frets."""
        named = frozenset[int]().union(*state)
        again = [sum(fret not in state[path] for path in paths) for fret in frets]
        first = [PENALTY - AGAIN + WEAK * (fret in self.weak) if fret not in named else 0.0 for fret in frets]
        prices = self.price(state) + AGAIN * np.array(again) + np.array(first)
        gains = np.full(len(frets), sum(self.rest(path, own).gain for path, own in enumerate(state)))
        for path in paths:
            gains += self.rest(path, state[path]).single()[[self.column[path][fret] for fret in frets]]
        costs: Floats = prices - gains
        return costs


def _with(state: State, paths: Sequence[int], more: Frets) -> State:
    return tuple(own | more if path in paths else own for path, own in enumerate(state))


def _without(state: State, paths: Sequence[int], gone: int) -> State:
    return tuple(own - {gone} if path in paths else own for path, own in enumerate(state))


def fewest(offers: Sequence[Offer]) -> list[tuple[tuple[int, ...], frozenset[int]]]:
    """Choose for every path the frets that explain its readings at least cost, until no change helps.

    A change adds one, two or a run of neighbours, drops one, or puts one in the place of another, on one path or all.

    Returns:
        For every path the frets, in order, and those among them that another fret of the path could replace at nearly
        the same cost.
    """
    search = _Search(offers)
    best: State = tuple(frozenset() for _ in offers)
    least = 0.0
    while True:
        cost, winner = search.best_change(best)
        if cost >= least - 1e-9:
            break
        best, least = winner, cost
    return [(tuple(sorted(own)), _replaceable(search, best, path, least)) for path, own in enumerate(best)]


def _replaceable(search: _Search, state: State, path: int, least: float) -> frozenset[int]:
    own, found = state[path], set()
    others = tuple(fret for fret in search.offers[path].frets if fret not in own)
    for old in own if others else ():
        if search.costs_with(_without(state, (path,), old), (path,), others).min() < least + AS_GOOD:
            found.add(old)
    return frozenset(found)
