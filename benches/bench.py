"""Times brinemark beside NumPy, pandas, polars and others, on this machine, now.

    python benches/bench.py [--quick] [--screening | --trend | --evidence | --settings]

Contestants take turns within each round (A B C, A B C, …), so that a busy moment of the machine
hits all of them alike; shown are medians, and the least and the greatest. Before anything is timed,
all must give the same figures. Beside each ratio stands the floor the project sets itself; whether
it is met is said, never enforced: a time depends on the machine.
"""

from __future__ import annotations

import argparse
import os
import platform
import subprocess
import sys
import tempfile
from collections.abc import Callable, Mapping
from pathlib import Path
from statistics import median

import in_numpy
import in_polars
import numpy as np
import polars as pl
from evidence_contest import bench_evidence
from harness import faster_than, race, show, show_ratio, slower_than
from membrane_contests import bench_membranes, bench_vessel
from plant import OUTPUTS, SITE, UNITS, Array, readings, times
from screening_contest import bench_screening, bench_screening_memory
from settings_contest import bench_settings
from trend_contest import bench_trend
from uncertainty_contests import bench_monte_carlo, bench_propagation

import brinemark as bm

HEADERS = {name: f"{name} [{unit}]" for name, unit in UNITS.items()}


def largest_difference(found: Mapping[str, Array], expected: Mapping[str, Array]) -> float:
    """The largest relative difference of any output; of a change, relative to 1."""
    differences = []
    for name in OUTPUTS:
        scale = np.maximum(np.abs(expected[name]), 1.0 if name.endswith("_change") else 0.0)
        differences.append(np.max(np.abs(found[name] - expected[name]) / scale))
    # A NaN anywhere is a difference too, and np.max hands it on.
    return float(np.max(differences))


class Contest:
    """The same readings in each contestant's own form."""

    def __init__(self, rows: int) -> None:
        self.arrays = readings(rows)
        self.times = times(rows)
        self.frame = pl.DataFrame(self.arrays)
        self.logged = pl.DataFrame(
            {"time": self.times} | {HEADERS[name]: values for name, values in self.arrays.items()}
        ).with_columns(pl.col("time").dt.replace_time_zone("UTC"))
        self.site = bm.Site.parse(SITE)
        self.log = bm.read_log(self.logged)

    def brinemark(self) -> bm.Result:
        return bm.normalise(self.log, self.site, screen=False)

    def numpy(self) -> dict[str, Array]:
        return in_numpy.normalise(self.arrays)

    def polars(self) -> pl.DataFrame:
        return in_polars.normalise(self.frame.lazy()).collect(engine="streaming")

    def brinemark_arrays(self) -> dict[str, Array]:
        """NumPy arrays in, NumPy arrays out."""
        columns = {HEADERS[name]: values for name, values in self.arrays.items()}
        result = bm.normalise(bm.read_log({"time": self.times, **columns}, tz="UTC"), self.site, screen=False)
        return {name: result.column(name) for name in OUTPUTS}

    def polars_arrays(self) -> dict[str, Array]:
        """NumPy arrays in, NumPy arrays out."""
        frame = in_polars.normalise(pl.DataFrame(self.arrays).lazy()).collect(engine="streaming")
        return {name: frame[name].to_numpy() for name in OUTPUTS}

    def brinemark_frame(self) -> pl.DataFrame:
        """A polars frame in, a polars frame out, with the log's own columns and the reasons."""
        return bm.normalise(bm.read_log(self.logged), self.site, screen=False).to_polars()

    def differences(self) -> dict[str, float]:
        """How far each contestant's figures are from NumPy's."""
        expected = self.numpy()
        result, frame = self.brinemark(), self.polars()
        return {
            "brinemark": largest_difference({name: result.column(name) for name in OUTPUTS}, expected),
            "polars": largest_difference({name: frame[name].to_numpy() for name in OUTPUTS}, expected),
            "brinemark, arrays": largest_difference(self.brinemark_arrays(), expected),
        }


def bench_normalise(rows: int, rounds: int) -> None:
    contest = Contest(rows)
    differences = contest.differences()
    if not all(difference <= 1e-9 for difference in differences.values()):
        raise AssertionError(f"the contestants don't agree: {differences}")
    print(f"\nSame figures: largest relative difference {max(differences.values()):.1e}")
    seconds = race({"brinemark": contest.brinemark, "NumPy": contest.numpy, "polars": contest.polars}, rounds)
    columns = f"{len(UNITS)} columns in, {len(OUTPUTS)} out"
    show(f"Normalise {rows} rows, {columns}, each from and to its own form", seconds)
    faster_than("NumPy", seconds, "brinemark", 4.0)
    faster_than("polars", seconds, "brinemark", 2.0)
    seconds = race(
        {
            "brinemark": contest.brinemark_arrays,
            "NumPy": contest.numpy,
            "polars": contest.polars_arrays,
        },
        rounds,
    )
    show("The same, from and to NumPy arrays (brinemark reads and checks a log first)", seconds)
    faster_than("NumPy", seconds, "brinemark")
    faster_than("polars", seconds, "brinemark")
    seconds = race({"brinemark": contest.brinemark_frame, "polars": contest.polars}, rounds)
    show("The same, from and to polars frames (brinemark's with the log's own columns)", seconds)
    faster_than("polars", seconds, "brinemark")


def bench_memory(rows: int, rounds: int) -> None:
    print(f"\nMemory of normalising {rows} rows (MB, median of {rounds} processes)")
    if not Path("/proc/self/clear_refs").exists():
        print("  only measured on Linux")
        return
    script = Path(__file__).with_name("memory.py")
    runs = []
    for _ in range(rounds):
        ran = subprocess.run([sys.executable, script, str(rows)], capture_output=True, text=True, check=True)
        runs.append([int(figure) for figure in ran.stdout.split()])
    held, added, height = (median(column) for column in zip(*runs, strict=True))
    for what, figure in (
        ("input: the log", held),
        ("output: the result's own columns", added),
        ("growth of the process at its height", height),
    ):
        print(f"  {what:38} {figure / 1e6:9.1f}")
    if height < added:
        print("  not measured: the result lies in pages that the process held already")
        return
    ratio = (held + height) / (held + added)
    show_ratio("(input + growth) / (input + output)", ratio, "below 2.5", ratio < 2.5)


def bench_csv(rows: int, rounds: int, folder: Path) -> None:
    path = folder / "plant.csv"
    columns = {HEADERS[name]: np.round(values, 3) for name, values in readings(rows).items()}
    columns["feed_ph"] = np.round(7.2 + 0.1 * np.sin(np.arange(rows)), 2)
    columns["feed_conductivity [uS/cm]"] = np.round(1650.0 + np.arange(rows) % 97, 1)
    pl.DataFrame({"time": times(rows), **columns}).write_csv(path, datetime_format="%Y-%m-%dT%H:%M:%S")

    def brinemark() -> bm.Log:
        return bm.read_log(path, tz="UTC")

    def polars() -> pl.DataFrame:
        return pl.read_csv(path, try_parse_dates=True)

    log, frame = brinemark(), polars()
    np.testing.assert_array_equal(frame["time"].cast(pl.Datetime("us")).to_numpy(), log.time())
    for name, header in zip(log.columns, columns, strict=True):
        np.testing.assert_array_equal(frame[header].to_numpy(), log.column(name))
    del log, frame
    seconds = race({"brinemark.read_log": brinemark, "polars.read_csv": polars}, rounds)
    size = path.stat().st_size / 1e6
    show(f"Read a CSV file of {rows} rows, {1 + len(columns)} columns, {size:.0f} MB", seconds)
    faster_than("polars.read_csv", seconds, "brinemark.read_log", 1.5)


def bench_start(rounds: int) -> None:
    def process(*command: str | Path) -> Callable[[], object]:
        return lambda: subprocess.run(command, capture_output=True, check=True)

    def python(code: str) -> Callable[[], object]:
        return process(sys.executable, "-c", code)

    seconds = race(
        {
            "import brinemark": python("import brinemark"),
            "import brinemark, and use it": python("import brinemark; brinemark.normalise"),
            "import numpy": python("import numpy"),
        },
        rounds,
    )
    show("Import, each in a process of its own", seconds)
    slower_than("import numpy", seconds, "import brinemark", 3.0)
    slower_than("import numpy", seconds, "import brinemark, and use it", 3.0)
    command = Path(sys.executable).with_name("brinemark")
    seconds = race({"brinemark --help": process(command, "--help"), "python -c pass": python("pass")}, rounds)
    show("The command's help", seconds)
    slower_than("python -c pass", seconds, "brinemark --help", 5.0)


def processor() -> str:
    """What /proc/cpuinfo calls it, or the platform."""
    try:
        lines = Path("/proc/cpuinfo").read_text(encoding="utf-8").splitlines()
    except OSError:
        return platform.processor() or platform.machine()
    return next(
        (line.partition(":")[2].strip() for line in lines if line.startswith("model name")),
        platform.machine(),
    )


def bench_of_screening(rows: int, quick: bool) -> None:
    """Memory and time of ten times the rows."""
    with tempfile.TemporaryDirectory() as folder:
        bench_screening_memory(rows, 1 if quick else 3, Path(folder))
    with tempfile.TemporaryDirectory() as folder:
        bench_screening(rows if quick else 10 * rows, 2 if quick else 3, Path(folder))


def main(arguments: list[str] | None = None) -> None:
    parser = argparse.ArgumentParser(description=(__doc__ or "").partition("\n")[0])
    parser.add_argument("--quick", action="store_true", help="small and few: does it run, not how fast is it")
    parser.add_argument("--screening", action="store_true", help="the screening's contests alone")
    parser.add_argument("--trend", action="store_true", help="change points, slopes and trend tests alone")
    parser.add_argument("--evidence", action="store_true", help="a warranty's dossier alone")
    parser.add_argument("--settings", action="store_true", help="settings and their map alone")
    given = parser.parse_args(arguments)
    quick = given.quick
    rows, rounds = (20_000, 2) if quick else (1_000_000, 9)
    cores = os.cpu_count() or 1
    print(f"{processor()}, {cores} cores; load average {os.getloadavg()[0]:.2f} before the start")
    print(
        f"brinemark {bm.__version__}, polars {pl.__version__}, NumPy {np.__version__}, "
        f"Python {platform.python_version()}"
    )
    print(
        f"Threads: polars {pl.thread_pool_size()}, "
        f"brinemark {os.environ.get('RAYON_NUM_THREADS', cores)}, NumPy 1 (it has no more for this)"
    )
    if quick:
        print("Quick: too small and too few for the times to mean anything.")
    alone = given.screening or given.trend or given.evidence or given.settings
    if given.screening or not alone:
        bench_of_screening(rows, quick)
    if given.trend or not alone:
        bench_trend(500 if quick else 10_000, rounds)
    if given.evidence or not alone:
        with tempfile.TemporaryDirectory() as folder:
            bench_evidence(rows, 1 if quick else 3, Path(folder))
    if given.settings or not alone:
        bench_settings(1_000 if quick else 100_000, rounds)
    if alone:
        return
    print("brinemark also looks at every row for readings that can't be; the others don't.")
    bench_normalise(rows, rounds)
    bench_propagation(2_000 if quick else 200_000, rounds)
    bench_monte_carlo(100 if quick else 10_000, 2 if quick else 5)
    bench_vessel(2_000 if quick else 100_000, rounds)
    bench_membranes(500 if quick else 20_000, rounds)
    bench_memory(rows, 1 if quick else 3)
    with tempfile.TemporaryDirectory() as folder:
        bench_csv(rows, rounds, Path(folder))
    bench_start(rounds if quick else 15)


if __name__ == "__main__":
    main()
