"""Trains compared: the mathematics against scipy, statsmodels and NIST, and what a user sees."""

from __future__ import annotations

import dataclasses
import json
from pathlib import Path
from typing import Any

import numpy as np
import pytest
import scipy.stats
from numpy.typing import NDArray
from statsmodels.regression.linear_model import OLS
from statsmodels.stats.multitest import multipletests
from statsmodels.stats.power import TTestPower
from statsmodels.stats.weightstats import ttost_ind

import brinemark as bm
from brinemark import cli, plot

Array = NDArray[np.float64]

SITE = """
[site]
name = "Two trains"
[element]
area = "37.2 m2"
[[stage]]
vessels = 2
elements_per_vessel = 3
[temperature]
law = "standard-practice"
[salinity]
basis = "sodium-chloride"
[reference]
kind = "design"
permeate_flow = "4.6 m3/h"
feed_temperature = "20 degC"
feed_pressure = "12 bar"
differential_pressure = "0.8 bar"
permeate_pressure = "0.3 bar"
feed_tds = "900 mg/L"
permeate_tds = "12 mg/L"
recovery = "75 %"
"""
DAYS = 240
TRIAL = 120


def plant(*, fouls: float = 0.4, lower: float = 0.5, warmer: float = 0.0) -> dict[str, Any]:
    """Trains A and B, a reading a day; B fouls so much more slowly from the trial's first day on."""
    day = np.arange(DAYS)
    random = np.random.default_rng(4)
    trains = []
    for number in range(2):
        pace = np.where((day >= DAYS - TRIAL) & (number == 1), fouls * (1 - lower), fouls)
        flow = 5.0 * np.exp(-np.cumsum(pace) / 365.25 + random.normal(0, 0.01, DAYS))
        trains.append(
            {
                "time": np.datetime64("2025-01-01T12:00") + day * np.timedelta64(1, "D"),
                "train": np.full(DAYS, "AB"[number]),
                "feed_temperature [degC]": 20 + np.sin(day / 20) + warmer * number,
                "feed_pressure [bar]": np.full(DAYS, 12.0),
                "differential_pressure [bar]": 0.8 * np.exp(random.normal(0, 0.02, DAYS)),
                "permeate_pressure [bar]": np.full(DAYS, 0.3),
                "permeate_flow [m3/h]": flow,
                "feed_flow [m3/h]": flow / 0.75,
                "feed_tds [mg/L]": np.full(DAYS, 900.0),
                "permeate_tds [mg/L]": 12.0 * np.exp(random.normal(0, 0.02, DAYS)),
            }
        )
    return {name: np.concatenate([train[name] for train in trains]) for name in trains[0]}


def normalised(**how: float) -> bm.Result:
    """The plant's log, like for like."""
    return bm.normalise(bm.read_log(plant(**how), tz="UTC", sort=True), bm.Site.parse(SITE))


@pytest.fixture(scope="module")
def result() -> bm.Result:
    """Trains of which one fouls half as fast in the trial."""
    return normalised()


START = "2025-05-01"


def arms(result: bm.Result, **more: Any) -> list[bm.Arm]:
    """Old pretreatment in train A, new in train B."""
    return [
        bm.Arm(result=result, treatment=treatment, train=train, start=START, **more)
        for treatment, train in (("old", "A"), ("new", "B"))
    ]


@pytest.fixture(scope="module")
def trial(result: bm.Result) -> bm.Comparison:
    """The trial, with prices and a placebo."""
    return bm.compare(
        arms(result),
        prices=bm.TrialPrices(energy_per_kwh=0.2, water_per_m3=0.1),
        placebo=("2025-01-01", START),
    )


# --- against other libraries -----------------------------------------------------------------------------


def nist() -> list[Path]:
    """NIST's sets for the analysis of variance, as scipy ships them with its tests."""
    # https://www.itl.nist.gov/div898/strd/anova/anova.html
    return sorted((Path(scipy.stats.__file__).parent / "tests/data/nist_anova").glob("*.dat"))


@pytest.mark.parametrize("path", nist(), ids=lambda path: path.stem)
def test_analysis_of_variance_of_nist(path: Path) -> None:
    lines = path.read_text().splitlines()
    rows = [line.split() for line in lines[60:] if line.strip()]
    group = np.array([float(row[0]) for row in rows])
    value = np.array([float(row[1]) for row in rows])
    between = next(line.split() for line in lines if line.startswith("Between"))
    certified_f = float(between[-1])
    certified = float(lines[next(at for at, line in enumerate(lines) if "Residual" in line) + 1].split()[-1])
    names = np.unique(group)
    columns = [(group == name).astype(float) for name in names]

    def of(weights: Array) -> bm.Contrast:
        # Leading digits are taken off first, exactly, as NIST advises for numbers that begin alike.
        return bm.contrast(np.arange(value.size), value - value[0], columns, list(weights), independent=True)

    mean = np.array([column.mean() for column in columns])
    counts = np.array([column.sum() for column in columns])
    found = [of(np.eye(names.size)[at] - mean).estimate.value for at in range(names.size)]
    variance = of(mean).deviation ** 2
    f = float(counts @ np.square(found)) / (names.size - 1) / variance
    # Sets with 7 to 13 leading digits that are alike lose as many in the figures themselves.
    digits = {"SmLs04": 1e-8, "SmLs05": 1e-8, "SmLs06": 1e-8, "SmLs07": 2e-3, "SmLs08": 2e-3, "SmLs09": 2e-3}
    near = digits.get(path.stem, 1e-10)
    assert np.sqrt(variance) == pytest.approx(certified, rel=near)
    assert f == pytest.approx(certified_f, rel=near)


def test_there_are_sets_of_nist() -> None:
    assert len(nist()) == 11


def test_a_line_is_statsmodels_line() -> None:
    random = np.random.default_rng(1)
    time = np.sort(random.uniform(0, 50, 40))
    value = 0.3 * time + random.normal(0, 1, 40)
    found = bm.contrast(time, value, [np.ones(40), time], [0, 1], independent=True, level=0.9)
    expected = OLS(value, np.column_stack([np.ones(40), time])).fit()
    assert found.estimate.value == pytest.approx(expected.params[1], rel=1e-10)
    assert (found.estimate.low, found.estimate.high) == pytest.approx(
        tuple(expected.conf_int(0.1)[1]), rel=1e-8
    )
    assert found.p == pytest.approx(expected.pvalues[1], rel=1e-6)


@pytest.mark.parametrize("seed", range(5))
def test_welch_and_equivalence(seed: int) -> None:
    random = np.random.default_rng(seed)
    first, second = random.normal(0.2, 1, 8 + seed), random.normal(0, 2, 12)
    found = bm.means_differ(first, second, margin=1.5, level=0.95)
    expected = scipy.stats.ttest_ind(first, second, equal_var=False)
    assert found.p == pytest.approx(expected.pvalue, rel=1e-6)
    interval = expected.confidence_interval(0.95)
    assert (found.estimate.low, found.estimate.high) == pytest.approx((interval.low, interval.high), rel=1e-6)
    _, below, above = ttost_ind(first, second, -1.5, 1.5, usevar="unequal")
    assert found.p_below_margin == pytest.approx(below[1], rel=1e-6)
    assert found.p_above_margin == pytest.approx(above[1], rel=1e-6)


def test_holm_is_that_of_statsmodels() -> None:
    p = np.random.default_rng(2).uniform(0, 0.2, 20)
    assert bm.holm(p.tolist()) == pytest.approx(multipletests(p, method="holm")[1].tolist(), rel=1e-12)


def test_single_blocks_are_the_plain_bootstrap() -> None:
    values = np.random.default_rng(4).exponential(1.0, 60)
    drawn = bm.block_bootstrap(values, block=1.0, draws=20_000, seed=1)
    expected = scipy.stats.bootstrap(
        (values,), np.mean, n_resamples=20_000, method="percentile", confidence_level=0.9, rng=5
    )
    interval = np.quantile(drawn, [0.05, 0.95])
    assert interval == pytest.approx(expected.confidence_interval, abs=0.15 * expected.standard_error)
    assert np.array_equal(drawn, bm.block_bootstrap(values, block=1.0, draws=20_000, seed=1))


def test_the_block_length_is_that_of_its_formula() -> None:
    # For exact autocovariances of an autoregression the definition gives [2 r/(1 − r²)]^⅔ n^⅓ (worked out by
    # hand from Politis and White (2004), section 3).
    n, r = 20_000, 0.5
    found = []
    for seed in range(20):
        new = np.random.default_rng(seed).normal(size=n)
        series = np.empty(n)
        last = 0.0
        for at, step in enumerate(new):
            last = r * last + step
            series[at] = last
        found.append(bm.block_length(series))
    assert np.mean(found) == pytest.approx((2 * r / (1 - r * r)) ** (2 / 3) * n ** (1 / 3), rel=0.12)


@pytest.mark.parametrize("weeks", [12, 26])
def test_power_is_that_of_students_test_where_noise_is_independent(weeks: int) -> None:
    noise, rate, reduction = 0.02, 0.4 * 26 / weeks, 0.2
    n = 7 * weeks
    spread = np.std(np.arange(n) / 365.25)
    # A slope is a mean with n − 2 degrees of freedom.
    expected = TTestPower().power(rate * reduction * spread / noise, nobs=n, alpha=0.05, df=n - 2)
    found = bm.trial_power(
        noise=noise,
        wander_share=0,
        wander_days=1,
        fouling_rate_per_year=rate,
        reduction=reduction,
        weeks=weeks,
        draws=2000,
    )
    # The trial's analysis does not know that the noise is independent, and pays a little for it.
    assert expected - 0.08 < found < expected + 0.03


# --- what a user sees ------------------------------------------------------------------------------------


def test_the_truth_is_found(trial: bm.Comparison) -> None:
    fouling = trial.effect("fouling_rate")
    assert fouling.relative is not None
    assert fouling.difference is not None
    assert fouling.relative.low <= -0.5 <= fouling.relative.high
    assert fouling.difference.low <= -0.2 <= fouling.difference.high
    assert fouling.differs
    assert fouling.not_worse
    assert not fouling.equivalent
    assert fouling.verdict == "lower, no worse than the margin allows"
    salt = trial.effect("salt_passage")
    assert salt.equivalent
    assert trial.effect("water_used").relative is not None
    assert trial.effect("days_between_cleanings").missing is not None
    assert fouling.placebo is not None
    assert fouling.placebo.floor < abs(fouling.difference.value)


def test_it_says_what_it_is(trial: bm.Comparison) -> None:
    assert "\n" not in repr(trial)
    assert repr(trial).startswith(
        "Comparison(parallel, 2 arms, 8 effects: Fouling rate with 'new' against 'old': −"
    )
    assert "\n" not in repr(trial.effects[0])
    told = json.dumps(trial.to_dict(), allow_nan=False)
    back = json.loads(told)
    assert back["effects"][0]["relative"]["value"] == trial.effects[0].relative.value  # type: ignore[union-attr]
    assert back["family"] == trial.family > 3
    assert back["inputs"]
    assert back["version"] == bm.__version__
    with pytest.raises(dataclasses.FrozenInstanceError):
        trial.effects[0].p = 0.0  # type: ignore[misc]
    with pytest.raises(KeyError):
        trial.effect("fouling_rate", "another")


def test_one_train_by_itself_has_no_cost_without_prices(result: bm.Result) -> None:
    assert "cost" not in [effect.measure for effect in bm.compare(arms(result)).effects]


def test_costs_hold_what_a_treatment_costs(result: bm.Result) -> None:
    prices = bm.TrialPrices(energy_per_kwh=0.2)
    old, new = arms(result)
    dear = dataclasses.replace(new, treatment_cost=0.05)
    plain = bm.compare([old, new], prices=prices, measures=["cost"]).effect("cost")
    found = bm.compare([old, dear], prices=prices, measures=["cost"]).effect("cost")
    assert plain.of_treated is not None
    assert found.of_treated is not None
    # Energy: 12 bar · 1/0.75 of raw water for each permeate, by 36 and 0.65, at 0.2: worked by hand.
    by_hand = 12 / 0.75 / 36 / 0.65 * 0.2
    assert plain.of_treated.value == pytest.approx(by_hand, rel=1e-9)
    assert found.of_treated.value == pytest.approx(by_hand + 0.05, rel=1e-7)


def test_days_between_cleanings(result: bm.Result) -> None:
    old, new = arms(result)
    old = dataclasses.replace(old, cleanings=["2025-05-10", "2025-05-30", "2025-06-21", "2025-07-10"])
    new = dataclasses.replace(new, cleanings=["2025-05-10", "2025-06-20", "2025-08-03"])
    found = bm.compare([old, new], measures=["days_between_cleanings"]).effect("days_between_cleanings")
    assert found.relative is not None
    # Runs of 20, 22, 19 and of 41, 44 days: geometric means, by hand.
    by_hand = (41 * 44) ** (1 / 2) / (20 * 22 * 19) ** (1 / 3) - 1
    assert found.relative.value == pytest.approx(by_hand, rel=1e-9)
    assert found.differs
    assert found.not_worse


def test_unlike_arms_are_refused_or_marked() -> None:
    warm = arms(normalised(warmer=6.0))
    with pytest.raises(bm.SeriesError, match=r"temperature: medians .* degC of 'old' train A") as refusal:
        bm.compare(warm)
    assert "are wanted" in str(refusal.value)
    marked = bm.compare(warm, allow_unlike=True, measures=["fouling_rate"])
    assert marked.unlike
    assert "NOT LIKE FOR LIKE" in repr(marked)
    assert marked.sentence.startswith("NOT LIKE FOR LIKE")


def test_misuse_is_refused(result: bm.Result) -> None:
    faults: tuple[tuple[dict[str, Any], type[bm.BrinemarkError]], ...] = (
        ({"level": 2.0}, bm.RangeError),
        ({"margin": 0.0}, bm.RangeError),
        ({"design": "none"}, bm.SeriesError),
        ({"method": "none"}, bm.SeriesError),
        ({"measures": ["none"]}, bm.SeriesError),
        ({"control": "none"}, bm.SeriesError),
        ({"placebo": ("then", "now")}, bm.SeriesError),
        ({"placebo": ("2025-04-25", "2025-06-01")}, bm.SeriesError),
    )
    for wrong, kind in faults:
        with pytest.raises(kind):
            bm.compare(arms(result), **wrong)
    with pytest.raises(bm.SeriesError):
        bm.compare([])
    with pytest.raises(TypeError):
        bm.compare(arms(result), nonsense=1)  # type: ignore[call-arg]
    for wrong in (
        {"weeks": (1,)},
        {"readings_per_week": (9,)},
        {"readings_per_week": (0.5,)},
        {"power": 2.0},
    ):
        with pytest.raises(bm.RangeError):
            bm.plan_trial(result, train="A", **wrong)


def test_a_plan(result: bm.Result) -> None:
    plan = bm.plan_trial(
        result, train="A", beside_train="B", end=START, draws=200, weeks=(8, 16, 26), readings_per_week=(7, 1)
    )
    assert plan.of_pair
    assert plan.fouling_rate.low <= 0.4 <= plan.fouling_rate.high
    assert plan.noise == pytest.approx(0.014, rel=0.3)
    often, seldom = plan.curves
    assert often.power[-1] > seldom.power[-1]
    assert often.power[0] < often.power[-1]
    assert "permeate_flow" in plan.columns
    assert plan.to_dict()["curves"][0]["readings_per_week"] == 7
    assert repr(plan).startswith("TrialPlan(To see a 20 % lower fouling rate")
    assert (
        plan.curves
        == bm.plan_trial(
            result,
            train="A",
            beside_train="B",
            end=START,
            draws=200,
            weeks=(8, 16, 26),
            readings_per_week=(7, 1),
        ).curves
    )


def test_plots_and_page(trial: bm.Comparison, result: bm.Result) -> None:
    plan = bm.plan_trial(result, train="A", end=START, draws=100, weeks=(8, 26))
    for figure in (plot.arms(trial), plot.effects(trial), plot.power(plan)):
        figure.draw_without_rendering()
        for axes in figure.axes:
            label = axes.get_xlabel() + axes.get_ylabel()
            assert "[" in label, label
    html = bm.report(result, comparison=trial).html
    assert "What the trial shows" in html
    assert "What the trial shows" not in bm.report(result).html


def test_the_command(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    (tmp_path / "site.toml").write_text(SITE)
    log = bm.read_log(plant(), tz="UTC", sort=True)
    log.write_csv(tmp_path / "plant.csv")
    files = [str(tmp_path / "plant.csv"), "--site", str(tmp_path / "site.toml")]
    both = ["--arm", f"old,train=A,start={START}", "--arm", f"new,train=B,start={START}"]
    assert cli.main(["compare", *files, *both, "--plot", str(tmp_path / "effects.png")]) == 0
    told = capsys.readouterr().out
    assert "fouling rate" in told
    assert "Holm" in told
    assert (tmp_path / "effects.png").stat().st_size > 10_000
    assert cli.main(["compare", *files, *both, "--json"]) == 0
    assert json.loads(capsys.readouterr().out)["design"] == "parallel"
    assert cli.main(["compare", *files, *both, "--plan", "--json"]) == 0
    assert json.loads(capsys.readouterr().out)["of_pair"] is True
    assert cli.main(["compare", *files, "--arm", "old"]) == 1
    assert cli.main(["compare", *files, "--arm", "old,tran=A", "--arm", "new,train=B"]) == 1
    assert "tran=A" in capsys.readouterr().err
