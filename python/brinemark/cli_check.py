"""The command `check`: one visit, on one screen, for whoever stands at the unit."""

from __future__ import annotations

import argparse
import json
import textwrap
from typing import TYPE_CHECKING

from brinemark import cli, cli_trend
from brinemark.words import (
    between,
    change,
    cold_words,
    digits,
    group_name,
    percent,
    quantity,
    span,
    wrapped,
)

if TYPE_CHECKING:
    from brinemark import Check, Diagnosis, Forecast, Result, Trend

_COLUMNS = 90
_LINES = 24


def add(commands: argparse._SubParsersAction[argparse.ArgumentParser]) -> None:
    """Adds the command to those there are."""
    command = commands.add_parser(
        "check",
        help="judge a visit: what the unit should have made, what it made, what to do",
        description="Judges the last day of a log on one screen. A visit is a line added to the log: what "
        "the unit should have made, what it made, how much of that is cold water, what is likely, when "
        "something must be done.",
    )
    cli_trend.add_settings(command)
    command.set_defaults(run=_check)


def _check(given: argparse.Namespace) -> int:
    import brinemark as bm
    from brinemark.trends import check_summary, summary

    triggers = cli_trend.triggers(given)
    steps = cli._Steps()
    _, _, result = cli._read(given, steps)
    steps.say("judging the last day")
    checks = bm.check(result, level=given.level, triggers=triggers)
    trends = {(trend.train, trend.stage): trend for trend in bm.trend(result, level=given.level)}
    found = []
    for check in checks:
        trend = trends[check.train, check.stage]
        asked = {"triggers": triggers, "demand": given.demand, "coldest_degc": given.coldest_degc}
        found.append((check, trend, bm.forecast(result, trend, **asked)))
    if given.json:
        listed = [
            {
                **check_summary(check),
                "forecast": summary(trend, forecast=ahead)["forecast"],
                "warnings": trend.warnings,
            }
            for check, trend, ahead in found
        ]
        print(json.dumps({"site": result.site.name, "checks": listed}, indent=2))
        return 0
    print("\n\n".join("\n".join(screen(result, *each)) for each in found))
    return 0


def screen(result: Result, check: Check, trend: Trend, ahead: Forecast) -> list[str]:
    """A visit on one screen: at most 24 lines of at most 90 characters."""
    head = [
        _title(result, check),
        *_wrapped(_advice(check)),
        "",
        *_wrapped(_flow(check)),
        "",
        *_table(check, ahead),
        "",
        *_wrapped(_likely(check.diagnosis)),
    ]
    told = [
        *cold_words(ahead),
        *trend.warnings,
        *(f"Not told: {of}." for of in ahead.missing),
    ]
    more = [line for text in told for line in _wrapped(text)]
    caution = _wrapped(check.caution)
    lines = [*head, *more, *caution]
    while len(lines) > _LINES and "" in lines:
        # Air is the first to go, from below.
        del lines[len(lines) - 1 - lines[::-1].index("")]
    if len(lines) > _LINES:
        # What does not fit is not lost.
        more = ["More is to be said than fits here: `brinemark trend` with the same log says it."]
        lines = [line for line in (*head, *more, *caution) if line]
    return lines


def _wrapped(text: str) -> list[str]:
    return wrapped(text, _COLUMNS)


def _title(result: Result, check: Check) -> str:
    who = "".join(f", {name}" for name in (group_name(check.train, check.stage),) if name)
    when = f": visit of {(check.time or '')[:10]}"
    return f"{textwrap.shorten(result.site.name, _COLUMNS - len(who + when), placeholder='…')}{who}{when}"


def _advice(check: Check) -> str:
    def those(least: float) -> str:
        return ", ".join(quantity(of.quantity) for of in check.quantities if of.reached >= least)

    words = {
        "leave alone": "no trigger is near.",
        "watch": f"perhaps past the trigger: {those(0.2)}.",
        "act now": f"past the trigger: {those(0.5)}.",
        "cannot tell": "the readings leave open on which side of its trigger a figure is. Read again.",
    }
    return f"{check.advice.upper()}: {words[check.advice]}"


def _flow(check: Check) -> str:
    temperature, pressure, flow = check.units
    when_new, water, expected = check.when_new, check.quantities[0].visit, check.expected
    if water.value != water.value:
        return "The visit has no reading of permeate flow that could be used."
    text = (
        f"Expected at {check.temperature:.0f} {_DEGREES.get(temperature, temperature)} and "
        f"{digits(check.pressure)} {pressure}, as when new: {span(when_new)} {flow} "
        f"({100 * when_new.level:.0f} %). You read {digits(check.read)}: {100 * abs(water.value):.0f} % "
        f"{'below' if water.value < 0 else 'above'} that, of which none is cold water or pressure. "
        f"As it stands, the reading is {percent(check.measured)} against start-up; temperature alone makes "
        f"{percent(check.by_temperature)} of that, driving pressure {percent(check.by_driving_pressure)}. "
    )
    if expected is None:
        return f"{text}Too few readings stand before it to say whether it was to be expected."
    text += f"The readings before led to {span(expected)} {flow}: "
    # As far outside again as from the middle to an end is one visit in a thousand.
    beyond = 0.5 * (expected.high - expected.low)
    if expected.low - beyond <= check.read <= expected.high + beyond:
        return f"{text}the visit fits them."
    return f"{text}the visit does not fit them. Read again before you act on it."


_DEGREES = {"degF": "°F", "degC": "°C"}


def _table(check: Check, ahead: Forecast) -> list[str]:
    """Each quantity: what was expected, what the visit says, how it stands, when it reaches its trigger."""
    sure = f"{100 * check.when_new.level:.0f} %"
    lines = [
        f"{'against new':18}{'expected':>12}{'visit':>7}{'all readings':>22}{'trigger':>9}  reached ({sure})"
    ]
    for of in check.quantities:
        expected = "too few"
        if of.expected is not None:
            ends = (percent(end).removesuffix(" %") for end in (of.expected.low, of.expected.high))
            expected = " to ".join(ends)
        visit = percent(of.visit.value) if of.visit.n else "none"
        _, date = ahead.cleaning[of.quantity]
        figures = f"{expected:>12}{visit:>7}{change(of.now):>22}{percent(of.trigger):>9}"
        lines.append(f"{quantity(of.quantity):18}{figures}  {between(date)}")
    return lines


def _likely(diagnosis: Diagnosis | None) -> str:
    if diagnosis is None:
        return "Why: too few days with readings for a cause, six at least."
    return f"{diagnosis.sentence} {diagnosis.next_test[1]}"
