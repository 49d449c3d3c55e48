"""The command `trend`: what the membranes did over the log, why, and where that leads."""

from __future__ import annotations

import argparse
import json
from pathlib import Path
from typing import TYPE_CHECKING

from brinemark import cli
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
    wrapped,
)

if TYPE_CHECKING:
    from brinemark import Diagnosis, Forecast, Prices, Result, Trend

_COLUMNS = 100


def add(commands: argparse._SubParsersAction[argparse.ArgumentParser]) -> None:
    """Adds the command to those there are."""
    command = commands.add_parser(
        "trend",
        help="say what the membranes did over the log, why, and where that leads",
        description="Tells the course of water permeability, salt permeability and pressure drop: changes "
        "and rates, the site's own temperature law, what happened when, the runs between cleanings, likely "
        "causes, and when something must be done.",
    )
    add_settings(command)
    command.add_argument("--plot", type=Path, metavar="PICTURE", help="a .png or .svg of the course")
    prices = command.add_argument_group("what things cost, all in one currency; the first three go together")
    for option, what in (
        ("--energy-price", "of a kilowatt hour"),
        ("--cleaning-price", "of one cleaning, with chemicals, work and standstill"),
        ("--elements-price", "of new elements for the whole train, put in"),
        ("--pump-efficiency", "hydraulic over electrical power, 0.05 to 1 (0.65)"),
        ("--hours-per-year", "hours that the unit runs (8000)"),
    ):
        prices.add_argument(option, type=float, metavar="FIGURE", help=what)
    command.set_defaults(run=_trend)


def add_settings(command: argparse.ArgumentParser, *, or_folder: bool = False) -> None:
    """A log, its site, and what trends, causes and dates are asked for."""
    cli._add_log(command, with_model=True, or_folder=or_folder)
    command.add_argument(
        "--trigger",
        action="append",
        default=[],
        metavar="QUANTITY=PERCENT",
        help="change against new that asks for a cleaning, such as water_permeability=-10; may be repeated "
        "(-15, salt_permeability 10, pressure_drop 15: common practice, no source)",
    )
    command.add_argument(
        "--level",
        type=float,
        default=0.90,
        help="how often an interval shall hold the true figure (0.90)",
    )
    command.add_argument("--demand", metavar="FLOW", help="permeate flow that is needed, such as '3 gpm'")
    command.add_argument(
        "--coldest-degc",
        type=float,
        metavar="DEGC",
        help="coldest water of the year (the coldest week of the log)",
    )


def triggers(given: argparse.Namespace) -> dict[str, float]:
    """The changes that ask for a cleaning, as fractions."""
    from brinemark.trends import TRIGGERS

    found = dict(TRIGGERS)
    for name, text in cli._pairs(given.trigger, "--trigger"):
        if name not in found:
            raise cli._UnusableError(f"--trigger {name}: one of {', '.join(found)}")
        try:
            found[name] = float(text.removesuffix("%").replace("−", "-")) / 100
        except ValueError:
            raise cli._UnusableError(f"--trigger {name}={text}: a figure in per cent, such as -10") from None
    return found


def _prices(given: argparse.Namespace) -> Prices | None:
    from brinemark import Prices

    needed = (given.energy_price, given.cleaning_price, given.elements_price)
    if all(price is None for price in needed):
        return None
    if any(price is None for price in needed):
        raise cli._UnusableError("--energy-price, --cleaning-price and --elements-price go together")
    energy, cleaning, elements = needed
    others = {"pump_efficiency": given.pump_efficiency, "hours_per_year": given.hours_per_year}
    return Prices(
        energy_per_kwh=energy,
        cleaning=cleaning,
        elements=elements,
        **{name: value for name, value in others.items() if value is not None},
    )


def _trend(given: argparse.Namespace) -> int:
    import brinemark as bm
    from brinemark.trends import summary

    if given.plot is not None and given.plot.suffix not in (".png", ".svg"):
        raise cli._UnusableError(f"--plot {given.plot}: a name that ends in .png or .svg")
    asked, prices = triggers(given), _prices(given)
    steps = cli._Steps()
    _, _, result = cli._read(given, steps)
    steps.say("following the membranes")
    found = []
    for trend in bm.trend(result, level=given.level):
        try:
            why = bm.diagnose(result, trend)
        except bm.BaselineError:
            # Too short a log for a cause; the trend stands without.
            why = None
        ahead = bm.forecast(
            result,
            trend,
            triggers=asked,
            demand=given.demand,
            coldest_degc=given.coldest_degc,
            prices=prices,
        )
        found.append((trend, why, ahead))
    pictures = []
    if given.plot is not None:
        for place, (trend, _, ahead) in enumerate(found):
            name = given.plot.stem if len(found) == 1 else f"{given.plot.stem}-{place + 1}"
            path = given.plot.with_name(f"{name}{given.plot.suffix}")
            try:
                bm.plot.course(trend, forecast=ahead).savefig(path, dpi=150)
            except OSError as cause:
                raise cli._UnusableError(f"{path} can't be written: {cause.strerror}") from cause
            pictures.append(str(path))
    if given.json:
        listed = [summary(trend, why, ahead) for trend, why, ahead in found]
        print(json.dumps({"site": result.site.name, "trends": listed, "plots": pictures}, indent=2))
        return 0
    for place, (trend, why, ahead) in enumerate(found):
        if place:
            print()
        _say(result, trend, why, ahead)
    for path in pictures:
        print(f"written: {path}")
    return 0


def _say(result: Result, trend: Trend, why: Diagnosis | None, ahead: Forecast) -> None:
    who = "".join(f", {name}" for name in (group_name(trend.train, trend.stage),) if name)
    first, last = trend.runs[0].start[:10], trend.runs[-1].end[:10]
    print(f"{result.site.name}{who}: {len(trend.time_us)} days with readings, {first} to {last}")
    sure = f"{100 * trend.level:.0f} %"
    print(f"Intervals hold the true figure {sure} of the time. Rates are % a year, of the logarithm.\n")
    print(f"  {'against new':20}{'change':>23}{'rate now':>24}{'over the last year':>25}")
    for name in trend.quantities:
        found = trend.quantity(name)
        cells = [change(of) for of in (found.now, found.rate_now, found.rate_over_year)]
        print(f"  {quantity(name):20}{cells[0]:>23}{cells[1]:>24}{cells[2]:>25}")
    print("\nTemperature constant: the site's own, and the one it was normalised by")
    for name in trend.quantities:
        own, law = constants(trend.quantity(name))
        print(f"  {quantity(name):20}{own:>27}{law:>12}")
    if trend.changes:
        print("\nWhat happened")
        for change_ in trend.changes:
            when, what, sizes = what_happened(change_, result.site)
            _print(f"{when} {what}: {sizes}")
    if len(trend.runs) > 1:
        print("\nRuns between cleanings, water permeability")
        print(f"  {'from':12}{'to':12}{'days':>5}{'rate':>22}{'at its end':>23}{'won back':>9}{'lasts':>8}")
        for run in trend.runs:
            start, end, days, rate, at_end, won_back, lasts = run_cells(run)
            print(f"  {start:12}{end:12}{days:>5}{rate:>22}{at_end:>23}{won_back:>9}{lasts:>8}")
    print("\nWhy")
    if why is None:
        _print("Too few days with readings for a cause: six at least.")
    else:
        _print(why.sentence)
        _print(f"What it would tell: {why.next_test[1]}")
        for ranked in why.causes:
            if ranked.probability >= 0.05:
                _print(f"{ranked.cause}, {100 * ranked.probability:.0f} %: known by this: {ranked.pattern}.")
                for what, said in (("for", ranked.speaks_for), ("against", ranked.speaks_against)):
                    if said:
                        _print(f"    {what}: {'; '.join(said)}.")
    print("\nWhen, if nothing is done (even odds, with its interval)")
    for name, (trigger, date) in sorted(ahead.cleaning.items(), reverse=True):
        print(f"  {quantity(name)} at {percent(trigger)}: {by_when(date)}")
    for text in (*costs(ahead), *cold_words(ahead), *(f"Not told: {text}." for text in ahead.missing)):
        _print(text)
    for warning in trend.warnings:
        _print(f"Note: {warning}")
    if why is not None:
        print()
        print("\n".join(wrapped(why.caution, _COLUMNS)))


def _print(text: str) -> None:
    lead = "  " + " " * (len(text) - len(text.lstrip()))
    print("\n".join(wrapped(text.strip(), _COLUMNS, lead, f"{lead}  ")))


def costs(ahead: Forecast) -> list[str]:
    """What waiting costs, in the user's currency."""
    plan = ahead.plan
    if plan is None:
        return []
    middle, low, high = plan.extra_per_year
    told = [f"The loss costs {middle:.0f} ({low:.0f} to {high:.0f}) a year in energy now."]
    for name, day, (cost, _, _) in plan.choices:
        when = "" if day is None else f" ({day[:10]})"
        told.append(f"Cleaning {name}{when}: {cost:.0f} over the coming year, beyond new membranes.")
    pays, early, late = (end and end[:7] for end in plan.replace)
    if pays is None:
        told.append("Replacing does not pay within ten years.")
    else:
        told.append(f"Replacing pays from {pays} ({early} to {late or 'beyond ten years'}).")
    told.append(f"A cleaning is taken to win back {100 * plan.won_back:.0f} % of the loss.")
    return told
