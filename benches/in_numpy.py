"""brinemark's equations for one stage with recycle, as one would write them in NumPy.

The sources of the equations stand with brinemark's own functions. Readings that can't be are not
looked for here; brinemark does look for them.
"""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

import numpy as np
from plant import (
    AREA_M2,
    CONSTANT_BELOW_25DEGC_K,
    CONSTANT_K,
    DESIGN,
    ELEMENTS_PER_VESSEL,
    FLOW_EXPONENT,
    SALT_CONSTANT_K,
    VESSELS,
    VISCOSITY_POWER,
)

# A column, or one figure: NumPy takes both.
Figures = Any


def viscosity(t: Figures) -> Figures:
    """Viscosity of water, mPa s."""
    tau = (t + 273.15) / 300.0
    return 1e-3 * (280.68 * tau**-1.9 + 511.45 * tau**-7.7 + 61.131 * tau**-19.6 + 0.45903 * tau**-40.0)


def density(t: Figures) -> Figures:
    """Density of water, kg/m3."""
    coefficients = [
        -280.54253e-12,
        105.56302e-9,
        -46.170461e-6,
        -7.9870401e-3,
        16.945176,
        999.83952,
    ]
    return np.polyval(coefficients, t) / (1.0 + 16.879850e-3 * t)


def debye_hueckel(t: Figures, water: Figures) -> Figures:
    """Debye-Hückel slope for the osmotic coefficient, from temperature and density of water."""
    permittivity = np.polyval([-1.410e-6, 9.398e-4, -0.40008, 87.740], t)
    length = 1.602176634e-19**2 / (
        4.0 * np.pi * 8.8541878128e-12 * permittivity * 1.380649e-23 * (t + 273.15)
    )
    return np.sqrt(2.0 * np.pi * 6.02214076e23 * water) * length**1.5 / 3.0


def osmotic_pressures(t: Figures, *salts: Figures) -> list[Figures]:
    """Osmotic pressure of sodium chloride by Pitzer's equation, bar, for each column of mg/L."""
    kelvin = t + 273.15
    water = density(t)
    slope = debye_hueckel(t, water)
    inverse = 1.0 / kelvin - 1.0 / 298.15
    logarithm = np.log(kelvin / 298.15)
    difference = kelvin - 298.15
    squares = kelvin**2 - 298.15**2
    beta0 = 0.0765 - 777.03 * inverse - 4.4706 * logarithm + 0.008946 * difference
    beta0 = beta0 - 3.3158e-6 * squares
    beta1 = 0.2664 + 6.1608e-5 * difference + 1.0715e-6 * squares
    c_phi = 0.00127 + 33.317 * inverse + 0.09421 * logarithm - 4.655e-5 * difference
    pressures = []
    for salt in salts:
        molarity = salt / 58442.8
        volume = 1e-3 * molarity * (16.62 + 1.87 * np.sqrt(molarity))
        molality = molarity / (1e-3 * water * (1.0 - volume))
        root = np.sqrt(molality)
        coefficient = (
            1.0
            - slope * root / (1.0 + 1.2 * root)
            + molality * (beta0 + beta1 * np.exp(-2.0 * root))
            + molality**2 * c_phi
        )
        pressures.append(1e-5 * coefficient * 2.0 * molality * 8.314462618 * kelvin * water)
    return pressures


def arrhenius(t: Figures, constant_k: Figures) -> Figures:
    """Temperature factor, 1 at 25 degC."""
    return np.exp(constant_k * (1.0 / 298.15 - 1.0 / (t + 273.15)))


def state(at: Mapping[str, Figures]) -> dict[str, Figures]:
    """What follows from the conditions alone."""
    t = at["feed_temperature"]
    permeate, feed, recycle = at["permeate_flow"], at["feed_flow"], at["recycle_flow"]
    inlet = feed + recycle
    inlet_tds = (feed * at["feed_tds"] * (inlet - permeate) - recycle * permeate * at["permeate_tds"]) / (
        inlet * (feed - permeate)
    )
    pass_recovery = permeate / inlet
    mean_feed_tds = inlet_tds * -np.log1p(-pass_recovery) / pass_recovery
    mean_feed_pi, permeate_pi = osmotic_pressures(t, mean_feed_tds, at["permeate_tds"])
    return {
        "recovery": permeate / feed,
        "pass_recovery": pass_recovery,
        "membrane_inlet_tds": inlet_tds,
        "mean_feed_tds": mean_feed_tds,
        "mean_flow": inlet - 0.5 * permeate,
        "net_driving_pressure": at["feed_pressure"]
        - 0.5 * at["differential_pressure"]
        - at["permeate_pressure"]
        - (mean_feed_pi - permeate_pi),
        "temperature_factor": arrhenius(t, np.where(t < 25.0, CONSTANT_BELOW_25DEGC_K, CONSTANT_K)),
        "salt_temperature_factor": arrhenius(t, SALT_CONSTANT_K),
        "viscosity": viscosity(t),
    }


REFERENCE = {name: float(value) for name, value in state(DESIGN).items()}


def normalise(at: Mapping[str, Figures]) -> dict[str, Figures]:
    """Every output, from columns in canonical units."""
    now, then = state(at), REFERENCE
    area = AREA_M2 * VESSELS * ELEMENTS_PER_VESSEL
    permeate = at["permeate_flow"]
    flux = 1000.0 * permeate / area
    flow = (
        permeate
        * (then["net_driving_pressure"] * then["temperature_factor"])
        / (now["net_driving_pressure"] * now["temperature_factor"])
    )
    passage = at["permeate_tds"] / now["membrane_inlet_tds"]
    normalised_passage = (
        passage
        * (permeate / DESIGN["permeate_flow"])
        * (then["salt_temperature_factor"] / now["salt_temperature_factor"])
        * (then["mean_feed_tds"] / now["mean_feed_tds"])
        * (now["membrane_inlet_tds"] / then["membrane_inlet_tds"])
    )
    passage_at_flow = normalised_passage * DESIGN["permeate_flow"] / flow
    reference_passage = DESIGN["permeate_tds"] / then["membrane_inlet_tds"]
    drop = (
        at["differential_pressure"]
        * (then["mean_flow"] / now["mean_flow"]) ** FLOW_EXPONENT
        * (then["viscosity"] / now["viscosity"]) ** VISCOSITY_POWER
    )
    return {
        "recovery": now["recovery"],
        "pass_recovery": now["pass_recovery"],
        "membrane_inlet_tds": now["membrane_inlet_tds"],
        "mean_feed_tds": now["mean_feed_tds"],
        "net_driving_pressure": now["net_driving_pressure"],
        "temperature_factor": now["temperature_factor"],
        "flux": flux,
        "water_permeability": flux / (now["net_driving_pressure"] * now["temperature_factor"]),
        "normalised_permeate_flow": flow,
        "normalised_permeate_flow_change": flow / DESIGN["permeate_flow"] - 1.0,
        "salt_passage": passage,
        "rejection": 1.0 - passage,
        "salt_permeability": flux
        * at["permeate_tds"]
        / (now["salt_temperature_factor"] * now["mean_feed_tds"]),
        "normalised_salt_passage": normalised_passage,
        "normalised_salt_passage_change": normalised_passage / reference_passage - 1.0,
        "normalised_salt_passage_at_normalised_flow": passage_at_flow,
        "normalised_salt_passage_at_normalised_flow_change": passage_at_flow / reference_passage - 1.0,
        "normalised_rejection": 1.0 - normalised_passage,
        "normalised_differential_pressure": drop,
        "normalised_differential_pressure_change": drop / DESIGN["differential_pressure"] - 1.0,
    }
