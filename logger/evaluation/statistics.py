"""Mean, standard deviation and autocorrelation that stay exact where doubles alone would not."""

import math
from collections.abc import Sequence
from dataclasses import dataclass
from fractions import Fraction
from typing import Final

import numpy as np
from numpy.typing import ArrayLike, NDArray
from scipy import stats

from logger.errors import InsufficientDataError

Floats = NDArray[np.float64]
LARGEST: Final = 1e100
"""Nothing measured is larger; up to here squares and their sums stay within doubles."""


@dataclass(frozen=True, slots=True, kw_only=True)
class MeanSd:
    """Mean, standard deviation of one value (n - 1), and how many values; ``sd`` is None for a single one."""

    mean: float
    sd: float | None
    n: int


def finite(values: ArrayLike, *, name: str, largest: float = LARGEST) -> Floats:
    """Return values as a one-dimensional array of finite doubles, shape (n,).

    Raises:
        InsufficientDataError: a value is beyond ``largest``.
        ValueError: a value is not finite, or the shape is another.
    """
    array = np.asarray(values, dtype=np.float64)
    if array.ndim != 1 or not np.isfinite(array).all():
        raise ValueError(f"`{name}` must be a row of finite numbers, got shape {array.shape}")
    if array.size and np.abs(array).max() > largest:
        raise InsufficientDataError(f"nothing measured is beyond {largest:g}; look at the largest of `{name}`")
    return array


def mean_and_sd(values: ArrayLike) -> MeanSd:
    """Return mean and standard deviation, summed as exact fractions and rounded once.

    Raises:
        InsufficientDataError: there is no value.
    """
    array = finite(values, name="values", largest=1.2e308)  # a spread of twice that over sqrt(2) is a double still
    if array.size == 0:
        raise InsufficientDataError("a mean needs at least one value")
    exact = [Fraction(float(value)) for value in array]
    mean = sum(exact, Fraction(0)) / len(exact)
    if len(exact) == 1:
        return MeanSd(mean=float(mean), sd=None, n=1)
    variance = sum(((value - mean) ** 2 for value in exact), Fraction(0)) / (len(exact) - 1)
    return MeanSd(mean=float(mean), sd=_root(variance), n=len(exact))


def _root(square: Fraction) -> float:
    """Return the root of a fraction whose own size may leave the range of doubles."""
    half = (square.numerator.bit_length() - square.denominator.bit_length()) // 2
    return math.ldexp(math.sqrt(square / Fraction(4) ** half), half)


def autocorrelation(values: ArrayLike, *, lag: int = 1) -> float:
    """Return the autocorrelation at a lag; 0 for values that do not vary.

    Source: NIST/SEMATECH handbook 1.3.5.12.

    Raises:
        InsufficientDataError: there are not more values than the lag.
        ValueError: the lag is below one.
    """
    if lag < 1:
        raise ValueError(f"`lag` must be at least 1, got {lag!r}")
    array = finite(values, name="values")
    if array.size <= lag:
        raise InsufficientDataError(f"an autocorrelation at lag {lag} needs more than {lag} values, got {array.size}")
    off = array - mean_and_sd(array).mean
    total = math.fsum(off * off)
    return math.fsum(off[:-lag] * off[lag:]) / total if total else 0.0


@dataclass(frozen=True, slots=True, kw_only=True)
class OneWay:
    """One-way analysis of variance: sums of squares, degrees of freedom, F and its probability, residual sd, R^2."""

    ss_between: float
    ss_within: float
    dof_between: int
    dof_within: int
    f: float | None
    p: float | None
    sd: float
    r_squared: float


def one_way(groups: Sequence[ArrayLike]) -> OneWay:
    """Return the one-way analysis of variance of groups of values, computed with exact sums.

    Source: NIST StRD, analysis of variance (certified values in the tests).

    Raises:
        InsufficientDataError: fewer than two groups, an empty group, or nothing repeated.
    """
    rows = [[Fraction(float(value)) for value in finite(group, name="groups")] for group in groups]
    count = sum(len(row) for row in rows)
    if len(rows) < 2 or not all(rows) or count <= len(rows):
        raise InsufficientDataError("an analysis of variance needs two groups or more, and one of them repeated")
    grand = sum((sum(row) for row in rows), Fraction(0)) / count
    means = [sum(row, Fraction(0)) / len(row) for row in rows]
    between = sum((len(row) * (mean - grand) ** 2 for row, mean in zip(rows, means, strict=True)), Fraction(0))
    within = sum(((v - mean) ** 2 for row, mean in zip(rows, means, strict=True) for v in row), Fraction(0))
    dof_between, dof_within = len(rows) - 1, count - len(rows)
    residual = within / dof_within
    f = float(between / dof_between / residual) if residual else None
    total = between + within
    return OneWay(
        ss_between=float(between), ss_within=float(within), dof_between=dof_between, dof_within=dof_within, f=f,
        p=None if f is None else float(stats.f.sf(f, dof_between, dof_within)), sd=math.sqrt(residual),
        r_squared=float(between / total) if total else 0.0,
    )  # fmt: skip
