"""Logs and results as tables, and what is made of a log: the baseline, the figures, how sure they are."""

from __future__ import annotations

import html
import json
import os
from collections.abc import Sequence
from functools import cached_property
from typing import TYPE_CHECKING, Any, Literal

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
        of its name and `_u`. Where the site file says [temperature] law = "fitted", the constant is found
        from this log first, together with its trend; the result's `site` has it, and serves later logs of
        the same unit with the kept baseline. Where calibrations of the site file say what they found
        (`as_found`, `as_left`, `uncertainty`), readings between two of them are corrected by the middle of
        both (JCGM 100:2008, 3.2.3), and the result's `provenance` says from when to when; the log stays as
        it was read.
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
    if baseline is None:
        # Where the site file says law = "fitted": by the constant that this log tells.
        site = _core.fit_law(log._core, site, list(analyses))
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
