"""Statistics of readings that hang together: contrasts of lines, means, blocks, and many tests at once.

They are what `compare` is made of, and know nothing of membranes: values come in any unit.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike, NDArray

from brinemark import _core


def _figures(values: ArrayLike) -> NDArray[np.float64]:
    return np.ascontiguousarray(values, dtype=np.float64)


@dataclass(frozen=True, kw_only=True)
class Contrast:
    """A contrast of a regression's coefficients.

    estimate : the contrast. p : how often chance alone brings it so far from 0. deviation : standard
        deviation of the noise; freedom : readings less coefficients. wander_share, wander_days : how much of
        the noise's variance wanders, and for how long, in the unit of the times.
    """

    estimate: _core.Estimate
    p: float
    deviation: float
    freedom: int
    wander_share: float
    wander_days: float


@dataclass(frozen=True, kw_only=True)
class MeansDiffer:
    """The difference of two means.

    estimate : the difference. p : how often chance alone brings it so far from 0. p_above_margin,
        p_below_margin : of the one-sided tests that it lies below the margin, and above its negative: both
        below a risk, the two are equivalent.
    """

    estimate: _core.Estimate
    p: float
    p_above_margin: float
    p_below_margin: float


def contrast(
    times: ArrayLike,
    values: ArrayLike,
    columns: Sequence[ArrayLike],
    weights: Sequence[float],
    *,
    independent: bool = False,
    level: float = 0.90,
) -> Contrast:
    """A contrast of the coefficients of y = X β + wander + noise.

    times : array (n), rising, in days. values : array (n), any unit. columns : the columns of X, arrays (n).
        weights : of the coefficients. independent : whether there is no wander (plain regression; with
        columns that tell groups, analysis of variance). level : how often the interval shall hold the truth.

    Returns: Contrast. The wander is a first-order autoregression in continuous time; its share of the
        variance and its memory (1 to 32 d, at most a quarter of the times) are weighed by their restricted
        likelihood.
    Raises: SeriesError for lengths that differ, missing figures, too few readings, or columns that can't be
        told apart; RangeError for a level outside 0.5 to 0.999.
    Accuracy: independent, as least squares by Householder's triangles. Source: REML, any textbook (from
        memory).

    >>> day = [0.0, 1.0, 2.0, 3.0, 4.0, 5.0]
    >>> found = contrast(day, [0.1, 0.9, 2.1, 2.9, 4.1, 4.9], [[1.0] * 6, day], [0.0, 1.0], independent=True)
    >>> round(found.estimate.value, 3)
    0.983
    """
    given = [_figures(column) for column in columns]
    return Contrast(
        **_core.contrast(_figures(times), _figures(values), given, list(weights), independent, level)
    )


def means_differ(
    first: ArrayLike, second: ArrayLike, *, margin: float = 0.0, level: float = 0.90
) -> MeansDiffer:
    """The mean of the first less that of the second, of independent readings, by Welch's test.

    first, second : arrays, at least two each, any unit, none missing. margin : in the same unit, of the tests
        for equivalence. level : how often the interval shall hold the truth, 0.5 to 0.999.

    Returns: MeansDiffer. Raises: SeriesError for fewer than two readings each, or none that differ.
    Source: B. L. Welch, Biometrika 34 (1947) 28 (from memory; checked against scipy and statsmodels).

    >>> round(means_differ([1.0, 2.0, 3.0], [2.0, 4.0, 6.0]).p, 3)
    0.221
    """
    return MeansDiffer(**_core.means_differ(_figures(first), _figures(second), level, margin))


def holm(p: Sequence[float]) -> list[float]:
    """Adjusted p of a family of tests: none is called wrongly more often than the risk, all taken together.

    p : of each test; NaN is no member and stays NaN.

    Returns: list, in the same order: sorted, each p times the number of tests not yet passed, never falling,
        at most 1. Source: S. Holm, Scand. J. Statist. 6 (1979) 65 (from memory; checked against statsmodels).

    >>> holm([0.01, 0.04, 0.03])
    [0.03, 0.06, 0.06]
    """
    return _core.holm(list(p))


def block_length(values: ArrayLike) -> float:
    """The mean block length that suits a stationary bootstrap of an evenly spaced series, in values.

    values : array (n), any unit, none missing.

    Returns: float, 1 to min(3 √n, n/3): b = (2 G²/D)^⅓ n^⅓, with G = Σ λ(k/M) |k| R(k) and D = 2 [Σ λ(k/M)
        R(k)]², R the autocovariances and λ the flat-top window. 1 of fewer than four values or none that
        differ.
    Source: D. N. Politis and H. White, Econometric Reviews 23 (2004) 53, as corrected by A. Patton, D. N.
        Politis and H. White, Econometric Reviews 28 (2009) 372 (from memory). Accuracy: of an autoregression
        r the definition gives [2 r/(1 - r²)]^⅔ n^⅓; the tests hold it against that.

    >>> block_length([1.0, 1.0, 1.0, 1.0])
    1.0
    """
    return _core.block_length(_figures(values))


def block_bootstrap(
    values: ArrayLike, *, block: float | None = None, draws: int = 2000, seed: int = 1
) -> NDArray[np.float64]:
    """Means of a series drawn anew in blocks (the stationary bootstrap), sorted.

    values : array (n), evenly spaced, any unit, none missing. block : mean length, at least 1; None takes
        `block_length`. draws : 1 to a million. seed : the same gives the same figures.

    Returns: array (draws). Their spread is the mean's. Cost grows as n times draws.
    Raises: RangeError for a block below 1 or draws out of range.
    Source: D. N. Politis and J. P. Romano, J. Am. Stat. Assoc. 89 (1994) 1303 (from memory).

    >>> float(block_bootstrap([2.0, 2.0, 2.0], draws=10).mean())
    2.0
    """
    figures = _figures(values)
    length = block_length(figures) if block is None else block
    if not length >= 1 or not 1 <= draws <= 1_000_000:
        raise _core.RangeError(f"block {length}, draws {draws}: at least 1, and 1 to 1000000")
    return np.sort(_core.bootstrap_means(figures, length, draws, seed))
