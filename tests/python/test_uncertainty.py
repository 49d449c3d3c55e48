"""Uncertainties as Python sees them, and beside a library of the same trade."""

from __future__ import annotations

import math

import numpy as np
import pytest
from uncertainties import ufloat
from uncertainties.umath import exp

import brinemark as bm


@pytest.fixture(scope="module")
def result() -> bm.Result:
    return bm.normalise(bm.read_log(bm.demo.log_path()), bm.Site.load(bm.demo.site_path()))


def test_every_figure_has_its_uncertainty_beside_it(result: bm.Result) -> None:
    names = [name for name in result.columns if name.endswith("_u")]
    assert len(names) == 18
    for name in names:
        assert result.units[name] == result.units[name.removesuffix("_u")]
        assert np.array_equal(np.isnan(result[name]), np.isnan(result[name.removesuffix("_u")])), name
        assert (result[name][result.used] >= 0).all()


def test_a_case_by_another_library() -> None:
    """A = Qp/[TCF (P − ΔP/2 − Pp − π)] by `uncertainties` 3.2.3: 1.0620133670903 ± 0.0154065449782."""
    pressure, drop, permeate = ufloat(15.0, 0.075), ufloat(1.5, 0.02), ufloat(0.5, 0.02)
    osmotic, flow, temperature = ufloat(2.1, 0.06), ufloat(10.0, 0.1), ufloat(18.0, 0.2)
    factor = exp(2640.0 * (1 / 298.15 - 1 / (temperature + 273.15)))
    theirs = flow / factor / (pressure - drop / 2 - permeate - osmotic)
    assert (theirs.n, theirs.s) == pytest.approx((1.0620133670903, 0.0154065449782), rel=1e-12)

    # So much salt that its osmotic pressure is 2.1 bar at 18 degC, and a rule so good that it is ± 0.06.
    kelvin = 18.0 + 273.15
    tds = 2.1 * 1000 / (0.01 * 0.2654 * kelvin + 2.1 / 1000)
    site = bm.Site.parse(f"""
        site.name = "one element"
        element.area = "1000 m2"
        stage = [{{ vessels = 1, elements_per_vessel = 1 }}]
        salinity.basis = "tds-rule"
        salinity.osmotic_accuracy = "{0.06 / 2.1 * math.sqrt(3):.15f}"
        [temperature]
        law = "arrhenius"
        constant = "2640 K"
        [reference]
        kind = "design"
        permeate_flow = "10 m3/h"
        feed_temperature = "25 degC"
        feed_pressure = "15 bar"
        differential_pressure = "1.5 bar"
        permeate_pressure = "0.5 bar"
        feed_tds = "{tds} mg/L"
        permeate_tds = "0 mg/L"
        recovery = "0.000001"
        [assume]
        permeate_tds = "0 mg/L"
        [instruments]
        feed_pressure = {{ repeatability = "0.075 bar" }}
        differential_pressure = {{ repeatability = "0.02 bar" }}
        permeate_pressure = {{ repeatability = "0.02 bar" }}
        permeate_flow = {{ repeatability = "0.1 m3/h" }}
        feed_temperature = {{ repeatability = "0.2 degC" }}
    """)
    columns = {
        "feed_temperature [degC]": 18.0,
        "feed_pressure [bar]": 15.0,
        "differential_pressure [bar]": 1.5,
        "permeate_pressure [bar]": 0.5,
        "permeate_flow [m3/h]": 10.0,
        "feed_flow [m3/h]": 1e7,
        "feed_tds [mg/L]": tds,
    }
    log = bm.read_log({"time": ["2026-01-01T00:00Z"], **{name: [value] for name, value in columns.items()}})
    # Next to no recovery takes a feed flow that no plant has.
    ours = bm.normalise(log, site, analyses=["permeate_flow"], screen=False)
    assert ours["net_driving_pressure"][0] == pytest.approx(11.65, rel=1e-6)
    assert ours["water_permeability"][0] == pytest.approx(theirs.n, rel=1e-6)
    # Ours also knows that the osmotic pressure rises with temperature: π/T · u(T), against the flow's.
    with_temperature = (
        flow / factor / (pressure - drop / 2 - permeate - osmotic * (temperature + 273.15) / kelvin)
    )
    assert ours["water_permeability_u"][0] == pytest.approx(with_temperature.s, rel=1e-6)
    assert ours["water_permeability_u"][0] == pytest.approx(theirs.s, rel=5e-3)
    parts = {part.source: part.u for part in bm.budget(ours, "water_permeability", row=0).shares}
    for source, expected in (
        ("permeate_flow", 0.01062),
        ("feed_pressure", 0.00684),
        ("osmotic pressure", 0.00547),
    ):
        assert parts[source] == pytest.approx(expected, rel=1e-3)


def test_budget_and_simulation_agree(result: bm.Result) -> None:
    row = int(np.flatnonzero(result.used)[-1])
    budget = bm.budget(result, "normalised_salt_passage_change", row=row)
    assert budget.u == pytest.approx(result["normalised_salt_passage_change_u"][row], rel=1e-12)
    assert sum(part.share for part in budget.shares) == pytest.approx(1.0)
    assert budget.sentence.startswith(f"{100 * budget.shares[0].share:.0f} % of its variance comes from")
    drawn = bm.monte_carlo(result, ["normalised_salt_passage_change"], draws=4000, seed=2)
    simulated = drawn["normalised_salt_passage_change"]
    assert simulated["u"][row] == pytest.approx(budget.u, rel=0.05)
    assert simulated["low"][row] < simulated["mean"][row] < simulated["high"][row]
    assert np.array_equal(np.isnan(simulated["u"]), ~result.used)
    again = bm.monte_carlo(result, ["normalised_salt_passage_change"], draws=4000, seed=2)
    assert np.array_equal(again["normalised_salt_passage_change"]["u"], simulated["u"], equal_nan=True)


def test_what_can_not_be_simulated_is_refused(result: bm.Result) -> None:
    with pytest.raises(bm.MissingColumnError, match="one of: recovery"):
        bm.monte_carlo(result, ["permeate flow"])
    with pytest.raises(bm.RangeError, match="draws"):
        bm.monte_carlo(result, draws=3)
    with pytest.raises(bm.MissingColumnError, match="no reading that was used"):
        bm.budget(result, "recovery", row=int(np.flatnonzero(~result.used)[0]))


def test_nothing_is_taken_unasked() -> None:
    text = bm.demo.site_path().read_text(encoding="utf-8")
    start, end = text.index("[instruments]"), text.index("[limits]")
    bare = text[:start] + text[end:]
    for line in ('accuracy = "400 K" ', 'accuracy = "3 %"'):
        bare = bare.replace(line, "# " + line)
    silent = bm.normalise(bm.read_log(bm.demo.log_path()), bm.Site.parse(bare))
    assert not silent.knows_errors
    assert not [name for name in silent.columns if name.endswith("_u")]
    change = bm.assess(silent)[0].changes["normalised_permeate_flow"]
    assert change.budget is None
    assert "repeatability" in change.method
    with pytest.raises(bm.SiteError, match="brinemark instruments"):
        bm.budget(silent, "recovery", row=200)
    page = bm.report(silent).html
    assert "repeatability alone" in page
    assert "what to mend first" not in page


@pytest.mark.parametrize("name", [row[0] for row in bm.instrument_classes()])
def test_each_class_is_taken_in(name: str) -> None:
    _, _, quantity, accuracy, source = next(row for row in bm.instrument_classes() if row[0] == name)
    column, span = {
        "pressure": ("feed_pressure", "10 bar"),
        "temperature": ("feed_temperature", "50 degC"),
        "flow": ("permeate_flow", "10 m3/h"),
        "conductivity": ("feed_conductivity", "2000 uS/cm"),
        "concentration": ("feed_tds", "2000 mg/L"),
    }[quantity]
    given = f', span = "{span}"' if "span" in accuracy else ""
    site = bm.Site.template() + f'\n[instruments]\n{column} = {{ class = "{name}"{given} }}\n'
    assert f'"{column}"' in bm.Site.parse(site).settings
    assert source
    if given:
        with pytest.raises(bm.SiteError, match="there is no span"):
            bm.Site.parse(site.replace(given, ""))


def test_a_wrong_class_names_those_there_are() -> None:
    site = bm.Site.template() + '\n[instruments]\nfeed_pressure = { class = "rtd-a" }\n'
    with pytest.raises(bm.SiteError, match=r"\[instruments\] feed_pressure class.*gauge-4a"):
        bm.Site.parse(site)


def test_intervals_of_assess_hold_the_truth() -> None:
    """Of 600 units, each with errors that last and errors that scatter: in nine of ten or a few more."""
    units, days = 600, np.concatenate([np.arange(14), np.arange(60, 88)])
    truth = {  # in the first weeks, and in the last
        "feed_temperature [degC]": (22.0, 12.0, 0.5, 0.4),
        "feed_pressure [bar]": (12.0, 14.0, 0.25, 0.15),
        "differential_pressure [bar]": (1.2, 1.1, 0.06, 0.03),
        "permeate_flow [m3/h]": (5.0, 4.5, 0.15, 0.08),
        "feed_flow [m3/h]": (9.0, 9.0, 0.2, 0.1),
        "feed_tds [mg/L]": (2000.0, 2200.0, 60.0, 30.0),
        "permeate_tds [mg/L]": (20.0, 18.0, 0.6, 0.3),
    }
    instruments = "".join(
        f'{name.split()[0]} = {{ accuracy = "{limit} {name.split("[")[1][:-1]}" }}\n'
        for name, (_, _, limit, _) in truth.items()
    )
    site = bm.Site.parse(f"""
        site.name = "many"
        element.area = "37.2 m2"
        stage = [{{ vessels = 2, elements_per_vessel = 3 }}]
        temperature.law = "standard-practice"
        salinity.basis = "sodium-chloride"
        assume.permeate_pressure = "0.3 bar"
        [reference]
        kind = "baseline"
        stabilise = "0 h"
        period = "14 d"
        minimum_readings = 14
        [instruments]
        {instruments}
    """)
    chance = np.random.default_rng(20261125)
    late = days >= 60

    def log(count: int, noisy: float) -> bm.Log:
        columns = {}
        for name, (new, now, limit, scatter) in truth.items():
            off = limit * chance.uniform(-1, 1, (count, 1)) + scatter * chance.standard_normal(
                (count, len(days))
            )
            columns[name] = (np.where(late, now, new) + noisy * off).T.ravel()
        times = np.datetime64("2026-01-01T08:00", "us") + days * np.timedelta64(1, "D")
        trains = np.tile(np.arange(count).astype(str), len(days))
        return bm.read_log({"time": np.repeat(times, count), "train": trains, **columns}, tz="UTC")

    exact = bm.assess(bm.normalise(log(1, 0.0), site))[0].changes
    found = bm.assess(bm.normalise(log(units, 1.0), site), days=28, level=0.90)
    assert len(found) == units
    for name in ("normalised_permeate_flow", "normalised_salt_passage", "normalised_differential_pressure"):
        held = [of.changes[name].low <= exact[name].value <= of.changes[name].high for of in found]
        # Three standard deviations of such a count are 3.7 %; the scatter's own interval is on the wide side.
        assert 0.87 <= np.mean(held) <= 0.97, (name, np.mean(held))
