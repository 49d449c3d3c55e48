"""Makes the demo plant: `plant.csv` and `site.toml`, beside this script.

    python -m brinemark.demo.make_demo

An invented unit makes irrigation water for an invented glasshouse farm, out of a brackish pond
whose temperature follows the year. Each reading is a steady state of the solution-diffusion model:

    permeate flow   Qp = area · A · TCF · NDP
    driving force   NDP = Pf − ΔP/2 − Pp − (π of the log-mean feed side − π of the permeate)
    permeate salt   Cp = B · STCF · Cfb · area / Qp

Qp, ΔP, Cfb and Cp depend on one another and are found by fixed-point iteration. What is true of
the membranes (A and B over time) is known, so an answer can be checked. To keep that check from
going in circles, the plant does not obey the site file to the letter: its temperature laws,
osmotic pressure, salt-to-conductivity curve, pressure drop law and permeate pressure each differ a
little from what the site file says, as those of a real plant would.

The seed is fixed: running the script again writes the same bytes.
"""

from __future__ import annotations

from dataclasses import dataclass
from datetime import datetime, timedelta, timezone
from pathlib import Path

import numpy as np
from numpy.typing import NDArray

Array = NDArray[np.float64]

# --- What is true of the plant --------------------------------------------------------------------

SEED = 20240502
ZONE = timezone(timedelta(hours=-7))
START = datetime(2024, 5, 2, 2, tzinfo=ZONE)
READINGS_A_DAY = 4
DAYS = 730
CLEANING_DAY = 425.5  # about 14 months
CALIBRATION_DAY = 331.4
SHUT_DOWN_DAYS = (203.0, 214.0)  # between two crops

ELEMENTS = 12
ELEMENT_AREA_FT2 = 400.0
AREA_M2 = ELEMENTS * ELEMENT_AREA_FT2 * 0.09290304

WATER_PERMEABILITY = 3.6  # A at 25 degC when stabilised [L/m2/h/bar]
SALT_PERMEABILITY = 0.20  # B at 25 degC when new [L/m2/h]
FOULING_A_YEAR = 0.10  # share of A lost in a year
SALT_RISE_A_YEAR = 0.06  # share of B gained in a year
DROP_RISE_A_YEAR = 0.15  # share of the pressure drop coefficient gained in a year
CLEANED = 0.6  # share of each loss that the cleaning takes back
COMPACTION = 0.05  # A is this much higher at the very start ...
COMPACTION_DAYS = 1.5  # ... and settles with this time constant

WATER_CONSTANT_K = 2850.0  # the site file has 2640 K and, below 25 degC, 3020 K
SALT_CONSTANT_K = 3200.0  # the site file has 3000 K
OSMOTIC_COEFFICIENT = 0.93  # van 't Hoff with this; the site file has Pitzer's sodium chloride
DROP_FLOW_EXPONENT = 1.6  # brinemark's default is 1.7
DROP_VISCOSITY_POWER = 0.25  # brinemark's default is 0.3
DROP_PSI = 14.0  # at a mean flow of 60 gpm and 25 degC, when new
PERMEATE_PRESSURE_PSI = 4.0  # the site file assumes 5 psi
PERMEATE_METER_ERROR = -0.015  # of the permeate conductivity meter, until its calibration

PSI_BAR = 0.0689475729
GPM_M3_H = 0.2271247

# Conductivity of sodium chloride at 25 degC, uS/cm per mg/L, over concentration in mg/L. The limit
# at zero is from memory (126.45 S cm2/mol); the rest is an independent calculation.
CONDUCTIVITY_CURVE = ((0.0, 500.0, 2000.0, 10000.0), (2.164, 2.030, 1.9325, 1.7563))


def permeability_factor(day: Array) -> Array:
    """The plant's true water permeability, as a share of its stabilised start."""
    return _since_cleaning(day, np.log1p(-FOULING_A_YEAR)) * (
        1.0 + COMPACTION * np.exp(-day / COMPACTION_DAYS)
    )


def salt_permeability_factor(day: Array) -> Array:
    """The plant's true salt permeability, as a share of its start."""
    return _since_cleaning(day, np.log1p(SALT_RISE_A_YEAR))


def pressure_drop_factor(day: Array) -> Array:
    """The true pressure drop at one flow and temperature, as a share of its start."""
    return _since_cleaning(day, np.log1p(DROP_RISE_A_YEAR))


def _since_cleaning(day: Array, log_rate_a_year: float) -> Array:
    """Exponential drift, of which the cleaning takes part back."""
    before = np.exp(log_rate_a_year * day / 365.25)
    at_cleaning = float(np.exp(log_rate_a_year * CLEANING_DAY / 365.25))
    left = 1.0 + (1.0 - CLEANED) * (at_cleaning - 1.0)
    return np.where(day < CLEANING_DAY, before, before / at_cleaning * left)


# --- The plant ------------------------------------------------------------------------------------


@dataclass(frozen=True)
class Operation:
    """What the weather and the operator do, one value a reading."""

    day: Array
    temperature_degf: Array
    feed_pressure_psi: Array
    feed_tds_mg_l: Array
    running: NDArray[np.bool_]


@dataclass(frozen=True)
class Steady:
    """What the plant then does."""

    permeate_flow_gpm: Array
    concentrate_flow_gpm: Array
    differential_pressure_psi: Array
    permeate_tds_mg_l: Array


def _correlated(random: np.random.RandomState, n: int, days: float) -> Array:
    """Noise of unit spread that forgets itself over `days`."""
    keep = float(np.exp(-1.0 / (READINGS_A_DAY * days)))
    shocks = random.standard_normal(n) * np.sqrt(1.0 - keep**2)
    noise = np.zeros(n)
    for i in range(1, n):
        noise[i] = keep * noise[i - 1] + shocks[i]
    return noise


def operate(random: np.random.RandomState) -> Operation:
    """Two years of weather and of an operator who raises the pressure a little in winter."""
    n = DAYS * READINGS_A_DAY
    day = np.arange(n) / READINGS_A_DAY
    # The pond is coldest near the end of January, 267 days after the start.
    season = -np.cos(2.0 * np.pi * (day - 267.0) / 365.25)
    warm_afternoon = 0.5 * np.cos(2.0 * np.pi * (day - 0.5))
    temperature = 58.0 + 15.0 * season + warm_afternoon + 1.2 * _correlated(random, n, 6.0)
    # Summer takes water from the pond by evaporation and leaves the salt.
    salt = 1150.0 * (1.0 + 0.12 * season) * (1.0 + 0.03 * _correlated(random, n, 10.0))
    # Once a fortnight the operator sets one of three pressures by the water's temperature.
    looked = temperature[(day // 14 * 14 * READINGS_A_DAY).astype(int)]
    pressure = np.select([looked < 46.0, looked < 54.0], [147.0, 142.0], 138.0)
    pressure = pressure + 1.0 * _correlated(random, n, 1.0)

    running = np.ones(n, dtype=bool)
    for stop in random.randint(2 * READINGS_A_DAY, n - 2, size=34):  # the tank is full
        running[stop : stop + random.randint(1, 4)] = False
    running[(day >= SHUT_DOWN_DAYS[0]) & (day < SHUT_DOWN_DAYS[1])] = False
    running[(day >= CLEANING_DAY - 0.5) & (day < CLEANING_DAY + 0.25)] = False
    return Operation(day, temperature, pressure, salt, running)


def _arrhenius(kelvin: Array, constant_k: float) -> Array:
    return np.exp(constant_k * (1.0 / 298.15 - 1.0 / kelvin))


def _viscosity(kelvin: Array) -> Array:
    """Viscosity of water over that at 25 degC (IAPWS SR6-08, 0.1 MPa, coefficients from memory)."""

    def viscosity(t: Array) -> Array:
        return 280.68 * t**-1.9 + 511.45 * t**-7.7 + 61.131 * t**-19.6 + 0.45903 * t**-40

    return viscosity(kelvin / 300.0) / viscosity(np.array(298.15 / 300.0))


def _osmotic_pressure_bar(tds_mg_l: Array, kelvin: Array) -> Array:
    """Van 't Hoff: φ · 2 c R T, with c in mol/L of sodium chloride."""
    return OSMOTIC_COEFFICIENT * 2.0 * tds_mg_l / 58_442.8 * 0.0831446 * kelvin


def _conductivity(tds_mg_l: Array) -> Array:
    """Conductivity at 25 degC, uS/cm; between the curve's points straight in √concentration."""
    concentrations, per_mg_l = CONDUCTIVITY_CURVE
    return tds_mg_l * np.interp(np.sqrt(tds_mg_l), np.sqrt(concentrations), per_mg_l)


def run(operation: Operation) -> Steady:
    """The steady state of each reading, by damped fixed-point iteration."""
    kelvin = (operation.temperature_degf - 32.0) / 1.8 + 273.15
    a = WATER_PERMEABILITY * permeability_factor(operation.day)
    b = SALT_PERMEABILITY * salt_permeability_factor(operation.day)
    a = a * _arrhenius(kelvin, WATER_CONSTANT_K)
    b = b * _arrhenius(kelvin, SALT_CONSTANT_K)
    drop = DROP_PSI * pressure_drop_factor(operation.day)
    drop = drop * _viscosity(kelvin) ** DROP_VISCOSITY_POWER

    permeate = np.full_like(kelvin, 40.0)
    differential = np.full_like(kelvin, 12.0)
    permeate_tds = np.full_like(kelvin, 15.0)
    for _ in range(200):
        before = permeate
        # The concentrate valve is left where it is: flow as the root of pressure.
        concentrate = 40.0 * np.sqrt((operation.feed_pressure_psi - differential) / 125.0)
        recovery = permeate / (permeate + concentrate)
        mean_tds = operation.feed_tds_mg_l * np.log(1.0 / (1.0 - recovery)) / recovery
        differential = drop * ((concentrate + permeate / 2.0) / 60.0) ** DROP_FLOW_EXPONENT
        gauge = operation.feed_pressure_psi - differential / 2.0 - PERMEATE_PRESSURE_PSI
        osmotic = _osmotic_pressure_bar(mean_tds - permeate_tds, kelvin)
        litres_an_hour = AREA_M2 * a * (gauge * PSI_BAR - osmotic)
        permeate = 0.5 * before + 0.5 * litres_an_hour / 1000.0 / GPM_M3_H
        permeate_tds = b * mean_tds * AREA_M2 / (permeate * GPM_M3_H * 1000.0)
        if float(np.max(np.abs(permeate - before))) < 1e-10:
            return Steady(permeate, concentrate, differential, permeate_tds)
    raise RuntimeError("the fixed point was not found")


# --- What the instruments show --------------------------------------------------------------------

RESOLUTION = {
    "feed_temperature [degF]": 0.1,
    "feed_pressure [psi]": 0.5,
    "concentrate_pressure [psi]": 0.5,
    "permeate_flow [gpm]": 0.1,
    "concentrate_flow [gpm]": 0.1,
    "feed_conductivity [uS/cm]": 1.0,
    "permeate_conductivity [uS/cm]": 0.1,
}


def read(operation: Operation, steady: Steady, random: np.random.RandomState) -> dict[str, Array]:
    """What is written down: noise, the meters' own errors, stops and cells nobody filled in."""
    n = len(operation.day)

    def noise(spread: float) -> Array:
        return spread * random.standard_normal(n)

    meter = np.where(operation.day < CALIBRATION_DAY, 1.0 + PERMEATE_METER_ERROR, 1.0)
    concentrate_pressure = operation.feed_pressure_psi - steady.differential_pressure_psi
    feed_conductivity = _conductivity(operation.feed_tds_mg_l)
    permeate_conductivity = _conductivity(steady.permeate_tds_mg_l)
    shown = {
        "feed_temperature [degF]": operation.temperature_degf + noise(0.2),
        "feed_pressure [psi]": operation.feed_pressure_psi + noise(0.5),
        "concentrate_pressure [psi]": concentrate_pressure + noise(0.5),
        "permeate_flow [gpm]": steady.permeate_flow_gpm * (1.0 + noise(0.010)),
        "concentrate_flow [gpm]": steady.concentrate_flow_gpm * (1.0 + noise(0.015)),
        "feed_conductivity [uS/cm]": feed_conductivity * (1.0 + noise(0.006)),
        "permeate_conductivity [uS/cm]": permeate_conductivity * meter * (1.0 + noise(0.012)),
    }
    # Stopped: no flow, no pressure; the cells of the conductivity meters stay wet and still read.
    for name in shown:
        if "flow" in name or "pressure" in name:
            shown[name] = np.where(operation.running, shown[name], 0.0)
        rounded = np.round(shown[name] / RESOLUTION[name]) * RESOLUTION[name]
        shown[name] = np.round(rounded, 1)
    names = list(shown)
    for _ in range(26):
        shown[names[random.randint(len(names))]][random.randint(n)] = np.nan
    # Three days without the permeate conductivity meter, which was out for its calibration.
    out = (operation.day >= CALIBRATION_DAY - 3.0) & (operation.day < CALIBRATION_DAY)
    shown["permeate_conductivity [uS/cm]"][out] = np.nan
    return shown


def instant(day: float) -> str:
    """A day of the log as an ISO time with its offset."""
    return (START + timedelta(days=day)).isoformat(timespec="minutes")


def plant_csv() -> str:
    """The log's text."""
    # The older generator, on purpose: numpy promises that its stream never changes.
    random = np.random.RandomState(SEED)
    operation = operate(random)
    shown = read(operation, run(operation), random)
    lines = [",".join(["time", *shown, "running"])]
    for i, day in enumerate(operation.day.tolist()):
        cells = ["" if np.isnan(value[i]) else f"{value[i]:g}" for value in shown.values()]
        lines.append(",".join([instant(day), *cells, "true" if operation.running[i] else "false"]))
    return "\n".join(lines) + "\n"


def site_toml() -> str:
    """The site file's text: what a plant engineer would know, which is not quite what is true."""
    return f"""\
# The demo's plant. It is invented, as is all of its log; make_demo.py tells what is true of it.

[site]
name = "Quillhaven glasshouses, irrigation unit 2"
notes = "Invented. Irrigation water from a brackish pond, since May 2024. Not drinking water."

[element]                              # from the element's data sheet
name = "8 inch brackish water element"
area = "{ELEMENT_AREA_FT2:g} ft2"
length = "40 in"
feed_spacer_thickness = "31 mil"
rated_permeate_flow = "11600 gpd"
rated_rejection = "99.5 %"
test_pressure = "225 psi"
test_temperature = "77 degF"
test_feed_tds = "2000 mg/L"
test_recovery = "15 %"

[[stage]]
vessels = 2
elements_per_vessel = {ELEMENTS // 2}

[temperature]                          # the maker's constants
law = "arrhenius"
constant = "2640 K"
constant_below_25degC = "3020 K"
accuracy = "400 K"                     # published constants span about that much either way

[temperature.salt]
law = "arrhenius"
constant = "3000 K"

[salinity]
basis = "sodium-chloride"

[salinity.tds_per_conductivity]        # mg/L per uS/cm at 25 degC
feed = 0.50
permeate = 0.47
accuracy = "3 %"

[reference]
kind = "baseline"
stabilise = "48 h"
period = "14 d"
minimum_readings = 20

[assume]
permeate_pressure = "5 psi"            # an open line to the irrigation tank, a few feet up

[instruments]
feed_temperature = {{ accuracy = "1 degF", resolution = "0.1 degF" }}
feed_pressure = {{ accuracy = "1 % of 200 psi", resolution = "0.5 psi" }}
concentrate_pressure = {{ accuracy = "1 % of 200 psi", resolution = "0.5 psi" }}
permeate_flow = {{ accuracy = "2 % of 60 gpm", resolution = "0.1 gpm" }}
concentrate_flow = {{ accuracy = "2 % of 60 gpm", resolution = "0.1 gpm" }}
feed_conductivity = {{ accuracy = "2 % of reading", resolution = "1 uS/cm" }}
permeate_conductivity = {{ accuracy = "2 % of reading", resolution = "0.1 uS/cm", \
calibrated_on = "{instant(CALIBRATION_DAY)[:10]}" }}

[limits]                               # from the unit's plate and the element's data sheet
feed_pressure = {{ high = "200 psi" }}
differential_pressure = {{ high = "40 psi" }}
feed_temperature = {{ low = "34 degF", high = "95 degF" }}
recovery = {{ high = "60 %" }}

[[event]]
time = "{instant(CALIBRATION_DAY)}"
kind = "calibration"
note = "permeate conductivity meter, read {-100 * PERMEATE_METER_ERROR:g} % low; adjusted"

[[event]]
time = "{instant(CLEANING_DAY)}"
kind = "cleaning"
note = "high pH, then low pH, as the element's manual says"
"""


def main() -> None:
    """Writes both files and says what is true of the plant."""
    folder = Path(__file__).parent
    # Bytes, so that no system changes the ends of the lines.
    (folder / "plant.csv").write_bytes(plant_csv().encode())
    (folder / "site.toml").write_bytes(site_toml().encode())
    ends = np.array([2.0, 16.0, CLEANING_DAY - 0.5, CLEANING_DAY + 0.5, DAYS - 28.0, float(DAYS)])
    print("day    A, L/m2/h/bar   B, L/m2/h   pressure drop, of new   (true, at 25 degC)")
    for day, a, b, drop in zip(
        ends.tolist(),
        (WATER_PERMEABILITY * permeability_factor(ends)).tolist(),
        (SALT_PERMEABILITY * salt_permeability_factor(ends)).tolist(),
        pressure_drop_factor(ends).tolist(),
        strict=True,
    ):
        print(f"{day:5.1f}  {a:13.3f}   {b:9.4f}   {drop:21.3f}")
    print(f"temperature constants: water {WATER_CONSTANT_K:g} K, salt {SALT_CONSTANT_K:g} K")


if __name__ == "__main__":
    main()
