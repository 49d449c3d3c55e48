"""Plots of what the membranes do: their course, its likely causes, how they follow temperature."""

from __future__ import annotations

from typing import TYPE_CHECKING
from zoneinfo import ZoneInfo

import numpy as np
from matplotlib.figure import Figure
from matplotlib.lines import Line2D
from matplotlib.patches import Patch
from numpy.typing import NDArray

from brinemark import _core
from brinemark.plot.style import EVENT, MEASURED, NORMALISED, REFERENCE, style, time_axis
from brinemark.trends import TRIGGERS
from brinemark.words import group_name, happening, percent, quantity

if TYPE_CHECKING:
    from matplotlib.axes import Axes

    from brinemark import Diagnosis, Forecast, Trend

_AHEAD_YEARS = 1.0
_FEW = 100
"""Points so few are drawn larger."""
_DAY_US = 86_400_000_000
_FAN = "///"
_TOLD, _FOUND = (0, (1, 2)), (0, (6, 2, 1, 2))


def course(trend: Trend, *, forecast: Forecast | None = None, width_inches: float = 8.4) -> Figure:
    """What the membranes did, and where that leads within a year if nothing happens.

    trend : Trend. forecast : its Forecast, of which the triggers are drawn; None draws the usual ones.
    width_inches : how wide it is drawn; text keeps its size.

    Returns: Figure, a panel a quantity: change against new in per cent, a point a day by the site's own
        temperature law, the level with its band, the level of new membranes and the trigger, what happened
        (told in the site file, or found in the readings) and the year ahead. A point off the scale is drawn
        as an arrow at its edge.
    """
    triggers = dict(TRIGGERS)
    if forecast is not None:
        triggers |= {name: change for name, (change, _) in forecast.cleaning.items()}
    zone = ZoneInfo(trend.zone)
    narrow = width_inches < 6
    with style():
        height = 0.9 + 2.1 * len(trend.quantities) + (0.9 if narrow else 0.4)
        figure = Figure(figsize=(width_inches, height), layout="constrained")
        panels = figure.subplots(len(trend.quantities), 1, squeeze=False, sharex=True)[:, 0]
        for axes, name in zip(panels, trend.quantities, strict=True):
            _draw_quantity(axes, trend, name, triggers[name])
            words = quantity(name).capitalize()
            axes.set_ylabel(f"{words.replace(' ', chr(10))}\n[% against new]")
        _label_changes(panels[0], trend)
        axes = panels[-1]
        axes.xaxis.axis_date(tz=zone)
        time_axis(axes, zone, ticks=(2, 5) if narrow else (4, 9))
        axes.set_xlabel(f"Time [{trend.zone}]", loc="right")
        name = group_name(trend.train, trend.stage)
        if name:
            figure.suptitle(name, x=0.01, ha="left", fontsize=10)
        figure.legend(
            handles=_course_legend(trend), loc="outside lower left", ncols=1 if narrow else 3, fontsize=9
        )
    return figure


def _draw_quantity(axes: Axes, trend: Trend, name: str, trigger: float) -> None:
    found = trend.quantity(name)
    time = trend.time_us.astype("datetime64[us]")
    points = 100 * trend.point_changes(name)
    value, low, high = (100 * figures for figures in found.change)
    ahead = [found.forecast(years=float(years)) for years in np.linspace(0.0, _AHEAD_YEARS, 13)]
    steps = np.linspace(0.0, 365.25 * _AHEAD_YEARS * _DAY_US, 13).astype("timedelta64[us]")
    later = time[-1] + steps
    fan_low, fan_high = (
        np.array([100 * of.low for of in ahead]),
        np.array([100 * of.high for of in ahead]),
    )
    bottom, top = _scale(points, low, high, fan_low, fan_high, 100 * trigger)
    few = len(points) <= _FEW
    size, alpha = (6, 1.0) if few else (3, 0.6)
    axes.plot(time, points, ".", color=MEASURED, ms=size, alpha=alpha, rasterized=len(points) > 300)
    for off, marker, edge in ((points > top, "^", 0.98), (points < bottom, "v", 0.02)):
        axes.plot(
            time[off],
            np.full(int(off.sum()), edge),
            marker,
            color=EVENT,
            ms=4,
            transform=axes.get_xaxis_transform(),
        )
    axes.fill_between(time, low, high, color=NORMALISED, alpha=0.25, lw=0)
    axes.plot(time, value, color=NORMALISED, lw=1.6)
    axes.fill_between(later, fan_low, fan_high, facecolor="none", edgecolor=NORMALISED, hatch=_FAN, lw=0.6)
    axes.plot(later, [100 * of.value for of in ahead], color=NORMALISED, lw=1.6, linestyle="--")
    axes.axhline(0, color=EVENT, lw=0.8)
    axes.axhline(100 * trigger, color=REFERENCE, lw=1.4, linestyle="--")
    axes.annotate(
        f"trigger {percent(trigger)}",
        (0, 100 * trigger),
        xycoords=("axes fraction", "data"),
        xytext=(3, 2),
        textcoords="offset points",
        fontsize=8,
        bbox={"facecolor": "white", "edgecolor": "none", "alpha": 0.8, "pad": 1},
    )
    for change in trend.changes:
        when = np.datetime64(change.time_us, "us")
        axes.axvline(when, color=EVENT, lw=1.1, linestyle=_FOUND if change.told is None else _TOLD)  # type: ignore[arg-type]
    axes.set_ylim(bottom, top)


def _scale(
    points: NDArray[np.float64],
    low: NDArray[np.float64],
    high: NDArray[np.float64],
    fan_low: NDArray[np.float64],
    fan_high: NDArray[np.float64],
    trigger: float,
) -> tuple[float, float]:
    """The span of level, trigger and nearly all points; the fan may take as much again on each side."""
    there = points[np.isfinite(points)]
    # A slip of the pencil among few would be most of the picture.
    edge = 0.1 if len(there) <= _FEW else 0.01
    most = np.quantile(there, (edge, 1 - edge))
    bottom = min(0.0, trigger, float(np.min(low)), float(most[0]))
    top = max(0.0, trigger, float(np.max(high)), float(most[1]))
    span = top - bottom
    bottom, top = (
        min(bottom, max(float(np.min(fan_low)), bottom - 0.5 * span)),
        max(top, min(float(np.max(fan_high)), top + 0.5 * span)),
    )
    room = 0.06 * (top - bottom)
    return bottom - room, top + room


def _label_changes(axes: Axes, trend: Trend) -> None:
    for change in trend.changes:
        axes.annotate(
            happening(change),
            (np.datetime64(change.time_us, "us"), 1),
            xycoords=("data", "axes fraction"),
            xytext=(3, -3),
            textcoords="offset points",
            rotation=90,
            va="top",
            fontsize=8,
            bbox={"facecolor": "white", "edgecolor": "none", "alpha": 0.8, "pad": 1},
        )


def _course_legend(trend: Trend) -> list[Line2D | Patch]:
    sure = f"{100 * trend.level:.0f} %"
    handles: list[Line2D | Patch] = [
        Line2D([], [], color=MEASURED, marker=".", linestyle="", label="a day"),
        Line2D([], [], color=NORMALISED, lw=1.6, label="level of the membranes"),
        Patch(facecolor=NORMALISED, alpha=0.25, label=f"{sure} band of it"),
        Line2D([], [], color=NORMALISED, lw=1.6, linestyle="--", label="if nothing happens"),
        Patch(facecolor="none", edgecolor=NORMALISED, hatch=_FAN, label=f"{sure} band of that"),
        Line2D([], [], color=REFERENCE, lw=1.4, linestyle="--", label="trigger"),
        Line2D([], [], color=EVENT, lw=0.8, label="as when new"),
    ]
    told = [change.told is not None for change in trend.changes]
    if any(told):
        handles.append(Line2D([], [], color=EVENT, lw=1.1, linestyle=_TOLD, label="told in the site file"))
    if not all(told):
        handles.append(Line2D([], [], color=EVENT, lw=1.1, linestyle=_FOUND, label="found in the readings"))
    return handles


def causes(diagnosis: Diagnosis, *, width_inches: float = 8.4) -> Figure:
    """How probable each cause is, among those known here.

    diagnosis : Diagnosis. width_inches : how wide it is drawn.

    Returns: Figure, a bar a cause, the most probable on top.
    """
    with style():
        figure = Figure(figsize=(width_inches, 0.8 + 0.3 * len(diagnosis.causes)), layout="constrained")
        axes = figure.subplots()
        for place, ranked in enumerate(diagnosis.causes):
            share = 100 * ranked.probability
            axes.barh(place, share, color=NORMALISED, edgecolor=EVENT, linewidth=0.8)
            words = "below 1 %" if share < 1 else f"{share:.0f} %"
            axes.annotate(
                words, (share, place), xytext=(4, 0), textcoords="offset points", va="center", fontsize=9
            )
        axes.set_yticks(range(len(diagnosis.causes)), [ranked.cause for ranked in diagnosis.causes])
        axes.invert_yaxis()
        axes.set_xlim(0, 112)
        axes.set_xticks(range(0, 101, 20))
        axes.grid(visible=False, axis="y")
        axes.set_xlabel("Probability among these causes [%]")
        name = group_name(diagnosis.train, diagnosis.stage)
        if name:
            axes.set_title(name, loc="left")
    return figure


def temperature_law(trend: Trend, *, width_inches: float = 8.4) -> Figure:
    """How the site's membranes follow temperature, by its own log, beside published laws.

    trend : Trend of water_permeability. width_inches : how wide it is drawn.

    Returns: Figure, the constant K of exp[K (1/298.15 - 1/T)] in kelvin: the site's own with its interval,
        and, over the temperatures of the log, those of the site file, of the standard practice and of the
        viscosity of water. Raises MissingColumnError where the trend has no water_permeability.
    """
    found = trend.quantity("water_permeability")
    own = found.temperature_constant
    coldest, warmest = found.temperatures
    rows = [
        (f"the site's own,\n{100 * own.level:.0f} % interval", own.value, "o", NORMALISED),
        ("the site file's", found.normalised_by, "D", REFERENCE),
        ("standard practice", _constant("standard-practice", coldest, warmest), "s", MEASURED),
        ("viscosity of water", _constant("viscosity", coldest, warmest), "^", MEASURED),
    ]
    with style():
        figure = Figure(figsize=(width_inches, 2.6), layout="constrained")
        axes = figure.subplots()
        axes.axvspan(own.low, own.high, color=NORMALISED, alpha=0.15, lw=0)
        axes.errorbar(
            own.value, 0, xerr=[[own.value - own.low], [own.high - own.value]], color=NORMALISED, capsize=4
        )
        for place, (_, constant, marker, colour) in enumerate(rows):
            axes.plot(constant, place, marker, color=colour, ms=7, markeredgecolor=EVENT)
        axes.set_yticks(range(len(rows)), [label for label, *_ in rows])
        axes.set_ylim(len(rows) - 0.5, -0.5)
        axes.set_xlabel(f"Temperature constant of water permeability,\n{coldest:.0f} to {warmest:.0f} °C [K]")
    return figure


def _constant(law: str, coldest: float, warmest: float) -> float:
    """The constant by which a law goes from the coldest to the warmest water."""
    # Where there is no season, the law's slope about its middle.
    middle = 0.5 * (coldest + warmest)
    ends = np.array([min(coldest, middle - 0.5), max(warmest, middle + 0.5)])
    logarithm = np.log(_core.temperature_factor(ends, law=law))
    return float(np.diff(logarithm)[0] / -np.diff(1 / (ends + 273.15))[0])
