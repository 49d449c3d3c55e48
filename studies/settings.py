"""How safe proposed settings are, on random sites whose gauges are off; and how often an expected figure
holds the truth.

    python studies/settings.py [--sites 200] [--seed 80000] [--draws 40]

A site is drawn at random: one to three stages of small or large elements, with or without recycle, its
limits, its water, its gauges and how coarse their marks are. What `bm.settings` proposes is then put into
the forward model with each gauge off by an even draw from its limits of error, half a mark of the hand that
sets it beside that, and the day's temperature and salt off as their instruments may be; and the unit's
figures, element by element, are held against the site file's limits here, by code of this study alone.
Sites whose limits leave no setting are counted apart. The membrane's true flow and salt passage lie
anywhere within its rating's tolerance where expectations are
counted, and exactly at the rating where limits are: what a membrane is nobody knows at a start-up, and it
is then read, not set.
"""

from __future__ import annotations

import argparse
from typing import Any

import numpy as np
from trend import Table, percent

import brinemark as bm

GPM = bm.convert(1.0, "gpm", "m3/h")
PSI = bm.convert(1.0, "psi", "bar")


def site_of(random: np.random.Generator) -> tuple[bm.Site, dict[str, Any]]:
    """A random site, and what its file says, canonical."""
    small = bool(random.random() < 0.5)
    area, rated, length = (7.9, 9.1, 1.016) if small else (37.2, 42.0, 1.016)
    vessels = int(random.integers(1, 4)) if small else int(random.integers(2, 7))
    stages = [(vessels, int(random.integers(1, 5) if small else random.integers(3, 7)))]
    if random.random() < 0.4 and vessels > 1:
        stages.append((max(1, vessels // 2), stages[0][1]))
    recycle = len(stages) == 1 and bool(random.random() < 0.6)
    elements = sum(vessels * each for vessels, each in stages)
    scale = 1.0 if small else 4.0
    limits = {
        "feed_pressure": float(random.uniform(8.0, 18.0)),
        "recovery": float(random.uniform(0.6, 0.85)),
        "differential_pressure": float(random.uniform(1.5, 4.0)),
        "flux": float(random.uniform(25.0, 45.0)),
        "element_recovery": float(random.uniform(0.12, 0.25)),
        "element_differential_pressure": float(random.uniform(0.7, 1.2)),
        "vessel_feed_flow": float(random.uniform(3.2, 4.2)) * scale,
        "vessel_concentrate_flow": float(random.uniform(0.4, 0.9)) * scale,
    }
    flow = elements * area * float(random.uniform(10.0, 28.0)) / 1000.0
    gauges = {
        "feed_pressure": (float(random.uniform(0.005, 0.03)) * 20.0, float(random.choice([0.05, 0.1, 0.5]))),
        "concentrate_flow": (float(random.uniform(0.01, 0.04)) * flow, flow / float(random.integers(20, 80))),
        "recycle_flow": (float(random.uniform(0.01, 0.04)) * flow, flow / float(random.integers(20, 80))),
        "feed_temperature": (float(random.uniform(0.1, 1.0)), 0.1),
    }
    salt = float(random.uniform(0.01, 0.05))
    text = f"""
[site]
name = "Random unit"
[element]
area = "{area} m2"
length = "{length} m"
feed_spacer_thickness = "{random.uniform(0.66, 0.86)} mm"
rated_permeate_flow = "{rated} m3/d"
rated_permeate_flow_tolerance = "15 %"
rated_rejection = "99.5 %"
rated_rejection_minimum = "99.2 %"
test_pressure = "15.5 bar"
test_temperature = "25 degC"
test_feed_tds = "2000 mg/L"
test_recovery = "15 %"
[element.limits]
flux = "{limits["flux"]!r} L/m2/h"
recovery = "{100 * limits["element_recovery"]!r} %"
differential_pressure = "{limits["element_differential_pressure"]!r} bar"
feed_flow = "{limits["vessel_feed_flow"]!r} m3/h"
concentrate_flow = "{limits["vessel_concentrate_flow"]!r} m3/h"
[temperature]
law = "arrhenius"
constant = "{random.uniform(2400.0, 3000.0)} K"
[salinity]
basis = "sodium-chloride"
[water]
ph = {random.uniform(6.8, 7.8):.2f}
alkalinity = "{random.uniform(60, 250)} mg/L"
calcium = "{random.uniform(15, 100)} mg/L"
silica = "{random.uniform(4, 30)} mg/L"
tds = "{random.uniform(300, 900)} mg/L"
[scaling]
limits = "antiscalant"
[reference]
kind = "baseline"
[assume]
permeate_pressure = "0.2 bar"
[limits]
feed_pressure = {{ high = "{limits["feed_pressure"]!r} bar" }}
recovery = {{ high = "{100 * limits["recovery"]!r} %" }}
differential_pressure = {{ high = "{limits["differential_pressure"]!r} bar" }}
[settings]
permeate_flow = "{flow!r} m3/h"
recovery = "{100 * random.uniform(0.4, 0.8)!r} %"
[instruments]
feed_tds = {{ accuracy = "{100 * salt!r} % of reading" }}
"""
    units = {"feed_temperature": "degC", "feed_pressure": "bar"}
    for column, (accuracy, mark) in gauges.items():
        unit = units.get(column, "m3/h")
        text += f'{column} = {{ accuracy = "{accuracy!r} {unit}", resolution = "{mark!r} {unit}" }}\n'
    text += "".join(f"[[stage]]\nvessels = {n}\nelements_per_vessel = {each}\n" for n, each in stages)
    if recycle:
        text += '[recycle]\nreturns_to = "feed"\n'
    return bm.Site.parse(text), {"limits": limits, "gauges": gauges, "salt": salt, "stages": stages}


def broken(
    site: bm.Site,
    told: dict[str, Any],
    membrane: bm.Membrane,
    day: dict[str, float],
    set_to: dict[str, float],
) -> list[str]:
    """The limits that the unit breaks when it truly runs so, by the forward model and this study's own
    reading of them.
    """
    run = bm.predict(
        site,
        membrane,
        feed_temperature_degc=day["temperature"],
        feed_tds_mg_l=day["tds"],
        permeate_pressure_bar=0.2,
        feed_pressure_bar=set_to["feed_pressure"],
        concentrate_flow_m3_h=set_to["concentrate_flow"],
        recycle_flow_m3_h=set_to["recycle_flow"],
    )
    elements = bm.predict_elements(
        site,
        membrane,
        feed_temperature_degc=day["temperature"],
        feed_tds_mg_l=day["tds"],
        permeate_pressure_bar=0.2,
        feed_pressure_bar=set_to["feed_pressure"],
        feed_flow_m3_h=run["feed_flow_m3_h"],
        recycle_flow_m3_h=set_to["recycle_flow"],
    )
    limits = told["limits"]
    before = np.concatenate([[run["feed_pressure_bar"]], elements["concentrate_pressure_bar"][:-1]])
    last = (
        np.array([each for _, each in told["stages"]])[elements["stage"].astype(int) - 1]
        == elements["element"]
    )
    figures = {
        "feed_pressure": run["feed_pressure_bar"],
        "recovery": run["recovery"],
        "differential_pressure": run["feed_pressure_bar"] - run["concentrate_pressure_bar"],
        "flux": elements["flux_l_m2_h"].max(),
        "element_recovery": elements["recovery"].max(),
        "element_differential_pressure": (before - elements["concentrate_pressure_bar"]).max(),
        "vessel_feed_flow": elements["inlet_flow_m3_h"][elements["element"] == 1].max(),
    }
    off = [name for name, figure in figures.items() if not figure <= limits[name] * (1 + 1e-9)]
    slowest = elements["concentrate_flow_m3_h"][last].min()
    if not slowest >= limits["vessel_concentrate_flow"] * (1 - 1e-9):
        off.append("vessel_concentrate_flow")
    return off


def mean(held: list[bool]) -> float:
    """The share of what holds."""
    return float(np.mean(held))


def main() -> int:
    """Draws sites, proposes settings, lets gauges be off, and prints the figures."""
    parser = argparse.ArgumentParser(description=(__doc__ or "").partition("\n")[0])
    parser.add_argument("--sites", type=int, default=200)
    parser.add_argument("--seed", type=int, default=80_000)
    parser.add_argument(
        "--draws", type=int, default=40, help="how often the gauges of a site are off anew (40)"
    )
    given = parser.parse_args()
    table = Table()
    proposed = none = 0
    sound: list[bool] = []
    every: list[bool] = []
    scales: list[bool] = []
    covered: dict[str, list[bool]] = {
        "permeate flow": [],
        "permeate quality": [],
        "differential pressure": [],
    }
    reached: list[float] = []
    seed = given.seed
    while proposed < given.sites:
        random = np.random.default_rng(seed)
        seed += 1
        site, told = site_of(random)
        temperature, tds = float(random.uniform(4.0, 28.0)), float(random.uniform(200.0, 1500.0))
        try:
            found = bm.settings(site, feed_temperature_degc=temperature, feed_tds_mg_l=tds)
        except bm.SettingsError:
            none += 1
            continue
        proposed += 1
        gauges = {
            "feed_pressure": found.feed_pressure,
            "concentrate_flow": found.concentrate_flow,
            "recycle_flow": found.recycle_flow,
        }
        rated, water = bm.rated_membrane(site), site.water(temperature_degc=temperature, feed_tds_mg_l=tds)
        assert water is not None
        assert found.wanted_permeate_flow is not None
        reached.append(found.permeate_flow.value / found.wanted_permeate_flow.value)
        allowed = [
            limit.recovery for limit in site.recovery_limits(water).limits if limit.recovery == limit.recovery
        ]

        def truly(
            share: float, random: np.random.Generator = random
        ) -> tuple[dict[str, float], dict[str, float]]:
            set_to = {}
            for name, gauge in gauges.items():  # noqa: B023
                accuracy, mark = told["gauges"][name]  # noqa: B023
                at = 0.0 if gauge is None else gauge.value
                off = share * (random.uniform(-1, 1) * accuracy + random.uniform(-0.5, 0.5) * mark)
                set_to[name] = max(at + off, 0.0) if at > 0 else 0.0
            accuracy, _ = told["gauges"]["feed_temperature"]  # noqa: B023
            day = {
                "temperature": temperature + share * random.uniform(-1, 1) * accuracy,  # noqa: B023
                "tds": tds * (1 + share * random.uniform(-1, 1) * told["salt"]),  # noqa: B023
            }
            return day, set_to

        kept = []
        for _ in range(given.draws):
            day, set_to = truly(1.0)
            kept.append(not broken(site, told, rated, day, set_to))
            # Another membrane within its rating, and gauges off: does the expected figure hold what it makes?
            membrane = bm.Membrane(
                water_permeability=rated.water_permeability * (1 + 0.15 * random.uniform(-1, 1)),
                salt_permeability=rated.salt_permeability * (1 + 0.6 * random.uniform(-1, 1)),
            )
            made = bm.predict(
                site,
                membrane,
                feed_temperature_degc=day["temperature"],
                feed_tds_mg_l=day["tds"],
                permeate_pressure_bar=0.2,
                feed_pressure_bar=set_to["feed_pressure"],
                concentrate_flow_m3_h=set_to["concentrate_flow"],
                recycle_flow_m3_h=set_to["recycle_flow"],
            )
            drop = made["feed_pressure_bar"] - made["concentrate_pressure_bar"]
            for name, estimate, figure in (
                ("permeate flow", found.permeate_flow, made["permeate_flow_m3_h"]),
                ("permeate quality", found.permeate_quality, made["permeate_tds_mg_l"]),
                ("differential pressure", found.differential_pressure, drop),
            ):
                covered[name].append(bool(estimate.low <= figure <= estimate.high))
        sound.append(kept[0])
        every.extend(kept)
        scales.append(found.recovery_range[1] <= min(allowed, default=1.0) * (1 + 1e-9))
    print(f"\nSettings of {proposed} random sites ({none} more have limits that leave none)")
    table.show(
        "a setting with gauges off breaks no limit",
        percent(mean(sound)),
        "99 %",
        bool(np.mean(sound) >= 0.99),
    )
    table.show(
        f"    of {len(every)} draws of the gauges", percent(mean(every)), "99 %", bool(np.mean(every) >= 0.99)
    )
    table.show("    no scale passes its limit", percent(mean(scales)), "99 %", bool(np.mean(scales) >= 0.99))
    table.show("    sites that get all the permeate they want", percent(mean([at > 0.97 for at in reached])))
    table.show(
        "    of the others, share of it, median",
        percent(float(np.median([at for at in reached if at <= 0.97]))),
    )
    print("\nExpected figures, 90 % intervals, membranes anywhere within their rating")
    for name, held in covered.items():
        table.show(f"    {name} ({len(held)})", percent(mean(held)))
    print("\nNot met: " + ("; ".join(table.unmet) if table.unmet else "nothing"))
    return 0


if __name__ == "__main__":
    raise SystemExit(main())
