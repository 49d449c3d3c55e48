"""The commands that say how a unit stands: assess, and demo, which does so for the bundled plant."""

from __future__ import annotations

import argparse
import json
from pathlib import Path
from typing import TYPE_CHECKING, Any

from brinemark import cli
from brinemark.words import CAUTIONS, budget_words, certainty, interval, recoveries, signed

if TYPE_CHECKING:
    from brinemark import Budget, Result, Standing


def add(commands: argparse._SubParsersAction[argparse.ArgumentParser]) -> None:
    """Adds the commands to those there are."""
    command = commands.add_parser(
        "assess",
        help="say how the unit stands, and make the page",
        description="Compares the last days of the log with the reference, in words and as a page.",
    )
    cli._add_log(command)
    command.add_argument("--out", type=Path, metavar="PAGE", help="the .html page to write")
    command.add_argument(
        "--terms", type=Path, metavar="TERMS", help="terms of a warranty, which the page then judges too"
    )
    command.add_argument(
        "--days", type=float, default=28.0, help="length of the window at the log's end (28)"
    )
    command.add_argument(
        "--level",
        type=float,
        default=0.90,
        help="how often an interval shall hold the true figure (0.90)",
    )
    command.set_defaults(run=_assess)

    command = commands.add_parser(
        "demo",
        help="run all of it on the bundled plant",
        description="Assesses an invented plant: two years, seasons, one cleaning. Leaves page and table.",
    )
    command.add_argument(
        "--out",
        type=Path,
        default=Path("brinemark-demo"),
        metavar="FOLDER",
        help="where to leave them",
    )
    cli._add_json(command)
    command.set_defaults(run=_demo)


def _assess(given: argparse.Namespace) -> int:
    import brinemark as bm

    if given.terms is not None and given.out is None:
        raise cli._UnusableError("--terms goes with --out; `brinemark warranty` judges without a page")
    steps = cli._Steps()
    _, _, result = cli._read(given, steps)
    steps.say("assessing")
    standings = bm.assess(result, days=given.days, level=given.level)
    if given.out is not None:
        steps.say(f"making the page {given.out}")
        terms = None if given.terms is None else bm.Terms.load(given.terms)
        cli._write(given.out, bm.report(result, days=given.days, level=given.level, terms=terms).html)
    if given.json:
        print(json.dumps(_assessment(result, standings, given.out), indent=2))
    else:
        _say(result, standings, given.out)
    return 0


def _demo(given: argparse.Namespace) -> int:
    import shutil

    import brinemark as bm
    from brinemark.page.settings import settings_page

    steps = cli._Steps()
    site = bm.Site.load(bm.demo.site_path())
    steps.say("reading the demo's log")
    log = bm.read_log(bm.demo.log_path())
    result = bm.normalise(log, site)
    standings = bm.assess(result)
    steps.say("making the page")
    page = given.out / "page.html"
    cli._write(page, bm.report(result).html)
    result.write_csv(given.out / "normalised.csv")
    for source in (bm.demo.log_path(), bm.demo.site_path()):
        shutil.copyfile(source, given.out / source.name)
    # A small unit, for the day it is started: its site file, and what to set.
    laundry = bm.Site.load(bm.demo.sizing_site_path())
    shutil.copyfile(bm.demo.sizing_site_path(), given.out / "laundry.toml")
    cold = bm.settings(laundry, feed_temperature_degc=5.0, feed_tds_mg_l=420.0)
    cli._write(given.out / "start-up-sheet.html", settings_page(cold, laundry))
    if given.json:
        print(json.dumps(_assessment(result, standings, page), indent=2))
    else:
        print(f"An invented plant, {site.name}: {len(log)} readings.")
        _say(result, standings, page)
        print("Beside it: the log (plant.csv), the site file (site.toml), the table (normalised.csv); of a")
        print("laundry's small unit the site file (laundry.toml) and the sheet for its first day")
        print("(start-up-sheet.html).")
    return 0


def _assessment(result: Result, standings: list[Standing], page: Path | None) -> dict[str, Any]:
    return {
        **result.summary(),
        "standings": [
            {
                "train": standing.train,
                "stage": standing.stage,
                "start": standing.start,
                "end": standing.end,
                "days": standing.days,
                "recovery": standing.recovery,
                "pass_recovery": standing.pass_recovery,
                "sentence": standing.sentence,
                "changes": {
                    name: {
                        "value": change.value,
                        # JSON has no NaN; null is "no interval from so few days".
                        "low": None if change.low != change.low else change.low,
                        "high": None if change.high != change.high else change.high,
                        "level": change.level,
                        "unit": change.unit,
                        "n": change.n,
                        "method": change.method,
                        "budget": _budget(change.budget),
                    }
                    for name, change in standing.changes.items()
                },
            }
            for standing in standings
        ],
        "page": None if page is None else str(page),
        "cautions": CAUTIONS,
    }


def _budget(budget: Budget | None) -> dict[str, Any] | None:
    if budget is None:
        return None
    return {
        "u": budget.u,
        "sentence": budget.sentence,
        "shares": [{"source": part.source, "u": part.u, "share": part.share} for part in budget.shares],
    }


_NAMES = {
    "permeate_flow": "permeate flow, as measured",
    "temperature": "  of it, temperature alone",
    "driving_pressure": "  of it, net driving pressure alone",
    "normalised_permeate_flow": "permeate flow, like for like",
    "normalised_salt_passage": "salt passage, like for like",
    "normalised_differential_pressure": "differential pressure, like for like",
    "element_water_permeability": "water permeability, membrane model",
    "element_salt_permeability": "salt permeability, membrane model",
    "spacer_friction": "spacer friction, membrane model",
}


def _say(result: Result, standings: list[Standing], page: Path | None) -> None:
    for standing in standings:
        print(f"\n{standing.sentence}\n")
        for name, change in standing.changes.items():
            print(f"  {_NAMES.get(name, name):38} {signed(change.value):>8}   {interval(change)}")
        print(f"\n{recoveries(standing)}", end="")
        for name, change in standing.changes.items():
            if change.budget is not None:
                print(
                    f"\nHow sure is {_NAMES.get(name, name).strip()}? {budget_words(change.budget)}", end=""
                )
        print()
    print(f"\n{result.rows_used} of {len(result)} readings used.", end="")
    for why, rows in result.reason_counts.items():
        print(f" {rows}: {why}.", end="")
    print()
    for verdict in result.screening.verdicts if result.screening is not None else ():
        print(f"{verdict.sentence}.")
    for limit in result.limits:
        for beyond, what in ((limit.below, "below the low"), (limit.above, "above the high")):
            if beyond:
                print(f"{beyond} readings of {limit.column} lie {what} limit of the site file.")
    cli._say_left_out(result)
    print(f"Temperature law: {result.method['temperature_law']}.")
    print(certainty(result.knows_errors))
    print(f"\n{CAUTIONS}")
    if page is not None:
        print(f"\npage: {page}")
