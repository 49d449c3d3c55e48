"""The page of a visit: for a phone held in a wet hand, and to be printed and filed."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

import brinemark as bm
from brinemark.judged import due_soon, ends
from brinemark.page.template import template
from brinemark.words import (
    CAUTIONS_IN_FULL,
    advice_reason,
    between,
    cold_words,
    flow_words,
    group_name,
    percent,
    plain,
    quantity,
)

if TYPE_CHECKING:
    from brinemark import Check, Forecast, Trend
    from brinemark.judged import Judged

# A sign of its own for each, so that colour alone tells nothing.
_SIGNS = {
    "leave alone": "good",
    "watch": "look",
    "act now": "act",
    "cannot tell": "open",
}


def page(judged: Judged, *, on: str) -> str:
    """The page of a visit, one HTML file that needs no other, no script and no network.

    judged : what is said of the visit. on : as of which date what is due is told.
    """
    soon, rest = due_soon(judged.due)
    groups = [_judged(judged, *each) for each in judged.checks] or [_as_read(judged)]
    return template("check.html.j2").render(
        site=judged.site,
        when=judged.when,
        on=on,
        level=f"{100 * judged.level:.0f} %",
        groups=groups,
        readings=[
            (
                who,
                [
                    (
                        _name(each.name),
                        plain(each.value),
                        "" if each.before is None else plain(each.before),
                        each.unit,
                    )
                    for each in of
                ],
            )
            for who, of in judged.readings.items()
        ],
        settings=judged.settings,
        due=[(*each.sentence.split(": ", 1), _late(each)) for each in soon],
        rest=rest,
        told=judged.told,
        cautions=CAUTIONS_IN_FULL,
        version=bm.__version__,
    )


def _name(column: str) -> str:
    return column.replace("_", " ").replace("tds", "TDS").replace(" ph", " pH")


def _late(due: bm.Due) -> bool:
    return due.never_done or (due.due_in_days is not None and due.due_in_days <= 0)


def _judged(judged: Judged, check: Check, trend: Trend, ahead: Forecast) -> dict[str, Any]:
    why = advice_reason(check)
    return {
        "who": group_name(check.train, check.stage),
        "verdict": check.advice,
        "sign": _SIGNS[check.advice],
        "why": f"{why[:1].upper()}{why[1:]}",
        **_what_to_do(check),
        "figures": [
            {
                "name": quantity(of.quantity),
                "value": percent(of.now.value),
                "interval": f"{percent(of.now.low).removesuffix(' %')} to {percent(of.now.high)}",
                "trigger": percent(of.trigger),
                "past": "reached" if of.reached >= 0.95 else "perhaps reached" if of.reached >= 0.2 else "",
            }
            for of in check.quantities
        ],
        "made": flow_words(check),
        "rows": [
            (
                quantity(of.quantity),
                "too few"
                if of.expected is None
                else f"{percent(of.expected.low).removesuffix(' %')} to {percent(of.expected.high)}",
                percent(of.visit.value) if of.visit.n else "none",
                # A month stays on one line.
                between(ahead.cleaning[of.quantity][1]).replace("-", "\u2011"),
            )
            for of in check.quantities
        ],
        "more": [*cold_words(ahead), *trend.warnings, *(f"Not told: {of}." for of in ahead.missing)],
    }


def _what_to_do(check: Check) -> dict[str, Any]:
    diagnosis = check.diagnosis
    if diagnosis is None:
        return {"cause": "Too few days with readings for a cause, six at least.", "do": "", "tells": ""}
    what, tells = diagnosis.next_test
    # The test, of which the sentence ends, stands out by itself.
    return {"cause": diagnosis.sentence.removesuffix(what).strip(), "do": what, "tells": tells}


def _as_read(judged: Judged) -> dict[str, Any]:
    return {
        "who": "",
        "verdict": "no verdict yet",
        "sign": "open",
        "why": judged.why_not,
        "cause": "",
        "do": "Read again at the next visits.",
        "tells": "A verdict needs readings of several days.",
        "figures": [
            {
                "name": f"{each.name}, {who}" if who else each.name,
                "value": percent(each.change),
                "interval": ends(each),
                "trigger": "",
                "past": "",
            }
            for who, of in judged.like_for_like.items()
            for each in of
        ],
        "made": "",
        "rows": [],
        "more": [],
    }
