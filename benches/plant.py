"""The readings and the site that everything here is timed on: invented, one stage with recycle."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

Array = NDArray[np.float64]

AREA_M2 = 37.2
VESSELS, ELEMENTS_PER_VESSEL = 2, 6
CONSTANT_K, CONSTANT_BELOW_25DEGC_K, SALT_CONSTANT_K = 2640.0, 3020.0, 3000.0
FLOW_EXPONENT, VISCOSITY_POWER = 1.7, 0.3

# The conditions that readings are compared with, in brinemark's canonical units.
DESIGN = {
    "feed_temperature": 25.0,
    "feed_pressure": 12.0,
    "differential_pressure": 0.9,
    "permeate_pressure": 0.3,
    "permeate_flow": 9.0,
    "feed_flow": 9.0 / 0.75,
    "recycle_flow": 4.0,
    "feed_tds": 900.0,
    "permeate_tds": 16.0,
}

UNITS = {
    "feed_temperature": "degC",
    "feed_pressure": "bar",
    "differential_pressure": "bar",
    "permeate_pressure": "bar",
    "permeate_flow": "m3/h",
    "feed_flow": "m3/h",
    "recycle_flow": "m3/h",
    "feed_tds": "mg/L",
    "permeate_tds": "mg/L",
}

SITE = f"""
[site]
name = "Bench"

[element]
area = "{AREA_M2} m2"

[[stage]]
vessels = {VESSELS}
elements_per_vessel = {ELEMENTS_PER_VESSEL}

[recycle]
returns_to = "feed"

[temperature]
law = "arrhenius"
constant = "{CONSTANT_K} K"
constant_below_25degC = "{CONSTANT_BELOW_25DEGC_K} K"

[temperature.salt]
law = "arrhenius"
constant = "{SALT_CONSTANT_K} K"

[salinity]
basis = "sodium-chloride"

[normalise]
differential_pressure_flow_exponent = {FLOW_EXPONENT}
differential_pressure_viscosity_power = {VISCOSITY_POWER}

[reference]
kind = "design"
feed_temperature = "{DESIGN["feed_temperature"]} degC"
feed_pressure = "{DESIGN["feed_pressure"]} bar"
differential_pressure = "{DESIGN["differential_pressure"]} bar"
permeate_pressure = "{DESIGN["permeate_pressure"]} bar"
permeate_flow = "{DESIGN["permeate_flow"]} m3/h"
recovery = "75 %"
recycle_flow = "{DESIGN["recycle_flow"]} m3/h"
feed_tds = "{DESIGN["feed_tds"]} mg/L"
permeate_tds = "{DESIGN["permeate_tds"]} mg/L"
"""

# Every figure that brinemark works out for such a unit.
OUTPUTS = (
    "recovery",
    "pass_recovery",
    "membrane_inlet_tds",
    "mean_feed_tds",
    "net_driving_pressure",
    "temperature_factor",
    "flux",
    "water_permeability",
    "normalised_permeate_flow",
    "normalised_permeate_flow_change",
    "salt_passage",
    "rejection",
    "salt_permeability",
    "normalised_salt_passage",
    "normalised_salt_passage_change",
    "normalised_salt_passage_at_normalised_flow",
    "normalised_salt_passage_at_normalised_flow_change",
    "normalised_rejection",
    "normalised_differential_pressure",
    "normalised_differential_pressure_change",
)


def times(rows: int) -> NDArray[np.datetime64]:
    """One reading a minute."""
    return np.datetime64("2020-01-01T00:00:00", "us") + np.arange(rows) * np.timedelta64(60, "s")


def readings(rows: int) -> dict[str, Array]:
    """Readings around the design's conditions, all of them usable, in canonical units."""
    scatter = np.random.default_rng(20260301)
    year = np.sin(2.0 * np.pi * np.arange(rows) / (365.0 * 1440.0))

    def around(value: float, share: float) -> Array:
        return value * (1.0 + share * scatter.standard_normal(rows).clip(-3.0, 3.0))

    return {
        "feed_temperature": 22.0 + 8.0 * year + scatter.uniform(-2.0, 2.0, rows),
        "feed_pressure": around(12.5, 0.02),
        "differential_pressure": around(1.0, 0.05),
        "permeate_pressure": around(0.3, 0.1),
        "permeate_flow": around(8.8, 0.02),
        "feed_flow": around(12.0, 0.02),
        "recycle_flow": around(4.0, 0.05),
        "feed_tds": around(920.0, 0.03),
        "permeate_tds": around(17.0, 0.05),
    }
