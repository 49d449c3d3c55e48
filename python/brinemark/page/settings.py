"""The start-up sheet: what to set, in which order, what to expect, and what to write down; to be printed or
read on a phone.
"""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

import brinemark as bm
from brinemark import setting_words as words
from brinemark.page.template import template
from brinemark.words import CAUTIONS_IN_FULL, digits

if TYPE_CHECKING:
    from brinemark import Settings, Site


def settings_page(found: Settings, site: Site) -> str:
    """The sheet as one HTML page; it needs no other file, no script and no network."""
    return template("settings.html.j2").render(
        found=found,
        gauges=[(name, words.mark(gauge), words.off_by(gauge)) for name, gauge in words.gauges(found)],
        day=[(_name(figure.column), words.shown(figure)) for figure in found.day],
        expected=words.expectations(found),
        recovery=words.percent(found.recovery),
        range=[words.percent(end) for end in found.recovery_range],
        notes=words.notes(found),
        limits=[_limit(held) for held in words.nearest_limits(found, len(found.limits))],
        elements=[_element(each) for each in found.elements],
        write=_to_write(found, site),
        cautions=CAUTIONS_IN_FULL,
        version=bm.__version__,
    )


def _name(column: str) -> str:
    return column.replace("_", " ").replace("tds", "TDS").replace(" ph", " pH")


def _limit(held: Any) -> dict[str, Any]:
    unit = words.unit_word(held.unit)
    return {
        "what": held.what,
        "value": f"{digits(held.value)} {unit}",
        "worst": f"{digits(held.worst)} {unit}",
        "limit": words.limit_words(held),
        "source": held.source,
    }


def _element(each: dict[str, Any]) -> dict[str, str]:
    return {
        "place": f"{each['stage']}.{each['element']}",
        "flux": f"{digits(each['flux'])} {each['flux_unit']}",
        "recovery": words.percent(each["recovery"]),
        "inlet": f"{digits(each['inlet_flow'])} {each['flow_unit']}",
        "concentrate": f"{digits(each['concentrate_flow'])} {each['flow_unit']}",
        "tds": f"{digits(each['concentrate_tds_mg_l'])} mg/L",
    }


def _to_write(found: Settings, site: Site) -> list[tuple[str, str, str]]:
    """What the log of this site holds: the reading, its unit, and what is expected of it."""
    known = {figure.column: figure for figure in (*found.expected, *found.day)}
    known |= {found.alarm.expected.column: found.alarm.expected}
    rows = []
    for column in bm.site_columns(site):
        if column.name == "running":
            continue
        figure = known.get(column.name)
        gauge = next(
            (gauge for _, gauge in words.gauges(found) if gauge.column == column.name),
            None,
        )
        text = words.mark(gauge) if gauge is not None else words.shown(figure)
        rows.append((_name(column.name), words.unit_word(column.unit), text))
    return rows
