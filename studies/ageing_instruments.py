"""What the simulated instruments show, when, and what the owner knows of them (see ageing.py)."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass

import numpy as np
from ageing_membranes import YEAR, Array, stream
from numpy.typing import NDArray

UNITS = {
    "feed_temperature": "degC",
    "feed_pressure": "bar",
    "concentrate_pressure": "bar",
    "differential_pressure": "bar",
    "permeate_flow": "m3/h",
    "concentrate_flow": "m3/h",
    "feed_conductivity": "uS/cm",
    "permeate_conductivity": "uS/cm",
}
# What meters are made for, in steps that are common.
SCALES = (1.0, 1.6, 2.5, 4.0, 6.0, 10.0)
RESET = ("permeate_flow", "concentrate_flow", "feed_conductivity", "permeate_conductivity")


@dataclass(frozen=True)
class Calibration:
    """An instrument set right: its errors are drawn anew from this day on."""

    day: int
    column: str
    told: bool


@dataclass(frozen=True)
class Instrument:
    """One instrument, by what its plate says and what is true of it."""

    # Each as a share of the reading and by itself: limits of error, and scatter; and the last figure shown.
    accuracy_share: float
    accuracy: float
    scatter_share: float
    scatter: float
    resolution: float
    # Standard deviation of a random walk over a year, as a share.
    drift_share: float


@dataclass(frozen=True)
class Trouble:
    """The kind "sensor": by what factor a column is wrong each day."""

    column: str
    factor: Array
    detail: str


def trouble(seed: int, kind: str, days: int, onset: int) -> Trouble | None:
    """A meter of the permeate that steps or drifts, for good."""
    if kind != "sensor":
        return None
    random = stream(seed, kind)
    column = str(random.choice(["permeate_flow", "permeate_conductivity"]))
    steps = random.random() < 0.5
    within = 1.0 if steps else random.uniform(60.0, 300.0)
    off = random.choice([-1.0, 1.0]) * random.uniform(0.05, 0.25)
    gone = np.clip((np.arange(days) + 1.0 - onset) / within, 0.0, 1.0)
    return Trouble(column, np.exp(off * gone), f"{column} {'steps' if steps else 'drifts'}")


def instruments(seed: int, columns: dict[str, Array], schedule: str) -> dict[str, Instrument]:
    """An instrument for each column, made for what the unit shows when it is new."""
    random = stream(seed, "instruments")
    in_pencil = schedule == "visits"
    made = {}
    # All are drawn, whether the unit has them or not, so that none moves another.
    for name in UNITS:
        share, scatter = random.uniform(0.0015, 0.005), random.uniform(0.01, 0.02)
        kelvin = random.uniform(0.2, 0.4)
        if name not in columns:
            continue
        usual = float(np.median(columns[name][:60]))
        span = _above(1.5 * usual)
        if name == "feed_temperature":
            made[name] = Instrument(0.0, 0.5, 0.0, kelvin, 0.5 if in_pencil else 0.1, 0.0)
        elif name.endswith("pressure"):
            if name == "concentrate_pressure":
                span = _above(1.5 * float(np.median(columns["feed_pressure"][:60])))
            finest = 0.01 if name == "differential_pressure" else 0.1
            made[name] = Instrument(0.0, 0.01 * span, 0.0, share * span, finest if in_pencil else 0.01, 0.0)
        elif name.endswith("flow"):
            resolution = 0.02 * span if in_pencil else 10.0 ** np.floor(np.log10(0.002 * usual))
            made[name] = Instrument(0.02, 0.0, scatter, 0.0, float(resolution), 0.003)
        else:
            resolution = 10.0 ** np.floor(np.log10((0.05 if in_pencil else 0.005) * usual))
            made[name] = Instrument(0.02, 0.0, 0.015, 0.0, float(resolution), 0.0)
    return made


def _above(figure: float) -> float:
    """The next scale a meter is made for."""
    decade = 10.0 ** np.floor(np.log10(figure))
    return float(next(scale * decade for scale in SCALES if scale * decade >= figure * (1 - 1e-9)))


def calibrations(seed: int, days: int, wrong: Trouble | None, onset: int) -> tuple[Calibration, ...]:
    """None to two a year, of any meter of flow or conductivity; none of a meter that stays wrong for good."""
    random = stream(seed, "calibrations")
    made = []
    yearly = int(random.integers(0, 3))
    for year in range(int(np.ceil(days / YEAR))):
        for _ in range(yearly):
            day, column = int(random.uniform(year, year + 1) * YEAR), str(random.choice(RESET))
            told = bool(random.random() < 0.7)
            stays = wrong is not None and column == wrong.column and day >= onset
            if 20 <= day < days and not stays:
                made.append(Calibration(day, column, told))
    return tuple(sorted(made, key=lambda each: each.day))


@dataclass(frozen=True)
class Errors:
    """What an instrument shows too much each day, scatter left out: a share of the truth, and by itself."""

    share: Array
    absolute: Array


def errors(
    seed: int,
    days: int,
    name: str,
    instrument: Instrument,
    set_right: tuple[Calibration, ...],
    place: str = "",
) -> tuple[Errors, Array]:
    """What an instrument is off by each day; and its scatter, in standard deviations."""
    random = stream(seed, f"{place}readings {name}")
    # A drawing a day, used from each calibration on: half the limit is one standard deviation.
    drawn = np.clip(random.normal(0.0, 0.5, days), -1.0, 1.0)
    walk = np.cumsum(random.normal(0.0, instrument.drift_share / np.sqrt(YEAR), days))
    scatter = random.normal(0.0, 1.0, days)
    off, drift = np.empty(days), np.empty(days)
    for first in [0] + [each.day for each in set_right if each.column == name]:
        off[first:] = drawn[first]
        drift[first:] = walk[first:] - walk[first]
    return Errors(off * instrument.accuracy_share + drift, off * instrument.accuracy), scatter


def shown(
    seed: int,
    columns: dict[str, Array],
    having: dict[str, Instrument],
    set_right: tuple[Calibration, ...],
    wrong: Trouble | None,
    place: str,
) -> dict[str, Array]:
    """What the instruments of this place show each day."""
    made = {}
    days = len(next(iter(columns.values())))
    blunder = stream(seed, f"{place}blunders")
    slip = blunder.random(days) < 0.005
    which = blunder.integers(len(having), size=days)
    by = np.exp(blunder.choice([-1.0, 1.0], days) * blunder.uniform(0.15, 0.7, days))
    for number, (name, instrument) in enumerate(having.items()):
        wrong_by, scatter = errors(seed, days, name, instrument, set_right, place)
        share = 1.0 + wrong_by.share + scatter * instrument.scatter_share
        read = columns[name] * share + wrong_by.absolute + scatter * instrument.scatter
        if wrong is not None and wrong.column == name:
            read = read * wrong.factor
        read = np.where(slip & (which == number), read * by, read)
        made[name] = np.round(np.round(read / instrument.resolution) * instrument.resolution, 6)
    return made


def days_read(
    seed: int, schedule: str, days: int, stopped: list[int]
) -> tuple[NDArray[np.intp], NDArray[np.bool_]]:
    """The days with a reading; and which days the unit ran."""
    random = stream(seed, f"schedule {schedule}")
    ran = np.ones(days, dtype=bool)
    for first in random.integers(30, max(days - 40, 31), random.poisson(3 * days / 1095)):
        ran[first : first + random.integers(7, 29)] = False
    ran[stopped] = False
    if schedule == "visits":
        at = [3, 6, 10]
        while at[-1] < days:
            at.append(at[-1] + int(random.integers(40, 82)))
        # A visit finds the unit stopped and comes back when it runs.
        back = [int(np.argmax(ran[day:])) + day for day in at if day < days and ran[day:].any()]
        return np.unique(back), ran
    return np.flatnonzero(ran & (random.random(days) >= 0.05)), ran


def lines(having: dict[str, Instrument], set_right: tuple[Calibration, ...], start: np.datetime64) -> str:
    """[instruments] as the owner knows them, and the calibrations that are told."""
    return "[instruments]\n" + "\n".join([*_instruments(having), *_calibrations(set_right, start)]) + "\n"


def _instruments(having: dict[str, Instrument]) -> Iterator[str]:
    for name, each in having.items():
        unit = UNITS[name]
        accuracy = f"{each.accuracy_share:.0%} of reading".replace("%", " %")
        if each.accuracy:
            accuracy = f"{each.accuracy:.4g} {unit}"
        yield f'{name} = {{ accuracy = "{accuracy}", resolution = "{each.resolution:.4g} {unit}" }}'


def _calibrations(set_right: tuple[Calibration, ...], start: np.datetime64) -> Iterator[str]:
    for each in set_right:
        if each.told:
            yield told(each.day, each.column, start)


def told(day: int, column: str, start: np.datetime64) -> str:
    """The event of a calibration."""
    time = (start + np.timedelta64(day, "D")).astype("datetime64[s]")
    return f'[[event]]\ntime = "{time}Z"\nkind = "calibration"\nof = "{column}"'
