"""Times how sure each figure is: brinemark beside NumPy, by propagation and by chance."""

from __future__ import annotations

import numpy as np
import uncertainty_in_numpy
from harness import faster_than, must_agree, race, relative_difference, show
from plant import OUTPUTS, UNITS, Array, readings, times
from uncertainty_in_numpy import SIMULATED, SITE_WITH_INSTRUMENTS, steps

import brinemark as bm

LEVEL = 0.90
# Differences of the figures, and of the uncertainties: NumPy's are those of differences.
LIMITS = {"figures": 1e-9, "uncertainties": 1e-6}


class UncertaintyContest:
    """The same readings and the same instruments in each contestant's own form."""

    def __init__(self, rows: int) -> None:
        self.arrays = readings(rows)
        columns = {f"{name} [{UNITS[name]}]": values for name, values in self.arrays.items()}
        self.log = bm.read_log({"time": times(rows), **columns}, tz="UTC")
        self.site = bm.Site.parse(SITE_WITH_INSTRUMENTS)

    def brinemark(self) -> bm.Result:
        return bm.normalise(self.log, self.site, screen=False)

    def numpy(self) -> dict[str, Array]:
        return uncertainty_in_numpy.propagation(self.arrays)

    def differences(self) -> dict[str, float]:
        """How far brinemark's figures are from NumPy's."""
        result, expected = self.brinemark(), self.numpy()
        # The law of temperature has a kink at 25 degC, over which no difference is a derivative.
        smooth = np.abs(self.arrays["feed_temperature"] - 25.0) > steps(self.arrays)["feed_temperature"]

        def largest(names: list[str]) -> float:
            return max(
                relative_difference(result.column(name)[smooth], expected[name][smooth]) for name in names
            )

        # A change may be near zero; it is the figure beside it, less 1.
        return {
            "figures": largest([name for name in OUTPUTS if not name.endswith("_change")]),
            "uncertainties": largest([f"{name}_u" for name in OUTPUTS]),
        }


class MonteCarloContest(UncertaintyContest):
    """The same, by chance."""

    def __init__(self, rows: int, draws: int) -> None:
        super().__init__(rows)
        self.draws = draws
        self.result = self.brinemark()

    def brinemark_draws(self) -> dict[str, dict[str, Array]]:
        return bm.monte_carlo(self.result, SIMULATED, draws=self.draws, seed=1, level=LEVEL)

    def numpy_draws(self) -> dict[str, dict[str, Array]]:
        return uncertainty_in_numpy.monte_carlo(self.arrays, SIMULATED, self.draws, LEVEL, shared=False)

    def numpy_shared_draws(self) -> dict[str, dict[str, Array]]:
        return uncertainty_in_numpy.monte_carlo(self.arrays, SIMULATED, self.draws, LEVEL, shared=True)

    def noise(self) -> float:
        """The largest difference, in standard deviations of the difference of two sets of draws."""
        found, expected = self.brinemark_draws(), self.numpy_shared_draws()
        # Of a mean, a standard deviation and a 5 % quantile of normal draws, in standard deviations
        # of one draw; 0.103 is the density at that quantile.
        mean, deviation = 1.0 / self.draws**0.5, 1.0 / (2.0 * self.draws) ** 0.5
        quantile = (0.05 * 0.95 / self.draws) ** 0.5 / 0.103
        of_one = {"mean": mean, "u": deviation, "low": quantile, "high": quantile}
        differences = [
            np.max(np.abs(found[name][what] - expected[name][what]) / expected[name]["u"])
            / (2.0**0.5 * noise)
            for name in SIMULATED
            for what, noise in of_one.items()
        ]
        return float(np.max(differences))


def bench_propagation(rows: int, rounds: int) -> None:
    contest = UncertaintyContest(rows)
    must_agree(contest.differences(), LIMITS)
    seconds = race({"brinemark": contest.brinemark, "NumPy, differences": contest.numpy}, rounds)
    show(f"Normalise {rows} rows with the uncertainty of all {len(OUTPUTS)} outputs", seconds)
    faster_than("NumPy, differences", seconds, "brinemark", 8.0)


def bench_monte_carlo(rows: int, rounds: int) -> None:
    draws = 1000
    contest = MonteCarloContest(rows, draws)
    noise = contest.noise()
    if not noise <= 4.0:
        raise AssertionError(f"the contestants differ by {noise:.1f} standard deviations")
    print(f"\nSame figures within the noise of {draws} draws: at most {noise:.1f} standard deviations")
    seconds = race(
        {
            "brinemark (one set for all rows)": contest.brinemark_draws,
            "NumPy": contest.numpy_draws,
            "NumPy, one set for all rows": contest.numpy_shared_draws,
        },
        rounds,
    )
    show(f"Monte Carlo of {len(SIMULATED)} outputs, {rows} rows, {draws} draws", seconds)
    faster_than("NumPy", seconds, "brinemark (one set for all rows)", 10.0)
    faster_than("NumPy, one set for all rows", seconds, "brinemark (one set for all rows)")
