"""The log and the site that the screening is timed on: invented, a reading a minute, with planted faults."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import polars as pl
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

# Unit, usual figure, scatter as a share of it (of a temperature: in degC), decimals that are shown.
COLUMNS = {
    "feed_temperature": ("degC", 22.0, 0.06, 2),
    "feed_pressure": ("bar", 12.0, 0.004, 3),
    "concentrate_pressure": ("bar", 10.4, 0.004, 3),
    "permeate_pressure": ("bar", 0.5, 0.02, 3),
    "feed_flow": ("m3/h", 20.0, 0.005, 3),
    "permeate_flow": ("m3/h", 12.0, 0.005, 3),
    "concentrate_flow": ("m3/h", 8.0, 0.005, 3),
    "feed_conductivity": ("uS/cm", 3640.0, 0.004, 1),
    "permeate_conductivity": ("uS/cm", 80.0, 0.006, 2),
    "concentrate_conductivity": ("uS/cm", 8230.0, 0.004, 1),
}
HEADERS = {name: f"{name} [{unit}]" for name, (unit, *_) in COLUMNS.items()}

TDS_PER_CONDUCTIVITY = {"feed": 0.55, "permeate": 0.5, "concentrate": 0.6}
INSTRUMENT_RANGES = {"feed_pressure": (0.0, 16.0), "permeate_conductivity": (0.0, 500.0)}
LIMITS: dict[str, tuple[float | None, float | None]] = {
    "feed_temperature": (5.0, 30.0),
    "feed_pressure": (None, 13.4),
    "recovery": (None, 0.65),
}

SITE = f"""
[site]
name = "Screening bench"

[element]
area = "{AREA_M2} m2"

[[stage]]
vessels = {VESSELS}
elements_per_vessel = {ELEMENTS_PER_VESSEL}

[temperature]
law = "arrhenius"
constant = "{CONSTANT_K} K"
constant_below_25degC = "{CONSTANT_BELOW_25DEGC_K} K"

[temperature.salt]
law = "arrhenius"
constant = "{SALT_CONSTANT_K} K"

[salinity]
basis = "sodium-chloride"

[salinity.tds_per_conductivity]
feed = {TDS_PER_CONDUCTIVITY["feed"]}
permeate = {TDS_PER_CONDUCTIVITY["permeate"]}
concentrate = {TDS_PER_CONDUCTIVITY["concentrate"]}

[normalise]
differential_pressure_flow_exponent = {FLOW_EXPONENT}
differential_pressure_viscosity_power = {VISCOSITY_POWER}

[reference]
kind = "baseline"
period = "7 d"

[instruments]
feed_pressure = {{ range = ["0 bar", "16 bar"] }}
permeate_conductivity = {{ range = ["0 uS/cm", "500 uS/cm"] }}

[limits]
feed_temperature = {{ low = "5 degC", high = "30 degC" }}
feed_pressure = {{ high = "13.4 bar" }}
recovery = {{ high = "65 %" }}

[screen]
off = ["sensor-step"]
"""

# Rows are made in pieces, each from a seed of its own: the first rows of a long log are those of a short one.
PIECE = 100_000
# Rows between two planted faults of a kind: so many that most rows are sound.
EVERY = 5_000
# Gaps in a piece.
GAPS = 10


def piece(at: int) -> tuple[NDArray[np.datetime64], dict[str, Array]]:
    """Times and readings of the piece of this number; NaN where a reading is missing."""
    random = np.random.default_rng([20260401, at])
    minute = at * PIECE + np.arange(PIECE)
    season = np.sin(2.0 * np.pi * minute / (365.0 * 1440.0))
    # Membranes foul, and are cleaned every 90 days.
    fouling = 0.07 * (minute % (90 * 1440)) / (90 * 1440)
    columns: dict[str, Array] = {}
    for name, (unit, usual, scatter, _) in COLUMNS.items():
        noise = scatter * random.standard_normal(PIECE)
        columns[name] = usual + 6.0 * season + noise if unit == "degC" else usual * (1.0 + noise)
    for name in ("feed_pressure", "concentrate_pressure"):
        columns[name] *= 1.0 + fouling
    plant_faults(random, columns)
    for name, (*_, decimals) in COLUMNS.items():
        columns[name] = np.round(columns[name], decimals)
    # A logger that was down for some hours, now and then; the whole log stays in order.
    gaps = np.sort(random.choice(PIECE, size=GAPS, replace=False))
    late = 300 * (GAPS * at + np.searchsorted(gaps, np.arange(PIECE), side="right"))
    times = np.datetime64("2001-01-01T00:00:00", "ms") + (minute + late) * np.timedelta64(60, "s")
    return times, columns


def plant_faults(random: np.random.Generator, columns: dict[str, Array]) -> None:
    names = list(columns)
    starts = np.arange(0, PIECE, EVERY)

    def spans(shortest: int, longest: int) -> list[slice]:
        begins = starts + random.integers(0, EVERY - longest, starts.size)
        lengths = random.integers(shortest, longest, starts.size)
        return [slice(begin, begin + length) for begin, length in zip(begins, lengths, strict=True)]

    # The set point is moved for some hours.
    for span in spans(120, 400):
        columns["feed_pressure"][span] *= 1.08
        columns["concentrate_pressure"][span] *= 1.08
        columns["permeate_flow"][span] *= 1.09
        columns["concentrate_flow"][span] *= 0.865
        columns["concentrate_conductivity"][span] /= 0.865
    # The unit stands still, and is flushed when it starts again.
    for span in spans(60, 400):
        for name in ("feed_pressure", "concentrate_pressure", "permeate_pressure"):
            columns[name][span] *= 0.02
        for name in ("feed_flow", "permeate_flow", "concentrate_flow"):
            columns[name][span] = 0.0
        flush = slice(span.stop, span.stop + 10)
        columns["feed_pressure"][flush] *= 0.3
        columns["concentrate_pressure"][flush] *= 0.3
        columns["permeate_flow"][flush] *= 0.25
        columns["concentrate_flow"][flush] *= 2.1
        columns["concentrate_conductivity"][flush] *= 0.48
    # One instrument is stuck, or jumps for a reading or two.
    for span in spans(4, 60):
        values = columns[names[random.integers(len(names))]]
        values[span] = values[span.start]
    for _ in range(3):
        for span in spans(1, 3):
            columns[names[random.integers(len(names))]][span] *= random.choice([0.5, 0.8, 1.2, 1.6])
    # A flow below zero, a gauge at the end of its range, a probe with a salt crystal.
    for span in spans(1, 6):
        columns["concentrate_flow"][span] = -0.2
    for span in spans(1, 6):
        columns["feed_pressure"][span] = 16.0
    for span in spans(1, 30):
        columns["permeate_conductivity"][span] = 500.0
    # Two instruments are exchanged.
    for one, other in (
        ("feed_conductivity", "permeate_conductivity"),
        ("feed_pressure", "concentrate_pressure"),
        ("feed_flow", "permeate_flow"),
    ):
        for span in spans(1, 20):
            columns[one][span], columns[other][span] = columns[other][span].copy(), columns[one][span].copy()
    # A meter with air, a fouled probe.
    for span in spans(100, 500):
        columns["feed_flow"][span] *= 1.12
    for span in spans(100, 500):
        columns["concentrate_conductivity"][span] *= 0.85
    # Readings are missing: single ones, and some rows of one instrument.
    for name in names:
        columns[name][random.integers(0, PIECE, 40)] = np.nan
    for span in spans(1, 60):
        columns[names[random.integers(len(names))]][span] = np.nan


def write_log(path: Path, rows: int) -> None:
    """Writes the first so many rows as CSV, a piece at a time."""
    with path.open("wb") as file:
        for at in range(-(-rows // PIECE)):
            times, columns = piece(at)
            frame = pl.DataFrame({"time": times, **{HEADERS[name]: of for name, of in columns.items()}})
            frame = frame.head(rows - at * PIECE).with_columns(pl.selectors.float().fill_nan(None))
            frame.write_csv(file, include_header=at == 0, datetime_format="%Y-%m-%dT%H:%M:%S")
