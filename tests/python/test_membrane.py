"""The membrane model as Python sees it; and a limit where it has a closed form."""

from __future__ import annotations

from typing import Any

import numpy as np
import pytest
from scipy.special import lambertw

import brinemark as bm

TEMPLATE = bm.Site.template()
# The template's lines of the element are comments until they are wanted.
WHOLE = (
    TEMPLATE.replace("# length", "length")
    .replace("# feed_spacer", "feed_spacer")
    .replace("# rated_", "rated_")
    .replace("# test_", "test_")
)
SITE = bm.Site.parse(WHOLE)
SET: dict[str, Any] = {
    "feed_temperature_degc": 18.0,
    "feed_tds_mg_l": 1500.0,
    "permeate_pressure_bar": 0.4,
    "feed_pressure_bar": 14.0,
    "concentrate_flow_m3_h": 6.0,
}


def predict(site: bm.Site = SITE, membrane: bm.Membrane | None = None, **changes: Any) -> dict[str, Any]:
    of = {**SET, **changes}
    return bm.predict(
        site, membrane or bm.rated_membrane(SITE), **{k: v for k, v in of.items() if v is not None}
    )


def test_scalars_give_floats_and_arrays_their_shape() -> None:
    one = predict()
    assert all(type(figure) is float for figure in one.values())
    many = predict(feed_temperature_degc=np.array([[18.0, 5.0], [30.0, np.nan]]))
    assert many["permeate_flow_m3_h"].shape == (2, 2)
    assert many["permeate_flow_m3_h"][0, 0] == pytest.approx(one["permeate_flow_m3_h"], rel=1e-12)
    assert np.isnan(many["permeate_flow_m3_h"][1, 1])
    assert (
        many["permeate_flow_m3_h"][0, 1] < many["permeate_flow_m3_h"][0, 0] < many["permeate_flow_m3_h"][1, 0]
    )


def test_exactly_one_way_to_set_pump_and_valve() -> None:
    with pytest.raises(TypeError, match="exactly one of feed_pressure_bar, permeate_flow_m3_h"):
        predict(feed_pressure_bar=None)
    with pytest.raises(TypeError, match="exactly one of concentrate_flow_m3_h"):
        predict(recovery=0.5)


def test_out_of_range_names_the_row() -> None:
    with pytest.raises(bm.RangeError, match="row 2: feed_temperature is 60"):
        predict(feed_temperature_degc=[20.0, 60.0])
    with pytest.raises(bm.SiteError, match="feed_spacer_thickness"):
        bm.predict(bm.Site.parse(TEMPLATE), bm.Membrane(water_permeability=4.0, salt_permeability=0.1), **SET)
    with pytest.raises(bm.SiteError, match="a number from 1 to 1"):
        predict(stage=2)


def test_the_limit_stops_it() -> None:
    wanted = predict(feed_pressure_bar=None, permeate_flow_m3_h=7.0)
    assert wanted["permeate_flow_m3_h"] == pytest.approx(7.0, rel=1e-10)
    stopped = predict(feed_pressure_bar=None, permeate_flow_m3_h=7.0, pressure_limit_bar=8.0)
    assert (stopped["stopped_by_limit"], stopped["feed_pressure_bar"]) == (1.0, 8.0)
    assert stopped["permeate_flow_m3_h"] < 7.0


def test_elements_add_up() -> None:
    made = predict()
    membrane = bm.rated_membrane(SITE)
    elements = bm.predict_elements(
        SITE,
        membrane,
        feed_temperature_degc=18.0,
        feed_tds_mg_l=1500.0,
        permeate_pressure_bar=0.4,
        feed_pressure_bar=14.0,
        feed_flow_m3_h=made["feed_flow_m3_h"],
    )
    # The template's unit has two vessels of three.
    assert elements["element"].tolist() == [1.0, 2.0, 3.0]
    assert 2 * elements["permeate_flow_m3_h"].sum() == pytest.approx(made["permeate_flow_m3_h"], rel=1e-10)
    assert elements["concentrate_tds_mg_l"][-1] == pytest.approx(made["concentrate_tds_mg_l"], rel=1e-10)
    assert (np.diff(elements["flux_l_m2_h"]) < 0).all()
    assert (elements["polarisation"] > 1).all()


def test_one_element_at_little_recovery_is_lamberts_function() -> None:
    """J = A (P − π e^(J/k)) where no salt passes and little is made: J = A P − k W(A π/k e^(A P/k))."""
    text = (
        WHOLE.replace("vessels = 2", "vessels = 1")
        .replace("elements_per_vessel = 3", "elements_per_vessel = 1")
        .replace('basis = "sodium-chloride"', 'basis = "tds-rule"')
    )
    site = bm.Site.parse(text)
    tight = bm.Membrane(water_permeability=3.0, salt_permeability=1e-12, spacer_friction=0.0)
    tds, flow, pressures = 10.0, 20.0, np.array([0.02, 0.05, 0.1])
    made = bm.predict(
        site,
        tight,
        feed_temperature_degc=25.0,
        feed_tds_mg_l=tds,
        permeate_pressure_bar=0.0,
        feed_pressure_bar=pressures,
        feed_flow_m3_h=flow,
    )
    # The mass transfer coefficient, worked out here once more: Sh = 0.065 Re^0.875 Sc^0.25.
    area, length, thickness, porosity = 37.2, 1.016, 31 * 2.54e-5, 0.89
    diameter = 4 * porosity * thickness / (2 + 8 * (1 - porosity))
    speed = flow / 3600 / (area / (2 * length) * thickness * porosity)
    density, viscosity, diffusion = bm.density(25.0), 1e-3 * bm.viscosity(25.0), 1.611e-9
    reynolds, schmidt = density * speed * diameter / viscosity, viscosity / (density * diffusion)
    k = 3.6e6 * 0.065 * reynolds**0.875 * schmidt**0.25 * diffusion / diameter
    osmotic = bm.osmotic_pressure(tds, 25.0, basis="tds-rule")
    expected = 3.0 * pressures - k * lambertw(3.0 * osmotic / k * np.exp(3.0 * pressures / k)).real
    assert 1000 * made["permeate_flow_m3_h"] / area == pytest.approx(expected, rel=1e-3)


def test_a_reading_made_by_the_model_gives_its_membrane_back() -> None:
    text = WHOLE.replace('period = "14 d"', 'period = "1 h"').replace(
        "minimum_readings = 5", "minimum_readings = 1"
    )
    site = bm.Site.parse(text.replace('stabilise = "48 h"', 'stabilise = "0 h"'))
    for basis in ("sodium-chloride", "seawater", "tds-rule"):
        of = bm.Site.parse(site.text.replace('basis = "sodium-chloride"', f'basis = "{basis}"'))
        membrane = bm.Membrane(water_permeability=3.1, salt_permeability=0.23, spacer_friction=1.4)
        made = predict(of, membrane, feed_temperature_degc=[18.0, 7.0])
        columns = {
            "feed_temperature [degC]": [18.0, 7.0],
            "feed_tds [mg/L]": [1500.0] * 2,
            "permeate_pressure [bar]": [0.4] * 2,
            "feed_pressure [bar]": made["feed_pressure_bar"],
            "concentrate_pressure [bar]": made["concentrate_pressure_bar"],
            "permeate_flow [m3/h]": made["permeate_flow_m3_h"],
            "feed_flow [m3/h]": made["feed_flow_m3_h"],
            "permeate_tds [mg/L]": made["permeate_tds_mg_l"],
        }
        log = bm.read_log({"time": ["2026-01-01T00:00Z", "2026-01-03T00:00Z"], **columns})
        result = bm.normalise(log, of, analyses=["membrane_model"])
        for name, expected in (
            ("element_water_permeability", 3.1),
            ("element_salt_permeability", 0.23),
            ("spacer_friction", 1.4),
        ):
            assert result[name] == pytest.approx([expected] * 2, rel=1e-9), (basis, name)
        assert {change for change in bm.assess(result)[0].changes if change.startswith("element_")}


def test_a_baseline_without_the_model_is_refused_for_it() -> None:
    site = bm.Site.load(bm.demo.site_path())
    log = bm.read_log(bm.demo.log_path())
    with pytest.raises(bm.BaselineError, match="no membrane"):
        bm.normalise(log, site, baseline=bm.baseline(log, site), analyses=["membrane_model"])
    kept = bm.Baseline.from_json(bm.baseline(log, site, analyses=["membrane_model"]).to_json())
    assert "element_water_permeability" in kept.references[0].values
    bm.normalise(log, site, baseline=kept, analyses=["membrane_model"])


def test_turning_the_recycle_valve_is_no_fouling() -> None:
    """Normalised on what the membranes see, it is no loss; on the raw feed it looks like one."""
    text = WHOLE.replace("# [recycle]\n# returns_to", "[recycle]\nreturns_to").replace(
        'stabilise = "48 h"', 'stabilise = "0 h"'
    )
    text = text.replace('period = "14 d"', 'period = "1 h"').replace(
        "minimum_readings = 5", "minimum_readings = 1"
    )
    with_recycle = bm.Site.parse(text)
    without = bm.Site.parse(text.replace("[recycle]\nreturns_to", "# [recycle]\n# returns_to"))
    made = predict(
        with_recycle, feed_tds_mg_l=3000.0, concentrate_flow_m3_h=9.0, recycle_flow_m3_h=[0.0, 18.0]
    )
    columns = {
        "feed_temperature [degC]": [18.0] * 2,
        "feed_tds [mg/L]": [3000.0] * 2,
        "permeate_pressure [bar]": [0.4] * 2,
        "feed_pressure [bar]": made["feed_pressure_bar"],
        "concentrate_pressure [bar]": made["concentrate_pressure_bar"],
        "permeate_flow [m3/h]": made["permeate_flow_m3_h"],
        "concentrate_flow [m3/h]": made["concentrate_flow_m3_h"],
        "permeate_tds [mg/L]": made["permeate_tds_mg_l"],
    }
    times = ["2026-01-01T00:00Z", "2026-01-03T00:00Z"]
    seen = bm.normalise(
        bm.read_log({"time": times, **columns, "recycle_flow [m3/h]": [0.0, 18.0]}),
        with_recycle,
        analyses=["permeate_flow", "membrane_model"],
    )
    raw = bm.normalise(
        bm.read_log({"time": times, **columns}), without, analyses=["permeate_flow", "membrane_model"]
    )
    # The model, told of the recycle, sees membranes that never changed; not told, it sees ones that did.
    assert abs(seen["element_water_permeability_change"][1]) < 1e-9
    assert abs(seen["spacer_friction_change"][1]) < 1e-9
    assert raw["spacer_friction_change"][1] > 0.5
    # Neither does the standard practice see a loss; on the raw feed it does. (It knows no polarisation, of
    # which the faster flow has less: so it sees a few per cent the other way.)
    assert 0.0 < seen["normalised_permeate_flow_change"][1] < 0.05
    assert raw["normalised_permeate_flow_change"][1] < 0.0
    # Both recoveries, from the flows; one pass has the less.
    assert seen["recovery"] == pytest.approx(made["recovery"])
    assert seen["pass_recovery"][1] == pytest.approx(made["pass_recovery"][1])
    assert seen["pass_recovery"][1] < 0.6 * seen["recovery"][1]


def test_two_parts_to_one_is_67_per_cent(site: bm.Site) -> None:
    """A unit thought to run at 75 %: two parts of permeate to one of waste."""
    columns = {
        "feed_temperature [degC]": 25.0,
        "feed_tds [mg/L]": 900.0,
        "permeate_pressure [bar]": 0.3,
        "differential_pressure [bar]": 0.8,
        "feed_pressure [bar]": 12.0,
        "permeate_flow [gpm]": 2.0,
        "concentrate_flow [gpm]": 1.0,
        "permeate_tds [mg/L]": 12.0,
    }
    log = bm.read_log({"time": ["2026-01-01T00:00Z"], **{name: [value] for name, value in columns.items()}})
    result = bm.normalise(log, site)
    assert result["recovery"][0] == pytest.approx(2 / 3)
    assert bm.assess(result)[0].recovery == pytest.approx(2 / 3)
    assert "67 % of the raw feed" in bm.report(result).html.replace("\u00a0", " ")


def test_without_flux_the_permeate_is_the_feed() -> None:
    """J Cp = B (Cm − Cp): as J goes to nothing, what diffuses is all there is."""
    loose = bm.Membrane(water_permeability=1.0, salt_permeability=0.5, spacer_friction=0.0)
    made = predict(
        membrane=loose, feed_pressure_bar=[0.42, 0.401], feed_tds_mg_l=10.0, concentrate_flow_m3_h=100.0
    )
    share = made["permeate_tds_mg_l"] / made["inlet_tds_mg_l"]
    assert (share > 0.9).all()
    assert share[1] > share[0]
    assert share[1] == pytest.approx(1.0, abs=0.01)
