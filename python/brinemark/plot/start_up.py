"""The plot of a start-up: the first hours, as read and like for like, and what the rating promises."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np
from matplotlib.figure import Figure

from brinemark.plot.style import ASIDE, MEASURED, NORMALISED, REFERENCE, legend_below, style

if TYPE_CHECKING:
    from brinemark import Log, Site, StartUp


def start_up(record: StartUp, log: Log, site: Site, *, group: int = 0, width_inches: float = 8.4) -> Figure:
    """Permeate flow over the first hours, as read and like for like, the stretch that counts and what is
    expected.

    record : StartUp of this log and site. group : which of `record.groups`. width_inches : how wide it is
    drawn; text keeps its size.

    Returns: Figure. Like for like is at the settled stretch's own conditions, so that the expected band
    holds for it.
    """
    import brinemark as bm

    found = record.groups[group]
    result = bm.normalise(log, site, baseline=record.baseline)
    start, end = (np.datetime64(at[:19]) - _offset(at) for at in (found.start, found.end))
    first = start - np.timedelta64(round(found.settled_after_h * 3600), "s")
    hours = (result.time() - first) / np.timedelta64(1, "h")
    last = (end - first) / np.timedelta64(1, "h")
    near = (hours >= 0) & (hours <= 1.02 * last)
    for name, label in (("train", found.train), ("stage", found.stage)):
        if label is not None:
            near &= np.asarray([each == label for each in result.labels(name) or []])
    used = near & ~np.isnan(result["normalised_permeate_flow"])
    read = result["permeate_flow"]
    with style():
        figure = Figure(figsize=(width_inches, 3.3 if width_inches > 6 else 3.9), layout="constrained")
        axes = figure.subplots()
        axes.axvspan(
            found.settled_after_h, last, color="#56B4E9", alpha=0.16, lw=0, label="settled: what counts"
        )
        flow = next((check for check in found.checks if check.column == "permeate_flow"), None)
        if flow is not None:
            axes.axhspan(
                flow.expected.low,
                flow.expected.high,
                facecolor="none",
                edgecolor=REFERENCE,
                hatch="///",
                lw=0.8,
                label=f"expected by the rating, {100 * flow.expected.level:.0f} % interval",
            )
        aside = near & ~used & ~np.isnan(read)
        axes.plot(hours[used], read[used], "s", color=MEASURED, ms=3.5, label="as read")
        axes.plot(
            hours[used],
            result["normalised_permeate_flow"][used],
            "o-",
            color=NORMALISED,
            ms=3.5,
            lw=0.9,
            label="like for like",
        )
        if aside.any():
            axes.plot(hours[aside], read[aside], "x", color=ASIDE, ms=5, label="set aside")
        axes.set_xlabel("hours since the start")
        axes.set_ylabel(f"permeate flow [{result.units['permeate_flow']}]")
        legend_below(axes, width_inches)
    return figure


def _offset(iso: str) -> np.timedelta64:
    """The offset of an ISO 8601 time, such as −07:00."""
    from datetime import datetime, timedelta

    when = datetime.fromisoformat(iso)
    offset = when.utcoffset() or timedelta()
    return np.timedelta64(round(offset.total_seconds()), "s")
