"""The command `start-up`: the first days' readings, held against the rating, kept as the baseline of all
that follows.
"""

from __future__ import annotations

import argparse
import json
from pathlib import Path
from typing import TYPE_CHECKING

from brinemark import cli
from brinemark.words import CAUTIONS, CAUTIONS_IN_FULL, wrapped

if TYPE_CHECKING:
    from brinemark import StartUp

_COLUMNS = 90


def add(commands: argparse._SubParsersAction[argparse.ArgumentParser]) -> None:
    """Adds the command to those there are."""
    command = commands.add_parser(
        "start-up",
        help="make the start-up record: settled, as promised, and the baseline of all that follows",
        description="Finds from when on the first readings have settled, holds them against the elements' "
        "rating under their own "
        "conditions, and leaves a record that every later command takes as --baseline.",
    )
    cli._add_reading(command)
    command.add_argument("--start", metavar="TIME", help="when it was started: 2026-04-02T10:00-07:00")
    command.add_argument("--hours", type=float, default=48.0, help="how long to look at (48)")
    command.add_argument("--level", type=float, default=0.90, help="how often intervals hold the truth (0.9)")
    command.add_argument(
        "--out", type=Path, metavar="RECORD", help="keep the record (.json); never written over"
    )
    command.add_argument("--page", type=Path, metavar="PAGE", help="a page of it to print (.html)")
    cli._add_json(command)
    command.set_defaults(run=_start_up)


def _start_up(given: argparse.Namespace) -> int:
    import brinemark as bm

    steps = cli._Steps()
    log, site = cli._read_log(given, steps)
    steps.say("looking at the first hours")
    found = bm.start_up(log, site, start=given.start, hours=given.hours, level=given.level)
    if given.page is not None:
        from brinemark.page.start_up import start_up_page

        cli._write(given.page, start_up_page(found, log, site))
    if given.out is not None:
        try:
            found.save(given.out)
        except FileExistsError:
            raise cli._UnusableError(
                f"{given.out} is there already: a start-up record is made once; name another file"
            ) from None
        except OSError as cause:
            raise cli._UnusableError(f"{given.out} can't be written: {cause.strerror}") from cause
    if given.json:
        print(json.dumps({**json.loads(found.text), "cautions": CAUTIONS_IN_FULL}, indent=2))
        return 0
    print("\n".join(screen(found)))
    for path in (given.out, given.page):
        if path is not None:
            print(f"written: {path}")
    return 0


def screen(found: StartUp) -> list[str]:
    """The record on one screen, at most 90 characters wide."""
    from brinemark import start_up_words as words
    from brinemark.words import group_name

    lines = [f"{found.site_name}: start-up"]
    for group in found.groups:
        who = group_name(group.train, group.stage)
        lines += ["", *wrapped(f"{group.verdict.upper()}: {group.sentence}", _COLUMNS)]
        if group.checks:
            lines += [
                "",
                f"{who or '':24}{'as read':>14}{'expected (90 %)':>24}".replace(
                    "90", f"{100 * group.checks[0].expected.level:.0f}"
                ),
            ]
            lines += [
                f"  {what:22}{read:>14}{expected:>24}  {beside}"
                for what, read, expected, beside in words.rows(group)
            ]
        lines += ["", *wrapped(words.settling(group), _COLUMNS)]
        for each in words.looks_like(group):
            lines += wrapped(each, _COLUMNS)
        if group.taken_as_exact and group.checks:
            lines += wrapped(
                f"Taken as exact, since the site file doesn't tell: {', '.join(group.taken_as_exact)}.",
                _COLUMNS,
            )
    return [*lines, *wrapped(CAUTIONS, _COLUMNS)]
