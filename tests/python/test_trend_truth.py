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
