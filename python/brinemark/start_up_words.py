"""A start-up record in words: for the screen, the page and the object itself."""

from __future__ import annotations

from typing import TYPE_CHECKING

from brinemark.setting_words import percent, shown, unit_word
from brinemark.words import digits, group_name

if TYPE_CHECKING:
    from brinemark import Spread, StartUpOfGroup

_WHAT = {
    "permeate_flow": "permeate flow",
    "permeate_tds": "permeate salt",
    "permeate_conductivity": "permeate conductivity",
    "differential_pressure": "pressure drop",
}


def span(figure: Spread) -> str:
    """An interval with its unit: 3.4 to 3.7 gpm."""
    return f"{digits(figure.low)} to {digits(figure.high)} {unit_word(figure.unit)}".rstrip()


def one(figure: Spread) -> str:
    """A figure with its unit."""
    return f"{digits(figure.value)} {unit_word(figure.unit)}".rstrip()


def conditions(found: StartUpOfGroup) -> str:
    """At which temperature, pressure and recovery it was read."""
    known = {figure.column: figure for figure in found.record}
    return (
        f"{shown(known['feed_temperature'])}, {shown(known['feed_pressure'])} and "
        f"{percent(found.recovery)} recovery"
    )


def sentence(found: StartUpOfGroup) -> str:
    """What it makes, what is expected, and what becomes of it."""
    who = group_name(found.train, found.stage)
    who = f"{who[:1].upper()}{who[1:]}" if who else "The unit"
    flow = next((check for check in found.checks if check.column == "permeate_flow"), None)
    if flow is None:
        return (
            f"{who}: {found.verdict}; nothing is expected of it until the site file tells "
            f"{', '.join(found.missing)}."
        )
    text = (
        f"{who} makes {one(flow.read)} where {span(flow.expected)} is expected at {conditions(found)}: "
        f"{found.verdict}."
    )
    others = [check for check in found.checks if check.beside != "as expected"]
    for check in others:
        if check is not flow:
            text += (
                f" {_WHAT[check.column].capitalize()} is {one(check.read)}, {check.beside} "
                f"{span(check.expected)}."
            )
    if found.verdict == "cannot tell":
        text += (
            " How far an element may lie from its rating is not told: [element] "
            "rated_permeate_flow_tolerance "
            "and rated_rejection_minimum."
        )
    return text


def rows(found: StartUpOfGroup) -> list[tuple[str, str, str, str]]:
    """Each check: what, as read, expected, beside."""
    return [
        (_WHAT[check.column], one(check.read), span(check.expected), check.beside) for check in found.checks
    ]


def settling(found: StartUpOfGroup) -> str:
    """From when on it had settled, and what moved before."""
    if found.readings_before == 0:
        text = f"Settled from its first reading; {found.readings} readings count."
    else:
        text = (
            f"Settled after {found.settled_after_h:.0f} h; {found.readings} readings count, "
            f"{found.readings_before} before them don't."
        )
    if found.flow_rose is not None:
        text += f" Until then permeate flow {'rose' if found.flow_rose else 'fell'}."
    if found.salt_fell:
        text += " Until then salt passage fell."
    return text


def looks_like(found: StartUpOfGroup) -> list[str]:
    """The first two causes, with the test that would tell."""
    told = []
    for place, cause in enumerate(found.causes[:2]):
        lead = "It looks like" if place == 0 else "Next"
        told.append(f"{lead} {cause.name} ({100 * cause.probability:.0f} %): {cause.what}. {cause.test}")
    return told
