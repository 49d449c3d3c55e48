"""The commands to look before anything is computed: describe, template, instruments, columns."""

from __future__ import annotations

import argparse
import json
from pathlib import Path

from brinemark import cli


def add(commands: argparse._SubParsersAction[argparse.ArgumentParser]) -> None:
    """Adds the commands to those there are."""
    command = commands.add_parser(
        "describe",
        help="propose what the columns of an unknown log are",
        description="Proposes which column of a file is what, in which unit, with the evidence. Nothing is "
        "applied: the mapping file it writes is to be read and corrected first.",
    )
    command.add_argument("log", type=Path, metavar="LOG", help="the readings, a text file of any separator")
    command.add_argument("--out", type=Path, metavar="FILE", help="the mapping file to write (.toml)")
    command.add_argument("--force", action="store_true", help="write over a file that is already there")
    command.add_argument(
        "--rows", type=int, default=5000, help="how many of the first rows to look at (5000)"
    )
    cli._add_json(command)
    command.set_defaults(run=_describe)

    command = commands.add_parser(
        "template",
        help="print a commented site file to fill in",
        description="Prints a site file with every key, to be saved and filled in.",
    )
    other = command.add_mutually_exclusive_group()
    other.add_argument("--terms", action="store_true", help="a terms file of a warranty, in its place")
    other.add_argument("--demand", action="store_true", help="a demand file to size a unit for, in its place")
    command.set_defaults(run=_template)

    command = commands.add_parser(
        "instruments",
        help="list typical accuracies of instruments to choose from",
        description="Lists typical classes of instruments, for [instruments] in the site file. An "
        "instrument's own data sheet or calibration is better than any of them.",
    )
    cli._add_json(command)
    command.set_defaults(run=_instruments)

    command = commands.add_parser(
        "columns",
        help="list the columns of a log and what each analysis needs",
        description="Lists the columns a log may have, and which each analysis needs.",
    )
    cli._add_json(command)
    command.set_defaults(run=_columns)


def _describe(given: argparse.Namespace) -> int:
    import brinemark as bm

    if given.rows < 1:
        raise cli._UnusableError(f"--rows {given.rows}: 1 or more")
    # A mapping that someone has corrected is worth more than a proposal.
    if given.out is not None and given.out.exists() and not given.force:
        raise cli._UnusableError(f"{given.out} is there already: choose another name, or add --force")
    found = bm.describe(given.log, rows=given.rows)
    if given.out is not None:
        cli._write(given.out, found.mapping())
    if given.json:
        written = None if given.out is None else str(given.out)
        print(json.dumps({**json.loads(found.to_json()), "mapping": written}, indent=2))
        return 0
    print(found)
    if given.out is None:
        print("Proposals, none of them applied. --out FILE writes them as a mapping file to correct.")
    else:
        print(f"written: {given.out}. Proposals, none of them applied: read and correct the file before use.")
    return 0


def _template(given: argparse.Namespace) -> int:
    import brinemark as bm

    of = bm.Terms if given.terms else bm.Demand if given.demand else bm.Site
    print(of.template(), end="")
    return 0


def _instruments(given: argparse.Namespace) -> int:
    import brinemark as bm

    names = ("name", "what", "quantity", "accuracy", "source")
    classes = [dict(zip(names, row, strict=True)) for row in bm.instrument_classes()]
    if given.json:
        print(json.dumps({"classes": classes}, indent=2))
        return 0
    print("Typical classes, taken only where the site file names one. Choose what the instrument is.\n")
    for of in classes:
        print(f"  {of['name']:22} {of['accuracy']:27} {of['what']}")
        print(f"  {'':22} {of['source']}")
    print("\nIn the site file, with the span where the accuracy is of it:\n")
    print("  [instruments]")
    print('  permeate_flow = { class = "float-meter", span = "10 gpm", resolution = "0.1 gpm" }')
    print('  feed_temperature = { accuracy = "1 degF" }   # an accuracy of your own needs no class')
    return 0


def _columns(given: argparse.Namespace) -> int:
    import brinemark as bm

    needs = bm.requirements()
    if given.json:
        columns = [{"name": name, "unit": unit, "what": what} for name, unit, what in bm.log_columns()]
        print(json.dumps({"columns": columns, "analyses": needs}, indent=2))
        return 0
    print("time, and where there are several: train, stage (1, 2, …). Then, with a unit in brackets:\n")
    for name, unit, what in bm.log_columns():
        header = f"{name} [{unit}]" if unit else name
        print(f"  {header:36} {what}")
    print("\nNeeded, measured or to be worked out from other columns:\n")
    for analysis, (measured, assumable) in needs.items():
        others = [name for name in assumable if name not in measured]
        print(f"  {analysis}: {', '.join(measured)};")
        print(f"      and, which the site file may also assume: {', '.join(others)}")
    return 0
