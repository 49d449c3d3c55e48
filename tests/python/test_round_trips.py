"""What we write is read back the same: times, zone, labels word for word, figures bit for bit, gaps.

By our own files, and by way of pandas, polars and pyarrow and the files that they write.
"""

from __future__ import annotations

import csv
from collections.abc import Callable
from pathlib import Path
from typing import Any

import numpy as np
import polars as pl
import pyarrow as pa
import pyarrow.parquet
import pytest
from hypothesis import HealthCheck, given, settings, strategies as st
from numpy.typing import NDArray

import brinemark as bm

EXAMPLES = settings(max_examples=60, deadline=None)

UNITS = {
    "feed_temperature": ["degC", "degF", "K"],
    "feed_pressure": ["bar", "psi", "kPa", "MPa", "kgf/cm2"],
    "permeate_flow": ["m3/h", "gpm", "gpd", "L/min", "m3/d"],
    "feed_conductivity": ["uS/cm", "mS/cm"],
    "permeate_tds": ["mg/L", "g/L"],
}
ZONES = ["UTC", "Etc/GMT+7", "America/Denver", "Europe/Berlin", "Asia/Kolkata"]

# Readings as people write them, and any figure at all that every unit can hold.
FIGURES = st.one_of(
    st.integers(-99_999, 99_999).map(lambda figure: figure / 100),
    st.floats(-1e300, 1e300),
    st.just(float("nan")),
    st.just(-0.0),
)
ODD = st.sampled_from(
    ['"', ",", ";", "\n", "\r\n", "'", "|", "\t", "1", "NaN", "β", "é", "\u00a0", "𝒜", " ", "#"]
)
LABELS = st.lists(ODD | st.characters(codec="utf-8"), min_size=1, max_size=6).map("".join)


@st.composite
def logs(draw: st.DrawFn) -> bm.Log:
    """Any log: of any years in which clocks had zones, in any units, with any labels."""
    rows = draw(st.integers(1, 12))

    def column(values: st.SearchStrategy[Any]) -> list[Any]:
        return draw(st.lists(values, min_size=rows, max_size=rows))

    # 1900 to 2100, µs.
    time = column(st.integers(-2_208_988_800_000_000, 4_102_444_800_000_000))
    zone = draw(st.sampled_from(ZONES))
    columns: dict[str, Any] = {"time": pa.array(sorted(time), pa.timestamp("us", tz=zone))}
    word = LABELS.filter(lambda word: word.strip("\x1c\x1d\x1e\x1f \u0085") and word.strip())
    for name in draw(st.sets(st.sampled_from(["train", "stage"]))):
        columns[name] = column(word)
    for name in draw(st.sets(st.sampled_from(sorted(UNITS)), min_size=1)):
        unit = draw(st.sampled_from(UNITS[name]))
        columns[f"{name} [{unit}]"] = pa.array(column(FIGURES), pa.float64())
    if draw(st.booleans()):
        columns["running"] = pa.array(column(st.sampled_from([True, False, None])))
    return bm.read_log(pa.table(columns))


def bits(figures: NDArray[np.float64]) -> list[int]:
    """Figures as they are in memory; every NaN means the same."""
    return list(np.where(np.isnan(figures), np.nan, figures).view(np.int64))


def assert_same(one: bm.Log, other: bm.Log) -> None:
    assert one.zone == other.zone
    assert one.columns == other.columns
    assert one.units == other.units
    assert list(one.time()) == list(other.time())
    for label in ("train", "stage"):
        assert one.labels(label) == other.labels(label)
    for name in one.columns:
        assert bits(one[name]) == bits(other[name]), name
    assert one.input_hash == other.input_hash


@pytest.fixture(scope="module")
def path(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A file that each example writes anew."""
    return tmp_path_factory.mktemp("round-trips") / "log"


def by_polars_csv(log: bm.Log, path: Path) -> None:
    frame = log.to_polars().with_columns(pl.col("time").dt.convert_time_zone("UTC"))
    labels = [name for name in ("train", "stage") if name in frame.columns]
    frame.with_columns(pl.col(labels).cast(pl.String)).write_csv(path)


FILES: dict[str, Callable[[bm.Log, Path], Any]] = {
    "our CSV": lambda log, path: log.write_csv(path),
    "our Parquet": lambda log, path: log.write_parquet(path),
    "CSV of pandas": lambda log, path: log.to_pandas().to_csv(path),
    "CSV of polars": by_polars_csv,
    "Parquet of pandas": lambda log, path: log.to_pandas().to_parquet(path),
    "Parquet of polars": lambda log, path: log.to_polars().write_parquet(path),
    "Parquet of pyarrow": lambda log, path: pa.parquet.write_table(log.to_arrow(), path),
}

FRAMES: dict[str, Callable[[bm.Log], Any]] = {
    "itself": lambda log: log,
    "pandas": lambda log: log.to_pandas(),
    "polars": lambda log: log.to_polars(),
    "pyarrow": lambda log: log.to_arrow(),
}


@pytest.mark.parametrize("write", FILES.values(), ids=FILES)
@EXAMPLES
@given(log=logs())
def test_files(write: Callable[[bm.Log, Path], Any], path: Path, log: bm.Log) -> None:
    write(log, path)
    # A column of times in text has offsets, but no zone.
    assert_same(log, bm.read_log(path, tz=log.zone))


@pytest.mark.parametrize("frame", FRAMES.values(), ids=FRAMES)
@EXAMPLES
@given(log=logs())
def test_frames(frame: Callable[[bm.Log], Any], log: bm.Log) -> None:
    assert_same(log, bm.read_log(frame(log)))


@EXAMPLES
@given(log=logs())
def test_a_screened_log_is_the_same_log(path: Path, site: bm.Site, log: bm.Log) -> None:
    screening = bm.screen(log, site)
    screening.write_csv(path)
    again = bm.read_log(path, tz=log.zone)
    assert again.left_out == ["reasons"]
    assert_same(log, again)


# The readings are only looked at.
@settings(EXAMPLES, suppress_health_check=[HealthCheck.function_scoped_fixture])
@given(train=LABELS.filter(str.strip))
def test_a_result(path: Path, site: bm.Site, readings: dict[str, Any], train: str) -> None:
    # No column of a result is one of a log, so any reader of CSV is asked.
    rows = len(readings["time"])
    result = bm.normalise(bm.read_log({**readings, "train": [train] * rows}, tz="UTC"), site)
    result.write_csv(path)
    with path.open(newline="", encoding="utf-8") as file:
        header, *cells = csv.reader(file)
    columns = dict(zip(header, zip(*cells, strict=True), strict=True))
    assert [np.datetime64(time[:-6]) for time in columns["time"]] == list(result.time())
    for label in ("train", "reasons"):
        assert list(columns[label]) == result.labels(label)
    for name, unit in result.units.items():
        figures = [float(cell or "nan") for cell in columns[f"{name} [{unit}]" if unit else name]]
        assert bits(np.array(figures)) == bits(result[name]), name
    result.write_parquet(path)
    table = pa.parquet.read_table(path)
    for name, unit in result.units.items():
        column = table[f"{name} [{unit}]" if unit else name]
        assert bits(column.to_numpy().astype(float)) == bits(result[name]), name
