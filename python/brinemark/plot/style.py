"""What all plots share: colours and shapes that stay apart in grey print, and how time is drawn."""

from __future__ import annotations

from contextlib import AbstractContextManager
from datetime import datetime
from typing import TYPE_CHECKING
from zoneinfo import ZoneInfo

import matplotlib as mpl
import matplotlib.dates as mdates

if TYPE_CHECKING:
    from matplotlib.axes import Axes

# Okabe and Ito's colours, told apart by all common kinds of colour vision; each has a shape of its own too.
NORMALISED = "#0072B2"
MEASURED = "#999999"
REFERENCE = "#D55E00"
EVENT = "#000000"
ASIDE = "#CC79A7"

# Fills that stay apart for all common kinds of colour vision, and with their hatches in grey print.
FILLS = ("#56B4E9", "#E69F00", "#009E73", "#F0E442", "#CC79A7", "#0072B2", "#D55E00", "#999999")
HATCHES = ("", "///", "...", "xx")


def moment(iso: str) -> float:
    """A time as matplotlib counts it."""
    return float(mdates.date2num(datetime.fromisoformat(iso)))  # type: ignore[no-untyped-call]


def time_axis(axes: Axes, zone: ZoneInfo, *, ticks: tuple[int, int | None] = (5, None)) -> None:
    """Draws the dates of a time axis: at least and at most so many."""
    least, most = ticks
    locator = mdates.AutoDateLocator(tz=zone, minticks=least, maxticks=most)  # type: ignore[no-untyped-call]
    axes.xaxis.set_major_locator(locator)
    axes.xaxis.set_major_formatter(
        mdates.ConciseDateFormatter(locator, tz=zone)  # type: ignore[no-untyped-call]
    )


def legend_below(axes: Axes, width_inches: float) -> None:
    """Puts the legend below the time axis."""
    narrow = width_inches < 6
    figure = axes.get_figure(root=True)
    height = 3.5 if figure is None else float(figure.get_size_inches()[1])
    # Below the time axis and its label, whatever the number of panels.
    axes.legend(
        loc="upper left",
        bbox_to_anchor=(0, -0.6 / min(height, 3.5) - 0.02),
        ncols=1 if narrow else 2,
    )


def style() -> AbstractContextManager[None]:
    """How everything is drawn, while it is open."""
    return mpl.rc_context(
        {
            "font.family": "sans-serif",
            "font.sans-serif": ["DejaVu Sans", "Helvetica", "Arial", "sans-serif"],
            "font.size": 10,
            "axes.spines.top": False,
            "axes.spines.right": False,
            "axes.grid": True,
            "axes.axisbelow": True,
            "axes.titlesize": 10,
            "grid.color": "#E4E4E0",
            "legend.frameon": False,
            "legend.fontsize": 9,
            "hatch.linewidth": 0.6,
        }
    )
