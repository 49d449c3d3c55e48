"""Plots of what may be set: the map of temperature, salt and recovery."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np
from matplotlib.figure import Figure
from matplotlib.patches import Patch

from brinemark.plot.style import FILLS, HATCHES, style

if TYPE_CHECKING:
    from brinemark import SettingsMap

_MOST_PANELS = 4


def settings_map(found: SettingsMap, *, width_inches: float = 9.0) -> Figure:
    """Where a unit may run, over temperature and recovery, a panel for each salt; and which limit forbids the rest.

    found : SettingsMap; of more than four salts, four are drawn, evenly chosen. width_inches : how wide it is drawn; text keeps
    its size.

    Returns: Figure. White is where the unit may run: lines there are permeate flow [m3/h]. A fill with its own hatch is where
        a limit is broken, named below; left of the thick line the pressure limit keeps it from the flow asked for.
    """
    salts = found.feed_tds_mg_l.size
    panels = np.unique(np.linspace(0, salts - 1, min(salts, _MOST_PANELS)).round().astype(int))
    # The lowest two hundredths of grey that a printer keeps apart are not needed: every fill has its hatch.
    looks = [(FILLS[at % len(FILLS)], HATCHES[1:][at % (len(HATCHES) - 1)]) for at in range(len(found.words))]
    with style():
        narrow = width_inches < 6
        rows, columns = (len(panels), 1) if narrow else (1, len(panels))
        figure = Figure(
            figsize=(width_inches, 1.2 + 2.9 * rows + 0.25 * len(found.words)), layout="constrained"
        )
        grid = np.atleast_1d(figure.subplots(rows, columns, sharex=True, sharey=True))
        for axes, salt in zip(grid.ravel(), panels, strict=True):
            _panel(axes, found, int(salt), looks)
            axes.set_title(f"feed with {found.feed_tds_mg_l[salt]:.0f} mg/L of salt")
            axes.set_xlabel("feed temperature [°C]")
        for axes in grid.ravel() if narrow else grid.ravel()[:1]:
            axes.set_ylabel("recovery [%]")
        handles: list[object] = [
            Patch(facecolor=colour, edgecolor="black", hatch=hatch, linewidth=0.5, label=f"forbidden: {word}")
            for word, (colour, hatch) in zip(found.words, looks, strict=True)
        ]
        handles.append(
            Patch(facecolor="white", edgecolor="black", label="may run; lines: permeate flow [m³/h]")
        )
        if found.stopped_by_pressure.any():
            handles.append(
                Patch(
                    facecolor="white",
                    edgecolor="black",
                    linewidth=2.0,
                    label="left of the thick line: less than asked for, at the pressure limit",
                )
            )
        figure.legend(handles=handles, loc="outside lower left", ncols=1 if narrow else 2)
    return figure


def _panel(axes: object, found: SettingsMap, salt: int, looks: list[tuple[str, str]]) -> None:
    from matplotlib.axes import Axes

    assert isinstance(axes, Axes)
    temperature, recovery = found.temperatures_degc, 100.0 * found.recoveries
    broken = found.broken[:, salt, :].T
    if temperature.size < 2 or recovery.size < 2:
        raise ValueError("a map to be drawn has at least two temperatures and two recoveries")
    for at, (colour, hatch) in enumerate(looks):
        where = (broken == at).astype(float)
        if where.any():
            filled = axes.contourf(
                temperature, recovery, where, levels=[0.5, 1.5], colors=[colour], hatches=[hatch]
            )
            filled.set_edgecolor("black")
            filled.set_linewidth(0.0)
    flow = np.where(found.allowed[:, salt, :].T, found.permeate_flow_m3_h[:, salt, :].T, np.nan)
    known = flow[np.isfinite(flow)]
    if known.size and known.max() - known.min() > 0.02 * known.max():
        lines = axes.contour(temperature, recovery, flow, levels=5, colors="#555555", linewidths=0.9)
        axes.clabel(lines, fmt="%.3g", fontsize=8)
    short = found.stopped_by_pressure[:, salt, :].T.astype(float)
    if short.any() and not short.all():
        axes.contour(temperature, recovery, short, levels=[0.5], colors="black", linewidths=2.2)
    axes.grid(False)
