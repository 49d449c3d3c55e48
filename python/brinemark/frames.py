"""Tables in and out: logs and results, from and to files, pandas, polars, Arrow and dicts of arrays."""

from __future__ import annotations

import html
import json
import os
from collections.abc import Callable, Iterator, Mapping, Sequence
from functools import cached_property
from typing import TYPE_CHECKING, Any, Literal, Protocol, TypedDict, Unpack

import numpy as np
from numpy.typing import NDArray

from brinemark import _core

if TYPE_CHECKING:
    import pandas
    import polars
    import pyarrow
    from matplotlib.figure import Figure

    from brinemark.screening import Screening

Analysis = Literal["permeate_flow", "salt_passage", "differential_pressure", "membrane_model"]

ANALYSES: tuple[Analysis, ...] = ("permeate_flow", "salt_passage", "differential_pressure")
"""Every analysis, in the order of a result's columns. `requirements()` tells what each needs."""


class ArrowStream(Protocol):
    """Anything that exports an Arrow C stream: a table of pyarrow, polars, DuckDB and others."""

    def __arrow_c_stream__(self, requested_schema: object | None = None) -> object:
        """The stream's capsule."""
        ...


class Table:
    """What a log and a result share: named columns with units, one row a reading."""

    _table: _core.Table

    def __len__(self) -> int:
        return len(self._table)

    @property
    def columns(self) -> list[str]:
        """The names of the columns of figures, without units."""
        return self._table.columns

    @property
    def units(self) -> dict[str, str]:
        """The unit of each column, as the log's user sees it; "" for ratios."""
        return self._table.units

    @property
    def zone(self) -> str:
        """The IANA name of the time zone in which times are shown."""
        return self._table.zone

    def time(self) -> NDArray[np.datetime64]:
        """The times of the rows, in UTC."""
        return self._table.time().view("datetime64[us]")

    def column(self, name: str, unit: str | None = None) -> NDArray[np.float64]:
        """The figures of a column, in the user's unit or the one asked for; NaN where missing.

        Raises MissingColumnError where there is no such column, UnitError where the unit measures
        something else.
        """
        return self._table.column(name, unit)

    def __getitem__(self, name: str) -> NDArray[np.float64]:
        return self._table.column(name)

    def __contains__(self, name: object) -> bool:
        return name in self.columns

    def labels(self, name: str) -> list[str] | None:
        """The words of "train", "stage" or (of a result) "reasons"; None where there are none.

        A row's reasons are empty where it was used.
        """
        return self._table.labels(name)

    def __arrow_c_stream__(self, requested_schema: object | None = None) -> object:
        return self._table.__arrow_c_stream__(requested_schema)

    def to_pandas(self) -> pandas.DataFrame:
        """A pandas frame indexed by time in the table's zone, units in brackets behind the names."""
        import pandas as pd

        index = pd.DatetimeIndex(self.time(), name="time").tz_localize("UTC").tz_convert(self.zone)
        data: dict[str, Any] = {}
        for name in ("train", "stage"):
            words = self.labels(name)
            if words is not None:
                data[name] = pd.Categorical(words)
        for name, header in zip(self.columns, self._table.headers, strict=True):
            data[header] = self.column(name)
        reasons = self.labels("reasons")
        if reasons is not None:
            data["reasons"] = pd.Categorical(reasons)
        return pd.DataFrame(data, index=index)

    def to_polars(self) -> polars.DataFrame:
        """A polars frame, units in brackets behind the names; missing figures are null."""
        import polars as pl

        return pl.DataFrame(self)

    def to_arrow(self) -> pyarrow.Table:
        """A pyarrow table, units in brackets behind the names; missing figures are null."""
        import pyarrow as pa

        return pa.table(self)

    def write_csv(self, path: str | os.PathLike[str]) -> None:
        """Writes CSV: ISO times with offset, figures that read back the same. Raises FileError."""
        self._table.write_csv(path)

    def write_parquet(self, path: str | os.PathLike[str]) -> None:
        """Writes Parquet. Raises FileError."""
        self._table.write_parquet(path)

    def _span(self) -> str:
        time = self.time()
        return f"{time[0].astype('datetime64[D]')} to {time[-1].astype('datetime64[D]')}"


class Log(Table):
    """Readings with their units. Made by `read_log`."""

    def __init__(self, core: _core.Log) -> None:
        self._core = core
        self._table = core.table

    @property
    def left_out(self) -> list[str]:
        """Headers of the source that are no column of a log."""
        return self._core.left_out

    @property
    def is_screened(self) -> bool:
        """Whether its readings were screened: those set aside are then used for nothing."""
        return self._core.is_screened

    @property
    def sources(self) -> dict[str, int]:
        """The files it was read from, and how many of its rows came from each; none for tables in memory."""
        return dict(self._core.sources)

    @property
    def written_to(self) -> dict[str, float]:
        """The finest decimal step that each column's figures are written to, in the user's unit.

        0.01 for a column with 12.50 in it. Of text only: workbooks, Parquet and numbers in memory don't
        keep how a figure was written. Of a block of `scan_log`, that block's.
        """
        return self._core.written_to

    @cached_property
    def input_hash(self) -> str:
        """A fingerprint of all readings: the same for equal logs, whatever file they came from."""
        return self._core.hash()

    def __repr__(self) -> str:
        left_out = f", left out: {', '.join(self.left_out)}" if self.left_out else ""
        return f"Log({len(self)} readings, {self._span()}: {', '.join(self._table.headers)}{left_out})"


class Result(Table):
    """A normalised log: every row of it, in order, with the reasons of rows that were not used."""

    def __init__(self, core: _core.Result, screening: Screening | None = None) -> None:
        self._core = core
        self._table = core.table
        self.screening = screening
        """How the readings were screened; None where the log was given screened, or not to be."""

    @cached_property
    def log(self) -> Log:
        """The log it was made from."""
        return Log(self._core.log)

    @property
    def site(self) -> _core.Site:
        """The site it was made with."""
        return self._core.site

    @property
    def baseline(self) -> _core.Baseline:
        """The reference it is compared with."""
        return self._core.baseline

    @property
    def analyses(self) -> list[str]:
        """What was computed."""
        return self._core.analyses

    @property
    def provenance(self) -> list[_core.Provenance]:
        """Where each input came from: measured, derived or assumed, and how."""
        return self._core.provenance

    @property
    def reason_counts(self) -> dict[str, int]:
        """How many rows each reason took, for those that took any."""
        return self._core.reason_counts

    @property
    def rows_used(self) -> int:
        """How many rows were used."""
        return self._core.rows_used

    @property
    def used(self) -> NDArray[np.bool_]:
        """Whether each row was used."""
        return self._core.used

    @property
    def knows_errors(self) -> bool:
        """Whether the site file tells what instruments may be off by: figures then have a `…_u` column."""
        return self._core.knows_errors

    @property
    def limits(self) -> list[_core.LimitCount]:
        """The site's limits, and how many readings lie beyond each."""
        return self._core.limits

    @property
    def method(self) -> dict[str, str]:
        """What was chosen, and its source: law, osmotic pressure, reference and so on."""
        return self._core.method

    @property
    def settings(self) -> str:
        """The site's settings as JSON, in canonical units."""
        return self._core.site.settings

    @property
    def version(self) -> str:
        """The version of brinemark that made it."""
        return _core.__version__

    @property
    def input_hash(self) -> str:
        """The fingerprint of the log it was made from."""
        return self.log.input_hash

    def plot(
        self,
        quantity: Literal["permeate_flow", "salt_passage", "differential_pressure"] = "permeate_flow",
    ) -> Figure:
        """The normalised figure against time, the raw one behind it. Needs matplotlib."""
        from brinemark import plot

        return plot.timeline(self, quantity)

    def summary(self) -> dict[str, Any]:
        """All that is not a row, as plain values for JSON."""
        references = []
        for reference in self.baseline.references:
            units, values = reference.units, reference.values
            references.append(
                {
                    "train": reference.train,
                    "stage": reference.stage,
                    "start": reference.start,
                    "end": reference.end,
                    "rows": reference.rows,
                    "values": {name: {"value": values[name], "unit": units[name]} for name in values},
                }
            )
        return {
            "site": self.site.name,
            "version": self.version,
            "input_hash": self.input_hash,
            "rows": len(self),
            "rows_used": self.rows_used,
            "reasons": self.reason_counts,
            "knows_errors": self.knows_errors,
            "analyses": self.analyses,
            "method": self.method,
            "provenance": [
                {"column": entry.column, "kind": entry.kind, "detail": entry.detail}
                for entry in self.provenance
            ],
            "left_out": self.log.left_out,
            "sources": [{"path": path, "rows": rows} for path, rows in self.log.sources.items()],
            "baseline": {
                "kind": self.baseline.kind,
                "rule": self.baseline.rule,
                "references": references,
            },
            "screening": None if self.screening is None else self.screening.summary(),
            "settings": json.loads(self.settings),
        }

    def __repr__(self) -> str:
        aside = "".join(f"\n  set aside: {rows}: {why}" for why, rows in self.reason_counts.items())
        return (
            f"Result({self.site.name}: {len(self)} readings, {self._span()}, "
            f"{self.rows_used} used; {', '.join(self.analyses)}"
            f"\n  temperature law: {self.method['temperature_law']}"
            f"\n  reference: {self.baseline.rule}{aside})"
        )

    def _repr_html_(self) -> str:
        rows = {
            "readings": f"{len(self)}, {self._span()}; {self.rows_used} used",
            **{f"set aside: {why}": str(count) for why, count in self.reason_counts.items()},
            **{name.replace("_", " "): words for name, words in self.method.items()},
        }
        cells = "".join(
            f"<tr><th style='text-align:left'>{html.escape(name)}</th>"
            f"<td style='text-align:left'>{html.escape(words)}</td></tr>"
            for name, words in rows.items()
        )
        return f"<table><caption>{html.escape(self.site.name)}</caption>{cells}</table>"


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
    """Reads a file of any size as a run of logs, one a block of about 16 MiB of text or a batch of Parquet.

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


def baseline(log: Log, site: _core.Site, *, analyses: Sequence[Analysis] = ANALYSES) -> _core.Baseline:
    """What each train and stage did when its membranes were new, by the site's [reference] rule.

    log : Log that holds the start-up. site : Site. analyses : what will be computed with it.

    Returns: Baseline, to be kept (`to_json`) and given to `normalise`.
    Raises: MissingColumnError where an input is missing; BaselineError where there are too few usable
        readings, with what would be enough.
    """
    return _core.find_baseline(log._core, site, list(analyses))


def normalise(
    log: Log,
    site: _core.Site,
    *,
    baseline: _core.Baseline | None = None,
    analyses: Sequence[Analysis] = ANALYSES,
    screen: bool = True,
) -> Result:
    """Every reading as if taken at the reference's temperature, pressure, salinity and recovery.

    log : Log. site : Site. baseline : from `baseline()`; None finds it in this log by the site's rule.
    analyses : "permeate_flow", "salt_passage", "differential_pressure", "membrane_model": one or more. The
        last infers from each reading the elements' permeabilities and spacer friction through the membrane
        model, and needs [element] length and feed_spacer_thickness in the site file.
    screen : whether a log that was not screened yet is screened first, by the site's [screen].

    Returns: Result, one row for each of the log, in order. Where the site file tells what instruments,
        assumptions and laws may be off by, each figure has its standard uncertainty beside it, in a column
        of its name and `_u`.
    Raises: MissingColumnError where an input is neither measured, derivable nor assumed; BaselineError
        where there is no reference; MethodError where the baseline was made by another method.
    Source: ASTM D4516 (net driving pressure with half the device pressure drop and the log-mean
        feed-brine concentration; permeate flow; salt passage). Each result names its laws in `method`.
    """
    screening = None
    if screen and not log.is_screened:
        from brinemark.screening import screen as screen_log

        screening = screen_log(log, site)
        log = screening.log
    return Result(_core.normalise(log._core, site, baseline, list(analyses)), screening)


def assess(result: Result, *, days: float = 28.0, level: float = 0.90) -> list[_core.Standing]:
    """How each train and stage stands: the last days of the log against the reference.

    result : Result. days : length of the window at the log's end [d]. level : how often an interval
        shall hold the true figure.

    Returns: list of Standing, each with its changes (fractions, with intervals) and a sentence. A
        normalised change has a `budget` where the site file tells what the instruments may be off by.
    Raises: RangeError for settings out of range; BaselineError where no reading was used.
    Accuracy: intervals hold the scatter of daily medians, and, of normalised changes, what instruments,
        assumptions and laws of the site file may be off by (JCGM 100:2008; what is off alike in both
        periods cancels, unless the instrument was calibrated in between). Without [instruments] they are of
        repeatability alone. Simulated coverage of the scatter's 90 % intervals: 90 to 97 % for independent
        days, 85 to 93 % where days depend on each other (lag-1 autocorrelation 0.5); of single changes' 90
        % intervals from instruments: 88 to 92 % for mixed sources.
    """
    return _core.assess(result._core, days, level)


def budget(result: Result, output: str, *, row: int) -> _core.Budget:
    """Where the uncertainty of one figure of one reading comes from, the greatest source first.

    result : Result. output : a figure's name, such as "normalised_permeate_flow" or its "…_change". row :
        the reading, from 0.

    Returns: Budget. Its u is that of the figure's `_u` column. For a change over many readings, see `assess`.
    Raises: SiteError where the site file tells nothing of the instruments; MissingColumnError for a figure
        or row that is not there, or a reading that was set aside.
    Source: JCGM 100:2008 (GUM), eq. 10, with exact derivatives.

    >>> result = normalise(read_log(demo.log_path()), Site.load(demo.site_path()))
    >>> budget(result, "normalised_permeate_flow", row=2900).shares[0].source
    'temperature law'
    """
    return _core.budget(result._core, output, row)


def monte_carlo(
    result: Result,
    outputs: Sequence[str] = ("normalised_permeate_flow",),
    *,
    draws: int = 1000,
    seed: int = 1,
    level: float = 0.90,
) -> dict[str, dict[str, NDArray[np.float64]]]:
    """Uncertainties by chance: errors are drawn, each draw is worked out. The second way, beside `_u`.

    result : Result. outputs : names of figures, not those of the membrane model. draws : 100 to 1 000 000
        (1000 give u to 2 %). seed : the same seed gives the same figures, for any number of threads. level
        : of the intervals.

    Returns: {output: {"mean", "u", "low", "high"}}, arrays of a figure a row in the output's unit; NaN
        where set aside.
    Raises: SiteError where the site file tells nothing of the instruments; RangeError; MissingColumnError.
    Source: JCGM 101:2008. Limits are drawn evenly, repeatability normally; one set of draws serves all rows.

    >>> result = normalise(read_log(demo.log_path()), Site.load(demo.site_path()))
    >>> drawn = monte_carlo(result, draws=1000, seed=1)["normalised_permeate_flow"]
    >>> bool(abs(drawn["u"][2900] / result["normalised_permeate_flow_u"][2900] - 1) < 0.1)
    True
    """
    return _core.monte_carlo(result._core, list(outputs), draws, seed, level)
