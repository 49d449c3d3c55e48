"""The simulated unit: how it is built, what water it gets, how it is run, what it makes (see ageing.py)."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass

import numpy as np
from ageing_membranes import YEAR, Array, State, stream, wander

import brinemark as bm

PERMEATE_PRESSURE_BAR = 0.3
USUAL_WATER_CONSTANT_K = 2700.0
USUAL_SALT_CONSTANT_K = 3000.0
# Days for which the valve is set by one membrane, the mean of theirs: so many at most, so far apart in ln.
SPAN = 32
APART = 0.03


@dataclass(frozen=True)
class Unit:
    """How a plant is built and what it was meant for."""

    # vessels, elements in each
    stages: tuple[tuple[int, int], ...]
    area_m2: float
    spacer_mm: float
    new: bm.Membrane
    water_constant_k: float
    salt_constant_k: float
    flux_lmh: float
    recovery: float
    feed_tds_mg_l: float

    @property
    def elements(self) -> int:
        """Elements in all."""
        return sum(vessels * elements for vessels, elements in self.stages)

    @property
    def shares(self) -> Array:
        """Of the membrane area, stage by stage."""
        return np.array([vessels * elements for vessels, elements in self.stages]) / self.elements

    @property
    def permeate_flow_m3_h(self) -> float:
        """What it was built to make."""
        return self.flux_lmh * self.area_m2 * self.elements / 1000.0

    def site_text(self, water_constant_k: float, salt_constant_k: float, *, together: bool) -> str:
        """The sections of a site file that are common to the owner's and the true one."""
        stages = "".join(
            f"[[stage]]\nvessels = {vessels}\nelements_per_vessel = {elements}\n"
            for vessels, elements in self.stages
        )
        return f"""
[site]
name = "Simulated unit"
[element]
area = "{self.area_m2} m2"
length = "1.0 m"
feed_spacer_thickness = "{self.spacer_mm} mm"
{stages}[temperature]
law = "arrhenius"
constant = "{water_constant_k!r} K"
accuracy = "400 K"
[temperature.salt]
law = "arrhenius"
constant = "{salt_constant_k!r} K"
accuracy = "500 K"
[normalise]
stages_together = {"true" if together else "false"}
"""


def build(seed: int, size: str) -> Unit:
    """A unit of this size."""
    random = stream(seed, f"unit {size}")
    spacer = float(random.choice([0.71, 0.79, 0.86] if size == "small" else [0.79, 0.86]))
    new = bm.Membrane(
        water_permeability=random.uniform(3.0, 5.0), salt_permeability=random.uniform(0.05, 0.2)
    )
    # Published laws run from the viscosity of water, about 2000 K, to 3020 K.
    water = _truncated(random, 2700.0, 250.0, 2000.0, 3400.0)
    salt = _truncated(random, 3000.0, 300.0, 2200.0, 3800.0)
    if size == "small":
        elements = int(random.integers(1, 4))
        in_series = random.random() < 0.7
        stage = (1, elements) if in_series else (elements, 1)
        recovery = random.uniform(0.11, 0.15) * (elements if in_series else 1)
        return Unit(
            (stage,),
            7.9,
            spacer,
            new,
            water,
            salt,
            random.uniform(20, 30),
            recovery,
            random.uniform(300, 1500),
        )
    vessels, elements = int(random.integers(1, 4)), int(random.integers(6, 8))
    stages = ((2 * vessels, elements), (vessels, elements))
    recovery, flux = random.uniform(0.7, 0.78), random.uniform(15, 21)
    return Unit(stages, 37.2, spacer, new, water, salt, flux, recovery, random.uniform(400, 1800))


def _truncated(random: np.random.Generator, mean: float, sd: float, low: float, high: float) -> float:
    while True:
        drawn = float(random.normal(mean, sd))
        if low <= drawn <= high:
            return round(drawn, 1)


@dataclass(frozen=True)
class Water:
    """What comes to the unit, day by day, as it is read."""

    hour: Array
    temperature_degc: Array
    tds_mg_l: Array


def weather(seed: int, start: np.datetime64, days: int, tds_mg_l: float) -> Water:
    """Seasons, weather, and salt that wanders."""
    random = stream(seed, "weather")
    mean = random.uniform(8.0, 22.0)
    swing = random.uniform(2.0, min(9.0, mean - 4.0))
    coldest = random.uniform(-25.0, 55.0)
    hour = np.clip(random.normal(10.0, 2.5, days), 6.0, 18.0)
    first = float((start - start.astype("datetime64[Y]")) / np.timedelta64(1, "D"))
    season = 2 * np.pi * (first + np.arange(days) - coldest) / YEAR
    temperature = (
        mean
        - swing * np.cos(season)
        + wander(random, days, 0.7, 5.0)
        + random.uniform(0.0, 0.4) * np.sin(2 * np.pi * (hour - 9.0) / 24)
    )
    salt = random.uniform(0.01, 0.06) * np.sin(season + random.uniform(0, 2 * np.pi)) + wander(
        random, days, random.uniform(0.01, 0.03), 10.0
    )
    return Water(hour, temperature, tds_mg_l * np.exp(salt))


def onset_of(seed: int, kind: str, days: int, cleaned: bool) -> int:
    """The first day of the trouble; earlier where cleanings are to follow."""
    random = stream(seed, f"onset {kind}")
    low, high = (100, 400) if cleaned else (200, 900)
    return round(random.uniform(low, high) * days / 1095)


@dataclass(frozen=True)
class Change:
    """What is done to the feed's salt, its pressure and concentrate over permeate, as factors of each day."""

    tds: Array
    pressure: Array
    concentrate: Array
    detail: str


def change(seed: int, kind: str, days: int, onset: int) -> Change:
    """The kind "feed"; nothing for all others."""
    none = np.ones(days)
    if kind != "feed":
        return Change(none, none, none, "")
    random = stream(seed, kind)
    after = np.arange(days) >= onset
    which = random.integers(3)
    if which == 0:
        over = np.clip((np.arange(days) + 1.0 - onset) / random.uniform(1.0, 60.0), 0.0, 1.0)
        saltier = (1.0 + random.uniform(0.3, 0.8)) ** over
        # The valve is opened with it, or the concentrate would be too salty.
        return Change(saltier, none, saltier, "saltier feed")
    by = random.uniform(0.05, 0.2)
    if which == 1:
        return Change(none, np.where(after, 1.0 - by, 1.0), none, "pressure turned down")
    # The pump gives more water then, at less pressure.
    more, lower = random.uniform(1.15, 1.5), 1.0 - by / 2
    return Change(none, np.where(after, lower, 1.0), np.where(after, more, 1.0), "concentrate valve opened")


def run(
    seed: int,
    unit: Unit,
    site: bm.Site,
    water: Water,
    train: State,
    stages: tuple[State, ...],
    done: Change,
) -> tuple[dict[str, Array], ...]:
    """What the stages make each day, exactly; salt in mg/L."""
    random = stream(seed, "operator")
    days = len(water.hour)
    permeate_pressure = PERMEATE_PRESSURE_BAR + float(random.normal(0.0, 0.05))
    recovery = 1.0 / (1.0 + (1.0 / unit.recovery - 1.0) * done.concentrate)
    recovery *= 1.0 + np.clip(wander(random, days, 0.008, 5.0), -0.02, 0.02)
    feed_tds = water.tds_mg_l * done.tds
    pressure = _pressure(random, unit, site, water, feed_tds, train, permeate_pressure, done)
    feed_flow = np.empty(days)
    start = unit.permeate_flow_m3_h / unit.recovery
    for at in _spans(train):
        water_at = Water(water.hour[at], water.temperature_degc[at], feed_tds[at])
        membrane = _membrane(unit.new, train, at)
        feed_flow[at] = _feed_flow(
            site, membrane, water_at, pressure[at], permeate_pressure, recovery[at], start
        )
        start = float(np.median(feed_flow[at]))
    # From here on all is exact: the valve stands where it stands, and each day has its own membranes.
    made, flow, tds = [], feed_flow, feed_tds
    for number, stage in enumerate(stages, start=1):
        out = _pass(unit, site, number, stage, water, tds, pressure, flow, permeate_pressure)
        at_inlet = {
            "feed_temperature": water.temperature_degc,
            "feed_pressure": pressure,
            "permeate_pressure": np.full(days, permeate_pressure),
            "feed_flow": flow,
            "feed_tds": tds,
        }
        made.append(at_inlet | out)
        pressure, flow, tds = (out[f"concentrate_{name}"] for name in ("pressure", "flow", "tds"))
    if not (np.isfinite(flow).all() and (pressure > 0).all()):
        raise ValueError(f"seed {seed}: nothing holds together on some day")
    return tuple(made)


def together(stages: tuple[dict[str, Array], ...]) -> dict[str, Array]:
    """The whole unit, from its stages."""
    permeate = np.sum([stage["permeate_flow"] for stage in stages], axis=0)
    salt = np.sum([stage["permeate_flow"] * stage["permeate_tds"] for stage in stages], axis=0)
    at_end = {name: values for name, values in stages[-1].items() if name.startswith("concentrate")}
    return stages[0] | at_end | {"permeate_flow": permeate, "permeate_tds": salt / permeate}


def _spans(train: State) -> Iterator[slice]:
    first = 0
    for day in range(1, len(train.water)):
        moved = max(
            abs(train.water_trend[day] - train.water_trend[first]),
            abs(train.friction_trend[day] - train.friction_trend[first]),
        )
        if day - first == SPAN or moved > APART:
            yield slice(first, day)
            first = day
    yield slice(first, len(train.water))


def _feed_flow(
    site: bm.Site,
    membrane: bm.Membrane,
    water: Water,
    pressure: Array,
    permeate_pressure: float,
    recovery: Array,
    start: float,
) -> Array:
    """The feed with which about this recovery comes about: the valve is turned until it does."""
    flow = np.full(len(pressure), start)
    for _ in range(5):
        tried = np.stack([flow, 1.01 * flow])
        made = bm.predict(
            site,
            membrane,
            feed_temperature_degc=water.temperature_degc,
            feed_tds_mg_l=water.tds_mg_l,
            permeate_pressure_bar=permeate_pressure,
            feed_pressure_bar=pressure,
            feed_flow_m3_h=tried,
        )
        misfit = np.log(made["recovery"] / recovery)
        turned = np.clip(-0.01 * misfit[0] / (misfit[1] - misfit[0]), -0.3, 0.3)
        # More than the pressure can push through: less then.
        flow *= 1.0 + np.where(np.isnan(turned), -0.2, turned)
    return flow


def _membrane(new: bm.Membrane, state: State, at: slice) -> bm.Membrane:
    return bm.Membrane(
        water_permeability=new.water_permeability * float(np.exp(state.water[at].mean())),
        salt_permeability=new.salt_permeability * float(np.exp(state.salt[at].mean())),
        spacer_friction=new.spacer_friction * float(np.exp(state.friction[at].mean())),
    )


def _pass(
    unit: Unit,
    site: bm.Site,
    number: int,
    stage: State,
    water: Water,
    tds: Array,
    pressure: Array,
    flow: Array,
    permeate_pressure: float,
) -> dict[str, Array]:
    """One stage, day by day, each with the membranes of that day."""
    names = {
        "permeate_flow": "permeate_flow_m3_h",
        "permeate_tds": "permeate_tds_mg_l",
        "concentrate_flow": "concentrate_flow_m3_h",
        "concentrate_tds": "concentrate_tds_mg_l",
        "concentrate_pressure": "concentrate_pressure_bar",
    }
    made = np.empty((len(tds), len(names)))
    # Plain floats once: taking them one by one from arrays would cost as much as the model.
    figures = (
        water.temperature_degc,
        tds,
        pressure,
        flow,
        unit.new.water_permeability * np.exp(stage.water),
        unit.new.salt_permeability * np.exp(stage.salt),
        unit.new.spacer_friction * np.exp(stage.friction),
    )
    inlets = zip(*(figure.tolist() for figure in figures), strict=True)
    for day, (temperature, salt, bar, inflow, passes_water, passes_salt, friction) in enumerate(inlets):
        membrane = bm.Membrane(
            water_permeability=passes_water, salt_permeability=passes_salt, spacer_friction=friction
        )
        found = bm.predict(
            site,
            membrane,
            feed_temperature_degc=temperature,
            feed_tds_mg_l=salt,
            permeate_pressure_bar=permeate_pressure,
            feed_pressure_bar=bar,
            feed_flow_m3_h=inflow,
            stage=number,
        )
        made[day] = [found[name] for name in names.values()]
    return {name: made[:, at] for at, name in enumerate(names)}


def _pressure(
    random: np.random.Generator,
    unit: Unit,
    site: bm.Site,
    water: Water,
    feed_tds: Array,
    train: State,
    permeate_pressure: float,
    done: Change,
) -> Array:
    """Feed pressure: left alone, or now and then turned so that the flow is what it was meant to be."""
    days = len(feed_tds)

    def needed(temperature: float, tds: float, state: slice, limit: float | None) -> float:
        made = bm.predict(
            site,
            _membrane(unit.new, train, state),
            feed_temperature_degc=temperature,
            feed_tds_mg_l=tds,
            permeate_pressure_bar=permeate_pressure,
            permeate_flow_m3_h=unit.permeate_flow_m3_h,
            recovery=unit.recovery,
            pressure_limit_bar=limit,
        )
        found = float(made["feed_pressure_bar"])
        # Where no pressure makes so much, the pump does what it can.
        return limit if limit is not None and np.isnan(found) else found

    usual = needed(float(water.temperature_degc.mean()), unit.feed_tds_mg_l, slice(0, 1), None)
    holds_flow = random.random() < 0.5
    turned = np.concatenate([[0], np.cumsum(random.integers(40, 150, days // 40 + 1))])
    # No two days alike, whoever is at the pump.
    unsteady = 1.0 + wander(random, days, 0.006, 2.0)
    limit = usual * random.uniform(1.2, 1.5)
    pressure = np.full(days, usual)
    if holds_flow:
        for day in turned[turned < days].tolist():
            # Who turned the pressure down, or opened the valve, leaves it there.
            if done.pressure[day] == 1.0:
                pressure[day:] = needed(
                    float(water.temperature_degc[day]), float(feed_tds[day]), slice(day, day + 1), limit
                )
    return np.asarray(pressure * done.pressure * unsteady)
