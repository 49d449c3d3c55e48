"""Trends, laws and causes against plants whose truth is known (studies/ageing.py)."""

from __future__ import annotations

import sys
from functools import cache
from pathlib import Path

import numpy as np
import pytest

import brinemark as bm

sys.path.insert(0, str(Path(__file__).parents[2] / "studies"))
import ageing
from ageing_instruments import UNITS

ANALYSES = (*bm.ANALYSES, "membrane_model")


@cache
def plant(seed: int, kind: str, schedule: str = "daily", cleaned: bool = False) -> ageing.Ageing:
    return ageing.simulate(seed, kind, size="small", schedule=schedule, cleaned=cleaned)


@cache
def course(
    seed: int, kind: str, schedule: str = "daily", cleaned: bool = False
) -> tuple[bm.Result, bm.Trend]:
    made = plant(seed, kind, schedule, cleaned)
    result = bm.normalise(made.log(), made.site, analyses=ANALYSES)
    return result, bm.trend(result)[0]


@pytest.mark.parametrize("seed", [11, 12, 13])
def test_the_sites_own_constant(seed: int) -> None:
    water = course(seed, "healthy")[1].quantity("water_permeability")
    assert water.temperature_constant.value == pytest.approx(plant(seed, "healthy").water_constant_k, abs=150)
    assert water.normalised_by == pytest.approx(2700.0)


def test_a_fitted_law_is_used_for_the_figures() -> None:
    made = plant(12, "healthy")
    fitted_site = bm.Site.parse(made.site.text.replace('law = "arrhenius"', 'law = "fitted"', 1))
    result = bm.normalise(made.log(), fitted_site, analyses=ANALYSES)
    assert "fitted to the unit's own log" in result.method["temperature_law"]
    found = bm.trend(result)[0].quantity("water_permeability")
    assert found.normalised_by == pytest.approx(made.water_constant_k, abs=150)
    # Normalised by its own law there is little left to find.
    assert found.temperature_constant.value == pytest.approx(found.normalised_by, abs=60)
    # The site that comes out serves later logs with the kept baseline.
    again = bm.normalise(made.log(), result.site, baseline=result.baseline, analyses=ANALYSES)
    np.testing.assert_array_equal(again["element_water_permeability"], result["element_water_permeability"])


def test_a_loss_and_its_cause() -> None:
    made = plant(21, "organic")
    result, trend = course(21, "organic")
    truth = float(np.expm1((made.train.water_trend - made.settling)[made.row_day[-1]]))
    assert trend.quantity("water_permeability").now.value == pytest.approx(truth, abs=0.04)
    diagnosis = bm.diagnose(result, trend)
    assert diagnosis.causes[0].cause == "organic fouling"
    assert sum(ranked.probability for ranked in diagnosis.causes) == pytest.approx(1.0)
    assert "accredited laboratory" in diagnosis.caution


def test_a_leak_is_no_fouling() -> None:
    result, trend = course(31, "leak")
    assert bm.diagnose(result, trend).causes[0].cause == "leak"


def test_cleanings_are_found_and_weighed() -> None:
    made = plant(41, "organic", cleaned=True)
    _, trend = course(41, "organic", cleaned=True)
    start = int(made.start.astype("datetime64[us]").astype(np.int64))
    days = [(change.time_us - start) / 86400e6 for change in trend.changes if change.kind == "cleaning"]
    for cleaning in made.cleanings:
        assert min(abs(day - cleaning.day) for day in days) <= 3.5
    ended = [run for run in trend.runs if run.ended_by is not None and "water_permeability" in run.won_back]
    assert len(ended) >= len(made.cleanings) - 1
    for run in ended:
        won = run.won_back["water_permeability"]
        assert won.low < won.value < won.high


def test_day_by_day_as_at_once() -> None:
    """A tracker that reads on stands where a filter over all points stands."""
    made = plant(11, "healthy")
    rows = made.row_day < 900
    named = {f"{name} [{UNITS[name]}]": values for name, values in made.columns.items()}
    early = bm.read_log(
        {"time": made.time[rows], **{name: values[rows] for name, values in named.items()}}, tz="UTC"
    )
    first = bm.normalise(early, made.site, analyses=ANALYSES)
    whole = bm.normalise(made.log(), made.site, analyses=ANALYSES, baseline=first.baseline)
    tracker = bm.Tracker(bm.trend(first)[0])
    assert tracker.update(whole) > 150
    assert tracker.update(whole) == 0
    now, batch = (
        tracker.quantity("water_permeability").now,
        bm.trend(whole)[0].quantity("water_permeability").now,
    )
    # The batch weighs its ways anew; the state is nearly the same.
    assert now.value == pytest.approx(batch.value, abs=0.004)
    assert now.n == batch.n


def test_six_visits_a_year() -> None:
    result, trend = course(51, "organic", "visits")
    water = trend.quantity("water_permeability")
    assert water.n < 25
    assert water.now.high - water.now.low < 0.3
    assert bm.check(result)[0].advice in ("leave alone", "watch", "act now", "cannot tell")


def changed(made: ageing.Ageing, **factors: np.ndarray) -> bm.Log:
    """The plant's log with columns multiplied."""
    columns = {
        f"{name} [{UNITS[name]}]": values * factors.get(name, 1.0) for name, values in made.columns.items()
    }
    return bm.read_log({"time": made.time, **columns}, tz="UTC")


def test_another_temperature_law_midway_is_told() -> None:
    made = plant(12, "healthy")
    result, trend = course(12, "healthy")
    assert not any("acts differently" in warning for warning in trend.warnings)
    # A controller that makes up for half of what cold takes away.
    inverse = 1 / 298.15 - 1 / (np.asarray(made.columns["feed_temperature"]) + 273.15)
    later = np.where(made.row_day > 550, np.exp(-1300.0 * (inverse - inverse.mean())), 1.0)
    result = bm.normalise(changed(made, permeate_flow=later), made.site, analyses=ANALYSES, screen=False)
    assert any("acts differently since about" in warning for warning in bm.trend(result)[0].warnings)


def test_new_membranes_that_nobody_told_are_noticed() -> None:
    made = plant(21, "organic")
    last = int(made.row_day[-1])
    day = last - 200
    lost = made.train.water_trend[day] - made.settling[day]
    assert lost < -0.1
    _, trend = course(21, "organic")
    assert not any("like new" in warning for warning in trend.warnings)
    # As if new ones had been put in that day: flow is back, and nothing but age since.
    course_of = np.where(made.row_day > day, np.exp(-made.train.water_trend[made.row_day]), 1.0)
    tighter = np.where(made.row_day > day, 0.8, 1.0)
    log = changed(made, permeate_flow=course_of, permeate_conductivity=tighter)
    result = bm.normalise(log, made.site, analyses=ANALYSES, screen=False)
    assert any("like new" in warning for warning in bm.trend(result)[0].warnings)


def test_settling_is_kept_apart() -> None:
    for seed in (11, 12, 13):
        settled = course(seed, "healthy")[1].quantity("water_permeability").settling
        truth = float(np.expm1(plant(seed, "healthy").settling[-1]))
        assert settled.value == pytest.approx(truth, abs=0.03)


def test_the_stage_that_lost_the_most_is_evidence() -> None:
    for seed, kind, stage in ((61, "particulate", "first"), (62, "scaling", "last")):
        made = ageing.simulate(seed, kind, size="large", schedule="daily", interstage=True)
        result = bm.normalise(made.log(), made.site, analyses=ANALYSES)
        for trend in bm.trend(result):
            found = {ranked.cause.split()[0]: ranked for ranked in bm.diagnose(result, trend).causes}
            assert f"the {stage} stage lost the most" in found[kind].speaks_for
            other = "scaling" if kind == "particulate" else "particulate"
            assert f"the {stage} stage lost the most" in found[other].speaks_against


def test_what_the_feed_tells_is_evidence() -> None:
    made = plant(21, "organic")
    before = {ranked.cause: ranked for ranked in bm.diagnose(*course(21, "organic")).causes}
    columns = {f"{name} [{UNITS[name]}]": values for name, values in made.columns.items()}
    columns |= {
        "feed_sdi": np.full(made.time.size, 1.5),
        "feed_free_chlorine [mg/L]": np.zeros(made.time.size),
    }
    result = bm.normalise(bm.read_log({"time": made.time, **columns}, tz="UTC"), made.site, analyses=ANALYSES)
    after = {ranked.cause: ranked for ranked in bm.diagnose(result, bm.trend(result)[0]).causes}
    assert "silt density index 1.5, low" in after["particulate fouling"].speaks_against
    assert "free chlorine usually 0.00 mg/L" in after["oxidation"].speaks_against
    assert after["particulate fouling"].probability < before["particulate fouling"].probability


def test_a_large_loss_of_one_stage_is_no_instrument() -> None:
    made = ageing.simulate(61, "scaling", size="large", schedule="daily", interstage=True)
    result = bm.normalise(made.log(), made.site, analyses=ANALYSES)
    last = bm.trend(result)[-1].quantity("water_permeability")
    assert last.now.value == pytest.approx(np.expm1(made.stages[-1].water[-1]), abs=0.05)


def test_what_goes_on_shares_its_reference() -> None:
    made = plant(12, "healthy")
    trend = course(12, "healthy")[1]
    columns = {f"{name} [{UNITS[name]}]": values[200:] for name, values in made.columns.items()}
    later = bm.read_log({"time": made.time[200:], **columns}, tz="UTC")
    site = bm.Site.parse(made.site.text.replace(str(made.start)[:10], str(made.time[210])[:10], 1))
    other = bm.normalise(later, site, analyses=ANALYSES)
    for refused in (
        lambda: bm.Tracker(trend).update(other),
        lambda: bm.diagnose(other, trend),
        lambda: bm.forecast(other, trend),
    ):
        with pytest.raises(bm.MethodError, match="different references"):
            refused()
