"""The same screening and normalisation of a log as one would write them in pandas and NumPy.

The whole file is read at once, as pandas' reader by pyarrow does; the tests then go over it in slices that
fit a processor's cache, each with enough rows around it, which is faster than whole columns. What is usual,
and the baseline, are taken as found before: brinemark finds its own. The sources of the equations and of
the thresholds stand with brinemark's own functions.
"""

from __future__ import annotations

import math
from collections.abc import Iterator, Mapping
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import numpy as np
import pandas as pd
from in_numpy import arrhenius, osmotic_pressures, viscosity
from numpy.typing import NDArray
from plant import (
    AREA_M2,
    CONSTANT_BELOW_25DEGC_K,
    CONSTANT_K,
    ELEMENTS_PER_VESSEL,
    FLOW_EXPONENT,
    SALT_CONSTANT_K,
    VESSELS,
    VISCOSITY_POWER,
    Array,
)
from screening_plant import COLUMNS, HEADERS, INSTRUMENT_RANGES, LIMITS, TDS_PER_CONDUCTIVITY

Flags = NDArray[np.bool_]
Bits = NDArray[np.uint32]

# Each test's bit.
TESTS = (
    "running",
    "starting",
    "gap",
    "flushing",
    "steady",
    "duplicate",
    "instrument-range",
    "possible",
    "stuck",
    "spike",
    "flows",
    "permeate-saltier",
    "water-balance",
    "salt-balance",
    "pressure-order",
    "limits",
)
BIT = {test: np.uint32(1 << at) for at, test in enumerate(TESTS)}
TOLD = BIT["limits"]

POSSIBLE = {"degC": (0.0, 100.0), "bar": (-1.0, 200.0), "m3/h": (0.0, 1e6), "uS/cm": (0.0, 1e6)}
MINUTE_US = 60_000_000
SETTLE_US = 60 * MINUTE_US
HALF_WINDOW_US = 15 * MINUTE_US
NEIGHBOURS, REACH = 5, 20
# Rows of one slice, and those around it: no test looks further.
SLICE, MARGIN = 1 << 15, 200

FIGURES = (
    "recovery",
    "mean_feed_tds",
    "net_driving_pressure",
    "temperature_factor",
    "flux",
    "water_permeability",
    "normalised_permeate_flow",
    "normalised_permeate_flow_change",
    "salt_passage",
    "rejection",
    "salt_permeability",
    "normalised_salt_passage",
    "normalised_salt_passage_change",
    "normalised_salt_passage_at_normalised_flow",
    "normalised_salt_passage_at_normalised_flow_change",
    "normalised_rejection",
    "normalised_differential_pressure",
    "normalised_differential_pressure_change",
)


@dataclass
class Screened:
    """Some rows: which tests each failed, which applied to it, and its figures."""

    failed: Bits
    judged: Bits
    figures: dict[str, Array]


class Marks:
    """The tests of some rows."""

    def __init__(self, running: Flags) -> None:
        self.running = running
        self.failed = np.zeros(running.size, dtype=np.uint32)
        self.judged = np.zeros(running.size, dtype=np.uint32)

    def judge(self, test: str, applies: Flags, fails: Flags) -> None:
        self.judged |= np.where(applies, BIT[test], np.uint32(0))
        self.failed |= np.where(applies & fails, BIT[test], np.uint32(0))


class Yardstick:
    """What is usual, as `Usual.to_json` tells it."""

    def __init__(self, of_group: Mapping[str, Any]) -> None:
        figures = {figure["column"]: figure for figure in of_group["figures"]}
        self.step_us: int = of_group["step_us"]
        self.median = {name: float(figures[name]["median"]) for name in COLUMNS}
        self.noise = {name: float(figures[name]["noise"]) for name in COLUMNS}
        self.same = {name: float(figures[name]["same"]) for name in COLUMNS}
        self.readings: int = of_group["readings"]
        self.water, self.salt = of_group["water"], of_group["salt"]

    def stuck_run(self, name: str) -> int | None:
        if self.same[name] > 0.98 or (self.noise[name] == 0.0 and self.same[name] > 0.5):
            return None
        run = 1.0 + math.log(1e-4 / self.readings) / math.log(max(self.same[name], 0.01))
        return max(math.ceil(run), 4)

    def spike_size(self, name: str) -> float:
        scale = 20.0 if COLUMNS[name][0] == "degC" else abs(self.median[name])
        return max(8.0 * self.noise[name], 0.05 * scale)


def read(path: Path) -> tuple[NDArray[np.int64], dict[str, Array]]:
    """Times, µs, and the columns."""
    frame = pd.read_csv(path, engine="pyarrow")
    times = frame["time"].astype("datetime64[us]").to_numpy().view(np.int64)
    return times, {name: frame[header].to_numpy() for name, header in HEADERS.items()}


def within(values: Array, low: float | None, high: float | None) -> Flags:
    """Rows outside."""
    below = np.zeros(values.size, dtype=bool) if low is None else values < low
    return below if high is None else below | (values > high)


def latest(times: NDArray[np.int64], events: Flags) -> NDArray[np.int64]:
    """The time of the latest event up to each row; long ago where there was none."""
    return np.maximum.accumulate(np.where(events, times, -(1 << 62)))


def settling(times: NDArray[np.int64], usual: Yardstick, marks: Marks) -> None:
    running = marks.running
    began = np.zeros(running.size, dtype=bool)
    began[1:] = running[1:] & ~running[:-1]
    # It started between the two rows: counted from the first of them.
    before = np.concatenate([times[:1], times[:-1]])
    started = np.maximum.accumulate(np.where(began, before, -(1 << 62)))
    gap = times - before > max(3.5 * usual.step_us, min(SETTLE_US, 60 * MINUTE_US))
    marks.judge("starting", running, times - started < SETTLE_US)
    marks.judge("gap", running, times - latest(times, gap) < SETTLE_US)


def steady(times: NDArray[np.int64], values: Array, name: str, usual: Yardstick, marks: Marks) -> None:
    """The mean of half a window before and of half a window after."""
    known = np.flatnonzero(marks.running & ~np.isnan(values))
    times, values = times[known], values[known]
    at = np.arange(known.size)
    first = np.searchsorted(times, times - HALF_WINDOW_US)
    last = np.searchsorted(times, times + HALF_WINDOW_US, side="right")
    sums = np.concatenate([[0.0], np.cumsum(values)])
    before, after = at - first, last - at - 1
    with np.errstate(divide="ignore", invalid="ignore"):
        change = (sums[last] - sums[at + 1]) / after - (sums[at] - sums[first]) / before
        scatter = np.sqrt(1.0 / before + 1.0 / after) * usual.noise[name]
    allowed = np.maximum(0.05 * abs(usual.median[name]), 5.0 * scatter)
    # Differences of long sums are rounded; figures of three decimals often meet a threshold exactly.
    for close in np.flatnonzero(np.abs(np.abs(change) - allowed) < 1e-9):
        earlier = np.cumsum(values[first[close] : close])[-1] / before[close]
        change[close] = np.cumsum(values[close + 1 : last[close]])[-1] / after[close] - earlier
    off = np.abs(change) > allowed
    enough = (before >= 2) & (after >= 2)
    marks.judged[known[enough]] |= BIT["steady"]
    marks.failed[known[enough & off]] |= BIT["steady"]


def stuck(values: Array, shortest: int, known: Flags, marks: Marks) -> None:
    """Runs of one figure."""
    new = np.ones(values.size, dtype=bool)
    new[1:] = ~(marks.running[1:] & (values[1:] == values[:-1]))
    starts = np.flatnonzero(new)
    lengths = np.diff(np.append(starts, values.size))
    marks.judge("stuck", known, np.repeat(lengths >= shortest, lengths))


def spikes(values: Array, allowed: float, known: Flags, marks: Marks) -> None:
    """Above, or below, three of the five readings before and of the five after, by more than is allowed."""
    rows = np.flatnonzero(known)
    if rows.size <= 2 * NEIGHBOURS:
        return
    values = values[rows]
    size = rows.size - 2 * NEIGHBOURS
    inner = rows[NEIGHBOURS : NEIGHBOURS + size]
    middle = values[NEIGHBOURS : NEIGHBOURS + size]
    near = (inner - rows[:size] <= REACH) & (rows[2 * NEIGHBOURS :] - inner <= REACH)

    def counts(offsets: range) -> tuple[NDArray[np.int8], NDArray[np.int8]]:
        over, under = np.zeros(size, dtype=np.int8), np.zeros(size, dtype=np.int8)
        for offset in offsets:
            above = middle - values[offset : offset + size]
            over += above > allowed
            under += above < -allowed
        return over, under

    over_before, under_before = counts(range(NEIGHBOURS))
    over_after, under_after = counts(range(NEIGHBOURS + 1, 2 * NEIGHBOURS + 1))
    spike = (np.minimum(over_before, over_after) >= 3) | (np.minimum(under_before, under_after) >= 3)
    marks.judged[inner[near]] |= BIT["spike"]
    marks.failed[inner[near & spike]] |= BIT["spike"]


def screen(times: NDArray[np.int64], at: Mapping[str, Array], usual: Yardstick) -> Marks:
    """All tests of some rows; NaN fails and passes none."""
    pressure, made = at["feed_pressure"], at["permeate_flow"]
    running = ~(
        (pressure < 0.2 * usual.median["feed_pressure"]) & (made < 0.2 * usual.median["permeate_flow"])
    )
    marks = Marks(running)
    everywhere = np.ones(running.size, dtype=bool)
    marks.judge("running", everywhere, ~running)
    # Readings of one time are told, not sorted out: the readers refuse them.
    marks.judge("duplicate", everywhere, np.concatenate([[False], times[1:] == times[:-1]]))
    settling(times, usual, marks)
    known = {name: running & ~np.isnan(values) for name, values in at.items()}
    marks.judge(
        "flushing",
        known["feed_pressure"] & known["concentrate_flow"],
        (pressure < 0.6 * usual.median["feed_pressure"])
        & (at["concentrate_flow"] > 1.1 * usual.median["concentrate_flow"]),
    )
    if usual.noise["feed_pressure"] <= 0.05 * usual.median["feed_pressure"]:
        for name in ("feed_pressure", "permeate_flow"):
            steady(times, at[name], name, usual, marks)
    for name, values in at.items():
        marks.judge("possible", known[name], within(values, *POSSIBLE[COLUMNS[name][0]]))
        if name in INSTRUMENT_RANGES:
            low, high = INSTRUMENT_RANGES[name]
            marks.judge("instrument-range", known[name], (values < low) | (values >= high))
        if name in LIMITS:
            marks.judge("limits", known[name], within(values, *LIMITS[name]))
        shortest = usual.stuck_run(name)
        if shortest is not None:
            stuck(values, shortest, known[name], marks)
        spikes(values, usual.spike_size(name), known[name], marks)
    together(at, known, usual, marks)
    return marks


def together(at: Mapping[str, Array], known: Mapping[str, Flags], usual: Yardstick, marks: Marks) -> None:
    """Readings that must agree."""
    fed, made, rest = at["feed_flow"], at["permeate_flow"], at["concentrate_flow"]
    salt = {stream: factor * at[f"{stream}_conductivity"] for stream, factor in TDS_PER_CONDUCTIVITY.items()}
    with np.errstate(divide="ignore", invalid="ignore"):
        recovery = made / fed
        water = np.log(fed / (made + rest))
        salts = np.log(fed * salt["feed"] / (made * salt["permeate"] + rest * salt["concentrate"]))
    finite = marks.running & np.isfinite(recovery)
    marks.judge("limits", finite, within(recovery, *LIMITS["recovery"]))
    for test, closure, closes in (("water-balance", water, usual.water), ("salt-balance", salts, usual.salt)):
        allowed = max(0.05, 6.0 * closes["noise"])
        off = np.abs(closure - closes["median"]) > allowed
        marks.judge(test, marks.running & np.isfinite(closure), off)
    marks.judge("flows", known["permeate_flow"] & known["feed_flow"], made >= fed)
    marks.judge(
        "permeate-saltier",
        known["permeate_conductivity"] & known["feed_conductivity"],
        at["permeate_conductivity"] > at["feed_conductivity"],
    )
    slack = 0.02 * abs(usual.median["feed_pressure"])
    for before, behind in (
        ("feed_pressure", "concentrate_pressure"),
        ("concentrate_pressure", "permeate_pressure"),
        ("feed_pressure", "permeate_pressure"),
    ):
        marks.judge("pressure-order", known[before] & known[behind], at[before] < at[behind] - slack)


def state(at: Mapping[str, Any]) -> dict[str, Any]:
    """What follows from the conditions alone, without recycle."""
    t, recovery = at["feed_temperature"], at["permeate_flow"] / at["feed_flow"]
    mean_feed_tds = at["feed_tds"] * -np.log1p(-recovery) / recovery
    mean_feed_pi, permeate_pi = osmotic_pressures(t, mean_feed_tds, at["permeate_tds"])
    return {
        "recovery": recovery,
        "mean_feed_tds": mean_feed_tds,
        "mean_flow": at["feed_flow"] - 0.5 * at["permeate_flow"],
        "net_driving_pressure": at["feed_pressure"]
        - 0.5 * at["differential_pressure"]
        - at["permeate_pressure"]
        - (mean_feed_pi - permeate_pi),
        "temperature_factor": arrhenius(t, np.where(t < 25.0, CONSTANT_BELOW_25DEGC_K, CONSTANT_K)),
        "salt_temperature_factor": arrhenius(t, SALT_CONSTANT_K),
        "viscosity": viscosity(t),
    }


class Normaliser:
    """Normalises by a baseline, as `Reference.values` tells it."""

    def __init__(self, reference: Mapping[str, float]) -> None:
        self.reference = reference
        self.then = {name: float(value) for name, value in state(reference).items()}

    def normalise(self, readings: Mapping[str, Array], set_aside: Flags) -> dict[str, Array]:
        at = {
            "feed_tds": TDS_PER_CONDUCTIVITY["feed"] * readings["feed_conductivity"],
            "permeate_tds": TDS_PER_CONDUCTIVITY["permeate"] * readings["permeate_conductivity"],
            "differential_pressure": readings["feed_pressure"] - readings["concentrate_pressure"],
            **readings,
        }
        with np.errstate(all="ignore"):
            now = state(at)
            figures = self.figures(at, now)
        t = at["feed_temperature"]
        # NaN answers no.
        sound = ~set_aside & (at["permeate_flow"] > 0.0) & (at["permeate_flow"] < at["feed_flow"])
        sound &= (at["feed_tds"] > 0.0) & (at["permeate_tds"] >= 0.0) & (t >= 0.0) & (t <= 50.0)
        sound &= now["net_driving_pressure"] > 0.0
        for name, values in figures.items():
            if "differential" in name:
                values[~(sound & (at["differential_pressure"] >= 0.0))] = np.nan
            else:
                values[~sound] = np.nan
        return figures

    def figures(self, at: Mapping[str, Array], now: Mapping[str, Array]) -> dict[str, Array]:
        then, reference = self.then, self.reference
        made = at["permeate_flow"]
        flux = 1000.0 * made / (AREA_M2 * VESSELS * ELEMENTS_PER_VESSEL)
        driving = now["net_driving_pressure"] * now["temperature_factor"]
        flow = made * (then["net_driving_pressure"] * then["temperature_factor"] / driving)
        passage = at["permeate_tds"] / at["feed_tds"]
        normalised_passage = (
            passage
            * (made / reference["permeate_flow"])
            * (then["salt_temperature_factor"] / now["salt_temperature_factor"])
            * (then["mean_feed_tds"] / now["mean_feed_tds"])
            * (at["feed_tds"] / reference["feed_tds"])
        )
        passage_at_flow = normalised_passage * reference["permeate_flow"] / flow
        drop = (
            at["differential_pressure"]
            * (then["mean_flow"] / now["mean_flow"]) ** FLOW_EXPONENT
            * (then["viscosity"] / now["viscosity"]) ** VISCOSITY_POWER
        )
        figures = {
            "recovery": now["recovery"],
            "mean_feed_tds": now["mean_feed_tds"],
            "net_driving_pressure": now["net_driving_pressure"],
            "temperature_factor": now["temperature_factor"],
            "flux": flux,
            "water_permeability": flux / driving,
            "normalised_permeate_flow": flow,
            "salt_passage": passage,
            "rejection": 1.0 - passage,
            "salt_permeability": flux
            * at["permeate_tds"]
            / (now["salt_temperature_factor"] * now["mean_feed_tds"]),
            "normalised_salt_passage": normalised_passage,
            "normalised_salt_passage_at_normalised_flow": passage_at_flow,
            "normalised_rejection": 1.0 - normalised_passage,
            "normalised_differential_pressure": drop,
        }
        for name in FIGURES:
            if name.endswith("_change"):
                of = name.removesuffix("_change")
                figures[name] = figures[of] / reference[of] - 1.0
        return figures


def run(path: Path, usual: Yardstick, normaliser: Normaliser) -> Iterator[Screened]:
    """Reads, screens and normalises a file; slice by slice, in order."""
    times, columns = read(path)
    for start in range(0, times.size, SLICE):
        first, end = max(start - MARGIN, 0), min(start + SLICE, times.size)
        around = slice(first, min(end + MARGIN, times.size))
        marks = screen(times[around], {name: values[around] for name, values in columns.items()}, usual)
        inner = slice(start - first, end - first)
        failed, judged = marks.failed[inner], marks.judged[inner]
        readings = {name: values[start:end] for name, values in columns.items()}
        set_aside = (failed & ~TOLD) != 0
        yield Screened(failed, judged, normaliser.normalise(readings, set_aside))
