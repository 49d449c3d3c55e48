"""Plots of a warranty: what is guaranteed against the contract's line."""

from __future__ import annotations

from collections.abc import Mapping
from typing import TYPE_CHECKING, Any
from zoneinfo import ZoneInfo

import numpy as np
from matplotlib.figure import Figure

from brinemark.plot.style import EVENT, NORMALISED, REFERENCE, legend_below, style, time_axis

if TYPE_CHECKING:
    from brinemark import GuaranteeCourse

_DAY_US = 86_400_000_000


def guarantee(
    course: GuaranteeCourse,
    clause: Mapping[str, Any] | None = None,
    *,
    zone: str = "UTC",
    width_inches: float = 8.4,
) -> Figure:
    """A guaranteed figure over the period, by the contract's own method, against the contract's line.

    course : from `guarantee_courses`. clause : the judged clause, of which our own figure is drawn beside the
    last one; None leaves it out. zone : in which times are shown. width_inches : how wide it is drawn; text
    keeps its size.

    Returns: Figure. Medians over windows of the length that the contract judges, with their intervals; the
        side of the line that breaks the guarantee is hatched.
    """
    time = np.asarray(course.time_us).astype("datetime64[us]")
    value, low, high, line = (
        np.asarray(of) for of in (course.value, course.low, course.high, course.promised)
    )
    with style():
        figure = Figure(figsize=(width_inches, 3.1 if width_inches > 6 else 3.8), layout="constrained")
        axes = figure.subplots()
        below = np.where(np.isfinite(low), value - low, 0.0)
        above = np.where(np.isfinite(high), high - value, 0.0)
        axes.errorbar(
            time,
            value,
            yerr=[below, above],
            fmt="o",
            color=NORMALISED,
            ms=4,
            lw=1.1,
            capsize=2.5,
            label=f"by the contract's method, {100 * course.level:.0f} % interval",
        )
        axes.plot(time[-1:], value[-1:], "o", color=NORMALISED, ms=9, mfc="none", mew=1.6)
        axes.plot(time, line, color=REFERENCE, lw=1.8, linestyle="--", label=_line_words(course.is_minimum))
        ours = None if clause is None else clause["other_figure"]
        if ours is not None:
            # Beside the last point, not on it.
            beside = time[-1] + np.timedelta64(int(9 * _DAY_US), "us")
            axes.errorbar(
                [beside],
                [ours["value"]],
                yerr=[[ours["value"] - ours["low"]], [ours["high"] - ours["value"]]],
                fmt="D",
                color=EVENT,
                ms=5,
                lw=1.1,
                capsize=2.5,
                label="by our own method",
            )
        bottom, top = axes.get_ylim()
        room = 0.25 * (top - bottom)
        bottom, top = (bottom - room, top) if course.is_minimum else (bottom, top + room)
        axes.fill_between(
            time,
            line,
            bottom if course.is_minimum else top,
            facecolor="none",
            edgecolor=REFERENCE,
            hatch="///",
            lw=0,
            alpha=0.5,
        )
        axes.set_ylim(bottom, top)
        name = course.key.partition(".")[2].replace("_", " ").capitalize()
        axes.set_ylabel(f"{name} [{course.unit}]" if course.unit else name)
        axes.xaxis.axis_date(tz=ZoneInfo(zone))
        time_axis(axes, ZoneInfo(zone), ticks=(3, 8) if width_inches > 6 else (2, 5))
        axes.set_xlabel(f"Time [{zone}]", loc="right")
        legend_below(axes, width_inches)
    return figure


def _line_words(is_minimum: bool) -> str:
    return "guaranteed: no less than this" if is_minimum else "guaranteed: no more than this"
