"""What the membranes do, for the page: course, causes, dates of each train and stage."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

import brinemark as bm
from brinemark import plot
from brinemark.page.drawn import drawn
from brinemark.words import (
    by_when,
    change,
    cold_words,
    constants,
    group_name,
    percent,
    quantity,
    run_cells,
    what_happened,
)

if TYPE_CHECKING:
    from brinemark import Diagnosis, Forecast, Result, Trend


def membranes(result: Result, level: float) -> list[dict[str, Any]]:
    """What the section says of each train and stage; of a log too short for a trend, that it is."""
    try:
        trends = bm.trend(result, level=level)
    except bm.BaselineError as refusal:
        return [{"who": "", "short": str(refusal)}]
    found = []
    for place, trend in enumerate(trends):
        try:
            why = bm.diagnose(result, trend)
        except bm.BaselineError:
            # Too few days for a cause; course and dates stand without.
            why = None
        found.append(_told(result, trend, why, bm.forecast(result, trend), f"membranes-{place}"))
    return found


def _told(
    result: Result, trend: Trend, why: Diagnosis | None, ahead: Forecast, prefix: str
) -> dict[str, Any]:
    rows, laws = [], []
    for name in trend.quantities:
        found, (trigger, date) = trend.quantity(name), ahead.cleaning[name]
        cells = (change(found.now), change(found.rate_now), percent(trigger), by_when(date))
        rows.append((quantity(name), *cells))
        laws.append((quantity(name), *constants(found)))
    who = group_name(trend.train, trend.stage)
    return {
        "who": who,
        "short": "",
        "sentence": _sentence(trend, ahead),
        "course": drawn(
            lambda width: plot.course(trend, forecast=ahead, width_inches=width),
            f"{prefix}-course",
            f"What the membranes did{', ' if who else ''}{who}",
        ),
        "rows": rows,
        "laws": laws,
        "changes": [what_happened(each, result.site) for each in trend.changes],
        "runs": [run_cells(run) for run in trend.runs],
        "why": why,
        "causes": ""
        if why is None
        else drawn(
            lambda width: plot.causes(why, width_inches=width),
            f"{prefix}-causes",
            "How probable each cause is",
        ),
        "law": drawn(
            lambda width: plot.temperature_law(trend, width_inches=width),
            f"{prefix}-law",
            "The temperature constant beside published ones",
        )
        if "water_permeability" in trend.quantities
        else "",
        "cold": cold_words(ahead),
        "missing": ahead.missing,
        "warnings": trend.warnings,
    }


def _sentence(trend: Trend, ahead: Forecast) -> str:
    level = f"{100 * trend.level:.0f} %"
    parts = [f"{quantity(name)} {change(trend.quantity(name).now)}" for name in trend.quantities]
    dates = [(date.middle, name) for name, (_, date) in ahead.cleaning.items() if date.middle is not None]
    told = f"Against new, {', '.join(parts)}; in brackets, {level} intervals."
    if not dates:
        return f"{told} If nothing happens, no trigger is reached within ten years, by even odds."
    _, name = min(dates)
    trigger, date = ahead.cleaning[name]
    when = by_when(date)
    if when == "reached":
        return f"{told} {quantity(name).capitalize()} has reached its trigger of {percent(trigger)}."
    return (
        f"{told} If nothing happens, {quantity(name)} is first to reach its trigger, "
        f"{percent(trigger)}: {when}."
    )
