"""Plots of what may be set: the map of temperature, salt and recovery; scales over recovery."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np
from matplotlib.figure import Figure
from matplotlib.patches import Patch

from brinemark.plot.style import EVENT, FILLS, HATCHES, REFERENCE, style

if TYPE_CHECKING:
    from brinemark import SettingsMap, Site, Water

_MOST_PANELS = 4


def settings_map(found: SettingsMap, *, width_inches: float = 9.0) -> Figure:
    """Where a unit may run, over temperature and recovery, a panel for each salt; and which limit forbids
    the rest.

    found : SettingsMap; of more than four salts, four are drawn, evenly chosen. width_inches : how wide it
    is drawn; text keeps its size.

    Returns: Figure. White is where the unit may run: lines there are permeate flow [m3/h]. A fill with its
        own hatch is where a limit is broken, named below; left of the thick line the pressure limit keeps
        it from the flow asked for.
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


# Lines that stay apart in grey print too.
_DASHES = ("-", "--", "-.", ":", (0, (5, 1, 1, 1, 1, 1)), (0, (1, 3)))


def saturation(
    site: Site, water: Water, *, recovery: float | None = None, width_inches: float = 7.6
) -> Figure:
    """How near each scale comes to its limit over recovery, and where the first one reaches it.

    site : Site, whose [scaling] tells limits and treatment. water : Water, the feed before treatment.
    recovery : one to be
    marked; None marks none. width_inches : how wide it is drawn; text keeps its size.

    Returns: Figure. Saturation over what is allowed, by the standard practices' index, on a logarithmic
        axis: 1 is the limit. The dot is the recovery that binds.
    """
    recoveries = np.linspace(0.0, 0.95, 96)
    found = [site.saturation(water, recovery=float(at)) for at in recoveries]
    limits = site.recovery_limits(water)
    with style():
        figure = Figure(figsize=(width_inches, 4.2), layout="constrained")
        axes = figure.subplots()
        lowest = 1.0
        for at, limit in enumerate(limits.limits):
            index = np.array([each.scales[at].standard_index for each in found])
            ratio = np.where(np.isfinite(index), 10.0 ** (index - limit.limit_index), np.nan)
            if not np.isfinite(ratio).any():
                continue
            lowest = min(lowest, float(np.nanmin(ratio)))
            axes.plot(
                100 * recoveries,
                ratio,
                color=FILLS[5 - at] if at < 6 else "black",
                linestyle=_DASHES[at % len(_DASHES)],
                lw=1.8,
                label=limit.scale,
            )
        axes.axhline(1.0, color=EVENT, lw=1.2)
        axes.axhspan(1.0, 1e6, color=REFERENCE, alpha=0.12, lw=0)
        binding = limits.binding
        if binding is not None:
            at_limit = 100 * binding.recovery
            axes.plot([at_limit], [1.0], "o", color=REFERENCE, ms=8, zorder=5)
            axes.annotate(
                f"{binding.scale} binds at {at_limit:.1f} %",
                (at_limit, 1.0),
                xytext=(-8, 10),
                textcoords="offset points",
                ha="right" if at_limit > 40 else "left",
            )
        if recovery is not None:
            axes.axvline(100 * recovery, color=EVENT, lw=1.0, linestyle=":")
        axes.set_yscale("log")
        axes.set_ylim(max(lowest / 2, 1e-4), 100.0)
        axes.set_xlim(0, 95)
        axes.set_xlabel("recovery [%]")
        axes.set_ylabel("saturation over what is allowed [1]")
        axes.legend(loc="lower right", ncols=2)
    return figure
