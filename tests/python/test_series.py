"""Statistics of series and change points, beside libraries of the same trade."""

from __future__ import annotations

import math
from itertools import pairwise
from typing import Any, Literal

import numpy as np
import pymannkendall
import pytest
import ruptures
import statsmodels.datasets
from hypothesis import assume, given, strategies as st
from numpy.typing import NDArray
from scipy.stats import theilslopes

import brinemark as bm

Array = NDArray[np.float64]
SEEDS = range(12)


@pytest.fixture(scope="module")
def nile() -> Array:
    return np.asarray(statsmodels.datasets.nile.load_pandas().data["volume"], dtype=np.float64)


def wandering(seed: int, n: int) -> Array:
    """Values that hang together, with a trend in every third series and ties in every second."""
    random = np.random.default_rng(seed)
    values = np.empty(n)
    last = 0.0
    for at, noise in enumerate(random.normal(size=n)):
        last = 0.6 * last + noise
        values[at] = last + (0.02 * at if seed % 3 == 0 else 0.0)
    return np.round(values, 1) if seed % 2 == 0 else values


@pytest.mark.parametrize("seed", SEEDS)
@pytest.mark.parametrize(
    ("correction", "theirs"),
    [
        ("none", pymannkendall.original_test),
        ("hamed-rao", pymannkendall.hamed_rao_modification_test),
        ("yue-wang", pymannkendall.yue_wang_modification_test),
    ],
)
def test_mann_kendall_is_the_librarys(
    seed: int, correction: Literal["none", "hamed-rao", "yue-wang"], theirs: Any
) -> None:
    values = wandering(seed, 20 + 13 * seed)
    for lags in (None, 4):
        settings = {} if lags is None or correction == "none" else {"lag": lags}
        expected = theirs(values, **settings)
        found = bm.mann_kendall(values, correction=correction, lags=lags)
        assert found.s == expected.s
        assert found.variance == pytest.approx(expected.var_s, rel=1e-9)
        # Where the correction leaves no variance, theirs is not a number either.
        assert found.z == pytest.approx(expected.z, rel=1e-9, nan_ok=True)
        assert found.p == pytest.approx(expected.p, rel=1e-6, abs=1e-15, nan_ok=True)


def test_missing_values_are_left_out_and_counted() -> None:
    values = wandering(3, 200)
    values[[0, 17, 18, 199]] = np.nan
    expected = pymannkendall.original_test(values)
    found = bm.mann_kendall(values)
    assert (found.s, found.n, found.missing) == (expected.s, 196, 4)
    assert found.z == pytest.approx(expected.z, rel=1e-12)
    days = np.cumsum(np.random.default_rng(3).exponential(size=200))
    there = ~np.isnan(values)
    line = bm.theil_sen(days, values)
    assert line.missing == 4
    assert line.slope.value == bm.theil_sen(days[there], values[there]).slope.value


NUMBERS = st.one_of(
    st.integers(-5, 5).map(float),
    st.floats(-100.0, 100.0, allow_subnormal=False),
    st.integers(0, 40).map(lambda tenths: 0.1 * tenths),
)


@given(st.lists(st.tuples(NUMBERS, NUMBERS), min_size=3, max_size=80), st.sampled_from([0.6, 0.9, 0.95]))
def test_theil_sen_is_the_librarys(points: list[tuple[float, float]], level: float) -> None:
    times, values = np.array(points).T
    assume(np.unique(times).size > 1)
    assume(np.diff(np.unique(times)).min() > 1e-90)
    with np.errstate(invalid="ignore"):
        expected = theilslopes(values, times, level, method="separate")
    found = bm.theil_sen(times, values, level=level)
    assert found.slope.value == pytest.approx(expected.slope, rel=1e-13, abs=1e-300)
    assert found.intercept == pytest.approx(expected.intercept, rel=1e-12, abs=1e-12)
    if math.isnan(found.slope.low):
        # Ties leave no variance: theirs is nothing, or a width of none.
        assert np.isnan(expected.low_slope) or expected.low_slope == expected.high_slope
    else:
        assert found.slope.low == pytest.approx(expected.low_slope, rel=1e-13, abs=1e-300)
        assert found.slope.high == pytest.approx(expected.high_slope, rel=1e-13, abs=1e-300)


@pytest.mark.parametrize("seed", range(4))
def test_theil_sen_of_many_points(seed: int) -> None:
    # Enough of them that slopes are selected, not listed; uneven times, ties in both, hours since 1970.
    random = np.random.default_rng(seed)
    times = 480_000.0 + np.cumsum(random.exponential(size=700))
    times[100:110] = times[100]
    values = np.round(random.normal(size=700) + 0.003 * times, 1 + seed)
    for level in (0.9, 0.99):
        expected = theilslopes(values, times, level)
        found = bm.theil_sen(times, values, level=level).slope
        for ours, theirs in (
            (found.value, expected.slope),
            (found.low, expected.low_slope),
            (found.high, expected.high_slope),
        ):
            assert ours == pytest.approx(theirs, rel=1e-14)


def test_theil_sen_reads_well(nile: Array) -> None:
    found = bm.theil_sen(np.arange(1871.0, 1971.0), nile, level=0.95)
    assert repr(found) == ("TheilSen(−2.6 per unit of time (95 % interval −3.6279 to −1.4286, n = 100))")
    assert "Sen" in found.slope.method
    assert found.pairs == 4950


def stepping(seed: int, n: int, series: int = 1) -> Array:
    random = np.random.default_rng(seed)
    levels = np.repeat(random.normal(scale=3.0, size=(series, n // 25 + 1)), 25, axis=1)[:, :n]
    return np.asarray(levels + random.normal(size=(series, n)))


@pytest.mark.parametrize("seed", SEEDS)
@pytest.mark.parametrize("min_size", [1, 2, 9])
def test_levels_change_where_the_library_says(seed: int, min_size: int) -> None:
    n = 150 + 17 * seed
    penalty = 0.5 + seed
    values = stepping(seed, n)[0]
    expected = ruptures.KernelCPD(kernel="linear", min_size=min_size).fit(values).predict(pen=penalty)
    found = [*bm.change_points(values, penalty=penalty, min_size=min_size).rows, n]
    if found != expected:
        # Theirs leaves out starts too soon where a stretch has a least length: then ours must cost less.
        assert min_size > 1
        assert total(values, found, penalty) < total(values, expected, penalty) - 1e-9


def total(values: Array, ends: list[int], penalty: float) -> float:
    stretches = [values[start:end] for start, end in pairwise([0, *ends])]
    return sum(float(np.sum((each - each.mean()) ** 2)) + penalty for each in stretches)


@pytest.mark.parametrize("seed", range(4))
def test_several_series_change_where_the_library_says(seed: int) -> None:
    noise = [0.5, 2.0, 7.0]
    values = stepping(seed, 200, 3)
    expected = ruptures.KernelCPD(kernel="linear", min_size=3).fit(values.T).predict(pen=15.0)
    scaled = values * np.array(noise)[:, None]
    found = bm.change_points(list(scaled), penalty=15.0, noise=noise)
    assert [*found.rows, 200] == expected
    assert bm.change_points(scaled, penalty=15.0, noise=noise).rows == found.rows


@pytest.mark.parametrize("changes", [0, 1, 4])
def test_so_many_changes(changes: int) -> None:
    values = stepping(changes, 120)[0]
    found = bm.change_points(values, changes=changes, min_size=2)
    expected = [120]
    if changes:
        expected = ruptures.Dynp(model="l2", min_size=2, jump=1).fit(values).predict(n_bkps=changes)
    assert [*found.rows, 120] == expected
    assert found.penalty is None


@pytest.mark.parametrize("seed", range(4))
def test_lines_change_where_the_library_says(seed: int) -> None:
    random = np.random.default_rng(seed)
    times = 1e5 + np.cumsum(random.exponential(size=70))
    values = random.normal(size=70) + np.concatenate([0.8 * np.arange(30.0), 20.0 - np.arange(40.0)])
    # Theirs wants the values, then what they are fitted to.
    signal = np.column_stack([values, times - times[0], np.ones(70)])
    expected = ruptures.Dynp(model="linear", min_size=3, jump=1).fit(signal).predict(n_bkps=2)
    found = bm.change_points(values, changes=2, cost="line", times=times)
    assert [*found.rows, 70] == expected


def test_nile_changes_once(nile: Array) -> None:
    for factor in (1.0, 2.0, 3.0):
        found = bm.change_points(nile, penalty=factor * math.log(100.0), noise=float(np.std(nile, ddof=1)))
        assert found.rows == [28]
    assert repr(found) == "ChangePoints(rows [28] of 100, each stretch a level, cost 55.7811)"


def test_missing_values_cost_nothing() -> None:
    values = stepping(5, 300)[0]
    there = np.random.default_rng(5).random(300) > 0.3
    found = bm.change_points(np.where(there, values, np.nan), penalty=12.0, min_size=1)
    alone = bm.change_points(values[there], penalty=12.0, min_size=1)
    assert found.cost == pytest.approx(alone.cost, rel=1e-12)
    assert found.missing == [int((~there).sum())]
    assert len(found.rows) == len(alone.rows) > 3


def test_year_on_year_is_that_of_numpy() -> None:
    days = np.arange(1200.0)
    values = 50.0 - days / 100.0 + np.random.default_rng(2).normal(size=1200)
    found = bm.year_on_year(days, values)
    expected = values[365:] / values[:-365] - 1.0
    assert found.change.value == pytest.approx(float(np.median(expected)), rel=1e-12)
    assert (found.change.n, found.unpaired, found.missing) == (835, 365, 0)
    assert found.change.low < found.change.value < found.change.high
    assert found.dependence >= 1.0
    assert repr(found).startswith("YearOnYear(−")
    difference = bm.year_on_year(days, values, change="difference", tolerance_days=0.5, level=0.95).change
    assert difference.value == pytest.approx(float(np.median(values[365:] - values[:-365])), rel=1e-12)
    assert (difference.unit, difference.level) == ("per year", 0.95)


def test_what_is_wrong_is_named() -> None:
    for refused, said in (
        (lambda: bm.mann_kendall([1.0, 2.0]), "at least 4"),
        (lambda: bm.mann_kendall([1.0] * 9, correction="hamed"), "did you mean 'hamed-rao'"),  # type: ignore[arg-type]
        (lambda: bm.theil_sen([1.0, 2.0], [1.0]), "2 times for 1 values"),
        (lambda: bm.year_on_year([0.0, 20.0], [1.0, 2.0]), "a year apart"),
        (lambda: bm.change_points([1.0, 2.0, 3.0]), "neither a penalty nor"),
        (lambda: bm.change_points([1.0, 2.0, 3.0], penalty=1.0, changes=1), "one of the two"),
        (lambda: bm.change_points([], penalty=1.0), "no values"),
        (lambda: bm.change_points([[1.0, 2.0, 3.0], [1.0]], penalty=1.0), "series 2"),
    ):
        with pytest.raises(bm.SeriesError, match=said):
            refused()
    with pytest.raises(bm.RangeError, match="level"):
        bm.theil_sen([0.0, 1.0], [1.0, 2.0], level=1.0)
