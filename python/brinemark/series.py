"""Simple statistics of series, and the rows at which series change.

They are there to hold a trend against that was found in another way, and know nothing of membranes: values
come in any unit. A missing value (NaN) is left out and counted.
"""

from __future__ import annotations

from collections.abc import Sequence
from typing import Literal, cast

import numpy as np
from numpy.typing import ArrayLike, NDArray

from brinemark import _core


def _figures(values: ArrayLike) -> NDArray[np.float64]:
    return np.asarray(values, dtype=np.float64)


def mann_kendall(
    values: ArrayLike,
    *,
    correction: Literal["none", "hamed-rao", "yue-wang"] = "none",
    lags: int | None = None,
) -> _core.MannKendall:
    """Tests whether a series rises or falls, in whatever shape (Mann-Kendall).

    values : array-like, one-dimensional, in the order of time. Any unit; NaN where missing
    correction : what is done about values that depend on those before them. "none" is right for independent
        values only; others pass for a trend too often. "hamed-rao" multiplies the variance by 1 + 2/[n (n -
        1)(n - 2)] Σ (n - k)(n - k - 1)(n - k - 2) r_k, of the ranks that remain after the Theil-Sen line,
        over lags k where r_k is significant at 5 %; "yue-wang" by 1 + 2 Σ (1 - k/n) r_k of what remains
    lags : int. The lags k that are taken in, from 1; all of them where None. For "yue-wang" give a few: the
        r_k of all lags add to -1/2 whatever the series

    S = Σ sgn(x_j - x_i) over i < j; var S = [n (n - 1)(2 n + 5) - Σ t (t - 1)(2 t + 5)]/18 with t the sizes
    of groups of equal values; z = (S ∓ 1)/√var S; p two-sided, by the normal distribution, which fits from
    about 10 values on. Time grows as n log n. The line is fitted to places in the list, gaps counted; for
    the r_k, what is there counts as evenly spaced. z is NaN where a correction leaves no variance.

    Returns: MannKendall, with s, variance, z, p, n and missing.
    Raises: SeriesError for fewer than four values, an infinite one, or an unknown correction.
    Source: M. G. Kendall, Rank Correlation Methods; K. H. Hamed and A. R. Rao, J. Hydrology 204 (1998) 182;
    S. Yue and C. Y. Wang, Water Resources Management 18 (2004) 201 (all from memory; checked against
    pymannkendall 1.4.3).

    >>> mann_kendall([1.0, 2.0, float("nan"), 2.0, 5.0, 7.0])
    MannKendall(S = 9, z = 2.021, p = 4.33e-2, n = 5, correction none)
    """
    return _core.mann_kendall(_figures(values), correction, lags)


def theil_sen(times: ArrayLike, values: ArrayLike, *, level: float = 0.90) -> _core.TheilSen:
    """The Theil-Sen line: its slope is the median of the slopes between all pairs of points.

    times : array-like, one-dimensional, in any order and spacing, as numbers in any unit
    values : array-like, one for each time, in any unit; NaN where missing
    level : float. How often the interval shall hold the true slope, 0.5 to 0.999

    Pairs at one time have no slope. Of an even number of slopes, the mean of the two in the middle. The
    interval has the slopes of ranks (N ∓ z σ)/2, with N the number of slopes and σ² = [n (n - 1)(2 n + 5) -
    Σ t (t - 1)(2 t + 5)]/18 over groups of t equal times and of t equal values. It holds for independent
    values, and is too narrow for those that hang together; NaN where ties leave no σ². Slopes are selected,
    not listed, in a time that grows as n log n, always to the same figure, exact to the rounding of one
    slope.

    Returns: TheilSen, with slope (an Estimate, in the values' unit per unit of time), intercept (median of
    values - slope × median of times: where the line stands at time 0; it has no interval), pairs and
    missing.
    Raises: SeriesError for fewer than two times with values, a value without a time, or an infinite figure;
    RangeError for the level.
    Source: P. K. Sen, J. Am. Stat. Assoc. 63 (1968) 1379, as scipy.stats.theilslopes applies it; M. B.
    Dillencourt, D. M. Mount and N. S. Netanyahu, Int. J. Comput. Geom. Appl. 2 (1992) 1 (from memory).

    >>> theil_sen([0, 1, 2, 3, 4, 10], [1.0, 3.0, 5.0, 70.0, 9.0, 21.0]).slope.value
    2.0
    """
    return _core.theil_sen(_figures(times), _figures(values), level)


def year_on_year(
    times_days: ArrayLike,
    values: ArrayLike,
    *,
    change: Literal["ratio", "difference"] = "ratio",
    tolerance_days: float = 1.0,
    level: float = 0.90,
) -> _core.YearOnYear:
    """The median change from one year to the next; the season cancels, without a model of it.

    times_days : array-like, one-dimensional, in any order. Days since whenever, such as `(log.time() -
        log.time()[0]) / np.timedelta64(1, "D")`
    values : array-like, one for each time, in any unit; NaN where missing
    change : "ratio" for value / value a year before - 1, "difference" for value - value a year before
    tolerance_days : float. How far from 365.2425 d the time between the two may be, 0 to 90 d. Of each
        value's possible partners the nearest is taken
    level : float. How often the interval shall hold the true median, 0.5 to 0.999

    Interval: order statistics of the changes (sign test), of ranks n/2 ∓ t √(n ω)/2. ω is the sum of the
    autocorrelations of the signs of change - median, at least 1; t is Student's with n/ω - 1 degrees of
    freedom. NaN where n/ω is too small for it. 90 % intervals cover 93 to 100 % in simulations of two to
    five years of days or months with noise of lag-1 correlation up to 0.97. What made a whole year better
    or worse than the next is in the median but not in its interval.

    Returns: YearOnYear, with change (an Estimate), dependence (ω), unpaired and missing.
    Raises: SeriesError where no two values are a year apart, for a ratio to a value of 0 or less, a value
    without a time, or an infinite figure; RangeError for the tolerance or the level.
    Source: the pairing is common practice, no source; the bandwidth of ω is that of D. W. K. Andrews,
    Econometrica 59 (1991) 817 (from memory).

    >>> days = np.arange(1461.0)
    >>> season = 1.0 + 0.2 * np.sin(2.0 * np.pi * days / 365.2425)
    >>> found = year_on_year(days, 40.0 * 0.97 ** (days / 365.2425) * season)
    >>> round(found.change.value, 3)
    -0.03
    """
    return _core.year_on_year(_figures(times_days), _figures(values), change, tolerance_days, level)


def change_points(
    values: ArrayLike | Sequence[ArrayLike],
    *,
    penalty: float | None = None,
    changes: int | None = None,
    cost: Literal["level", "line"] = "level",
    min_size: int = 3,
    times: ArrayLike | None = None,
    noise: float | Sequence[float] | None = None,
) -> _core.ChangePoints:
    """The rows at which one or several series change, found exactly: no other choice of rows costs less.

    values : array-like, one-dimensional, in the order of time; or a sequence of such, of one length, that
        change together. Any unit; a missing one (NaN) costs nothing. Of a two-dimensional array each row is
        a series
    penalty : float. What a change must lower the cost by, above 0. 2 to 3 ln n for each figure that it adds
        (1 for a level, 2 for a line, of each series) is common where noise is independent; noise that hangs
        together needs more. Either this or `changes`
    changes : int. So many changes
    cost : "level" for the squares about the mean of each stretch, "line" for those about its straight line
        against `times` (lines need not meet)
    min_size : int. The least number of rows of a stretch, missing ones counted; 1 or more, 2 or more for
        lines
    times : array-like, rising, as numbers in any unit; for lines alone
    noise : float, or one for each series. The standard deviation of its noise, in its unit: costs are in
        terms of its square. 1 where None

    Minimised is the sum of squares, each series' over noise², plus the penalty for each change. With a
    penalty: optimal partitioning, pruned of what can never be best again, which never changes the result;
    time from O(n) where there are changes throughout to O(n²) where there are none. With `changes`: dynamic
    programming, O(n² changes). No interval is given for the rows. Costs are exact to rounding; differences
    of prefix sums are taken only where they keep the cost of each stretch within 1e-9 of the penalty, so
    levels may be as far apart as they like.

    Returns: ChangePoints, with rows (the first of each stretch but the first, from 0), cost, n and missing.
    Raises: SeriesError for series of different lengths or without a value, infinite figures, and settings
    as above.
    Source: B. Jackson et al., IEEE Signal Processing Letters 12 (2005) 105; R. Killick, P. Fearnhead and I.
    A. Eckley, J. Am. Stat. Assoc. 107 (2012) 1590 (both from memory; checked against ruptures 1.1.10).

    >>> change_points([1.0, 1.2, 0.9, 5.1, float("nan"), 4.8, 5.0], penalty=8.0, noise=0.5)
    ChangePoints(rows [3] of 7, each stretch a level, cost 0.3733)
    """
    if isinstance(values, Sequence) and values and np.ndim(values[0]) > 0:
        series = [_figures(each) for each in values]
    else:
        series = list(np.atleast_2d(_figures(cast("ArrayLike", values))))
    return _core.change_points(
        series,
        penalty,
        changes,
        cost,
        min_size,
        None if times is None else _figures(times),
        None if noise is None else [float(each) for each in np.atleast_1d(noise)],
    )
