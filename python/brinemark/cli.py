"""The command `brinemark`: for a technician what the library is for a notebook.

Exit status: 0 done; 1 input refused, with one message a fault; 2 misuse of the command.
"""

from __future__ import annotations

import argparse
import json
import sys
import time
from pathlib import Path
from typing import TYPE_CHECKING, Any

# Everything heavy is imported where it is used: `brinemark --help` must come at once.
if TYPE_CHECKING:
    from collections.abc import Sequence

    from brinemark import Baseline, Log, Result, Site


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
        from brinemark import cli_refuse

        return cli_refuse.refuse(refusal, as_json=given.json)
    except BrokenPipeError:
        # The reader of our output has gone (as in `brinemark template | head`); that is no fault.
        sys.stderr.close()
        return 0


def _parser() -> argparse.ArgumentParser:
    from brinemark import (
        cli_assess,
        cli_check,
        cli_compare,
        cli_folder,
        cli_look,
        cli_records,
        cli_scaling,
        cli_screen,
        cli_settings,
        cli_size,
        cli_start_up,
        cli_trend,
        cli_warranty,
    )

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

    cli_settings.add(commands)
    cli_scaling.add(commands)
    cli_start_up.add(commands)
    cli_assess.add(commands)
    cli_check.add(commands)
    cli_folder.add(commands)
    cli_trend.add(commands)
    cli_compare.add(commands)
    cli_warranty.add(commands)
    cli_size.add(commands)

    cli_look.add(commands)
    cli_screen.add(commands)
    cli_records.add(commands)
    return parser


def _add_json(command: argparse.ArgumentParser) -> None:
    command.add_argument("--json", action="store_true", help="print JSON instead of text")


def _add_reading(
    command: argparse.ArgumentParser, *, log_optional: bool = False, or_folder: bool = False
) -> None:
    """A log, its site, and how the log is read; `or_folder`: or a unit's folder, which has both."""
    command.add_argument(
        "log",
        type=Path,
        nargs="*" if log_optional else "+",
        metavar="LOG",
        help="the readings: CSV or other text with separators (also .gz, .zst), a workbook, Parquet; several "
        f"files of one plant are read as one log{'; or the folder of a unit' if or_folder else ''}",
    )
    command.add_argument(
        "--site",
        required=not log_optional and not or_folder,
        type=Path,
        metavar="SITE",
        help=f"the site file{' (a folder has its own)' if or_folder else ''}",
    )
    _add_how_read(command)


# The arguments that tell how a log is read: header by header, and as a whole.
_BY_HEADER = ("unit", "column", "leave_out")
_READING = (
    *_BY_HEADER,
    *("mapping", "tz", "time_format", "separator", "decimal", "sheet", "header_row", "units_row"),
    *("time_label", "interval", "clock_change", "sort"),
)


def _add_how_read(command: argparse.ArgumentParser) -> None:
    """How a log is read."""
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


_USUAL = "permeate_flow,salt_passage,differential_pressure"


def _add_log(
    command: argparse.ArgumentParser,
    *,
    with_model: bool = False,
    log_optional: bool = False,
    or_folder: bool = False,
) -> None:
    """A log to be normalised; `with_model`: by the membrane model too, where it knows enough."""
    _add_reading(command, log_optional=log_optional, or_folder=or_folder)
    unless_told = f"{_USUAL}{', and membrane_model where the site file tells enough' if with_model else ''}"
    command.add_argument(
        "--analyses",
        default=None if with_model else _USUAL,
        metavar="NAMES",
        help=f"what to compute, with commas between ({unless_told})",
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


def _reading(given: argparse.Namespace) -> dict[str, Any]:
    """How the log is read: the arguments of `read_log`."""
    columns: dict[str, str | Sequence[str] | None] = dict.fromkeys(given.leave_out)
    for theirs, ours in _pairs(given.column, "--column"):
        columns[theirs] = [*(columns.get(theirs) or ()), ours]
    return {
        "units": dict(_pairs(given.unit, "--unit")),
        "columns": columns,
        **{name: getattr(given, name) for name in _READING if name not in _BY_HEADER},
    }


def _figure(option: str, text: str | None, unit: str) -> float | None:
    """A figure that an option gives with its unit, in another unit; None where it is not given."""
    return None if text is None else _needed(option, text, unit)


def _needed(option: str, text: str, unit: str) -> float:
    """The same of an option that must be given."""
    import brinemark as bm

    number, _, word = text.strip().partition(" ")
    # "75%" is as clear as "75 %".
    if text.strip().endswith("%"):
        number, word = text.strip().removesuffix("%").strip(), "%"
    try:
        value = float(number)
    except ValueError:
        raise _UnusableError(
            f"{option} {text!r}: write it as a figure with its unit, such as '25 {unit or '%'}'"
        ) from None
    if not word.strip() and unit:
        raise _UnusableError(f"{option} {text!r}: no unit; write it as '{number} {unit}'")
    return float(bm.convert(value, word.strip(), unit))


def _kept_baseline(path: Path | None) -> Baseline | None:
    import brinemark as bm

    if path is None:
        return None
    try:
        return bm.Baseline.from_json(path.read_text(encoding="utf-8"))
    except OSError as cause:
        raise _UnusableError(f"{path} can't be read: {cause.strerror}") from cause


def _read_log(given: argparse.Namespace, steps: _Steps) -> tuple[Log, Site]:
    import brinemark as bm

    site = bm.Site.load(given.site)
    steps.say(f"reading {', '.join(map(str, given.log))}")
    log = bm.read_log(given.log, watch=steps.share, **_reading(given))
    return log, site


def _read(given: argparse.Namespace, steps: _Steps) -> tuple[Log, Site, Result]:
    log, site = _read_log(given, steps)
    return log, site, _normalised(given, log, site, _kept_baseline(given.baseline), steps)


def _normalised(
    given: argparse.Namespace, log: Log, site: Site, kept: Baseline | None, steps: _Steps
) -> Result:
    import brinemark as bm

    steps.say(f"normalising {len(log)} readings")
    if given.analyses is None:
        result = _normalised_best(log, site, kept)
    else:
        analyses: Any = [name.strip() for name in given.analyses.split(",")]
        result = bm.normalise(log, site, baseline=kept, analyses=analyses)
    if given.save_baseline is not None:
        _write(given.save_baseline, result.baseline.to_json())
    return result


def _normalised_best(log: Log, site: Site, kept: Baseline | None) -> Result:
    """With the membrane model, which other recovery or salt don't mislead, where it knows enough."""
    import brinemark as bm

    try:
        return bm.normalise(log, site, baseline=kept, analyses=[*bm.ANALYSES, "membrane_model"])
    except bm.BrinemarkError:
        # What is wrong with more than the model is refused here again.
        return bm.normalise(log, site, baseline=kept)


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


if __name__ == "__main__":
    # By its own name, so that its refusals are those that the other modules raise.
    from brinemark.cli import main as run

    sys.exit(run())
