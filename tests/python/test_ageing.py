"""The simulated plants of the trend study: reproducible, and their truth is what exact readings give back."""

from __future__ import annotations

import sys
from pathlib import Path

import numpy as np
import pytest

import brinemark as bm

sys.path.insert(0, str(Path(__file__).parents[2] / "studies"))

from ageing import KINDS, simulate

STATE = ("water", "salt", "friction")


def test_one_seed_is_one_plant() -> None:
    one, same, other = (simulate(seed, "feed", size="small", schedule="visits") for seed in (1, 1, 2))
    assert one.site.text == same.site.text
    assert one.site.text != other.site.text
    assert one.log().to_pandas().equals(same.log().to_pandas())
    assert not one.log().to_pandas().equals(other.log().to_pandas())


def test_kinds_of_one_seed_differ_by_their_trouble_alone() -> None:
    healthy = simulate(3, "healthy", size="small", schedule="daily")
    for kind in KINDS[1:]:
        made = simulate(3, kind, size="small", schedule="daily")
        assert made.onset_day is not None
        before = made.row_day < made.onset_day
        assert np.array_equal(made.time, healthy.time)
        for name, values in made.columns.items():
            # Not to their last figure: where the valve stands is found for a month together.
            near = np.isclose(values[before], healthy.columns[name][before], rtol=0.02, atol=0.01)
            assert near.all(), (kind, name)
        changed = [
            name for name in made.columns if not np.allclose(made.columns[name], healthy.columns[name])
        ]
        assert changed, kind


@pytest.mark.parametrize(
    ("kind", "size"), [("biofouling", "small"), ("scaling", "large"), ("leak", "large"), ("sensor", "small")]
)
def test_exact_readings_give_the_truth_back(kind: str, size: str) -> None:
    made = simulate(5, kind, size=size, schedule="daily", cleaned=True)
    for number, stage in enumerate(made.stages, start=1):
        found = made.effective(number)
        for name in STATE:
            truth = getattr(stage, name)
            np.testing.assert_allclose(found[name][made.ran], truth[made.ran], atol=1e-3)
            assert np.isnan(found[name][~made.ran]).all()
    # Each stage had its share of it, or none.
    apart = np.abs(made.stages[0].salt - made.stages[-1].salt).max()
    assert (apart > 0.01) == (len(made.stages) > 1)


def test_cleanings_win_back_what_they_say() -> None:
    made = simulate(7, "organic", size="small", schedule="daily", cleaned=True)
    fit = simulate(7, "healthy", size="small", schedule="daily")
    assert 2 <= len(made.cleanings) <= 6
    lost = fit.train.water - made.train.water
    for each in made.cleanings:
        # The day after has fouled a little again, about as much as the day before.
        left = lost[each.day + 1] - (lost[each.day] - lost[each.day - 1])
        assert left / lost[each.day] == pytest.approx(1 - each.recovered, abs=0.015)
        assert each.day not in made.row_day
    told = sorted(each.told for each in made.cleanings if each.told is not None)
    events = [event.time for event in made.site.events if event.kind == "cleaning"]
    assert len(told) == len(events)


def test_rates_are_those_of_the_trend() -> None:
    made = simulate(8, "particulate", size="large", schedule="daily")
    for name in STATE:
        trend, rate = getattr(made.train, f"{name}_trend"), getattr(made.train, f"{name}_rate")
        np.testing.assert_allclose(np.cumsum(rate[:-1]) / 365.25, trend[1:] - trend[0], atol=1e-9)


def test_logs_are_read_by_the_stage_too() -> None:
    made = simulate(9, "healthy", size="large", schedule="visits", interstage=True)
    result = bm.normalise(made.log(), made.site, analyses=("membrane_model",))
    assert sorted(set(result.labels("stage") or [])) == ["1", "2"]
    assert len(result) == 2 * len(made.row_day)
    assert np.isfinite(result["element_water_permeability"]).any()


def test_what_cannot_be_is_refused() -> None:
    with pytest.raises(ValueError, match="none of healthy"):
        simulate(1, "unhappy", size="small", schedule="daily")
    with pytest.raises(ValueError, match="one stage"):
        simulate(1, "healthy", size="small", schedule="daily", interstage=True)
    with pytest.raises(ValueError, match="at least a year"):
        simulate(1, "healthy", size="small", schedule="daily", days=300)
