"""Plots of a sizing: what each month makes of what it needs, and the tank over a day."""

from __future__ import annotations

import json
from typing import TYPE_CHECKING

import numpy as np
from matplotlib.figure import Figure

from brinemark._core import convert
from brinemark.plot.style import EVENT, FILLS, MEASURED, NORMALISED, REFERENCE, legend_below, style

if TYPE_CHECKING:
    from matplotlib.axes import Axes

    from brinemark import SizedUnit, Sizing


def _of(found: Sizing, unit: str) -> SizedUnit:
    if unit not in ("present", "proposed"):
        raise ValueError(f"unit {unit!r}: one of present, proposed")
    of = found.present if unit == "present" else found.proposed
    if of is None:
        raise ValueError("no unit was found that would do: there is none proposed")
    return of


def sizing(found: Sizing, *, unit: str = "present", width_inches: float = 8.4) -> Figure:
    """What a day makes at the pressure limit, month by month, against what it needs.

    found : from `size`. unit : "present" or "proposed". width_inches : how wide it is drawn; text keeps its
        size.

    Returns: Figure. With worn membranes and their interval, with new ones, and by the rule of thumb.
    Raises: ValueError for another unit, or where none is proposed.
    """
    of = _of(found, unit)
    units, months = dict(found.units), of.months
    at = np.arange(len(months))
    worn = [month.worn.capacity for month in months]
    with style():
        figure = Figure(figsize=(width_inches, 3.9 if width_inches > 6 else 4.8), layout="constrained")
        axes: Axes = figure.subplots()
        axes.bar(
            at,
            [month.needed for month in months],
            width=0.72,
            color="#E8E8E4",
            edgecolor=MEASURED,
            lw=0.8,
            label="a day needs",
        )
        if worn[0].low == worn[0].low:
            axes.fill_between(
                at,
                [each.low for each in worn],
                [each.high for each in worn],
                color=NORMALISED,
                alpha=0.22,
                lw=0,
                label=f"{100 * found.level:.0f} % interval",
            )
        lines = (
            ("worn, at the pressure limit", [each.value for each in worn], NORMALISED, "o-", 2.0),
            ("new", [month.when_new.capacity.value for month in months], EVENT, "^:", 1.1),
            (
                "worn, 2 % less a °F below 77 °F",
                [month.by_rule_of_thumb for month in months],
                REFERENCE,
                "s--",
                1.3,
            ),
        )
        for label, values, colour, shape, width in lines:
            # The rule may lie on the model's line: its marks are open, and larger.
            is_rule = shape.startswith("s")
            axes.plot(
                at,
                values,
                shape,
                color=colour,
                lw=width,
                ms=7 if is_rule else 4,
                mfc="none" if is_rule else colour,
                label=label,
            )
        degrees = units["temperature"].replace("deg", "°")
        letters = 3 if width_inches > 6 else 1
        axes.set_xticks(at, [f"{month.name[:letters]}\n{month.temperature:.0f}" for month in months])
        axes.set_xlabel(f"Month, and feed temperature [{degrees}]", loc="right")
        axes.set_ylabel(f"Permeate a day [{units['daily']}]")
        axes.set_ylim(bottom=0)
        axes.grid(axis="x", visible=False)
        axes.set_title(of.words, loc="left")
        _legend(figure, axes, width_inches)
    return figure


def _legend(figure: Figure, axes: Axes, width_inches: float) -> None:
    legend_below(axes, width_inches)
    legend = axes.get_legend()
    if legend is not None:
        # Below the two lines of the tick labels, and the axis' own.
        legend.set_bbox_to_anchor((0, -0.85 / float(figure.get_size_inches()[1])), axes.transAxes)


def tank(
    found: Sizing, *, month: str | None = None, unit: str = "present", width_inches: float = 8.4
) -> Figure:
    """The tank over a day of a month: its level, when the unit starts and stops, and when water is short.

    found : from `size`, with a [tank] in the demand file. month : its name; None takes the one that binds.
        unit : "present" or "proposed". width_inches : how wide it is drawn; text keeps its size.

    Returns: Figure.
    Raises: ValueError for another month or unit, or without a tank.
    """
    of = _of(found, unit)
    wanted = found.binding_month if month is None else month
    by_name = {each.name: each for each in of.months}
    if wanted not in by_name:
        raise ValueError(f"month {wanted!r}: one of {', '.join(by_name)}")
    day = by_name[wanted].tank
    if day is None:
        raise ValueError("the demand file has no [tank]")
    volume = dict(found.units)["volume"]
    settings = json.loads(found.demand.settings)
    hold = settings["tank"]
    hours = np.arange(len(day.levels)) / 60
    draws = np.zeros(len(hours) - 1)
    for stretch in settings["profile"]:
        minutes = slice(stretch["from"], stretch["to"])
        draws[minutes] += day.wanted * stretch["share"] / (stretch["to"] - stretch["from"])
    with style():
        figure = Figure(figsize=(width_inches, 4.4), layout="constrained")
        upper, lower = figure.subplots(2, sharex=True, height_ratios=(3, 1.4))
        upper.plot(hours, day.levels, color=NORMALISED, lw=1.8, label="can be drawn")
        for name, share, dash in (("stops", hold["stop_at"], ":"), ("starts", hold["start_at"], "--")):
            level = convert(share * hold["usable_m3"], "m3", volume)
            upper.axhline(level, color=EVENT, lw=1.0, linestyle=dash, label=f"unit {name} at")
        for at, (start, end) in enumerate(day.short):
            upper.axvspan(
                _hour(start),
                _hour(end),
                facecolor="none",
                edgecolor=REFERENCE,
                hatch="///",
                lw=0,
                label="runs dry" if at == 0 else None,
            )
        upper.set_ylim(bottom=0)
        upper.set_ylabel(f"In the tank [{volume}]")
        upper.set_title(f"{of.words}: a day in {wanted}", loc="left")
        lower.fill_between(
            hours[:-1], 60 * draws, step="post", color=FILLS[1], alpha=0.8, lw=0, label="drawn an hour"
        )
        made = by_name[wanted].worn.permeate_flow
        # What flows in an hour, as a volume.
        flow_an_hour = convert(convert(made.value, made.unit, "m3/h"), "m3", volume)
        lower.axhline(
            flow_an_hour, color=NORMALISED, lw=1.4, linestyle="-.", label="unit makes while it runs"
        )
        lower.set_ylabel(f"[{volume}/h]")
        lower.set_ylim(bottom=0)
        lower.set_xlim(0, 24)
        lower.set_xticks(range(0, 25, 3 if width_inches > 6 else 6))
        lower.set_xlabel("Time of day [h]", loc="right")
        narrow = width_inches < 6
        figure.legend(loc="outside lower left", ncols=2 if narrow else 5, frameon=False)
    return figure


def _hour(clock: str) -> float:
    hour, minute = clock.split(":")
    return int(hour) + int(minute) / 60
