"""Plots of readings: like for like, against temperature, split, screened."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING, Literal
from zoneinfo import ZoneInfo

import matplotlib.dates as mdates
import numpy as np
from matplotlib.figure import Figure
from matplotlib.patches import Patch
from numpy.typing import NDArray

from brinemark.plot.style import (
    ASIDE,
    EVENT,
    FILLS,
    HATCHES,
    MEASURED,
    NORMALISED,
    REFERENCE,
    legend_below,
    moment,
    style,
    time_axis,
)
from brinemark.words import group_name

if TYPE_CHECKING:
    from matplotlib.axes import Axes

    from brinemark import Reference, Result, Screening, Standing

Quantity = Literal["permeate_flow", "salt_passage", "differential_pressure"]

_MOST_POINTS = 2000
"""More readings than this in one panel are drawn as daily medians."""


@dataclass(frozen=True)
class _Drawn:
    normalised: str
    measured: str
    title: str
    scale: float
    unit: str | None


_QUANTITIES = {
    "permeate_flow": _Drawn("normalised_permeate_flow", "permeate_flow", "Permeate flow", 1.0, None),
    "salt_passage": _Drawn("normalised_salt_passage", "salt_passage", "Salt passage", 100.0, "%"),
    "differential_pressure": _Drawn(
        "normalised_differential_pressure",
        "differential_pressure",
        "Differential pressure",
        1.0,
        None,
    ),
}


@dataclass(frozen=True)
class _Group:
    name: str
    rows: NDArray[np.intp]
    reference: Reference


def timeline(result: Result, quantity: Quantity = "permeate_flow", *, width_inches: float = 8.4) -> Figure:
    """A normalised figure against time, with the measured one behind it.

    result : Result. quantity : "permeate_flow", "salt_passage" or "differential_pressure".
    width_inches : how wide it is drawn; text keeps its size.

    Returns: Figure, a panel a train and stage; the baseline is shaded, events and rows set aside are
    marked. Many readings are drawn as daily medians with the span of the middle two thirds, and the
    legend says so. Raises ValueError where the quantity was not analysed.
    """
    drawn = _QUANTITIES.get(quantity)
    if drawn is None:
        raise ValueError(f"quantity {quantity!r}: one of {', '.join(_QUANTITIES)}")
    if drawn.normalised not in result:
        raise ValueError(f"{quantity} was not analysed; this result has {', '.join(result.analyses)}")
    groups = _groups(result)
    unit = drawn.unit or result.units[drawn.normalised]
    zone = _zone(result)
    with style():
        figure = Figure(figsize=(width_inches, 3.5 * len(groups)), layout="constrained")
        panels = figure.subplots(len(groups), 1, squeeze=False, sharex=True)[:, 0]
        for axes, group in zip(panels, groups, strict=True):
            _draw_group(axes, result, group, drawn, zone)
            axes.set_ylabel(f"{drawn.title} [{unit}]")
            if group.name:
                axes.set_title(group.name, loc="left")
            legend_below(axes, width_inches)
        time_axis(panels[-1], zone)
        panels[-1].set_xlabel(f"Time [{result.zone}]", loc="right")
    return figure


def temperature_view(result: Result, *, width_inches: float = 8.4) -> Figure:
    """Permeate flow against feed temperature, as measured and like for like.

    What is cold water slopes on the left and is level on the right; what is left on the right is the
    membranes. Colour and shape tell the first third of the log from the last.

    result : Result with "permeate_flow" analysed. width_inches : how wide it is drawn; below 6 the
    two panels stand one above the other.

    Returns: Figure, two panels on one scale for each train and stage.
    """
    if "normalised_permeate_flow" not in result or "feed_temperature" not in result:
        raise ValueError("the view needs feed_temperature in the log and permeate_flow analysed")
    groups = _groups(result)
    with style():
        narrow = width_inches < 6
        height = (5.6 if narrow else 3.4) * len(groups)
        figure = Figure(figsize=(width_inches, height), layout="constrained")
        shape = (2 * len(groups), 1) if narrow else (len(groups), 2)
        panels = figure.subplots(*shape, squeeze=False, sharey=True, sharex=True).reshape(-1, 2)
        temperature = result["feed_temperature"]
        for (left, right), group in zip(panels, groups, strict=True):
            used = group.rows[result.used[group.rows]]
            thirds = np.array_split(used, 3)
            for axes, name in ((left, "permeate_flow"), (right, "normalised_permeate_flow")):
                for rows, colour, marker, label in (
                    (thirds[0], NORMALISED, "o", "first third of the log"),
                    (thirds[1], MEASURED, "s", "second third"),
                    (thirds[2], REFERENCE, "^", "last third"),
                ):
                    rows = rows[:: max(1, len(rows) // _MOST_POINTS)]
                    axes.plot(
                        temperature[rows],
                        result[name][rows],
                        marker,
                        color=colour,
                        markersize=3,
                        alpha=0.55,
                        label=label,
                        rasterized=len(used) > _MOST_POINTS,
                    )
                axes.set_xlabel(f"Feed temperature [{result.units['feed_temperature']}]")
                if narrow or axes is left:
                    axes.set_ylabel(f"Permeate flow [{result.units['normalised_permeate_flow']}]")
            left.set_title(" ".join(filter(None, (group.name, "as measured"))), loc="left")
            right.set_title("like for like", loc="left")
            right.axhline(
                group.reference.values["normalised_permeate_flow"],
                color=EVENT,
                linestyle="--",
                label="reference",
            )
            left.plot([], [], color=EVENT, linestyle="--", label="reference")
            lowest = right if narrow else left
            legend_below(lowest, width_inches)
    return figure


def why(standings: Sequence[Standing], *, width_inches: float = 8.4) -> Figure:
    """How the change of the measured permeate flow splits into temperature, driving pressure and membranes.

    standings : from `assess`. width_inches : how wide it is drawn.

    Returns: Figure, bars of the parts in per cent (they multiply to the whole), each with its interval.
    """
    parts = (
        ("temperature", "temperature", MEASURED, ""),
        ("driving_pressure", "driving pressure", "#E69F00", "///"),
        ("normalised_permeate_flow", "membranes", NORMALISED, "..."),
        ("permeate_flow", "as measured", "#FFFFFF", ""),
    )
    with style():
        figure = Figure(figsize=(width_inches, 0.6 + 1.7 * len(standings)), layout="constrained")
        panels = figure.subplots(len(standings), 1, squeeze=False, sharex=True)[:, 0]
        for axes, standing in zip(panels, standings, strict=True):
            shown = [part for part in parts if part[0] in standing.changes]
            for place, (name, _, colour, hatch) in enumerate(shown):
                change = standing.changes[name]
                low, high = change.value - change.low, change.high - change.value
                axes.barh(
                    place,
                    100 * change.value,
                    color=colour,
                    hatch=hatch,
                    edgecolor=EVENT,
                    linewidth=0.8,
                    xerr=None if np.isnan(low) else [[100 * low], [100 * high]],
                    capsize=3,
                )
            axes.set_yticks(range(len(shown)), [label for _, label, _, _ in shown])
            axes.invert_yaxis()
            axes.axvline(0, color=EVENT, linewidth=0.8)
            name = group_name(standing.train, standing.stage)
            if name:
                axes.set_title(name, loc="left")
        level = max(
            (change.level for standing in standings for change in standing.changes.values()),
            default=0.9,
        )
        panels[-1].set_xlabel(f"Change against the reference [%]\nwhiskers: {100 * level:.0f} % interval")
    return figure


def budget(standings: Sequence[Standing], *, width_inches: float = 8.4) -> Figure:
    """Where the uncertainty of each like-for-like change comes from: shares of its variance, a bar a change.

    standings : from `assess`, of a site that tells what its instruments may be off by. width_inches : how
    wide it is drawn.

    Returns: Figure, a panel a train and stage. Sources below 3 % are drawn as one. Raises ValueError where
    no change has a budget.
    """
    names = {
        "normalised_permeate_flow": "permeate flow",
        "normalised_salt_passage": "salt passage",
        "normalised_differential_pressure": "differential\npressure",
        "element_water_permeability": "water permeability\n(membrane model)",
        "element_salt_permeability": "salt permeability\n(membrane model)",
        "spacer_friction": "spacer friction\n(membrane model)",
    }
    rows = [
        (standing, [(names.get(name, name), of.budget) for name, of in standing.changes.items() if of.budget])
        for standing in standings
    ]
    rows = [(standing, budgets) for standing, budgets in rows if budgets]
    if not rows:
        raise ValueError("no change has a budget: the site file tells nothing of the instruments")
    sources = sorted(
        {part.source for _, of in rows for _, each in of for part in each.shares if part.share >= 0.03}
    )
    looks = {
        source: (FILLS[at % len(FILLS)], HATCHES[at % len(HATCHES)]) for at, source in enumerate(sources)
    }
    with style():
        lines = sum(len(budgets) for _, budgets in rows)
        figure = Figure(figsize=(width_inches, 1.3 + 0.55 * lines + 0.35 * len(rows)), layout="constrained")
        heights = [len(budgets) for _, budgets in rows]
        panels = figure.subplots(len(rows), 1, squeeze=False, sharex=True, height_ratios=heights)[:, 0]
        for axes, (standing, budgets) in zip(panels, rows, strict=True):
            for place, (_, of) in enumerate(budgets):
                start = 0.0
                for part in of.shares:
                    if part.source not in looks or part.share < 0.03:
                        continue
                    colour, hatch = looks[part.source]
                    share = 100 * part.share
                    axes.barh(
                        place, share, left=start, color=colour, hatch=hatch, edgecolor=EVENT, linewidth=0.8
                    )
                    if share >= 8:
                        box = {"facecolor": "white", "edgecolor": "none", "alpha": 0.85, "pad": 1}
                        middle = start + share / 2
                        axes.text(
                            middle, place, f"{share:.0f} %", ha="center", va="center", fontsize=8, bbox=box
                        )
                    start += share
                if start < 99.5:
                    axes.barh(place, 100 - start, left=start, color="#FFFFFF", edgecolor=EVENT, linewidth=0.8)
            axes.set_yticks(range(len(budgets)), [name for name, _ in budgets])
            axes.invert_yaxis()
            axes.set_xlim(0, 100)
            axes.grid(visible=False)
            name = group_name(standing.train, standing.stage)
            if name:
                axes.set_title(name, loc="left")
        panels[-1].set_xlabel("Share of the variance of the change [%]")
        handles = [
            Patch(facecolor=colour, hatch=hatch, edgecolor=EVENT, label=source.replace("_", " "))
            for source, (colour, hatch) in looks.items()
        ]
        handles.append(Patch(facecolor="#FFFFFF", edgecolor=EVENT, label="others, below 3 % each"))
        columns = 2 if width_inches < 6 else 4
        figure.legend(handles=handles, loc="outside lower left", ncols=columns, handlelength=1.4)
    return figure


def screening(screened: Screening, columns: Sequence[str], *, width_inches: float = 8.4) -> Figure:
    """A log with what was set aside, and when each test took readings.

    screened : Screening. columns : those to draw, of the log. width_inches : how wide it is drawn.

    Returns: Figure, a panel a column with the readings that stand and, marked apart, those set aside; below,
        a line a test with a tick at each reading that failed it. Raises MissingColumnError for a column that
        is not there.
    """
    log = screened.log
    zone = ZoneInfo(log.zone)
    time, stands = log.time(), screened.stands
    failing = [count for count in screened.counts if count.failed]
    heights = [2.2] * len(columns) + [0.5 + 0.27 * max(1, len(failing))]
    with style():
        figure = Figure(figsize=(width_inches, sum(heights) + 0.5), layout="constrained")
        panels = figure.subplots(len(heights), 1, squeeze=False, sharex=True, height_ratios=heights)[:, 0]
        for axes, name in zip(panels, columns, strict=False):
            values = log[name]
            shown = values[stands & ~np.isnan(values)]
            for rows, colour, marker, label in (
                (np.flatnonzero(stands), NORMALISED, ".", "stands"),
                (np.flatnonzero(~stands), REFERENCE, "x", "set aside"),
            ):
                thinned = rows[:: max(1, len(rows) // (2 * _MOST_POINTS))]
                axes.plot(
                    time[thinned],
                    values[thinned],
                    marker,
                    color=colour,
                    markersize=3,
                    label=label,
                    rasterized=True,
                )
            if len(shown):
                # What is set aside may be far off: the scale is that of what stands.
                low, high = float(np.min(shown)), float(np.max(shown))
                room = 0.25 * max(high - low, 0.02 * abs(high))
                axes.set_ylim(low - room, high + room)
            unit = log.units[name]
            axes.set_ylabel(f"{name.replace('_', ' ').capitalize()}\n[{unit}]" if unit else name)
        panels[0].legend(loc="lower right", bbox_to_anchor=(1, 1), ncols=2, markerscale=2)
        ticks = panels[-1]
        for line, count in enumerate(failing):
            rows = np.flatnonzero(screened.failed(count.name))
            thinned = rows[:: max(1, len(rows) // _MOST_POINTS)]
            colour = REFERENCE if count.set_aside else MEASURED
            ticks.plot(
                time[thinned], np.full(len(thinned), line), "|", color=colour, markersize=7, rasterized=True
            )
        ticks.set_yticks(
            range(len(failing)), [f"{count.name} ({count.failed})" for count in failing], fontsize=9
        )
        ticks.set_ylim(max(len(failing), 1) - 0.5, -0.5)
        ticks.set_title("Readings that failed a test (grey: only told)", loc="left")
        time_axis(ticks, zone)
        ticks.set_xlabel(f"Time [{log.zone}]", loc="left")
    return figure


def _draw_group(axes: Axes, result: Result, group: _Group, drawn: _Drawn, zone: ZoneInfo) -> None:
    time = result.time()
    rows, used = group.rows, result.used[group.rows]
    when, normalised = time[rows[used]], drawn.scale * result[drawn.normalised][rows[used]]
    measured = drawn.scale * result[drawn.measured][rows[used]]
    if len(when) > _MOST_POINTS:
        days, middle, low, high = _daily(when, normalised)
        _, measured_middle, _, _ = _daily(when, measured)
        axes.plot(days, measured_middle, color=MEASURED, lw=1, label="as measured, daily median")
        axes.fill_between(
            days, low, high, color=NORMALISED, alpha=0.25, lw=0, label="middle two thirds of a day"
        )
        axes.plot(days, middle, color=NORMALISED, lw=1.4, label="like for like, daily median")
    else:
        axes.plot(when, measured, "x", color=MEASURED, ms=3, label="as measured")
        axes.plot(when, normalised, "o", color=NORMALISED, ms=3, label="like for like")
    uncertain = f"{drawn.normalised}_u"
    if uncertain in result and len(when):
        # One whisker tells it: single readings scatter within it, and what is off is alike for all.
        typical = drawn.scale * float(np.nanmedian(result[uncertain][rows[used]]))
        axes.errorbar(
            [1.015],
            [float(np.nanmedian(normalised))],
            yerr=[1.645 * typical],
            transform=axes.get_yaxis_transform(),
            fmt="none",
            ecolor=EVENT,
            capsize=3,
            clip_on=False,
            label="±, 90 %, of a single reading",
        )
    level = drawn.scale * group.reference.values[drawn.normalised]
    axes.axhline(level, color=REFERENCE, linestyle="--", lw=1.4, label="reference")
    start, end = group.reference.start, group.reference.end
    if start is not None and end is not None:
        axes.axvspan(
            moment(start),
            moment(end),
            color=REFERENCE,
            alpha=0.18,
            lw=0,
            label="baseline period",
        )
    aside = time[rows[~used]]
    if len(aside):
        axes.plot(
            aside,
            np.full(len(aside), 0.02),
            "|",
            color=ASIDE,
            ms=7,
            transform=axes.get_xaxis_transform(),
            label="readings set aside",
        )
    for event in result.site.events:
        day = moment(event.time)
        first, last = (float(mdates.date2num(end)) for end in (time[0], time[-1]))  # type: ignore[no-untyped-call]
        if not first <= day <= last:
            continue
        axes.axvline(day, color=EVENT, linestyle=":", lw=1.2)
        axes.annotate(
            event.kind.replace("-", " "),
            (day, 1),
            xycoords=("data", "axes fraction"),
            xytext=(3, -3),
            textcoords="offset points",
            rotation=90,
            va="top",
            fontsize=8,
            bbox={"facecolor": "white", "edgecolor": "none", "alpha": 0.8, "pad": 1},
        )
    axes.xaxis.axis_date(tz=zone)


def _groups(result: Result) -> list[_Group]:
    trains, stages = result.labels("train"), result.labels("stage")
    found = []
    for reference in result.baseline.references:
        mine = np.ones(len(result), dtype=bool)
        for labels, label in ((trains, reference.train), (stages, reference.stage)):
            if labels is not None:
                mine &= np.array(labels) == label
        rows = np.flatnonzero(mine)
        # A baseline may know more trains than this piece of a log holds.
        if len(rows):
            found.append(_Group(group_name(reference.train, reference.stage), rows, reference))
    return found


def _zone(result: Result) -> ZoneInfo:
    return ZoneInfo(result.zone)


def _daily(
    time: NDArray[np.datetime64], values: NDArray[np.float64]
) -> tuple[NDArray[np.datetime64], NDArray[np.float64], NDArray[np.float64], NDArray[np.float64]]:
    days, starts = np.unique(time.astype("datetime64[D]"), return_index=True)
    quantiles = np.array(
        [
            np.nanquantile(part, (0.5, 1 / 6, 5 / 6)) if np.isfinite(part).any() else (np.nan,) * 3
            for part in np.split(values, starts[1:])
        ]
    )
    noon: NDArray[np.datetime64] = np.asarray(days + np.timedelta64(12, "h"), dtype="datetime64[us]")
    return noon, quantiles[:, 0], quantiles[:, 1], quantiles[:, 2]
