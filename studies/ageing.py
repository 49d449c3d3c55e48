"""Simulated plants that age for three years, whose truth is known.

    python studies/ageing.py --check [--plot FILE]

`simulate(seed, kind, size=…, schedule=…)` invents a plant, runs it by the membrane model through seasons,
salinity and operators' hands, lets its membranes age and, by its kind, foul, scale, oxidise or leak, and reads it
with instruments that have errors. Everything is drawn from the seed. One seed is one plant: its weather, its
ageing, its operators and its instruments are the same in every kind, so that kinds can be compared pair by pair.

kind : "healthy"; a cause: "particulate", "biofouling", "organic", "scaling", "oxidation", "leak"; or what is no
    fault of the membranes: "sensor", "feed"
size : "small", one stage of one to three 4-inch elements; "large", two stages of vessels, 2 : 1
schedule : "daily", a reading a day with days missing and weeks off; "visits", three readings at commissioning
    and then six a year, in pencil
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

import brinemark as bm

Array = NDArray[np.float64]

KINDS = (
    "healthy",
    "particulate",
    "biofouling",
    "organic",
    "scaling",
    "oxidation",
    "leak",
    "sensor",
    "feed",
)


@dataclass(frozen=True)
class Cleaning:
    """One cleaning: its day, the share of the fouling that it took away, and the time the site file tells."""

    day: int
    recovered: float
    told: np.datetime64 | None


@dataclass(frozen=True)
class Calibration:
    """An instrument set right: its errors are drawn anew from this day on."""

    day: int
    column: str
    told: bool


@dataclass(frozen=True)
class State:
    """Membranes day by day, as logarithms of what they were when new; 0 is new.

    Each an array of the days. `trend` is without the short-lived variation of a few days; the rates are the
    trend's, a year, without the jumps of cleanings: -0.05 is a decline of 5 % a year.
    """

    water: Array
    salt: Array
    friction: Array
    water_trend: Array
    salt_trend: Array
    friction_trend: Array
    water_rate: Array
    salt_rate: Array
    friction_rate: Array


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
    # What instruments without error would have shown on each day the unit ran (else NaN), salt in mg/L.
    exact: dict[str, Array]
    # The whole train (mean of the stages, by membrane area) and stage by stage. See `effective` too.
    train: State
    stages: tuple[State, ...]
    new: bm.Membrane
    # Of the Arrhenius laws, K.
    water_constant_k: float
    salt_constant_k: float
    # First day of the trouble, None in a healthy plant; and which form of it, such as "permeate_flow drifts".
    onset_day: int | None
    detail: str
    cleanings: tuple[Cleaning, ...]
    calibrations: tuple[Calibration, ...]
    # Coldest water of all days, and its day.
    coldest_degc: float
    coldest_day: int

    def log(self) -> bm.Log:
        """The log as the plant's owner would bring it."""
        raise NotImplementedError

    def exact_log(self) -> bm.Log:
        """A log of what instruments without error would have shown, once each day that the unit ran."""
        raise NotImplementedError

    def effective(self) -> dict[str, Array]:
        """The train day by day as one membrane: what the membrane model infers from the exact readings.

        Logarithms against new, by name ("water", "salt", "friction"); NaN on days without running. Equal to
        `train` where all membranes are alike.
        """
        raise NotImplementedError


def simulate(
    seed: int, kind: str, *, size: str, schedule: str, days: int = 1095, cleaned: bool = False
) -> Ageing:
    """One plant. With `cleaned`, two to six cleanings, half of which the site file tells."""
    raise NotImplementedError
