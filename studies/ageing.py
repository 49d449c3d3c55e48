"""Simulated plants that age for three years, whose truth is known.

    python studies/ageing.py --check [--plants 3] [--plot FILE]

`simulate(seed, kind, size=…, schedule=…)` invents a plant, runs it by the membrane model through seasons,
salinity and operators' hands, lets its membranes age and, by its kind, foul, scale, oxidise or leak, and
reads it with instruments that have errors. Everything is drawn from the seed. One seed is one plant: its
weather, ageing, operators and instruments are the same in every kind, so that kinds can be compared in pairs.

kind : "healthy"; a cause: "particulate", "biofouling", "organic", "scaling", "oxidation", "leak"; or what is
    no fault of the membranes: "sensor", "feed"
size : "small", one stage of one to three 4-inch elements; "large", two stages of vessels, 2 : 1
schedule : "daily", a reading a day with days missing and weeks off; "visits", three readings at commissioning
    and then six a year, in pencil
"""

from __future__ import annotations

from dataclasses import dataclass

import ageing_instruments
import ageing_unit
import numpy as np
from ageing_instruments import UNITS, Calibration
from ageing_membranes import SIGNATURES, Array, Cleaning, State, age, stream
from numpy.typing import NDArray

import brinemark as bm

KINDS = ("healthy", *SIGNATURES, "sensor", "feed")
SIZES = ("small", "large")
SCHEDULES = ("daily", "visits")


@dataclass(frozen=True)
class Ageing:
    """A simulated plant: what its owner has (`site`, `log()`), and what is true (all else).

    A day is counted from 0 at `start`; arrays of the truth have one figure a day, days without a reading too.
    """

    seed: int
    kind: str
    size: str
    schedule: str
    # As the owner wrote it, with the usual temperature constants, instruments and what he tells of events.
    site: bm.Site
    # The same unit with its own temperature constants, without instruments and events.
    true_site: bm.Site
    start: np.datetime64
    # The log: times, the day of each row, and columns by name, in UNITS.
    time: NDArray[np.datetime64]
    row_day: NDArray[np.intp]
    columns: dict[str, Array]
    # Whether the unit ran; and what instruments without error would have shown had it run, salt in mg/L.
    ran: NDArray[np.bool_]
    exact: dict[str, Array]
    # The whole train (mean of the stages, by membrane area) and stage by stage. See `effective` too.
    train: State
    stages: tuple[State, ...]
    new: bm.Membrane
    # Of the Arrhenius laws, K.
    water_constant_k: float
    salt_constant_k: float
    # First day of the trouble, None in a healthy plant; and its form, such as "permeate_flow drifts".
    onset_day: int | None
    detail: str
    cleanings: tuple[Cleaning, ...]
    calibrations: tuple[Calibration, ...]
    # Coldest water of all days, and its day.
    coldest_degc: float
    coldest_day: int

    def log(self) -> bm.Log:
        """The log as the plant's owner would bring it."""
        named = {f"{name} [{UNITS[name]}]": values for name, values in self.columns.items()}
        return bm.read_log({"time": self.time, **named}, tz="UTC")

    def exact_log(self) -> bm.Log:
        """A log of what instruments without error would have shown, once each day that the unit ran."""
        units = {"temperature": "degC", "pressure": "bar", "flow": "m3/h", "tds": "mg/L"}
        named = {
            f"{name} [{units[name.rpartition('_')[2]]}]": values[self.ran]
            for name, values in self.exact.items()
        }
        noon = self.start + np.timedelta64(1, "D") * np.flatnonzero(self.ran) + np.timedelta64(12, "h")
        return bm.read_log({"time": noon, **named}, tz="UTC")

    def effective(self) -> dict[str, Array]:
        """The train day by day as one membrane: what the membrane model infers from the exact readings.

        Logarithms against new, by name ("water", "salt", "friction"); NaN on days without running. Equal to
        `train` where all membranes are alike.
        """
        result = bm.normalise(self.exact_log(), self.true_site, analyses=("membrane_model",), screen=False)
        new = {
            "water": ("element_water_permeability", self.new.water_permeability),
            "salt": ("element_salt_permeability", self.new.salt_permeability),
            "friction": ("spacer_friction", self.new.spacer_friction),
        }
        made = {}
        for name, (column, when_new) in new.items():
            made[name] = np.full(len(self.ran), np.nan)
            made[name][self.ran] = np.log(result[column] / when_new)
        return made


def simulate(
    seed: int, kind: str, *, size: str, schedule: str, days: int = 1095, cleaned: bool = False
) -> Ageing:
    """One plant. With `cleaned`, two to six cleanings, half of which the site file tells."""
    for given, known in ((kind, KINDS), (size, SIZES), (schedule, SCHEDULES)):
        if given not in known:
            raise ValueError(f"{given!r} is none of {', '.join(known)}")
    if days < 365:
        raise ValueError(f"{days} days: at least a year, 365")
    random = stream(seed, "start")
    start = np.datetime64("2022-01-01T00:00:00") + np.timedelta64(int(random.integers(365)), "D")
    has_differential = bool(random.random() < 0.5)
    unit = ageing_unit.build(seed, size)
    onset = ageing_unit.onset_of(seed, kind, days, cleaned)
    membranes = age(seed, kind, unit.shares, days, onset, cleaned, start)
    water = ageing_unit.weather(seed, start, days, unit.feed_tds_mg_l)
    own_laws = unit.site_text(unit.water_constant_k, unit.salt_constant_k)
    true_site = bm.Site.parse(own_laws + _salinity("") + _reference(start, "daily"))
    change = ageing_unit.change(seed, kind, days, onset)
    exact = ageing_unit.run(seed, unit, true_site, water, membranes.train, membranes.stages, change)

    visible = _visible(exact, has_differential)
    having = ageing_instruments.instruments(seed, visible, schedule)
    wrong = ageing_instruments.trouble(seed, kind, days, onset)
    set_right = ageing_instruments.calibrations(seed, days, wrong, onset)
    readings = ageing_instruments.shown(seed, visible, having, set_right, wrong)
    stopped = [each.day for each in membranes.cleanings]
    row_day, ran = ageing_instruments.days_read(seed, schedule, days, stopped)
    minutes = np.round(60.0 * water.hour).astype("timedelta64[m]")
    of_days = start + np.timedelta64(1, "D") * np.arange(days) + minutes
    usual_laws = unit.site_text(ageing_unit.USUAL_WATER_CONSTANT_K, ageing_unit.USUAL_SALT_CONSTANT_K)
    site = bm.Site.parse(
        usual_laws
        + _salinity(_factors(seed, exact))
        + _reference(start, schedule)
        + f'[assume]\npermeate_pressure = "{ageing_unit.PERMEATE_PRESSURE_BAR} bar"\n'
        + ageing_instruments.lines(having, set_right, start)
        + _cleanings(membranes.cleanings)
    )
    coldest = int(np.argmin(water.temperature_degc))
    return Ageing(
        seed=seed,
        kind=kind,
        size=size,
        schedule=schedule,
        site=site,
        true_site=true_site,
        start=start,
        time=of_days[row_day],
        row_day=row_day,
        columns={name: values[row_day] for name, values in readings.items()},
        ran=ran,
        exact=exact,
        train=membranes.train,
        stages=membranes.stages,
        new=unit.new,
        water_constant_k=unit.water_constant_k,
        salt_constant_k=unit.salt_constant_k,
        onset_day=None if kind == "healthy" else onset,
        detail=change.detail or (wrong.detail if wrong else membranes.detail),
        cleanings=membranes.cleanings,
        calibrations=set_right,
        coldest_degc=float(water.temperature_degc[coldest]),
        coldest_day=coldest,
    )


def _visible(exact: dict[str, Array], has_differential: bool) -> dict[str, Array]:
    """What the unit has an instrument for."""
    columns = {name: exact[name] for name in UNITS if name in exact}
    if has_differential:
        columns["differential_pressure"] = columns["feed_pressure"] - columns.pop("concentrate_pressure")
    for name in ("feed", "permeate"):
        columns[f"{name}_conductivity"] = bm.conductivity_from_tds(
            exact[f"{name}_tds"], basis="sodium-chloride"
        )
    return columns


def _salinity(more: str) -> str:
    return f'[salinity]\nbasis = "sodium-chloride"\n{more}'


def _factors(seed: int, exact: dict[str, Array]) -> str:
    """One factor a stream, taken from a few samples, and so a few per cent off."""
    random = stream(seed, "samples")
    text = "[salinity.tds_per_conductivity]\n"
    for name in ("feed", "permeate"):
        tds = float(np.median(exact[f"{name}_tds"][:60]))
        factor = tds / float(bm.conductivity_from_tds(tds, basis="sodium-chloride"))
        text += f"{name} = {factor * (1.0 + np.clip(random.normal(0.0, 0.015), -0.03, 0.03)):.3f}\n"
    return text + 'accuracy = "3 %"\n'


def _reference(start: np.datetime64, schedule: str) -> str:
    fewest = 5 if schedule == "daily" else 3
    return f'[reference]\nkind = "baseline"\nstart = "{start}Z"\nminimum_readings = {fewest}\n'


def _cleanings(cleanings: tuple[Cleaning, ...]) -> str:
    return "".join(
        f'[[event]]\ntime = "{each.told}Z"\nkind = "cleaning"\n'
        for each in cleanings
        if each.told is not None
    )
