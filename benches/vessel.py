"""The vessel that the membrane model is timed on: six elements in series, no recycle, invented."""

from __future__ import annotations

import numpy as np
from plant import AREA_M2, CONSTANT_BELOW_25DEGC_K, CONSTANT_K, SALT_CONSTANT_K, Array

ELEMENTS = 6
LENGTH_M, SPACER_M = 1.0, 0.79e-3

# L/m2/h/bar and L/m2/h at 25 degC; the spacer's friction over that of a clean one.
MEMBRANE = {"water_permeability": 4.0, "salt_permeability": 0.12, "spacer_friction": 1.0}

# What is set at the design's conditions; what the membranes make of it is worked out.
DESIGN = {
    "feed_temperature": 25.0,
    "feed_pressure": 9.0,
    "permeate_pressure": 0.3,
    "feed_flow": 11.0,
    "feed_tds": 1500.0,
}

UNITS = {
    "feed_temperature": "degC",
    "feed_pressure": "bar",
    "differential_pressure": "bar",
    "permeate_pressure": "bar",
    "permeate_flow": "m3/h",
    "feed_flow": "m3/h",
    "feed_tds": "mg/L",
    "permeate_tds": "mg/L",
}


def site(permeate_flow: float, permeate_tds: float, differential_pressure: float) -> str:
    """The site file, with what the design's membranes make as its reference."""
    recovery = 100.0 * permeate_flow / DESIGN["feed_flow"]
    return f"""
[site]
name = "Bench vessel"

[element]
area = "{AREA_M2} m2"
length = "{LENGTH_M} m"
feed_spacer_thickness = "{1e3 * SPACER_M} mm"

[[stage]]
vessels = 1
elements_per_vessel = {ELEMENTS}

[temperature]
law = "arrhenius"
constant = "{CONSTANT_K} K"
constant_below_25degC = "{CONSTANT_BELOW_25DEGC_K} K"

[temperature.salt]
law = "arrhenius"
constant = "{SALT_CONSTANT_K} K"

[salinity]
basis = "sodium-chloride"

[reference]
kind = "design"
feed_temperature = "{DESIGN["feed_temperature"]} degC"
feed_pressure = "{DESIGN["feed_pressure"]} bar"
differential_pressure = "{differential_pressure} bar"
permeate_pressure = "{DESIGN["permeate_pressure"]} bar"
permeate_flow = "{permeate_flow} m3/h"
recovery = "{recovery} %"
feed_tds = "{DESIGN["feed_tds"]} mg/L"
permeate_tds = "{permeate_tds} mg/L"
"""


def conditions(rows: int) -> dict[str, Array]:
    """What is set, at random around the design; everywhere the membranes can make permeate."""
    scatter = np.random.default_rng(20260302)
    return {
        "feed_temperature": scatter.uniform(14.0, 30.0, rows),
        "feed_pressure": scatter.uniform(7.5, 9.5, rows),
        "permeate_pressure": scatter.uniform(0.2, 0.5, rows),
        "feed_flow": scatter.uniform(10.0, 12.0, rows),
        "feed_tds": scatter.uniform(1000.0, 2000.0, rows),
    }


def membranes(rows: int) -> dict[str, Array]:
    """Membranes at random around the design's: some fouled, some leaking."""
    scatter = np.random.default_rng(20260303)
    return {
        "water_permeability": MEMBRANE["water_permeability"] * scatter.uniform(0.8, 1.1, rows),
        "salt_permeability": MEMBRANE["salt_permeability"] * scatter.uniform(0.8, 1.5, rows),
        "spacer_friction": MEMBRANE["spacer_friction"] * scatter.uniform(0.9, 1.6, rows),
    }
