"""The commands about a site's folder: folder, done."""

from __future__ import annotations

import argparse
import datetime
import json
from pathlib import Path

from brinemark import cli


def add(commands: argparse._SubParsersAction[argparse.ArgumentParser]) -> None:
    """Adds the commands to those there are."""
    command = commands.add_parser(
        "folder",
        help="make the folder of a unit, to keep its visits in",
        description="Makes a folder with the site file, a log in its columns and units, and a table of "
        "what is done. An existing log is brought over, and kept as it was. Nothing is written over.",
    )
    command.add_argument("folder", type=Path, metavar="FOLDER", help="the folder to make")
    command.add_argument("--site", required=True, type=Path, metavar="SITE", help="the site file")
    command.add_argument(
        "--log", nargs="+", type=Path, default=[], metavar="LOG", help="readings that there are already"
    )
    cli._add_how_read(command)
    cli._add_json(command)
    command.set_defaults(run=_folder)

    command = commands.add_parser(
        "done",
        help="note in a unit's folder that something was done: a calibration, a lamp, a filter",
        description="Adds a line to the folder's services.csv; what is due counts from it.",
    )
    command.add_argument("folder", type=Path, metavar="FOLDER", help="the unit's folder")
    command.add_argument(
        "what", metavar="WHAT", help="calibration, lamp, prefilter, sanitising or other, as in [[service]]"
    )
    command.add_argument(
        "--of", metavar="NAME", help="the column whose instrument was calibrated, or the entry's name"
    )
    command.add_argument(
        "--on", default=datetime.date.today().isoformat(), metavar="DATE", help="the day it was done (today)"
    )
    add_words(command)
    cli._add_json(command)
    command.set_defaults(run=_done)


def add_words(command: argparse._ActionsContainer) -> None:
    """Who, and anything else."""
    command.add_argument("--who", metavar="NAME", help="who did it")
    command.add_argument("--note", metavar="TEXT", help="anything else, in words")


def _folder(given: argparse.Namespace) -> int:
    import brinemark as bm

    made = bm.SiteFolder.create(given.folder, site=given.site, log=given.log, **cli._reading(given))
    files = sorted(path.name for path in given.folder.iterdir())
    if given.json:
        print(json.dumps({"folder": str(given.folder), "files": files, "told": made.told}, indent=2))
        return 0
    for text in made.told:
        print(text)
    print(f"made: {given.folder}, with {', '.join(files)}")
    print(f"Next: brinemark check {given.folder} --add 'feed_pressure=150 psi' --add … --who NAME")
    return 0


def _done(given: argparse.Namespace) -> int:
    import brinemark as bm

    folder = bm.SiteFolder.open(given.folder)
    added = folder.service(given.what, of=given.of, on=given.on, who=given.who, note=given.note)
    told = [*folder.told, *added.told]
    if given.json:
        print(json.dumps({"line": added.line, "already_there": added.already_there, "told": told}, indent=2))
        return 0
    for text in told:
        print(text)
    print(f"{'was noted already' if added.already_there else 'noted'}: {added.line}")
    return 0
