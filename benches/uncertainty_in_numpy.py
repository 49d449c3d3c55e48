"""How sure each figure is, as one would write it in NumPy: by differences, and by chance."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import NamedTuple

import in_numpy
import numpy as np
from membrane_in_numpy import by_chunks
from plant import SITE, UNITS, Array


class Instrument(NamedTuple):
    """Off by no more than this, and scattering with this standard deviation."""

    absolute: float = 0.0
    of_reading: float = 0.0
    repeatability: float = 0.0


INSTRUMENTS = {
    "feed_temperature": Instrument(absolute=0.3, repeatability=0.05),
    "feed_pressure": Instrument(absolute=0.1, repeatability=0.02),
    "differential_pressure": Instrument(absolute=0.02, of_reading=0.01),
    "permeate_pressure": Instrument(absolute=0.05),
    "permeate_flow": Instrument(of_reading=0.02, repeatability=0.03),
    "feed_flow": Instrument(of_reading=0.02, repeatability=0.04),
    "recycle_flow": Instrument(of_reading=0.03),
    "feed_tds": Instrument(of_reading=0.03),
    "permeate_tds": Instrument(absolute=0.2, of_reading=0.03, repeatability=0.1),
}


def _entry(name: str, instrument: Instrument) -> str:
    unit = UNITS[name]
    limits = [f"{instrument.absolute} {unit}"] if instrument.absolute else []
    if instrument.of_reading:
        limits.append(f"{100.0 * instrument.of_reading:g} % of reading")
    settings = [f'accuracy = "{" + ".join(limits)}"']
    if instrument.repeatability:
        settings.append(f'repeatability = "{instrument.repeatability} {unit}"')
    return f"{name} = {{ {', '.join(settings)} }}"


SITE_WITH_INSTRUMENTS = "\n".join(
    [SITE, "[instruments]", *(_entry(name, instrument) for name, instrument in INSTRUMENTS.items()), ""]
)

PROPAGATION_CHUNK = 8192
# As a share of the standard uncertainty: the differences are then good to some 1e-9 of themselves.
STEP = 1e-3


def off_by(name: str, reading: Array) -> Array:
    """Standard uncertainty of what an instrument is off by: a limit is evenly likely within."""
    instrument = INSTRUMENTS[name]
    limit: Array = instrument.absolute + instrument.of_reading * np.abs(reading)
    limit /= 3.0**0.5
    return limit


def steps(at: Mapping[str, Array]) -> dict[str, Array]:
    """How far each column is moved, either way."""
    return {
        name: STEP * np.sqrt(off_by(name, at[name]) ** 2 + instrument.repeatability**2)
        for name, instrument in INSTRUMENTS.items()
    }


def propagate(at: Mapping[str, Array]) -> dict[str, Array]:
    """Every output with its standard uncertainty, by central differences."""
    figures = in_numpy.normalise(at)
    squares = {name: np.zeros(len(at["feed_flow"])) for name in figures}
    for moved, step in steps(at).items():
        above = in_numpy.normalise({**at, moved: at[moved] + step})
        below = in_numpy.normalise({**at, moved: at[moved] - step})
        for name, square in squares.items():
            difference = above[name] - below[name]
            difference *= difference
            square += difference
    return figures | {f"{name}_u": np.sqrt(square) / (2.0 * STEP) for name, square in squares.items()}


def propagation(at: Mapping[str, Array]) -> dict[str, Array]:
    return by_chunks(propagate, at, PROPAGATION_CHUNK)


SIMULATED = ("normalised_permeate_flow", "normalised_salt_passage", "normalised_differential_pressure")
SIMULATION_CHUNK = 8


def monte_carlo(
    at: Mapping[str, Array], outputs: Sequence[str], draws: int, level: float, *, shared: bool
) -> dict[str, dict[str, Array]]:
    """Mean, standard deviation and ends of the interval, by output; rows share draws or have their own."""
    random = np.random.default_rng(1)
    limit = np.sqrt(3.0)

    def draw(shape: tuple[int, ...]) -> tuple[dict[str, Array], dict[str, Array]]:
        lasting = {name: random.uniform(-limit, limit, shape) for name in INSTRUMENTS}
        scattering = {
            name: instrument.repeatability * random.standard_normal(shape)
            for name, instrument in INSTRUMENTS.items()
            if instrument.repeatability
        }
        return lasting, scattering

    for_all = draw((draws,))
    below = round(0.5 * (1.0 - level) * draws)
    ends = [below, draws - 1 - below]

    def simulate(rows: Mapping[str, Array]) -> dict[str, Array]:
        count = len(next(iter(rows.values())))
        lasting, scattering = for_all if shared else draw((count, draws))
        drawn = {}
        for name, readings in rows.items():
            column = readings[:, np.newaxis]
            drawn[name] = column + off_by(name, column) * lasting[name]
            if name in scattering:
                drawn[name] += scattering[name]
        figures = in_numpy.normalise(drawn)
        found = {}
        for name in outputs:
            values = figures[name]
            found[f"{name} mean"] = values.mean(axis=1)
            found[f"{name} u"] = values.std(axis=1, ddof=1)
            values.partition(ends, axis=1)
            found[f"{name} low"], found[f"{name} high"] = values[:, ends[0]], values[:, ends[1]]
        return found

    found = by_chunks(simulate, at, SIMULATION_CHUNK)
    return {
        name: {what: found[f"{name} {what}"] for what in ("mean", "u", "low", "high")} for name in outputs
    }
