"""The commands about what to record and what is due: due, meter, sheet, record."""

from __future__ import annotations

import argparse
import datetime
import json
import textwrap
from pathlib import Path
from typing import Any

from brinemark import cli
from brinemark.words import CAUTIONS


def add(commands: argparse._SubParsersAction[argparse.ArgumentParser]) -> None:
    """Adds the commands to those there are."""
    command = commands.add_parser(
        "due",
        help="say what is due: calibrations, lamps, filters",
        description="Lists what the [[service]] entries of the site file say is due, and when.",
    )
    _add_site(command)
    _add_on(command)
    cli._add_json(command)
    command.set_defaults(run=_due)

    command = commands.add_parser(
        "meter",
        help="check a conductivity or TDS meter in its calibration solution",
        description="Says how far a meter is off in its calibration solution, and whether that is within its "
        "accuracy. A figure below zero needs an equals sign: --previous=-0.01",
    )
    command.add_argument("reading", type=float, metavar="READING", help="what the meter shows")
    command.add_argument("unit", metavar="UNIT", help="the unit it shows: uS/cm, mS/cm, ppm, …")
    command.add_argument(
        "--solution",
        required=True,
        help="'KCl 0.01 mol/kg' (or 0.1, 1), or the label's value: '1413 uS/cm', '1278 uS/cm at 20 degC', "
        "'1000 ppm'",
    )
    command.add_argument(
        "--temperature",
        required=True,
        metavar="T",
        help="temperature of the solution with its unit: '25 degC', '77 degF'",
    )
    command.add_argument(
        "--compensated",
        required=True,
        choices=("yes", "no"),
        help="whether the meter shows the value at 25 degC, whatever the temperature",
    )
    command.add_argument("--alpha", type=float, help="its compensation in 1/degC, where known, such as 0.02")
    command.add_argument("--accuracy", help="how far the meter may be off: '2 %% of reading', '5 uS/cm'")
    command.add_argument(
        "--solution-accuracy", help="how far the solution may be off, by its label: '1 %% of reading'"
    )
    command.add_argument(
        "--previous", type=float, help="how far it was off at the check before, as a share: 0.015"
    )
    command.add_argument("--level", type=float, default=0.95, help="how sure a verdict shall be (0.95)")
    cli._add_json(command)
    command.set_defaults(run=_meter)

    command = commands.add_parser(
        "sheet",
        help="leave a blank log and a visit's sheet to print",
        description="Leaves log.csv, the header of a log in the site's columns and units, and visit.html, a "
        "page for one visit, to be printed.",
    )
    _add_site(command)
    command.add_argument(
        "--out",
        required=True,
        type=Path,
        metavar="FOLDER",
        help="where to leave them; no log is written over",
    )
    command.add_argument(
        "--visits",
        action="store_true",
        help="leave visits.csv too: the log's columns with words beside them",
    )
    command.add_argument("--paper", choices=("A4", "Letter"), default="A4", help="the page's paper (A4)")
    _add_on(command)
    cli._add_json(command)
    command.set_defaults(run=_sheet)

    command = commands.add_parser(
        "record",
        help="say how far a log falls short of the record that the standard asks for",
        description="Holds a log against what the record-keeping standard asks for (ASTM D4472, as restated "
        "and from memory), and says what falling short costs.",
    )
    cli._add_reading(command)
    cli._add_json(command)
    command.set_defaults(run=_record)


def _add_site(command: argparse.ArgumentParser) -> None:
    command.add_argument("--site", required=True, type=Path, metavar="SITE", help="the site file")


def _add_on(command: argparse.ArgumentParser) -> None:
    command.add_argument(
        "--on",
        default=datetime.date.today().isoformat(),
        metavar="DATE",
        help="as of which date, such as 2026-11-26 (today)",
    )


def _due(given: argparse.Namespace) -> int:
    import brinemark as bm

    site = bm.Site.load(given.site)
    found = bm.due(site, on=given.on)
    if given.json:
        names = (
            "what",
            "of",
            "every",
            "last",
            "next",
            "due_in_days",
            "overdue_days",
            "never_done",
            "note",
            "sentence",
        )
        entries = [_of(each, names) for each in found]
        print(json.dumps({"site": site.name, "on": given.on, "due": entries, "cautions": CAUTIONS}, indent=2))
        return 0
    if not found:
        print(f"{site.name}: the site file has no [[service]] entries and no calibrated_on.")
    for each in found:
        print(f"  {each.sentence}{f' ({each.note})' if each.note else ''}")
    print(f"\n{CAUTIONS}")
    return 0


def _meter(given: argparse.Namespace) -> int:
    import brinemark as bm

    check = bm.check_meter(
        given.reading,
        given.unit,
        solution=given.solution,
        temperature_degc=cli._needed("--temperature", given.temperature, "degC"),
        compensated=given.compensated == "yes",
        alpha_per_degc=given.alpha,
        accuracy=given.accuracy,
        solution_accuracy=given.solution_accuracy,
        previous=given.previous,
        level=given.level,
    )
    if given.json:
        names = (
            "reading",
            "expected",
            "unit",
            "off",
            "off_u",
            "allowed",
            "probability",
            "verdict",
            "factor",
            "drift",
        )
        found = _of(check, (*names, "notes", "advice", "sentence"))
        sources = [{"source": name, "u": u} for name, u in check.sources]
        print(json.dumps({**found, "level": given.level, "sources": sources, "cautions": CAUTIONS}, indent=2))
        return 0
    print(check.sentence)
    if check.sources:
        parts = ", ".join(f"{name} {100 * u:.2f} %" for name, u in check.sources)
        print(f"What can't be known, as u: {parts}.")
    for each in (*check.notes, *check.advice):
        print(f"- {each}")
    print(f"\n{CAUTIONS}")
    return 0


def _sheet(given: argparse.Namespace) -> int:
    import brinemark as bm

    site = bm.Site.load(given.site)
    try:
        left = bm.sheet(site, on=given.on, paper=given.paper).save(given.out, visits=given.visits)
    except FileExistsError as cause:
        raise cli._UnusableError(str(cause)) from cause
    except OSError as cause:
        raise cli._UnusableError(f"{given.out} can't be written: {cause.strerror}") from cause
    if given.json:
        print(json.dumps({"site": site.name, "files": [str(path) for path in left]}, indent=2))
    else:
        print(f"written: {', '.join(str(path) for path in left)}")
        print("Print visit.html from a browser; fill in log.csv row by row, times as 2026-03-01T08:15-07:00.")
    return 0


def _record(given: argparse.Namespace) -> int:
    import brinemark as bm

    log, site = cli._read_log(given, cli._Steps())
    found = bm.completeness(log, site)
    if given.json:
        names = ("section", "quantity", "columns", "often", "per_stage", "source", "asked", "held", "share")
        entries = [
            _of(each, (*names, "longest_gap_h", "verdict", "refused", "cost")) for each in found.requirements
        ]
        whole = {"assumed": found.assumed, "refusals": found.refusals, "cautions": CAUTIONS}
        print(json.dumps({"site": site.name, "requirements": entries, **whole}, indent=2))
        return 0
    section = ""
    for each in found.requirements:
        if each.section != section:
            section = each.section
            print(f"\n{section[:1].upper()}{section[1:]}\n")
        print(f"  {each.verdict:17} {each.quantity}, {each.often}{_counted(each)}")
        if each.cost:
            print(textwrap.fill(each.cost, 110, initial_indent=20 * " ", subsequent_indent=20 * " "))
    for why in found.refusals:
        print(f"\nRefused as it stands: {why}")
    print(f"\n{textwrap.fill(found.assumed, 110)}")
    sources = sorted({each.source for each in found.requirements})
    print(f"Asked for by: {'; '.join(sources)}.")
    print(f"\n{CAUTIONS}")
    return 0


def _counted(each: Any) -> str:
    if not each.asked:
        return ""
    gap = "" if each.longest_gap_h is None else f", longest without {each.longest_gap_h:.0f} h"
    return f": {each.held} of {each.asked}{gap}"


def _of(found: Any, names: tuple[str, ...]) -> dict[str, Any]:
    return {name: getattr(found, name) for name in names}
