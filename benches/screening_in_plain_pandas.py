"""The same screening and normalisation as an engineer writes them in pandas straight away.

Whole columns, pandas' own reader, windows, shifts and groups; no slices, no loop over rows. The thresholds
and the equations are those of `screening_in_pandas`, which says where they come from; that one is made fast.
"""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pandas as pd
from plant import Array
from screening_in_pandas import (
    BIT,
    HALF_WINDOW_US,
    NEIGHBOURS,
    POSSIBLE,
    REACH,
    SETTLE_US,
    TESTS,
    TOLD,
    Normaliser,
    Screened,
    Yardstick,
)
from screening_plant import COLUMNS, HEADERS, INSTRUMENT_RANGES, LIMITS, TDS_PER_CONDUCTIVITY


def read(path: Path) -> pd.DataFrame:
    """The log, with the time as its index."""
    frame = pd.read_csv(path, parse_dates=["time"], index_col="time")
    return frame.rename(columns={header: name for name, header in HEADERS.items()})


class Tests:
    """A column of flags for each test: where it fails, and where it applies."""

    def __init__(self, running: pd.Series) -> None:
        self.running = running
        self.failed = pd.DataFrame(False, index=running.index, columns=list(TESTS))
        self.applied = pd.DataFrame(False, index=running.index, columns=list(TESTS))

    def judge(self, test: str, applies: pd.Series, fails: pd.Series) -> None:
        self.applied[test] |= applies
        self.failed[test] |= applies & fails


def outside(values: pd.Series, low: float | None, high: float | None) -> pd.Series:
    """Where a limit is passed; a reading that is missing passes none."""
    return (values < (-np.inf if low is None else low)) | (values > (np.inf if high is None else high))


def settling(usual: Yardstick, tests: Tests) -> None:
    running = tests.running
    time = running.index.to_series()
    began = running & ~running.shift(fill_value=True)
    # It started between the two rows: counted from the first of them.
    started = time.shift().where(began).ffill()
    settle = pd.Timedelta(SETTLE_US, "us")
    gap = time.diff() > max(pd.Timedelta(3.5 * usual.step_us, "us"), min(settle, pd.Timedelta("1h")))
    tests.judge("starting", running, time - started < settle)
    tests.judge("gap", running, time - time.where(gap).ffill() < settle)


def steady(values: pd.Series, name: str, usual: Yardstick, tests: Tests) -> None:
    """The mean of half a window before and of half a window after."""
    known = values[tests.running & values.notna()]
    window = pd.Timedelta(HALF_WINDOW_US, "us")
    before = known.rolling(window, closed="left")
    after = known[::-1].rolling(window, closed="left")
    readings_before, readings_after = before.count(), after.count()[::-1]
    change = after.mean()[::-1] - before.mean()
    scatter = np.sqrt(1.0 / readings_before + 1.0 / readings_after) * usual.noise[name]
    allowed = np.maximum(0.05 * abs(usual.median[name]), 5.0 * scatter)
    # Figures of three decimals often meet a threshold exactly, and pandas' windows carry the rounding of all
    # that went through them: the few such rows are summed anew, in the order of their readings.
    figures = known.to_numpy()
    for row in np.flatnonzero((change.abs() - allowed).abs() < 1e-9).tolist():
        earlier, later = int(readings_before.iloc[row]), int(readings_after.iloc[row])
        sum_before, sum_after = sum(figures[row - earlier : row]), sum(figures[row + 1 : row + 1 + later])
        change.iloc[row] = sum_after / later - sum_before / earlier
    enough = (readings_before >= 2) & (readings_after >= 2)
    tests.applied.loc[known.index, "steady"] |= enough
    tests.failed.loc[known.index, "steady"] |= enough & (change.abs() > allowed)


def stuck(values: pd.Series, shortest: int, known: pd.Series, tests: Tests) -> None:
    """Runs of one figure."""
    run = (~(tests.running & (values == values.shift()))).cumsum()
    lengths = run.groupby(run).transform("size")
    tests.judge("stuck", known, lengths >= shortest)


def spikes(values: pd.Series, allowed: float, known: pd.Series, tests: Tests) -> None:
    """Above the medians of the five readings before and of the five after, or below both."""
    there = values[known]
    medians = there.rolling(NEIGHBOURS).median()
    over_before, over_after = there - medians.shift(), there - medians.shift(-NEIGHBOURS)
    rows = pd.Series(np.flatnonzero(known), index=there.index)
    near = (rows - rows.shift(NEIGHBOURS) <= REACH) & (rows.shift(-NEIGHBOURS) - rows <= REACH)
    above = (over_before > allowed) & (over_after > allowed)
    below = (over_before < -allowed) & (over_after < -allowed)
    tests.applied.loc[there.index, "spike"] |= near
    tests.failed.loc[there.index, "spike"] |= near & (above | below)


def screen(log: pd.DataFrame, usual: Yardstick) -> Tests:
    """All tests of all rows; what is missing fails and passes none."""
    pressure, made = log["feed_pressure"], log["permeate_flow"]
    running = ~(
        (pressure < 0.2 * usual.median["feed_pressure"]) & (made < 0.2 * usual.median["permeate_flow"])
    )
    tests = Tests(running)
    everywhere = pd.Series(True, index=log.index)
    tests.judge("running", everywhere, ~running)
    tests.judge("duplicate", everywhere, pd.Series(log.index.duplicated(), index=log.index))
    settling(usual, tests)
    known = log.notna().mul(running, axis="index")
    tests.judge(
        "flushing",
        known["feed_pressure"] & known["concentrate_flow"],
        (pressure < 0.6 * usual.median["feed_pressure"])
        & (log["concentrate_flow"] > 1.1 * usual.median["concentrate_flow"]),
    )
    if usual.noise["feed_pressure"] <= 0.05 * usual.median["feed_pressure"]:
        for name in ("feed_pressure", "permeate_flow"):
            steady(log[name], name, usual, tests)
    for name in COLUMNS:
        values = log[name]
        tests.judge("possible", known[name], outside(values, *POSSIBLE[COLUMNS[name][0]]))
        if name in INSTRUMENT_RANGES:
            low, high = INSTRUMENT_RANGES[name]
            tests.judge("instrument-range", known[name], (values < low) | (values >= high))
        if name in LIMITS:
            tests.judge("limits", known[name], outside(values, *LIMITS[name]))
        shortest = usual.stuck_run(name)
        if shortest is not None:
            stuck(values, shortest, known[name], tests)
        spikes(values, usual.spike_size(name), known[name], tests)
    together(log, known, usual, tests)
    return tests


def together(log: pd.DataFrame, known: pd.DataFrame, usual: Yardstick, tests: Tests) -> None:
    """Readings that must agree."""
    fed, made, rest = log["feed_flow"], log["permeate_flow"], log["concentrate_flow"]
    salt = {stream: factor * log[f"{stream}_conductivity"] for stream, factor in TDS_PER_CONDUCTIVITY.items()}
    recovery = made / fed
    with np.errstate(divide="ignore", invalid="ignore"):
        water = np.log(fed / (made + rest))
        salts = np.log(fed * salt["feed"] / (made * salt["permeate"] + rest * salt["concentrate"]))
    finite = tests.running & np.isfinite(recovery)
    tests.judge("limits", finite, outside(recovery, *LIMITS["recovery"]))
    for test, closure, closes in (("water-balance", water, usual.water), ("salt-balance", salts, usual.salt)):
        allowed = max(0.05, 6.0 * closes["noise"])
        off = (closure - closes["median"]).abs() > allowed
        tests.judge(test, tests.running & np.isfinite(closure), off)
    tests.judge("flows", known["permeate_flow"] & known["feed_flow"], made >= fed)
    tests.judge(
        "permeate-saltier",
        known["permeate_conductivity"] & known["feed_conductivity"],
        log["permeate_conductivity"] > log["feed_conductivity"],
    )
    slack = 0.02 * abs(usual.median["feed_pressure"])
    for before, behind in (
        ("feed_pressure", "concentrate_pressure"),
        ("concentrate_pressure", "permeate_pressure"),
        ("feed_pressure", "permeate_pressure"),
    ):
        tests.judge("pressure-order", known[before] & known[behind], log[before] < log[behind] - slack)


def run(path: Path, usual: Yardstick, normaliser: Normaliser) -> tuple[Tests, dict[str, Array]]:
    """Reads, screens and normalises a file as a whole: its tests and its figures."""
    log = read(path)
    tests = screen(log, usual)
    set_aside = tests.failed.drop(columns=[test for test in TESTS if BIT[test] & TOLD]).any(axis="columns")
    readings = {name: log[name].to_numpy() for name in COLUMNS}
    return tests, normaliser.normalise(readings, set_aside.to_numpy())


def in_bits(tests: Tests, figures: dict[str, Array]) -> Screened:
    """As the other one gives it."""
    failed, judged = (
        sum((flags[test].to_numpy() * BIT[test] for test in TESTS), np.zeros(len(flags), dtype=np.uint32))
        for flags in (tests.failed, tests.applied)
    )
    return Screened(failed, judged, figures)
