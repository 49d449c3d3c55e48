"""The page of a sizing: how big a unit, why, and what follows from it."""

from __future__ import annotations

import json
from typing import TYPE_CHECKING, Any

from brinemark import plot
from brinemark._core import __version__
from brinemark.page import Report
from brinemark.page.drawn import drawn
from brinemark.page.template import template
from brinemark.words import digits, grouped, plain, prices_currency, quoted_units, sized_rows, span

if TYPE_CHECKING:
    from brinemark import Estimate, SizedUnit, Sizing


def sizing_page(found: Sizing) -> Report:
    """As `sizing_report`."""
    html = template(
        "sizing.html.j2", digits=digits, grouped=grouped, plain=plain, span=_span, capitalised=_capitalised
    ).render(
        found=found,
        units=quoted_units(found),
        currency=prices_currency(found),
        version=__version__,
        at_25=dict(zip(("month", "share"), found.share_if_sized_at_25_degc, strict=True)),
        sections=[
            _section(found, of, name, key)
            for key, name, of in (
                ("present", "As it is", found.present),
                ("proposed", "Proposed", found.proposed),
            )
            if of is not None and (key == "present" or of.words != found.present.words)
        ],
        allowance=json.loads(found.demand.settings)["allowance"],
    )
    return Report(html)


def _section(found: Sizing, of: SizedUnit, name: str, key: str) -> dict[str, Any]:
    heads, rows = sized_rows(found, of)
    has_tank = of.months[0].tank is not None
    return {
        "name": name,
        "of": of,
        "heads": heads,
        "rows": rows,
        "year": _years(of, prices_currency(found)),
        "plot": drawn(
            lambda width: plot.sizing(found, unit=key, width_inches=width),
            f"sizing-{key}",
            f"What a day makes of what it needs, {of.words}",
        ),
        "tank": drawn(
            lambda width: plot.tank(found, unit=key, width_inches=width),
            f"tank-{key}",
            f"The tank over a day in {found.binding_month}, {of.words}",
        )
        if has_tank
        else "",
    }


def _years(of: SizedUnit, currency: str) -> list[tuple[str, str, str]]:
    """What a year comes to: the figure worn, and new."""
    worn, new = of.year, of.year_when_new
    rows = (
        ("Permeate", worn.permeate, new.permeate, f" {worn.permeate.unit}"),
        ("Raw feed", worn.raw_feed, new.raw_feed, f" {worn.raw_feed.unit}"),
        ("Reject water", worn.reject, new.reject, f" {worn.reject.unit}"),
        ("Energy", worn.energy_kwh, new.energy_kwh, " kWh"),
        ("Energy for each m3 of permeate", worn.energy_kwh_per_m3, new.energy_kwh_per_m3, " kWh/m3"),
        ("Cost of energy", worn.energy_cost, new.energy_cost, currency),
        ("Cost of raw feed", worn.water_cost, new.water_cost, currency),
    )
    return [
        (name, _figure(one, unit), _figure(other, unit))
        for name, one, other, unit in rows
        if one is not None and other is not None
    ]


def _figure(of: Estimate, unit: str) -> str:
    text = f"{grouped(of.value)}{unit}"
    # An interval of no width says nothing: what a day needs is made whatever may be off.
    if of.low != of.low or of.high - of.low < 1e-6 * abs(of.value):
        return text
    return f"{text} ({grouped(of.low)} to {grouped(of.high)})"


def _span(of: Estimate) -> str:
    """An interval in brackets; nothing where there is none."""
    return "" if of.low != of.low else f"({100 * of.level:.0f} % interval {span(of)})"


def _capitalised(text: str) -> str:
    return text[:1].upper() + text[1:]
