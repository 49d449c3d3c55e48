"""The commands about which readings can be trusted: screen, average."""

from __future__ import annotations

import argparse
import json
from pathlib import Path

from brinemark import cli
from brinemark.words import CAUTIONS


def add(commands: argparse._SubParsersAction[argparse.ArgumentParser]) -> None:
    """Adds the commands to those there are."""
    command = commands.add_parser(
        "screen",
        help="say which readings can be trusted, and which instrument is wrong",
        description="Tests every reading beside its neighbours, and every instrument beside the others. The "
        "site file's [screen] says how strictly; there a period can be kept or set aside, too.",
    )
    cli._add_reading(command)
    command.add_argument("--out", type=Path, metavar="TABLE", help="a .csv of every row with its reasons")
    command.add_argument("--plot", type=Path, metavar="PICTURE", help="a .png or .svg of what was set aside")
    cli._add_json(command)
    command.set_defaults(run=_screen)

    command = commands.add_parser(
        "average",
        help="average a log whose pressure is never steady",
        description="Screens a log, and writes means over windows: of whole cycles, where pressure cycles.",
    )
    cli._add_reading(command)
    command.add_argument("--out", required=True, type=Path, metavar="TABLE", help="the .csv to write")
    command.add_argument(
        "--minutes", type=float, help="how long a window shall be; without it, chosen from the readings"
    )
    cli._add_json(command)
    command.set_defaults(run=_average)


def _screen(given: argparse.Namespace) -> int:
    import brinemark as bm

    if given.out is not None and given.out.suffix != ".csv":
        raise cli._UnusableError(f"--out {given.out}: a name that ends in .csv")
    if given.plot is not None and given.plot.suffix not in (".png", ".svg"):
        raise cli._UnusableError(f"--plot {given.plot}: a name that ends in .png or .svg")
    steps = cli._Steps()
    log, site = cli._read_log(given, steps)
    steps.say(f"screening {len(log)} readings")
    screening = bm.screen(log, site)
    if given.out is not None:
        steps.say(f"writing {given.out}")
        try:
            screening.write_csv(given.out)
        except OSError as cause:
            raise cli._UnusableError(f"{given.out} can't be written: {cause.strerror}") from cause
    if given.plot is not None:
        steps.say(f"drawing {given.plot}")
        drawn = [name for name in ("feed_pressure", "permeate_flow", "permeate_conductivity") if name in log]
        try:
            screening.plot(drawn or log.columns[:1]).savefig(given.plot, dpi=150)
        except OSError as cause:
            raise cli._UnusableError(f"{given.plot} can't be written: {cause.strerror}") from cause
    if given.json:
        print(json.dumps({**screening.summary(), "cautions": CAUTIONS}, indent=2))
        return 0
    print(screening.sentence)
    print(f"\n  {'test':18}{'passed':>9}{'failed':>9}{'not applicable':>16}{'set aside':>11}")
    for count in screening.counts:
        row = f"  {count.name:18}{count.passed:>9}{count.failed:>9}"
        print(f"{row}{count.not_applicable:>16}{count.set_aside:>11}")
    print()
    for verdict in screening.verdicts:
        print(f"{verdict.sentence}.")
        for relation, found, expected in verdict.evidence:
            if abs(expected) >= 0.002 or abs(found) >= 0.01:
                print(f"    {relation}: moved {100 * found:+.1f} %, expected {100 * expected:+.1f} %")
        if not verdict.is_sure:
            print("    Not sure enough to set readings aside.")
    if not screening.verdicts:
        print("No instrument is found to have stepped or drifted.")
    print("\nTo disagree: [screen] keep, set_aside, tell or off in the site file.")
    print(f"\n{CAUTIONS}")
    return 0


def _average(given: argparse.Namespace) -> int:
    import brinemark as bm

    if given.out.suffix != ".csv":
        raise cli._UnusableError(f"--out {given.out}: a name that ends in .csv")
    steps = cli._Steps()
    log, site = cli._read_log(given, steps)
    steps.say(f"screening {len(log)} readings")
    screening = bm.screen(log, site)
    hours = None if given.minutes is None else given.minutes / 60
    averaged = bm.average(screening.log, site, window_h=hours)
    averaged.log.write_csv(given.out)
    if given.json:
        print(
            json.dumps(
                {
                    "why": averaged.why,
                    "rows": len(averaged.log),
                    "kept": averaged.kept,
                    "table": str(given.out),
                },
                indent=2,
            )
        )
        return 0
    print(screening.sentence)
    print(f"{averaged.why[0].upper()}{averaged.why[1:]}.")
    print(f"{len(averaged.log)} means hold {100 * averaged.kept:.0f} % of the readings that stand.")
    print(f"written: {given.out}")
    return 0
