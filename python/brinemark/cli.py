"""The command `brinemark`: for a technician what the library is for a notebook.

Exit status: 0 done; 1 input refused, with one message a fault; 2 misuse of the command.
"""

from __future__ import annotations

import argparse
import json
import re
import sys
import time
from pathlib import Path
from typing import TYPE_CHECKING, Any

from brinemark.words import CAUTIONS

# Everything heavy is imported where it is used: `brinemark --help` must come at once.
if TYPE_CHECKING:
    from collections.abc import Sequence

    from brinemark import Budget, Log, Result, Site, Standing


def main(arguments: Sequence[str] | None = None) -> int:
    """Runs the command with the given arguments, or those of the shell; returns its exit status."""
    parser = _parser()
    given = parser.parse_args(arguments)
    try:
        return int(given.run(given))
    except ValueError as refusal:
        # A refusal is said in words; anything else is a fault of ours and keeps its trace.
        if not isinstance(refusal, _refusals()):
            raise
        return _refuse(given, refusal)
    except BrokenPipeError:
        # The reader of our output has gone (as in `brinemark template | head`); that is no fault.
        sys.stderr.close()
        return 0


def _parser() -> argparse.ArgumentParser:
    parser = argparse.ArgumentParser(
        prog="brinemark",
        description="Like-for-like figures for reverse-osmosis units: what changed, and how sure that is.",
        epilog="Start with: brinemark demo. Then: brinemark template > site.toml, fill it in, and "
        "brinemark assess LOG.csv --site site.toml --out page.html",
    )
    parser.add_argument("--version", action="store_true", help="print the version and stop")
    parser.set_defaults(run=_version_or_help, json=False, parser=parser)
    commands = parser.add_subparsers(title="commands", metavar="COMMAND")

    command = commands.add_parser(
        "normalise",
        help="write every reading of a log, like for like",
        description="Writes every row of the log with its normalised figures, and why a row was set aside.",
    )
    _add_log(command)
    command.add_argument(
        "--out", required=True, type=Path, metavar="TABLE", help="a .csv or .parquet file to write"
    )
    command.set_defaults(run=_normalise)

    command = commands.add_parser(
        "assess",
        help="say how the unit stands, and make the page",
        description="Compares the last days of the log with the reference, in words and as a page.",
    )
    _add_log(command)
    command.add_argument("--out", type=Path, metavar="PAGE", help="the .html page to write")
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
    _add_json(command)
    command.set_defaults(run=_demo)

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
    _add_json(command)
    command.set_defaults(run=_describe)

    command = commands.add_parser(
        "template",
        help="print a commented site file to fill in",
        description="Prints a site file with every key, to be saved and filled in.",
    )
    command.set_defaults(run=_template)

    command = commands.add_parser(
        "instruments",
        help="list typical accuracies of instruments to choose from",
        description="Lists typical classes of instruments, for [instruments] in the site file. An "
        "instrument's own data sheet or calibration is better than any of them.",
    )
    _add_json(command)
    command.set_defaults(run=_instruments)

    command = commands.add_parser(
        "columns",
        help="list the columns of a log and what each analysis needs",
        description="Lists the columns a log may have, and which each analysis needs.",
    )
    _add_json(command)
    command.set_defaults(run=_columns)

    from brinemark import cli_records, cli_screen

    cli_screen.add(commands)
    cli_records.add(commands)
    return parser


def _add_json(command: argparse.ArgumentParser) -> None:
    command.add_argument("--json", action="store_true", help="print JSON instead of text")


def _add_reading(command: argparse.ArgumentParser) -> None:
    """A log, its site, and how the log is read."""
    command.add_argument(
        "log",
        type=Path,
        nargs="+",
        metavar="LOG",
        help="the readings: CSV or other text with separators (also .gz, .zst), a workbook, Parquet; several "
        "files of one plant are read as one log",
    )
    command.add_argument("--site", required=True, type=Path, metavar="SITE", help="the site file")
    command.add_argument(
        "--mapping",
        type=Path,
        metavar="FILE",
        help="a TOML file with the log's headers and how it is written",
    )
    command.add_argument("--tz", help="time zone of times without an offset, such as Etc/GMT+7")
    command.add_argument("--time-format", help="how times are written, such as '%%m/%%d/%%Y %%H:%%M'")
    command.add_argument(
        "--unit",
        action="append",
        default=[],
        metavar="COLUMN=UNIT",
        help="unit of a column whose header has none; may be repeated",
    )
    command.add_argument(
        "--column",
        action="append",
        default=[],
        metavar="THEIRS=OURS",
        help="rename a header, such as 'P1=feed_pressure [psi]'; may be repeated, for one header too",
    )
    for option, metavar, what in (
        ("--separator", "CHARACTER", "what stands between cells: , ; tab or |"),
        ("--decimal", "MARK", "what stands before decimals: . or , (the other then parts thousands)"),
        ("--sheet", "NAME", "the sheet of a workbook"),
        ("--time-label", "LABEL", "what times say: instant, interval-start or interval-end"),
        ("--interval", "TIME", "the interval of a reading, such as '15 min'"),
        ("--clock-change", "RULE", "times that occur twice: refuse, by-order, earlier or later"),
    ):
        command.add_argument(option, metavar=metavar, help=what)
    command.add_argument("--header-row", type=int, metavar="ROW", help="line of the header, from 1")
    command.add_argument(
        "--units-row", action="store_true", default=None, help="the row under the header holds units"
    )
    command.add_argument(
        "--sort", action="store_true", default=None, help="put readings in the order of time"
    )
    command.add_argument(
        "--leave-out", action="append", default=[], metavar="HEADER", help="a header to pass over"
    )


def _add_log(command: argparse.ArgumentParser) -> None:
    _add_reading(command)
    command.add_argument(
        "--analyses",
        default="permeate_flow,salt_passage,differential_pressure",
        help="which of these to compute, with commas between (all)",
    )
    command.add_argument("--baseline", type=Path, metavar="FILE", help="a reference kept by --save-baseline")
    command.add_argument(
        "--save-baseline",
        type=Path,
        metavar="FILE",
        help="keep the reference, to be used with later logs",
    )
    _add_json(command)


class _Steps:
    """Progress of long work, on standard error where a person watches it."""

    def __init__(self) -> None:
        self._shown = sys.stderr.isatty()
        self._start = time.monotonic()

    def say(self, step: str) -> None:
        if self._shown:
            print(f"[{time.monotonic() - self._start:6.1f} s] {step}", file=sys.stderr, flush=True)

    def share(self, done: float) -> None:
        """How much of the present step is done, on the line of its own that it keeps rewriting."""
        if self._shown:
            end = "\n" if done >= 1 else "\r"
            print(f"{100 * done:13.0f} %", end=end, file=sys.stderr, flush=True)


def _pairs(given: list[str], option: str) -> list[tuple[str, str]]:
    pairs = []
    for pair in given:
        theirs, equals, ours = pair.rpartition("=")
        if not equals or not theirs:
            raise _UnusableError(f"{option} {pair!r}: write it as NAME=VALUE")
        pairs.append((theirs.strip(), ours.strip()))
    return pairs


def _read_log(given: argparse.Namespace, steps: _Steps) -> tuple[Log, Site]:
    import brinemark as bm

    site = bm.Site.load(given.site)
    steps.say(f"reading {', '.join(map(str, given.log))}")
    columns: dict[str, str | Sequence[str] | None] = dict.fromkeys(given.leave_out)
    for theirs, ours in _pairs(given.column, "--column"):
        columns[theirs] = [*(columns.get(theirs) or ()), ours]
    log = bm.read_log(
        given.log,
        units=dict(_pairs(given.unit, "--unit")),
        columns=columns,
        mapping=given.mapping,
        tz=given.tz,
        time_format=given.time_format,
        separator=given.separator,
        decimal=given.decimal,
        sheet=given.sheet,
        header_row=given.header_row,
        units_row=given.units_row,
        time_label=given.time_label,
        interval=given.interval,
        clock_change=given.clock_change,
        sort=given.sort,
        watch=steps.share,
    )
    return log, site


def _read(given: argparse.Namespace, steps: _Steps) -> tuple[Log, Site, Result]:
    import brinemark as bm

    log, site = _read_log(given, steps)
    steps.say(f"normalising {len(log)} readings")
    analyses: Any = [name.strip() for name in given.analyses.split(",")]
    kept = None
    if given.baseline is not None:
        try:
            kept = bm.Baseline.from_json(given.baseline.read_text(encoding="utf-8"))
        except OSError as cause:
            raise _UnusableError(f"{given.baseline} can't be read: {cause.strerror}") from cause
    result = bm.normalise(log, site, baseline=kept, analyses=analyses)
    if given.save_baseline is not None:
        _write(given.save_baseline, result.baseline.to_json())
    return log, site, result


def _write(path: Path, text: str) -> None:
    try:
        path.parent.mkdir(parents=True, exist_ok=True)
        path.write_text(text, encoding="utf-8")
    except OSError as cause:
        raise _UnusableError(f"{path} can't be written: {cause.strerror}") from cause


def _write_table(result: Result, path: Path) -> None:
    if path.suffix == ".csv":
        result.write_csv(path)
    elif path.suffix == ".parquet":
        result.write_parquet(path)
    else:
        raise _UnusableError(f"--out {path}: a name that ends in .csv or .parquet")


def _normalise(given: argparse.Namespace) -> int:
    if given.out.suffix not in (".csv", ".parquet"):
        raise _UnusableError(f"--out {given.out}: a name that ends in .csv or .parquet")
    steps = _Steps()
    _, _, result = _read(given, steps)
    steps.say(f"writing {given.out}")
    _write_table(result, given.out)
    if given.json:
        print(json.dumps({**result.summary(), "table": str(given.out)}, indent=2))
    else:
        print(result)
        _say_left_out(result)
        print(f"written: {given.out}")
    return 0


def _assess(given: argparse.Namespace) -> int:
    import brinemark as bm

    steps = _Steps()
    _, _, result = _read(given, steps)
    steps.say("assessing")
    standings = bm.assess(result, days=given.days, level=given.level)
    if given.out is not None:
        steps.say(f"making the page {given.out}")
        _write(given.out, bm.report(result, days=given.days, level=given.level).html)
    if given.json:
        print(json.dumps(_assessment(result, standings, given.out), indent=2))
    else:
        _say(result, standings, given.out)
    return 0


def _demo(given: argparse.Namespace) -> int:
    import shutil

    import brinemark as bm

    steps = _Steps()
    site = bm.Site.load(bm.demo.site_path())
    steps.say("reading the demo's log")
    log = bm.read_log(bm.demo.log_path())
    result = bm.normalise(log, site)
    standings = bm.assess(result)
    steps.say("making the page")
    page = given.out / "page.html"
    _write(page, bm.report(result).html)
    result.write_csv(given.out / "normalised.csv")
    for source in (bm.demo.log_path(), bm.demo.site_path()):
        shutil.copyfile(source, given.out / source.name)
    if given.json:
        print(json.dumps(_assessment(result, standings, page), indent=2))
    else:
        print(f"An invented plant, {site.name}: {len(log)} readings.")
        _say(result, standings, page)
        print("Beside it: the log (plant.csv), the site file (site.toml), the table (normalised.csv).")
    return 0


def _describe(given: argparse.Namespace) -> int:
    import brinemark as bm

    if given.rows < 1:
        raise _UnusableError(f"--rows {given.rows}: 1 or more")
    # A mapping that someone has corrected is worth more than a proposal.
    if given.out is not None and given.out.exists() and not given.force:
        raise _UnusableError(f"{given.out} is there already: choose another name, or add --force")
    found = bm.describe(given.log, rows=given.rows)
    if given.out is not None:
        _write(given.out, found.mapping())
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


def _template(_: argparse.Namespace) -> int:
    import brinemark as bm

    print(bm.Site.template(), end="")
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
    from brinemark.words import budget_words, certainty, interval, recoveries, signed

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
    _say_left_out(result)
    print(f"Temperature law: {result.method['temperature_law']}.")
    print(certainty(result.knows_errors))
    print(f"\n{CAUTIONS}")
    if page is not None:
        print(f"\npage: {page}")


def _say_left_out(result: Result) -> None:
    if result.log.left_out:
        print(f"Columns of the file that are no readings brinemark knows: {', '.join(result.log.left_out)}.")


def _version_or_help(given: argparse.Namespace) -> int:
    if given.version:
        import brinemark as bm

        print(f"brinemark {bm.__version__}")
        return 0
    given.parser.print_help(sys.stderr)
    return 2


class _UnusableError(ValueError):
    """An argument of the command that can't be used."""


def _refusals() -> tuple[type[ValueError], ...]:
    import brinemark as bm

    return (bm.BrinemarkError, _UnusableError)


def _in_the_command(message: str) -> str:
    """A message of the library, with the command's options in place of Python's arguments."""
    for python, option in (
        (r'columns=\{"([^"]+)": None\}', r"--leave-out '\1'"),
        (r'columns=\{"([^"]+)": \["([^"]+)", "([^"]+)"\]\}', r"--column '\1=\2' --column '\1=\3'"),
        (r'columns=\{"([^"]+)": "([^"]+)"\}', r"--column '\1=\2'"),
        (r'units=\{"([^"]+)": "([^"]+)"\}', r"--unit '\1=\2'"),
        (r'tz="([^"]+)"', r"--tz \1"),
        (r"leave it out with None", "leave it out with --leave-out"),
    ):
        message = re.sub(python, option, message)
    # What is left are settings, with a value or named alone.
    message = re.sub(rf'\b({_SETTINGS})=(True|"[^"]*"|\w+)', _option, message)
    return re.sub(r"\b(time_format|time_label|clock_change|header_row)\b", _option, message)


_SETTINGS = "time_format|time_label|interval|clock_change|separator|decimal|sheet|header_row|units_row|sort"


def _option(setting: re.Match[str]) -> str:
    name, *value = setting.groups()
    return " ".join([f"--{name.replace('_', '-')}", *(word for word in value if word != "True")])


def _refuse(given: argparse.Namespace, refusal: ValueError) -> int:
    faults = getattr(refusal, "faults", [])
    if given.json:
        listed = [
            {
                "file": fault.file,
                "row": fault.row,
                "line": fault.line,
                "column": fault.column,
                "value": fault.value,
                "problem": fault.problem,
                "remedy": fault.remedy,
            }
            for fault in faults
        ]
        print(
            json.dumps(
                {"refused": type(refusal).__name__, "message": str(refusal), "faults": listed},
                indent=2,
            )
        )
    else:
        print(f"brinemark: {_in_the_command(str(refusal))}", file=sys.stderr)
    return 1


if __name__ == "__main__":
    # By its own name, so that its refusals are those that the other modules raise.
    from brinemark.cli import main as run

    sys.exit(run())
