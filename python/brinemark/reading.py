"""Logs in: from files, pandas, polars, Arrow and dicts of arrays; and a first look at an unknown one."""

from __future__ import annotations

import os
from collections.abc import Callable, Iterator, Mapping, Sequence
from typing import TYPE_CHECKING, Any, Literal, Protocol, TypedDict, Unpack

import numpy as np

from brinemark import _core
from brinemark.frames import Log

if TYPE_CHECKING:
    import pandas


class ArrowStream(Protocol):
    """Anything that exports an Arrow C stream: a table of pyarrow, polars, DuckDB and others."""

    def __arrow_c_stream__(self, requested_schema: object | None = None) -> object:
        """The stream's capsule."""
        ...


class Options(TypedDict, total=False):
    """The settings that `read_log` and `scan_log` share. Each speaks of the kinds of source it is for."""

    mapping: str | os.PathLike[str] | None
    units: Mapping[str, str] | None
    columns: Mapping[str, str | Sequence[str] | None] | None
    tz: str | None
    time_format: str | None
    separator: Literal[",", ";", "\t", "tab", "|"] | None
    decimal: Literal[".", ","] | None
    sheet: str | None
    header_row: int | None
    units_row: bool | None
    time_label: Literal["instant", "interval-start", "interval-end"] | None
    interval: str | None
    clock_change: Literal["refuse", "by-order", "earlier", "later"] | None


def _options(*, sort: bool | None = None, **given: Unpack[Options]) -> _core.ReadOptions:
    settings: dict[str, Any] = dict(given)
    if settings.get("units") is not None:
        settings["units"] = dict(settings["units"])
    if settings.get("columns") is not None:
        settings["columns"] = {theirs: _names(ours) for theirs, ours in settings["columns"].items()}
    return _core.ReadOptions(sort=sort, **settings)


def _names(ours: str | Sequence[str] | None) -> str | list[str] | None:
    return ours if ours is None or isinstance(ours, str) else list(ours)


def read_log(
    source: Any,
    *,
    sort: bool | None = None,
    watch: Callable[[float], object] | None = None,
    **options: Unpack[Options],
) -> Log:
    """Reads readings with their units. Nothing is dropped: missing is NaN, zero is a value.

    source : path of a file, or several of one plant: text with separators (UTF-8, a header), plain or
        compressed by gzip or zstd, a workbook (.xlsx, .xls, .ods) or Parquet, told apart by their first
        bytes. Or a pandas or polars frame, any table that exports an Arrow stream, or a mapping of names to
        arrays. Not modified. Several files become one log in the order of time with the columns of all,
        each in the unit of the first file that has it; a figure that a file lacks is missing.

    What columns are:

    units : {column: unit} for headers without a unit in brackets ("feed_pressure [psi]").
    columns : {their header: our column}, with or without a unit in brackets; several of ours in a list
        where one reading serves several; None leaves one out. `log_columns()` lists ours. A wide table has
        "stage 2 feed_pressure [psi]" or "train A …" as headers, and becomes a row for each; only what is the
        same for all (feed_temperature, feed_ph and, of stages, running; of trains, feed_conductivity and
        feed_tds) may go without.
    mapping : path of a TOML file that says once what a site's files are like: its keys are the names of
        these arguments (tz is time_zone there) but units, with columns as a table in which false leaves a
        header out. What the call gives goes before it, key by key and header by header.

    How text is written:

    separator : "," ";" "tab" or "|"; None takes it from the header, where that has only one of them.
    decimal : "." or ",". Once given, the other, a space or an apostrophe may part thousands, in threes.
        None takes a point, and refuses a cell with a comma.
    sheet : of a workbook, the sheet; None takes the only one with readings. A cell #N/A is missing, any other
        error of a sheet is a fault.
    header_row : line or sheet row of the header, from 1; None takes the first that is not empty.
    units_row : whether the row under the header holds units.

    What times are:

    tz : IANA name of the time zone of naive times (of a workbook too), and of times as they are shown.
    time_format : how times are written, in strftime's words, where they are not ISO 8601. A date alone is
        refused unless this says that times are so written; it is then that day's midnight.
    time_label : "instant", or which end of an `interval` ("15 min") the time of a reading is; it is then
        placed in the middle of the interval.
    clock_change : a time that occurs twice, as the clocks go back, is refused, or it is the "earlier", the
        "later", or "by-order" the later where the earlier would not go forward in its train and stage.
    sort : whether readings are put in the order of time; otherwise one that goes back is refused.
    watch : called now and then with the share of the files that is read, 0 to 1.

    Returns: Log
    Raises: LogError with every fault of the source (file, row, line, column, value, what would be right);
        FileError where a file can't be opened, or is damaged.

    >>> log = read_log(
    ...     {"time": ["2026-03-01T08:00Z"], "feed_pressure [psi]": [140.0]}
    ... )
    >>> round(float(log.column("feed_pressure", "bar")[0]), 2)
    9.65
    """
    how = _options(sort=sort, **options)
    if isinstance(source, (str, os.PathLike)):
        return Log(_core.read_files([source], how, watch))
    if isinstance(source, (list, tuple)) and all(isinstance(path, (str, os.PathLike)) for path in source):
        return Log(_core.read_files(source, how, watch))
    if type(source).__module__.partition(".")[0] == "pandas":
        return Log(_core.read_columns(_pandas_columns(source), how))
    if hasattr(source, "__arrow_c_stream__"):
        return Log(_core.read_arrow(source, how))
    if isinstance(source, Mapping):
        given = [_column(str(name), values) for name, values in source.items()]
        return Log(_core.read_columns(given, how))
    raise TypeError(
        "source must be a path or a list of paths, a pandas or polars frame, an Arrow table or a mapping of "
        f"arrays, not {type(source).__name__}"
    )


def scan_log(path: str | os.PathLike[str], **options: Unpack[Options]) -> Iterator[Log]:
    """Reads a file of any size as a run of logs, one a block of about 2 MiB of text or a batch of Parquet.

    Memory stays flat however long the file is, compressed or not (but a workbook is unpacked as a whole).
    Arguments and errors as in `read_log`; what is to be sorted can't be scanned. Normalising the blocks with
    one baseline gives the same figures as normalising the whole.
    """
    return map(Log, _core.LogBlocks(path, _options(**options)))


def describe(source: Any, *, rows: int = 5000) -> _core.Description:
    """Proposes what the columns of an unknown log are, in which unit, with the evidence. Nothing is applied.

    source : path of a text file (comma, semicolon, tab or | between cells), a pandas or polars frame, any
        table that exports an Arrow stream, or a mapping of names to arrays. Not modified.
    rows : how many of its first rows are looked at, 1 or more.

    Returns: Description. Printed, it is a table; `mapping()` is the text of a mapping file to be read and
        corrected.
    Raises: FileError where a file can't be opened; LogError where it is no table of text.
    Accuracy: a proposal is "sure" only where the header names stream, quantity and unit and nothing speaks
        against it; "likely" may rest on ranges and balances. In the tests' invented plants every "sure" one
        is right, and of the "likely" ones at least 97 %.
    Source: ranges and words of the trade: common practice, no source. Balances: conservation of water and
        salt.

    >>> found = describe({"Perm Flow GPM": [30.1, 30.4, 29.9], "Rej GPM": [10.0, 10.1, 10.2]})
    >>> found.columns[0].proposal, found.columns[0].confidence
    ('permeate_flow [gpm]', 'sure')
    """
    if rows < 1:
        raise ValueError(f"rows is {rows}; 1 or more are needed")
    if isinstance(source, (str, os.PathLike)):
        return _core.describe_file(source, rows)
    if type(source).__module__.partition(".")[0] == "pandas":
        return _core.describe_columns(_pandas_columns(source), rows)
    if hasattr(source, "__arrow_c_stream__"):
        return _core.describe_arrow(source, rows)
    if isinstance(source, Mapping):
        given = [_column(str(name), values) for name, values in source.items()]
        return _core.describe_columns(given, rows)
    raise TypeError(
        "source must be a path, a pandas or polars frame, an Arrow table or a mapping of arrays, "
        f"not {type(source).__name__}"
    )


_Column = tuple[str, str, Any, str | None]


def _column(name: str, values: Any) -> _Column:
    """A column as the core takes it: name, kind, values, zone of times."""
    if isinstance(values, np.ma.MaskedArray):
        values = _unmasked(values)
    array = np.asarray(values)
    if array.ndim != 1:
        raise TypeError(f"column {name!r} has {array.ndim} dimensions, one is needed")
    kind = array.dtype.kind
    if kind == "M":
        return name, "time", array.astype("datetime64[us]").view("int64"), None
    if kind == "b":
        return name, "bool", np.ascontiguousarray(array), None
    if kind in "iuf":
        return name, "float", np.ascontiguousarray(array, dtype="float64"), None
    return name, "text", [_word(value) for value in array.tolist()], None


def _unmasked(values: Any) -> Any:
    """A masked array with what it masks made missing."""
    if values.dtype.kind == "M":
        return values.filled(np.datetime64("NaT"))
    if values.dtype.kind in "biuf":
        return values.astype("float64").filled(np.nan)
    return values.tolist()  # None where masked


def _word(value: object) -> str | None:
    # NaN, None and pandas' NA and NaT are each missing; only text equals itself and is no null.
    if value is None or value != value or type(value).__name__ in ("NAType", "NaTType"):
        return None
    # Datetimes in a column of objects are written so that they keep their offset.
    isoformat = getattr(value, "isoformat", None)
    return str(isoformat()) if isoformat is not None else str(value)


def _pandas_columns(frame: pandas.DataFrame) -> list[_Column]:
    import pandas as pd

    columns = [_pandas_column(str(name), series) for name, series in frame.items()]
    # A frame indexed by time holds its time there.
    if isinstance(frame.index, pd.DatetimeIndex) and "time" not in frame.columns:
        columns.insert(0, _pandas_column("time", frame.index.to_series()))
    return columns


def _pandas_column(name: str, series: Any) -> _Column:
    import pandas as pd

    dtype = series.dtype
    if isinstance(dtype, pd.DatetimeTZDtype):
        times = series.dt.tz_convert("UTC").dt.tz_localize(None).to_numpy("datetime64[us]")
        return name, "time", times.view("int64"), str(dtype.tz)
    if pd.api.types.is_datetime64_dtype(dtype):
        return name, "time", series.to_numpy("datetime64[us]").view("int64"), None
    if pd.api.types.is_bool_dtype(dtype) and not series.isna().any():
        return name, "bool", np.ascontiguousarray(series.to_numpy(dtype=bool)), None
    if pd.api.types.is_numeric_dtype(dtype):
        figures = series.to_numpy(dtype="float64", na_value=np.nan)
        return name, "float", np.ascontiguousarray(figures), None
    return name, "text", [_word(value) for value in series.tolist()], None
