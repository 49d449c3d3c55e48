"""Makes the warranty case: `linen.csv`, `site.toml`, `owner.toml` and `supplier.toml`, beside this script.

    python -m brinemark.demo.warranty.make_case

An invented linen works makes rinse water out of an invented river, warm in summer and cold in winter. The
supplier of the membranes guarantees permeate flow and salt passage for three years, within limits of
operation and with records to be kept. After two years the owner makes a claim. What is true is known, since
all of it is simulated, by the same physics as the demo's plant (make_demo.py), which follows other laws than
any of the files here:

- Permeate flow at the stated conditions is truly below what is guaranteed; salt passage is truly within it.
- The operator once ran the unit above the allowed recovery, for some days: `HIGH_RECOVERY_DAYS`.
- For some weeks nobody took the silt density index: `NO_SDI_DAYS`. In the last months the calibration of the
  permeate conductivity meter was overdue.

The seed is fixed: running the script again writes the same bytes.
"""

from __future__ import annotations

from datetime import UTC, datetime, timedelta
from pathlib import Path

import numpy as np
from numpy.typing import NDArray

from brinemark.demo.make_demo import (
    SALT_CONSTANT_K,
    WATER_CONSTANT_K,
    _arrhenius,
    _conductivity,
    _osmotic_pressure_bar,
    _viscosity,
)

Array = NDArray[np.float64]

# --- What is true of the unit ---------------------------------------------------------------------

SEED = 20240304
START = datetime(2024, 3, 4, 7, tzinfo=UTC)
DAYS = 728
READINGS_A_DAY = 2
HIGH_RECOVERY_DAYS = (520.0, 523.5)
NO_SDI_DAYS = (609.0, 665.0)

ELEMENTS = 12
ELEMENT_AREA_M2 = 37.2
AREA_M2 = ELEMENTS * ELEMENT_AREA_M2

WATER_PERMEABILITY = 3.6  # A at 25 degC when new [L/m2/h/bar]
SALT_PERMEABILITY = 0.16  # B at 25 degC when new [L/m2/h]
FLOW_LOSS_A_YEAR = 0.125  # share of A lost in a year; 7 % are allowed
SALT_RISE_A_YEAR = 0.05  # share of B gained in a year; 10 % are allowed
DROP_RISE_A_YEAR = 0.08

# The conditions of the guarantee.
STATED = {
    "feed_temperature": 20.0,
    "feed_pressure": 10.0,
    "differential_pressure": 1.0,
    "permeate_pressure": 0.3,
    "feed_tds": 800.0,
    "recovery": 0.60,
}
GUARANTEED_M3_H = 10.6  # at the start


def water_permeability(day: Array) -> Array:
    """A at 25 degC [L/m2/h/bar], which truly falls."""
    a: Array = WATER_PERMEABILITY * np.exp(np.log1p(-FLOW_LOSS_A_YEAR) * day / 365.25)
    return a


def salt_permeability(day: Array) -> Array:
    """B at 25 degC [L/m2/h], which truly rises."""
    b: Array = SALT_PERMEABILITY * np.exp(np.log1p(SALT_RISE_A_YEAR) * day / 365.25)
    return b


def _made(
    day: Array, degc: Array, driving_bar: Array, mean_tds: Array, permeate_tds: Array
) -> tuple[Array, Array]:
    """Permeate flow [m3/h] and permeate salt [mg/L] of the solution-diffusion model."""
    kelvin = degc + 273.15
    a = water_permeability(day) * _arrhenius(kelvin, WATER_CONSTANT_K)
    b = salt_permeability(day) * _arrhenius(kelvin, SALT_CONSTANT_K)
    flow = AREA_M2 * a * (driving_bar - _osmotic_pressure_bar(mean_tds - permeate_tds, kelvin)) / 1000.0
    return flow, b * mean_tds * AREA_M2 / (1000.0 * flow)


def _log_mean(feed_tds: Array, recovery: Array) -> Array:
    return feed_tds * np.log(1.0 / (1.0 - recovery)) / recovery


def at_stated_conditions(day: Array) -> tuple[Array, Array]:
    """What the unit would truly make at the stated conditions: permeate flow [m3/h]; and salt passage, at the
    permeate flow that is guaranteed at the start.
    """
    ones = np.ones_like(day)
    mean = _log_mean(STATED["feed_tds"] * ones, STATED["recovery"] * ones)
    driving = STATED["feed_pressure"] - STATED["differential_pressure"] / 2.0 - STATED["permeate_pressure"]
    permeate_tds = 10.0 * ones
    for _ in range(50):
        flow, permeate_tds = _made(day, STATED["feed_temperature"] * ones, driving * ones, mean, permeate_tds)
    return flow, permeate_tds / STATED["feed_tds"] * flow / GUARANTEED_M3_H


# --- What the instruments show --------------------------------------------------------------------


def readings() -> dict[str, Array]:
    """What is written down, one value a reading; NaN where nothing is."""
    # The older generator, on purpose: numpy promises that its stream never changes.
    random = np.random.RandomState(SEED)
    n = DAYS * READINGS_A_DAY
    day = np.arange(n) / READINGS_A_DAY

    def noise(spread: float) -> Array:
        return spread * random.standard_normal(n)

    # The river is coldest in the middle of February, 347 days after the start.
    season = -np.cos(2.0 * np.pi * (day - 347.0) / 365.25)
    degc = 15.0 + 7.0 * season + 0.4 * np.cos(np.pi * (day * READINGS_A_DAY)) + noise(0.5)
    feed_tds = 800.0 * (1.0 + 0.10 * season + noise(0.02))
    # Once a fortnight the operator sets the pressure so that the works has its water.
    looked = degc[(day // 14 * 14 * READINGS_A_DAY).astype(int)]
    feed_bar = np.select([looked < 11.0, looked < 16.0], [11.5, 10.7], 10.0) + noise(0.05)
    valve = np.where((day >= HIGH_RECOVERY_DAYS[0]) & (day < HIGH_RECOVERY_DAYS[1]), 0.32, 1.0)

    permeate = np.full(n, 10.0)
    permeate_tds = np.full(n, 10.0)
    drop = np.full(n, 1.0)
    new_drop = 1.0 * np.exp(np.log1p(DROP_RISE_A_YEAR) * day / 365.25) * _viscosity(degc + 273.15) ** 0.25
    for _ in range(200):
        concentrate = 6.5 * valve * np.sqrt((feed_bar - drop) / 9.0)
        recovery = permeate / (permeate + concentrate)
        drop = new_drop * ((concentrate + permeate / 2.0) / 11.5) ** 1.6
        mean = _log_mean(feed_tds, recovery)
        flow, permeate_tds = _made(day, degc, feed_bar - drop / 2.0 - 0.3, mean, permeate_tds)
        permeate = 0.5 * permeate + 0.5 * flow

    weekly = np.arange(n) % (7 * READINGS_A_DAY) == 0
    taken = weekly & ~((day >= NO_SDI_DAYS[0]) & (day < NO_SDI_DAYS[1]))
    shown = {
        "feed_temperature [degC]": (degc + noise(0.1), 1),
        "feed_pressure [bar]": (feed_bar + noise(0.02), 2),
        "concentrate_pressure [bar]": (feed_bar - drop + noise(0.02), 2),
        "permeate_pressure [bar]": (0.3 + noise(0.01), 2),
        "permeate_flow [m3/h]": (permeate * (1.0 + noise(0.006)), 2),
        "concentrate_flow [m3/h]": (concentrate * (1.0 + noise(0.008)), 2),
        "feed_conductivity [uS/cm]": (_conductivity(feed_tds) * (1.0 + noise(0.004)), 0),
        "permeate_conductivity [uS/cm]": (_conductivity(permeate_tds) * (1.0 + noise(0.006)), 1),
        "feed_free_chlorine [mg/L]": (np.clip(0.01 + noise(0.006), 0.0, None), 2),
        "feed_sdi": (np.where(taken, 3.1 + noise(0.25), np.nan), 1),
    }
    return {name: np.round(values, digits) for name, (values, digits) in shown.items()}


def instant(day: float) -> str:
    """A day of the log as an ISO time."""
    return (START + timedelta(days=day)).strftime("%Y-%m-%dT%H:%MZ")


def linen_csv() -> str:
    """The log's text."""
    shown = readings()
    lines = [",".join(["time", *shown])]
    for row in range(DAYS * READINGS_A_DAY):
        cells = ["" if np.isnan(values[row]) else f"{values[row]:g}" for values in shown.values()]
        lines.append(",".join([instant(row / READINGS_A_DAY), *cells]))
    return "\n".join(lines) + "\n"


def site_toml() -> str:
    """The site file's text."""
    columns = {
        "feed_temperature": "0.3 degC",
        "feed_pressure": "0.5 % of 16 bar",
        "concentrate_pressure": "0.5 % of 16 bar",
        "permeate_pressure": "0.02 bar",
        "permeate_flow": "1 % of reading",
        "concentrate_flow": "1 % of reading",
        "feed_conductivity": "1 % of reading",
        "permeate_conductivity": "2 % of reading",
        "feed_free_chlorine": "0.02 mg/L",
        "feed_sdi": "0.3",
    }
    instruments = "\n".join(f'{name} = {{ accuracy = "{of}" }}' for name, of in columns.items())
    calibrations = "\n".join(
        f'[[event]]\ntime = "{instant(day)}"\nkind = "calibration"\nof = "{name}"\n'
        for day in (0.0, 180.0, 360.0, 540.0)
        for name in columns
        # The owner forgot one meter, once.
        if not (name == "permeate_conductivity" and day == 540.0)
    )
    return f"""\
# The site of the warranty case. It is invented, as is all of its log; make_case.py tells what is true of it.

[site]
name = "Quernstone linen works, rinse-water unit 3"
notes = "Invented. Rinse water from a river, since March 2024. Not drinking water."

[element]                              # from the element's data sheet
name = "8 inch brackish water element"
area = "{ELEMENT_AREA_M2:g} m2"

[[stage]]
vessels = 2
elements_per_vessel = {ELEMENTS // 2}

[temperature]
law = "arrhenius"
constant = "2800 K"
accuracy = "300 K"

[temperature.salt]
law = "arrhenius"
constant = "3000 K"

[salinity]
basis = "sodium-chloride"

[salinity.tds_per_conductivity]        # mg/L per uS/cm at 25 degC
feed = 0.50
permeate = 0.47
accuracy = "2 %"

[reference]
kind = "baseline"
period = "14 d"
minimum_readings = 20

[instruments]
{instruments}

{calibrations}"""


_TERMS = """\
# {title}
# Invented, as all of this case.

[warranty]
name = "{name}"
notes = "Invented parties: Quernstone linen works and its membrane supplier."
period = "3 years"
start_up = "{start}"
notice = "60 d"
notice_given = "{notice}"
replacements = "refused"

[conditions]
feed_temperature = "{feed_temperature:g} degC"
feed_pressure = "{feed_pressure:g} bar"
differential_pressure = "{differential_pressure:g} bar"
permeate_pressure = "{permeate_pressure:g} bar"
feed_tds = "{feed_tds:g} mg/L"
recovery = "{recovery:g}"

[guarantee]
method = "standard-practice"
over = "28 d"
minimum_days = 10

[guarantee.temperature]                # {law_note}
law = "arrhenius"
constant = "{constant}"

[guarantee.salt_temperature]
law = "arrhenius"
constant = "3000 K"

[guarantee.permeate_flow]
minimum = "{guaranteed:g} m3/h"
yearly_change = "{yearly_change}"
change = "{change}"

[guarantee.salt_passage]
maximum = "1.2 %"
yearly_change = "10 %"
change = "of-first"

[limit.feed_pressure]
high = "16 bar"

[limit.recovery]
high = "75 %"
longest = "12 h"

[limit.feed_free_chlorine]
high = "0.1 mg/L"

[limit.feed_sdi]                       # by ASTM D4189
high = 5

[records]
complete = "95 %"
calibration = "7 months"

[records.every]
feed_temperature = "1 d"
feed_pressure = "1 d"
permeate_flow = "1 d"
permeate_conductivity = "1 d"
feed_sdi = "8 d"
"""


def owner_toml() -> str:
    """The terms as the owner reads them."""
    return _TERMS.format(
        title="The terms as the owner reads them.",
        name="Membrane warranty, the owner's reading",
        start=instant(0.0),
        notice=instant(508.0),
        law_note="as on the element's data sheet",
        constant="2800 K",
        yearly_change="-7 %",
        change="compounding",
        guaranteed=GUARANTEED_M3_H,
        **STATED,
    )


def supplier_toml() -> str:
    """The terms as the supplier reads them: a steeper temperature law, which makes more of a flow in cold
    water, and a yearly change that does not compound.
    """
    return _TERMS.format(
        title="The terms as the supplier reads them.",
        name="Membrane warranty, the supplier's reading",
        start=instant(0.0),
        notice=instant(508.0),
        law_note="the supplier's own design program",
        constant="3480 K",
        yearly_change="-7 %",
        change="of-first",
        guaranteed=GUARANTEED_M3_H,
        **STATED,
    )


def main() -> None:
    """Writes the files and says what is true of the unit."""
    folder = Path(__file__).parent
    for name, text in (
        ("linen.csv", linen_csv()),
        ("site.toml", site_toml()),
        ("owner.toml", owner_toml()),
        ("supplier.toml", supplier_toml()),
    ):
        # Bytes, so that no system changes the ends of the lines.
        (folder / name).write_bytes(text.encode())
    day = np.array([0.0, 365.25, DAYS - 14.0])
    print("day    flow, m3/h   salt passage, %   (true, at the stated conditions)")
    for of, flow, passage in zip(
        day.tolist(), *(each.tolist() for each in at_stated_conditions(day)), strict=True
    ):
        print(f"{of:5.0f}  {flow:9.2f}   {100 * passage:13.2f}")


if __name__ == "__main__":
    main()
