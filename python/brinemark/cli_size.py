"""The command `size`: how big a unit a demand needs, on one screen."""

from __future__ import annotations

import argparse
import json
from pathlib import Path
from typing import TYPE_CHECKING

from brinemark import cli
from brinemark.words import CAUTIONS, digits, quoted_units, sized_rows, sized_words, wrapped

if TYPE_CHECKING:
    from brinemark import Sizing

_COLUMNS = 100
_LINES = 30


def add(commands: argparse._SubParsersAction[argparse.ArgumentParser]) -> None:
    """Adds the command to those there are."""
    command = commands.add_parser(
        "size",
        help="say how big a unit a demand needs, through the year",
        description="Holds a unit, which may be only an idea, against a demand file, month by month, in that "
        "month's water with worn membranes, and finds the smallest unit that meets every month. "
        "`brinemark template --demand` prints a demand file to fill in.",
    )
    command.add_argument("demand", type=Path, metavar="DEMAND", help="the demand file")
    command.add_argument("--site", required=True, type=Path, metavar="SITE", help="the site file")
    command.add_argument(
        "--level", type=float, default=0.90, help="how often an interval shall hold the true figure (0.90)"
    )
    command.add_argument("--out", type=Path, metavar="PAGE", help="a page to leave, .html")
    cli._add_json(command)
    command.set_defaults(run=_size)


def _size(given: argparse.Namespace) -> int:
    import brinemark as bm
    from brinemark.sizing import summary

    steps = cli._Steps()
    steps.say("working out the months")
    found = bm.size(bm.Site.load(given.site), bm.Demand.load(given.demand), level=given.level)
    if given.out is not None:
        steps.say(f"making the page {given.out}")
        cli._write(given.out, bm.sizing_report(found).html)
    if given.json:
        written = None if given.out is None else str(given.out)
        print(json.dumps({**summary(found), "page": written}, indent=2))
        return 0
    print("\n".join(screen(found)))
    if given.out is not None:
        print(f"written: {given.out}")
    return 0


def screen(found: Sizing) -> list[str]:
    """A sizing on one screen: at most 30 lines of at most 100 characters."""
    units = quoted_units(found)
    head = [
        f"{found.site}: {found.demand.name}"[:_COLUMNS],
        *_wrapped(found.sentence),
        "",
        f"{found.present.words}, worn, at {digits(found.pressure_limit)} {units['pressure']} "
        "(*: held there, below the flow it is set to):",
        *_table(found),
    ]
    told = [line for text in sized_words(found) for line in _wrapped(text)]
    caution = _wrapped(CAUTIONS)
    lines = [*head, *told, *caution]
    if len(lines) > _LINES:
        lines.remove("")
    if len(lines) > _LINES:
        more = ["More is to be said than fits here: --out PAGE.html says it."]
        room = _LINES - len(head) + 1 - len(caution) - len(more)
        lines = [line for line in (*head, *told[:room], *more, *caution) if line]
    return lines


def _wrapped(text: str) -> list[str]:
    return wrapped(text, _COLUMNS)


def _table(found: Sizing) -> list[str]:
    heads, rows = sized_rows(found, found.present)
    cells = [heads, *rows]
    wide = [max(len(row[at]) for row in cells) for at in range(len(heads))]
    return [
        "  ".join(
            cell.ljust(width) if at == 0 else cell.rjust(width)
            for at, (cell, width) in enumerate(zip(row, wide, strict=True))
        ).rstrip()
        for row in cells
    ]
