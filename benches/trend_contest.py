"""Times change points, slopes and trend tests beside libraries of the same trade."""

from __future__ import annotations

import math
from collections.abc import Callable
from itertools import pairwise
from statistics import median

import numpy as np
import pymannkendall
import ruptures
import statsmodels.api as sm
from harness import Times, faster_than, race, show, show_ratio
from plant import Array
from scipy.stats import theilslopes

import brinemark as bm

# A change must pay for itself: the usual penalty of a level, for noise of 1.
PENALTY_PER_LOG = 3.0


class ChangePointContest:
    """Noise of 1 about levels that change every so many rows, or never."""

    def __init__(self, rows: int, stretch: int | None) -> None:
        random = np.random.default_rng(rows)
        self.values: Array = random.normal(size=rows)
        if stretch is not None:
            levels = random.normal(scale=3.0, size=rows // stretch + 1)
            self.values = self.values + np.repeat(levels, stretch)[:rows]
        self.penalty = PENALTY_PER_LOG * math.log(rows)

    def brinemark(self) -> list[int]:
        found = bm.change_points(self.values, penalty=self.penalty, min_size=2)
        return [*found.rows, self.values.size]

    def ruptures(self) -> list[int]:
        found = ruptures.KernelCPD(kernel="linear", min_size=2).fit(self.values).predict(pen=self.penalty)
        return [int(row) for row in found]


class SlopeContest:
    """Values about a slope at uneven times, with ties."""

    def __init__(self, rows: int) -> None:
        random = np.random.default_rng(rows)
        self.times: Array = np.cumsum(random.exponential(size=rows))
        self.values: Array = np.round(random.normal(size=rows) + 2.0 * self.times / rows, 3)

    def slope(self) -> list[float]:
        found = bm.theil_sen(self.times, self.values, level=0.95).slope
        return [found.value, found.low, found.high]

    def slope_in_scipy(self) -> list[float]:
        found = theilslopes(self.values, self.times, 0.95)
        return [float(found.slope), float(found.low_slope), float(found.high_slope)]

    def test(self) -> list[float]:
        found = bm.mann_kendall(self.values)
        return [float(found.s), found.variance, found.z]

    def test_in_pymannkendall(self) -> list[float]:
        found = pymannkendall.original_test(self.values)
        return [float(found.s), float(found.var_s), float(found.z)]

    def must_agree(self) -> None:
        np.testing.assert_allclose(self.slope(), self.slope_in_scipy(), rtol=1e-13)
        np.testing.assert_allclose(self.test(), self.test_in_pymannkendall(), rtol=1e-12)


def bench_change_points(rows: int, rounds: int) -> None:
    for what, stretch in (("a change every 500 rows", 500), ("no change", None)):
        contest = ChangePointContest(rows, stretch)
        found, expected = contest.brinemark(), contest.ruptures()
        if found != expected:
            raise AssertionError(f"the contestants don't agree: {found}, {expected}")
        seconds = race({"brinemark": contest.brinemark, "ruptures": contest.ruptures}, rounds)
        show(f"Exact change points of {rows} rows, {what}; same {len(found) - 1} found", seconds)
        print("  (ruptures: KernelCPD with the linear kernel, compiled)")
        faster_than("ruptures", seconds, "brinemark", 20.0)


def bench_growth(rows: int, rounds: int) -> None:
    """One size beside libraries that look at all pairs; then how the time grows with the size."""
    SlopeContest(min(rows, 2_000)).must_agree()
    contest = SlopeContest(rows)
    seconds = race({"brinemark": contest.slope, "scipy": contest.slope_in_scipy}, min(rounds, 3))
    show(f"Theil-Sen slope and interval of {rows} points", seconds)
    faster_than("scipy", seconds, "brinemark")
    seconds = race(
        {"brinemark": contest.test, "pymannkendall": contest.test_in_pymannkendall}, min(rounds, 3)
    )
    show(f"Mann-Kendall test of {rows} points", seconds)
    faster_than("pymannkendall", seconds, "brinemark")
    sizes = [rows, 10 * rows, 100 * rows]
    contests = [SlopeContest(size) for size in sizes]
    of: dict[str, Callable[[SlopeContest], object]] = {
        "Theil-Sen": SlopeContest.slope,
        "Mann-Kendall": SlopeContest.test,
    }
    for name, run in of.items():
        runs = {
            str(size): lambda c=contest, run=run: run(c)
            for size, contest in zip(sizes, contests, strict=True)
        }
        show_growth(name, race(runs, min(rounds, 3)))


def show_growth(name: str, seconds: Times) -> None:
    """Ten times the points, over what n log n makes of the time."""
    show(f"{name} by number of points", seconds)
    for few, many in pairwise(seconds):
        expected = int(many) * math.log(int(many)) / (int(few) * math.log(int(few)))
        growth = median(seconds[many]) / median(seconds[few]) / expected
        show_ratio(f"{few} to {many}, over n log n", growth, "below 2", growth < 2.0)


def bench_smoother(rows: int, rounds: int) -> None:
    """A level with a rate, beside statsmodels' compiled smoother, and with a hundred times the rows."""
    noise, bend, walk = 1.0, 0.01, 0.05

    def series(size: int) -> Array:
        random = np.random.default_rng(size)
        slope = np.cumsum(random.normal(0.0, bend, size))
        return np.cumsum(slope + random.normal(0.0, walk, size)) + random.normal(0.0, noise, size)

    def ours(values: Array) -> dict[str, Array]:
        # In discrete time the rate moves the level by a whole step before it changes itself.
        found: dict[str, Array] = bm.smooth_local_trend(
            np.arange(values.size, dtype=float),
            values,
            noise=noise,
            bend=bend,
            walk=walk,
            level=0.0,
            level_u=100.0,
            rate=0.0,
            rate_u=1.0,
        )
        return found

    def theirs(values: Array) -> Array:
        model = sm.tsa.UnobservedComponents(values, "lltrend")
        model.ssm.initialize_known(np.zeros(2), np.diag([100.0**2, 1.0]))
        smoothed = model.smooth([noise**2, walk**2, bend**2])
        level: Array = smoothed.smoothed_state[0]
        return level

    values = series(rows)
    off = float(np.max(np.abs(ours(values)["level"] - theirs(values))))
    if off > 0.02 * noise:
        raise AssertionError(f"the contestants don't agree: {off}")
    print(f"\nSmoothed levels agree within {off:.1e} of noise {noise} (continuous beside discrete time).")
    seconds = race({"brinemark": lambda: ours(values), "statsmodels": lambda: theirs(values)}, rounds)
    show(f"Smooth {rows} values: level and rate with their uncertainties", seconds)
    faster_than("statsmodels", seconds, "brinemark", 10.0)
    few, many = series(rows), series(100 * rows)
    growth = race({"few": lambda: ours(few), "many": lambda: ours(many)}, max(rounds // 2, 1))
    ratio = median(growth["many"]) / median(growth["few"]) / 100
    show_ratio(f"{rows} to {100 * rows} values, over n", ratio, "below 2", ratio < 2.0)


def bench_trend(rows: int, rounds: int) -> None:
    """All of it: a contest more is a line more."""
    bench_smoother(rows, rounds)
    bench_change_points(rows, rounds)
    bench_growth(rows, rounds)
