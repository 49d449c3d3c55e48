"""What the membranes do over the months, why, and when something must be done."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

from brinemark import _core

if TYPE_CHECKING:
    from brinemark.frames import Result

TRIGGERS = {"water_permeability": -0.15, "salt_permeability": 0.10, "pressure_drop": 0.15}
"""Changes against new that ask for a cleaning, as fractions. Common practice, no source: output -10 to
-15 %, salt passage +5 to +20 %, differential pressure +10 to +20 %."""


@dataclass(frozen=True, kw_only=True)
class Prices:
    """What things cost, all in one currency.

    energy_per_kwh : a kilowatt hour. cleaning : one cleaning, with chemicals, work and the hours the unit
        stands still. elements : new elements for the whole train, put in. pump_efficiency : hydraulic over
        electrical power, 0.05 to 1. hours_per_year : hours the unit runs. won_back : share of the loss that
        a cleaning wins back, 0 to 1; None takes what those of the log won, else 0.75 (common practice, no
        source).
    """

    energy_per_kwh: float
    cleaning: float
    elements: float
    pump_efficiency: float = 0.65
    hours_per_year: float = 8000.0
    won_back: float | None = None


def trend(
    result: Result,
    *,
    level: float = 0.90,
    find_changes: bool = True,
    jump_chi2: float = 25.0,
    bend_chi2: float = 30.0,
) -> list[_core.Trend]:
    """The course of each train and stage: level, rate, the site's own temperature law, what happened when.

    result : Result. Where it holds the membrane model's figures, those are taken, else the standard
        practice's.
    level : how often an interval shall hold the true figure, 0.5 to 0.999. find_changes : whether jumps and
        bends that the site file's [[event]] list does not tell are sought. jump_chi2, bend_chi2 : how clear
        one must be: the sum over the quantities of its squared score, which is chi-squared with as many
        degrees of freedom as there are quantities where nothing happens.

    Returns: list of Trend, one a train and stage. Each quantity's logarithm, a point a day (the median of
        its readings), is y = level + wander + (K - K_law) x + settling exp(-age / 25 d) + noise, with x =
        1/298.15 K - 1/T of the week's mean temperature; the level moves at a rate that is a random walk,
        the wander is a first-order autoregression in continuous time. How much each varies is weighed over
        a grid by its likelihood, so intervals hold that too.
    Raises: RangeError for settings out of range; BaselineError where no train has readings of three days.
    Accuracy: see `make study-trend`, which counts on simulated plants how often intervals hold the truth.
    Source: Durbin and Koopman, Time Series Analysis by State Space Methods (2012), chapters 3 to 5; jumps:
        de Jong and Penzer, JASA 93 (1998) 796 (both from memory; checked against statsmodels in the tests).

    >>> import brinemark as bm
    >>> result = bm.normalise(bm.read_log(bm.demo.log_path()), bm.Site.load(bm.demo.site_path()))
    >>> bm.trend(result)[0].quantities
    ['water_permeability', 'salt_permeability', 'pressure_drop']
    """
    return _core.trend(result._core, level, find_changes, jump_chi2, bend_chi2)


def diagnose(result: Result, trend: _core.Trend) -> _core.Diagnosis:
    """Why: causes with their probabilities, what speaks for and against each, and the test that would tell.

    result : Result. trend : one of `trend(result)`.

    Returns: Diagnosis. Causes are those of `cause_patterns()`, each as likely as any other before the log is
        seen; a probability is among them alone.
    Raises: BaselineError where the trend has fewer than six days or no water permeability.
    Accuracy: see `make study-trend`.
    Source: patterns are common practice, from memory.

    >>> import brinemark as bm
    >>> result = bm.normalise(bm.read_log(bm.demo.log_path()), bm.Site.load(bm.demo.site_path()))
    >>> len(bm.diagnose(result, bm.trend(result)[0]).causes)
    9
    """
    return _core.diagnose(result._core, trend)


def forecast(
    result: Result,
    trend: _core.Trend,
    *,
    triggers: dict[str, float] | None = None,
    demand: str | None = None,
    coldest_degc: float | None = None,
    prices: Prices | None = None,
) -> _core.Forecast:
    """When something must be done, if nothing happens: cleaning, replacing, flow in the coldest water.

    result : Result. trend : one of `trend(result)`. triggers : changes against new that ask for a cleaning,
        by quantity, as fractions; those not given are of `TRIGGERS`. demand : permeate flow that is needed,
        with its unit ("3 gpm"); None takes the site's low limit of permeate_flow, where it has one.
        coldest_degc : coldest water of the year, 0 to 50 degC; None takes the coldest week of the log.
        prices : Prices; None tells no costs.

    Returns: Forecast. A day is given as its middle (even odds) and an interval of the trend's level.
    Raises: RangeError for figures out of range; UnitError for a demand without a unit of flow.
    Source: the trend's own distribution, carried on; flow in the coldest water by ASTM D4516's net driving
        pressure at the site's high limit of feed_pressure, with the site's own temperature constant.

    >>> import brinemark as bm
    >>> result = bm.normalise(bm.read_log(bm.demo.log_path()), bm.Site.load(bm.demo.site_path()))
    >>> sorted(bm.forecast(result, bm.trend(result)[0]).cleaning)
    ['pressure_drop', 'salt_permeability', 'water_permeability']
    """
    return _core.forecast(
        result._core,
        trend,
        _triggers(triggers),
        demand,
        coldest_degc,
        None
        if prices is None
        else (
            prices.energy_per_kwh,
            prices.cleaning,
            prices.elements,
            prices.pump_efficiency,
            prices.hours_per_year,
            prices.won_back,
        ),
    )


def check(
    result: Result, *, level: float = 0.90, triggers: dict[str, float] | None = None
) -> list[_core.Check]:
    """The last day of the log as one visit: what the unit should have made, what it made, and what to do.

    result : Result of a log that ends with the visit. level : how often intervals shall hold the true figure.
        triggers : as in `forecast`.

    Returns: list of Check, one a train and stage. Its advice is "act now" where a trigger is reached with a
        probability of 0.95, "leave alone" where with less than 0.20 (common practice, no source), "watch" in
        between, "cannot tell" where the interval is too wide for either.
    Raises: BaselineError where no reading beside the baseline's was used.

    >>> import brinemark as bm
    >>> result = bm.normalise(bm.read_log(bm.demo.log_path()), bm.Site.load(bm.demo.site_path()))
    >>> bm.check(result)[0].advice in ("leave alone", "watch", "act now", "cannot tell")
    True
    """
    return _core.check(result._core, level, _triggers(triggers))


def _triggers(given: dict[str, float] | None) -> tuple[float, float, float]:
    unknown = set(given or {}) - set(TRIGGERS)
    if unknown:
        raise TypeError(f"triggers: {', '.join(sorted(unknown))}: not one of {', '.join(TRIGGERS)}")
    all_of_them = {**TRIGGERS, **(given or {})}
    return (
        all_of_them["water_permeability"],
        all_of_them["salt_permeability"],
        all_of_them["pressure_drop"],
    )


def summary(
    trend: _core.Trend,
    diagnosis: _core.Diagnosis | None = None,
    forecast: _core.Forecast | None = None,
) -> dict[str, Any]:
    """A trend, and what was made of it, as plain values for JSON."""
    return {
        "train": trend.train,
        "stage": trend.stage,
        "quantities": {
            name: {
                "column": (found := trend.quantity(name)).column,
                "points": found.n,
                "noise": found.noise,
                "change": _estimate(found.now),
                "rate_per_year": _estimate(found.rate_now),
                "rate_over_last_year": _estimate(found.rate_over_year),
                "settling": _estimate(found.settling),
                "temperature_constant_k": _estimate(found.temperature_constant),
                "normalised_by_k": found.normalised_by,
            }
            for name in trend.quantities
        },
        "changes": [
            {
                "time": change.time,
                "kind": change.kind,
                "told": change.told is not None,
                "seen": change.seen,
                "looks": change.looks,
                "sizes": {name: _estimate(size) for name, size in change.sizes.items()},
            }
            for change in trend.changes
        ],
        "runs": [
            {
                "start": run.start,
                "end": run.end,
                "points": run.points,
                "rate_per_year": {name: _estimate(found) for name, found in run.rate.items()},
                "at_end": {name: _estimate(found) for name, found in run.at_end.items()},
                "won_back": {name: _estimate(found) for name, found in run.won_back.items()},
                "after_cleaning": {name: _estimate(found) for name, found in run.after.items()},
                "probability_of_faster": run.faster,
                "days_gained": run.days_gained,
            }
            for run in trend.runs
        ],
        "warnings": trend.warnings,
        "diagnosis": None if diagnosis is None else _diagnosis(diagnosis),
        "forecast": None if forecast is None else _forecast(forecast),
    }


def check_summary(check: _core.Check) -> dict[str, Any]:
    """A checked visit as plain values for JSON."""
    temperature, pressure, flow = check.units
    return {
        "train": check.train,
        "stage": check.stage,
        "time": check.time,
        "temperature": {"value": check.temperature, "unit": temperature},
        "pressure": {"value": check.pressure, "unit": pressure},
        "permeate_flow": {"value": check.read, "unit": flow},
        "when_new": _estimate(check.when_new),
        "expected": None if check.expected is None else _estimate(check.expected),
        "measured_change": check.measured,
        "by_temperature": check.by_temperature,
        "by_driving_pressure": check.by_driving_pressure,
        "quantities": {
            found.quantity: {
                "visit": _estimate(found.visit),
                "expected": None if found.expected is None else _estimate(found.expected),
                "now": _estimate(found.now),
                "trigger": found.trigger,
                "probability_of_reached": found.reached,
            }
            for found in check.quantities
        },
        "diagnosis": None if check.diagnosis is None else _diagnosis(check.diagnosis),
        "advice": check.advice,
        "caution": check.caution,
    }


def _estimate(found: _core.Estimate) -> dict[str, Any]:
    return {
        "value": _plain(found.value),
        "low": _plain(found.low),
        "high": _plain(found.high),
        "level": found.level,
        "unit": found.unit,
        "n": found.n,
    }


def _plain(value: float) -> float | None:
    # JSON has no NaN.
    return None if value != value else value


def _diagnosis(found: _core.Diagnosis) -> dict[str, Any]:
    what, tells = found.next_test
    return {
        "sentence": found.sentence,
        "tells": found.tells,
        "causes": [
            {
                "cause": ranked.cause,
                "probability": ranked.probability,
                "for": ranked.speaks_for,
                "against": ranked.speaks_against,
            }
            for ranked in found.causes
        ],
        "next_test": {"what": what, "tells": tells},
        "caution": found.caution,
    }


def _date(found: _core.Date) -> dict[str, Any]:
    return {
        "middle": found.middle,
        "early": found.early,
        "late": found.late,
        "level": found.level,
        "probability_of_reached": found.reached,
    }


def _forecast(found: _core.Forecast) -> dict[str, Any]:
    cold, plan = found.cold_flow, found.plan
    return {
        "start": found.start,
        "cleaning": {
            name: {"change": change, "date": _date(date)} for name, (change, date) in found.cleaning.items()
        },
        "cold_flow": None
        if cold is None
        else {
            "temperature_degc": cold.temperature_degc,
            "pressure": {"value": cold.pressure, "unit": cold.pressure_unit},
            "now": _estimate(cold.now),
            "demand": cold.demand,
            "date": None if cold.date is None else _date(cold.date),
        },
        "plan": None
        if plan is None
        else {
            "extra_energy_per_year": list(plan.extra_per_year),
            "replacing_pays": list(plan.replace),
            "won_back": plan.won_back,
            "choices": [
                {"name": name, "clean": day, "cost_of_a_year": list(cost)} for name, day, cost in plan.choices
            ],
        },
        "missing": found.missing,
    }
