"""Simulated plants with planted faults, whose truth is known.

Each plant is invented: a vessel or a few, run by the membrane model through weather and operators' hands,
read by instruments with errors, and then something is wrong with some of the readings. Everything is drawn
from one seed.
"""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import Any

import numpy as np
from numpy.typing import NDArray

import brinemark as bm

Array = NDArray[np.float64]

STEP_MIN = 15
DAYS = 90
ROWS = DAYS * 24 * 60 // STEP_MIN

UNITS = {
    "feed_temperature": "degC",
    "feed_pressure": "bar",
    "concentrate_pressure": "bar",
    "permeate_pressure": "bar",
    "feed_flow": "m3/h",
    "permeate_flow": "m3/h",
    "concentrate_flow": "m3/h",
    "feed_conductivity": "uS/cm",
    "permeate_conductivity": "uS/cm",
    "concentrate_conductivity": "uS/cm",
}

# The test that should take the rows of each kind of fault.
KINDS = {
    "restart": ("starting", "running"),
    "flush": ("flushing",),
    "saturated": ("instrument-range",),
    "negative": ("possible",),
    "conductivities exchanged": ("permeate-saltier",),
    "stuck": ("stuck",),
    "spike": ("spike",),
    "step of one sensor": ("sensor-step",),
    "drift of a flow meter": ("sensor-step",),
    "flow meter with air": ("water-balance",),
    "fouled probe": ("salt-balance",),
    "gauges exchanged": ("pressure-order",),
    "row written twice": ("duplicate",),
}


@dataclass
class Plant:
    """A simulated log: what instruments show, and what is true."""

    site: bm.Site
    columns: dict[str, Array]
    running: Array
    # Rows of each planted fault; rows at which nothing is wrong; repeated rows.
    faults: dict[str, NDArray[np.bool_]] = field(default_factory=dict)
    twice: NDArray[np.bool_] = field(default_factory=lambda: np.zeros(ROWS, dtype=bool))
    # Rows between right and wrong: a drift that is still small.
    unclear: NDArray[np.bool_] = field(default_factory=lambda: np.zeros(ROWS, dtype=bool))
    # The instrument that steps or drifts.
    culprit: str | None = None

    @property
    def good(self) -> NDArray[np.bool_]:
        """Rows at which nothing is wrong."""
        wrong = self.unclear.copy()
        for rows in self.faults.values():
            wrong |= rows
        return ~wrong

    def order(self) -> NDArray[np.intp]:
        """Rows of the log, as rows of the plant: some are written twice."""
        return np.repeat(np.arange(ROWS), 1 + self.twice)

    def log(self) -> bm.Log:
        """The log as a logger would have written it."""
        order = self.order()
        start = np.datetime64("2025-03-01T00:00")
        table: dict[str, Any] = {"time": start + np.timedelta64(STEP_MIN, "m") * order}
        if not np.isnan(self.running).any():
            table["running"] = (self.running != 0)[order]
        for name, values in self.columns.items():
            table[f"{name} [{UNITS[name]}]"] = values[order]
        return bm.read_log(table, tz="UTC")


def plant(seed: int, kinds: list[str]) -> Plant:
    """A plant with these faults."""
    random = np.random.default_rng(seed)
    made = _healthy(random)
    for kind in kinds:
        rows = _PLANT[kind](made, random)
        made.faults[kind] = made.faults.get(kind, np.zeros(ROWS, dtype=bool)) | rows
    return made


def some_kinds(seed: int) -> list[str]:
    """Three to six kinds, at most one of which is an instrument that changes for good."""
    random = np.random.default_rng([seed, 1])
    lasting = ["step of one sensor", "drift of a flow meter"]
    others = [kind for kind in KINDS if kind not in lasting]
    chosen = list(random.choice(others, size=random.integers(2, 6), replace=False))
    # What lasts comes first: later faults come on top of it.
    return [str(random.choice(lasting)), *chosen] if random.random() < 0.6 else chosen


def _site(tds: float, curve: bool) -> bm.Site:
    factor = '"sodium-chloride"' if curve else None
    middle = float(bm.conductivity_from_tds(tds, basis="sodium-chloride"))
    feed = factor or f"{tds / middle:.3f}"
    rest = factor or f"{3 * tds / float(bm.conductivity_from_tds(3 * tds, basis='sodium-chloride')):.3f}"
    return bm.Site.parse(f"""
[site]
name = "Simulated unit"
[element]
area = "37.2 m2"
length = "1.0 m"
feed_spacer_thickness = "0.79 mm"
[[stage]]
vessels = 2
elements_per_vessel = 6
[temperature]
law = "arrhenius"
constant = "2700 K"
[salinity]
basis = "sodium-chloride"
[salinity.tds_per_conductivity]
feed = {feed}
permeate = {factor or 0.49}
concentrate = {rest}
[reference]
kind = "baseline"
[instruments]
feed_pressure = {{ accuracy = "0.1 bar", range = ["0 bar", "25 bar"] }}
permeate_flow = {{ accuracy = "2 % of reading", range = ["0 m3/h", "30 m3/h"] }}
permeate_conductivity = {{ accuracy = "2 % of reading", range = ["0 uS/cm", "1000 uS/cm"] }}
""")


def _smooth(random: np.random.Generator, size: float) -> Array:
    """Something that wanders over days."""
    knots = np.cumsum(random.normal(0.0, size, DAYS // 3 + 2))
    wandering: Array = np.interp(np.arange(ROWS), np.linspace(0, ROWS, len(knots)), knots - knots.mean())
    return wandering


def _healthy(random: np.random.Generator) -> Plant:
    day = np.arange(ROWS) * STEP_MIN / 1440.0
    # Not to the letter what the site file says.
    true_constant = random.uniform(2400.0, 3000.0)
    tds = random.uniform(600.0, 3000.0)
    temperature = (
        random.uniform(12.0, 24.0)
        + random.uniform(-6.0, 6.0) * np.sin(2 * np.pi * (day + random.uniform(0, 365)) / 365)
        + random.uniform(0.1, 0.6) * np.sin(2 * np.pi * day)
        + _smooth(random, 0.4)
    )
    temperature = np.clip(temperature, 3.0, 34.0)
    feed_tds = tds * np.exp(_smooth(random, 0.01))
    # Operators turn the pump up a few times.
    pressure = np.full(ROWS, random.uniform(10.0, 14.0))
    for at in random.integers(0, ROWS, random.integers(0, 5)):
        pressure[at:] *= random.uniform(0.94, 1.08)
    water, salt = random.uniform(3.0, 4.5), random.uniform(0.08, 0.25)
    ageing = np.exp(-random.uniform(0.0, 0.25) * day / 365)
    leaking = np.exp(random.uniform(0.0, 0.3) * day / 365)
    clogging = np.exp(random.uniform(0.0, 0.4) * day / 365)
    site = _site(tds, curve=random.random() < 0.5)
    recovery = random.uniform(0.5, 0.7)
    # The plant's own temperature constant is not the site file's.
    true_site = bm.Site.parse(site.text.replace("2700 K", f"{true_constant} K"))
    # The model once an hour, with the membranes of the day; in between the figures go straight.
    knots = np.arange(0, ROWS, 4)
    steps = np.flatnonzero(np.diff(pressure)) + 1
    knots = np.unique(np.concatenate([knots, steps - 1, steps, [ROWS - 1]]))
    parts = []
    for days in np.array_split(knots, DAYS // 3):
        at = days[len(days) // 2]
        membrane = bm.Membrane(
            water_permeability=water * ageing[at],
            salt_permeability=salt * leaking[at],
            spacer_friction=clogging[at],
        )
        parts.append(
            bm.predict(
                true_site,
                membrane,
                feed_temperature_degc=temperature[days],
                feed_tds_mg_l=feed_tds[days],
                permeate_pressure_bar=0.4,
                feed_pressure_bar=pressure[days],
                recovery=recovery,
                recycle_flow_m3_h=0.0,
            )
        )
    made = {name: np.concatenate([part[name] for part in parts]) for name in parts[0]}

    def at_all(name: str) -> Array:
        values: Array = np.interp(np.arange(ROWS), knots, made[name])
        return values

    permeate, concentrate = at_all("permeate_flow_m3_h"), at_all("concentrate_flow_m3_h")
    salts = {
        "feed_conductivity": feed_tds,
        "permeate_conductivity": at_all("permeate_tds_mg_l"),
        "concentrate_conductivity": at_all("concentrate_tds_mg_l"),
    }
    true = {
        "feed_temperature": temperature,
        "feed_pressure": pressure,
        "concentrate_pressure": at_all("concentrate_pressure_bar"),
        "permeate_pressure": np.full(ROWS, 0.4),
        "feed_flow": permeate + concentrate,
        "permeate_flow": permeate,
        "concentrate_flow": concentrate,
    } | {name: bm.conductivity_from_tds(salt, basis="sodium-chloride") for name, salt in salts.items()}
    columns = {}
    for name, values in true.items():
        scatter = random.uniform(0.003, 0.015)
        if name == "feed_temperature":
            shown = values + random.normal(0.0, 0.1, ROWS) + random.normal(0, 0.2)
            columns[name] = np.round(shown, 1)
        elif name.endswith("pressure"):
            shown = values + random.normal(0.0, 0.03, ROWS) + random.normal(0.0, 0.05)
            columns[name] = np.round(shown, 2)
        else:
            # Each is off by a share of its own, as long as it is there.
            shown = values * (1 + random.normal(0.0, scatter, ROWS)) * (1 + random.normal(0.0, 0.015))
            columns[name] = np.round(shown, 2 if name.endswith("flow") else 1)
    return Plant(site, columns, np.ones(ROWS))


def _spans(random: np.random.Generator, counts: tuple[int, int], hours: tuple[float, float]) -> list[slice]:
    found = []
    for start in random.integers(200, ROWS - 400, random.integers(*counts)):
        length = max(1, round(random.uniform(*hours) * 60 / STEP_MIN))
        found.append(slice(int(start), int(min(start + length, ROWS))))
    return found


def _rows(spans: list[slice]) -> NDArray[np.bool_]:
    rows = np.zeros(ROWS, dtype=bool)
    for span in spans:
        rows[span] = True
    return rows


def _restart(plant: Plant, random: np.random.Generator) -> NDArray[np.bool_]:
    spans = _spans(random, (1, 6), (2.0, 30.0))
    rows = np.zeros(ROWS, dtype=bool)
    for span in spans:
        for name in plant.columns:
            if name.endswith(("flow", "pressure")):
                plant.columns[name][span] = np.abs(random.normal(0.0, 0.01, span.stop - span.start)).round(2)
        plant.running[span] = 0.0
        rows[span] = True
        # Water that stood is salty; the first half hour of permeate shows it.
        after = slice(span.stop, min(span.stop + 2, ROWS))
        decay = np.array([4.0, 2.0])[: after.stop - after.start]
        plant.columns["permeate_conductivity"][after] *= decay
        plant.columns["permeate_flow"][after] *= 0.9
        rows[after] = True
    if random.random() < 0.5:
        plant.running[:] = np.nan  # no such column
    return rows


def _flush(plant: Plant, random: np.random.Generator) -> NDArray[np.bool_]:
    spans = _spans(random, (2, 20), (0.25, 0.75))
    for span in spans:
        for name, factor in (
            ("feed_pressure", 0.3),
            ("concentrate_pressure", 0.25),
            ("permeate_flow", 0.25),
            ("concentrate_flow", 1.6),
        ):
            plant.columns[name][span] *= factor
        flows = plant.columns["permeate_flow"][span] + plant.columns["concentrate_flow"][span]
        plant.columns["feed_flow"][span] = flows.round(2)
    return _rows(spans)


def _saturated(plant: Plant, random: np.random.Generator) -> NDArray[np.bool_]:
    name, top = [("feed_pressure", 25.0), ("permeate_flow", 30.0), ("permeate_conductivity", 1000.0)][
        random.integers(3)
    ]
    spans = _spans(random, (1, 4), (0.25, 12.0))
    for span in spans:
        plant.columns[name][span] = top
    return _rows(spans)


def _negative(plant: Plant, random: np.random.Generator) -> NDArray[np.bool_]:
    names = ["feed_flow", "permeate_flow", "concentrate_flow", "permeate_conductivity", "feed_conductivity"]
    spans = _spans(random, (1, 8), (0.25, 3.0))
    for span in spans:
        name = names[random.integers(len(names))]
        size = span.stop - span.start
        plant.columns[name][span] = -np.abs(random.normal(0.5, 0.2, size)).round(2) - 0.01
    return _rows(spans)


def _exchanged_conductivities(plant: Plant, random: np.random.Generator) -> NDArray[np.bool_]:
    spans = _spans(random, (1, 3), (1.0, 48.0))
    one, other = plant.columns["feed_conductivity"], plant.columns["permeate_conductivity"]
    for span in spans:
        one[span], other[span] = other[span].copy(), one[span].copy()
    return _rows(spans)


def _stuck(plant: Plant, random: np.random.Generator) -> NDArray[np.bool_]:
    names = [
        "feed_pressure",
        "feed_flow",
        "permeate_flow",
        "permeate_conductivity",
        "feed_conductivity",
        "concentrate_flow",
    ]
    spans = _spans(random, (1, 4), (8.0, 72.0))
    for span in spans:
        values = plant.columns[names[random.integers(len(names))]]
        values[span] = values[span.start]
    return _rows(spans)


def _spike(plant: Plant, random: np.random.Generator) -> NDArray[np.bool_]:
    names = [name for name in plant.columns if name not in ("permeate_pressure", "feed_temperature")]
    spans = _spans(random, (3, 30), (0.25, 0.5))
    for span in spans:
        values = plant.columns[names[random.integers(len(names))]]
        values[span] = (values[span] * np.exp(random.choice([-1, 1]) * random.uniform(0.25, 1.0))).round(2)
    return _rows(spans)


def _step(plant: Plant, random: np.random.Generator) -> NDArray[np.bool_]:
    names = [
        "feed_flow",
        "permeate_flow",
        "concentrate_flow",
        "feed_conductivity",
        "concentrate_conductivity",
    ]
    plant.culprit = names[random.integers(len(names))]
    rows = np.zeros(ROWS, dtype=bool)
    rows[random.integers(ROWS // 5, ROWS * 4 // 5) :] = True
    size = random.choice([-1, 1]) * random.uniform(0.05, 0.15)
    plant.columns[plant.culprit][rows] = (plant.columns[plant.culprit][rows] * (1 + size)).round(2)
    return rows


def _drift(plant: Plant, random: np.random.Generator) -> NDArray[np.bool_]:
    names = ["feed_flow", "permeate_flow", "concentrate_flow"]
    plant.culprit = names[random.integers(len(names))]
    start, length = random.integers(ROWS // 5, ROWS // 2), random.integers(ROWS // 6, ROWS // 3)
    gone = np.clip((np.arange(ROWS) - start) / length, 0.0, 1.0) * 0.05
    size = random.choice([-1, 1]) * gone
    plant.columns[plant.culprit] = (plant.columns[plant.culprit] * (1 + size)).round(2)
    # From where on it counts is the screening's own threshold; about it, either is right.
    plant.unclear |= (gone > 0) & (gone < 0.03)
    return gone >= 0.03


def _air(plant: Plant, random: np.random.Generator) -> NDArray[np.bool_]:
    name = ["feed_flow", "concentrate_flow"][random.integers(2)]
    spans = _spans(random, (1, 5), (1.0, 24.0))
    for span in spans:
        size = span.stop - span.start
        plant.columns[name][span] *= random.uniform(1.3, 1.5) + random.normal(0.0, 0.02, size)
    return _rows(spans)


def _fouled_probe(plant: Plant, random: np.random.Generator) -> NDArray[np.bool_]:
    spans = _spans(random, (1, 3), (6.0, 72.0))
    for span in spans:
        size = span.stop - span.start
        plant.columns["concentrate_conductivity"][span] *= random.uniform(0.5, 0.75) + random.normal(
            0.0, 0.01, size
        )
    return _rows(spans)


def _exchanged_gauges(plant: Plant, random: np.random.Generator) -> NDArray[np.bool_]:
    spans = _spans(random, (1, 3), (2.0, 72.0))
    one, other = plant.columns["feed_pressure"], plant.columns["concentrate_pressure"]
    for span in spans:
        one[span], other[span] = other[span].copy(), one[span].copy()
    return _rows(spans)


def _twice(plant: Plant, random: np.random.Generator) -> NDArray[np.bool_]:
    plant.twice[random.integers(0, ROWS, random.integers(1, 60))] = True
    return np.zeros(ROWS, dtype=bool)


_PLANT = {
    "restart": _restart,
    "flush": _flush,
    "saturated": _saturated,
    "negative": _negative,
    "conductivities exchanged": _exchanged_conductivities,
    "stuck": _stuck,
    "spike": _spike,
    "step of one sensor": _step,
    "drift of a flow meter": _drift,
    "flow meter with air": _air,
    "fouled probe": _fouled_probe,
    "gauges exchanged": _exchanged_gauges,
    "row written twice": _twice,
}
