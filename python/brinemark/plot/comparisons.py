"""Plots of trials: the arms' courses, what a treatment does, how long a trial must be."""

from __future__ import annotations

from typing import TYPE_CHECKING, Literal
from zoneinfo import ZoneInfo

import numpy as np
from matplotlib.figure import Figure
from matplotlib.lines import Line2D
from matplotlib.patches import Patch

from brinemark.plot.style import EVENT, MEASURED, NORMALISED, REFERENCE, style, time_axis
from brinemark.words import quantity

if TYPE_CHECKING:
    from matplotlib.axes import Axes

    from brinemark import Comparison, Effect, TrialPlan

# Each with a colour and a shape of its own, so that grey print keeps them apart.
_ARMS: tuple[tuple[str, str, Literal["-", "--", "-.", ":"]], ...] = (
    (NORMALISED, "o", "-"),
    (REFERENCE, "x", "--"),
    ("#009E73", "^", "-."),
    ("#CC79A7", "s", ":"),
)
_MARK = "NOT LIKE FOR LIKE"


def arms(comparison: Comparison, *, width_inches: float = 8.4) -> Figure:
    """The arms' days and their two-week medians, a panel a quantity.

    comparison : Comparison. width_inches : how wide it is drawn; text keeps its size.

    Returns: Figure, change against each train's reference in per cent, a point a day; a line through the
        medians of two weeks, with a band of ±1.64 standard errors of them (1.25 s/√n of a median; days taken
        for independent: it shows scatter, not the effect's interval, which `effects` draws). Points off the
        scale are not drawn.
    """
    names = [
        name
        for name in ("water_permeability", "salt_permeability", "pressure_drop")
        if any(np.isfinite(arm.changes[name]).any() for arm in comparison.arms)
    ]
    with style():
        height = 1.2 + 2.0 * len(names) + 0.2 * len(comparison.arms)
        figure = Figure(figsize=(width_inches, height), layout="constrained")
        panels = figure.subplots(len(names), 1, squeeze=False, sharex=True)[:, 0]
        for axes, name in zip(panels, names, strict=True):
            _draw_arms(axes, comparison, name)
            words = quantity(name).capitalize().replace(" ", "\n")
            axes.set_ylabel(f"{words}\n[% against reference]")
        time_axis(panels[-1], ZoneInfo("UTC"), ticks=(2, 6))
        panels[-1].set_xlabel("Time [UTC]")
        if comparison.unlike:
            figure.suptitle(_MARK, x=0.01, ha="left", fontsize=10, color=REFERENCE, weight="bold")
        handles: list[Line2D | Patch] = [
            Line2D([], [], color=colour, marker=marker, ms=4, linestyle=line, label=arm.name)
            for arm, (colour, marker, line) in zip(
                comparison.arms, _ARMS * len(comparison.arms), strict=False
            )
        ]
        handles.append(
            Patch(facecolor=MEASURED, alpha=0.4, label="±1.64 standard errors of two weeks' medians")
        )
        figure.legend(handles=handles, loc="outside lower left", ncols=1, fontsize=9)
    return figure


def _draw_arms(axes: Axes, comparison: Comparison, name: str) -> None:
    shown = []
    for arm, (colour, marker, line) in zip(comparison.arms, _ARMS * len(comparison.arms), strict=False):
        change = 100 * arm.changes[name]
        there = np.isfinite(change)
        if not there.any():
            continue
        time, change = arm.time[there], change[there]
        shown.append(change)
        axes.plot(
            time, change, marker, color=colour, ms=2.5, alpha=0.4, linestyle="", rasterized=len(time) > 300
        )
        fortnight = ((time - time[0]) / np.timedelta64(14, "D")).astype(int)
        middles, medians, errors = [], [], []
        for one in np.unique(fortnight):
            rows = fortnight == one
            middles.append(time[rows][0] + np.median(time[rows] - time[rows][0]))
            medians.append(float(np.median(change[rows])))
            spread = float(np.std(change[rows], ddof=1)) if rows.sum() > 1 else float("nan")
            errors.append(1.64 * 1.25 * spread / np.sqrt(rows.sum()))
        low, high = np.array(medians) - errors, np.array(medians) + errors
        axes.fill_between(np.array(middles), low, high, color=colour, alpha=0.2, lw=0)
        axes.plot(np.array(middles), medians, linestyle=line, color=colour, lw=1.8)
    ends = np.percentile(np.concatenate(shown), [0.5, 99.5])
    room = 0.08 * (ends[1] - ends[0])
    axes.set_ylim(ends[0] - room, ends[1] + room)
    axes.axhline(0, color=EVENT, lw=0.8)


def effects(comparison: Comparison, *, width_inches: float = 8.4) -> Figure:
    """What the treatment does to each measure, with intervals, the margin and the noise floor.

    comparison : Comparison. width_inches : how wide it is drawn.

    Returns: Figure, a row an effect: treated against control in per cent of the control's, its interval, the
        margin of "no worse" dashed on the side where more is worse, the band within which arms count as alike
        grey, and where there was a placebo run, its noise floor as a bracket. What can't be told as a share
        of the control's is said in words.
    """
    told = comparison.effects
    several = len({effect.treatment for effect in told}) > 1
    margin = 100 * comparison.margin
    with style():
        figure = Figure(figsize=(width_inches, 1.6 + 0.5 * len(told)), layout="constrained")
        axes = figure.subplots()
        axes.axvspan(
            -100 * comparison.margin / (1 + comparison.margin), margin, color=MEASURED, alpha=0.25, lw=0
        )
        axes.axvline(0, color=EVENT, lw=0.8)
        axes.axvline(margin, color=REFERENCE, lw=1.4, linestyle="--")
        reach = [2 * margin]
        for place, effect in enumerate(told):
            reach += _draw_effect(axes, effect, place)
        reach_to = 1.15 * min(max(abs(one) for one in reach), 150.0)
        axes.set_xlim(-reach_to, reach_to)
        axes.set_yticks(
            range(len(told)),
            [
                effect.measure.replace("_", " ") + (f"\n({effect.treatment})" if several else "")
                for effect in told
            ],
        )
        axes.set_ylim(len(told) - 0.5, -0.6)
        axes.grid(visible=False, axis="y")
        treatments = ", ".join(dict.fromkeys(f"'{effect.treatment}'" for effect in told))
        axes.set_xlabel(f"{treatments} against '{comparison.control}' [% of the latter's]")
        title = f"{comparison.design}, {100 * comparison.level:.0f} % intervals"
        axes.set_title(f"{_MARK}: {title}" if comparison.unlike else title, loc="left")
        handles: list[Line2D | Patch] = [
            Line2D([], [], color=NORMALISED, marker="o", ms=6, label="effect: called (Holm)"),
            Line2D([], [], color=NORMALISED, marker="o", mfc="white", ms=6, label="effect: not called"),
            Line2D([], [], color=REFERENCE, lw=1.4, linestyle="--", label="margin of no worse"),
            Patch(facecolor=MEASURED, alpha=0.25, label="alike"),
        ]
        if any(effect.placebo is not None for effect in told):
            handles.append(Line2D([], [], color=EVENT, lw=1.0, marker="|", label="noise floor (placebo)"))
        figure.legend(
            handles=handles, loc="outside lower left", ncols=2 if width_inches < 6 else 3, fontsize=9
        )
    return figure


def _draw_effect(axes: Axes, effect: Effect, place: int) -> list[float]:
    found = effect.relative
    if found is None:
        told = (
            "can't be judged" if effect.difference is None else f"{effect.difference} (of no clear control)"
        )
        axes.annotate(
            told,
            (0, place),
            xytext=(6, 0),
            textcoords="offset points",
            va="center",
            fontsize=8,
            bbox={"facecolor": "white", "edgecolor": "none", "alpha": 0.9, "pad": 1},
        )
        return []
    value, low, high = (100 * figure for figure in (found.value, found.low, found.high))
    axes.plot([low, high], [place, place], color=NORMALISED, lw=2.0, solid_capstyle="butt")
    axes.plot(
        value, place, "o", ms=7, color=NORMALISED, mfc=NORMALISED if effect.differs else "white", mew=1.5
    )
    shown = [low, high]
    if effect.placebo is not None:
        floor = 100 * effect.placebo.floor
        if effect.unit == "1/y":
            floor /= abs(effect.of_control.value) if effect.of_control is not None else float("nan")
        axes.plot([-floor, floor], [place + 0.25] * 2, "|-", color=EVENT, lw=1.0, ms=7)
        shown.append(floor)
    words = "higher" if effect.difference is not None and effect.difference.value > 0 else "lower"
    axes.annotate(
        words if effect.differs else "",
        (value, place),
        xytext=(0, 8),
        textcoords="offset points",
        fontsize=8,
        ha="center",
    )
    return shown


def power(plan: TrialPlan, *, width_inches: float = 8.4) -> Figure:
    """How often trials of so many weeks would see it, for each number of readings a week.

    plan : TrialPlan. width_inches : how wide it is drawn.

    Returns: Figure, power in per cent against length in weeks, with the power asked for and the weeks needed.
    """
    with style():
        figure = Figure(figsize=(width_inches, 4.0), layout="constrained")
        axes = figure.subplots()
        for curve, (colour, marker, line) in zip(plan.curves, _ARMS * len(plan.curves), strict=False):
            times = (
                "1 reading a week"
                if curve.readings_per_week == 1
                else f"{curve.readings_per_week} readings a week"
            )
            needed = (
                "not enough" if curve.weeks_needed is None else f"{np.ceil(curve.weeks_needed):.0f} weeks"
            )
            axes.plot(
                curve.weeks,
                100 * np.array(curve.power),
                linestyle=line,
                marker=marker,
                ms=5,
                color=colour,
                lw=1.8,
                label=f"{times}: {needed}",
            )
            if curve.weeks_needed is not None:
                axes.plot(
                    [curve.weeks_needed] * 2, [0, 100 * plan.power], color=colour, lw=1.0, linestyle=line
                )
        axes.axhline(100 * plan.power, color=EVENT, lw=1.0, linestyle=(0, (6, 2)))
        axes.set_ylim(0, 102)
        axes.set_xlim(0, None)
        axes.set_xlabel("Length of the trial [weeks]")
        axes.set_ylabel(f"Power to see a {100 * plan.reduction:.0f} % lower\nfouling rate [%]")
        axes.set_title(f"{plan.design}, {plan.fouling_rate.value:.3g} 1/y without the treatment", loc="left")
        axes.legend(loc="lower right")
    return figure
