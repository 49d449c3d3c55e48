"""Times a long log read, screened and normalised in bounded memory: brinemark beside pandas.

Beside pandas twice: as one writes it straight away, and as one makes it fast.
"""

from __future__ import annotations

import json
import subprocess
import sys
from collections.abc import Iterable, Iterator
from itertools import chain
from pathlib import Path

import numpy as np
import pandas as pd
import screening_in_pandas
import screening_in_plain_pandas
from harness import faster_than, race, show, show_ratio
from plant import Array
from screening_in_pandas import BIT, FIGURES, TESTS, Normaliser, Screened, Yardstick
from screening_plant import SITE, write_log

import brinemark as bm

Worked = tuple[bm.Screening, bm.Result]

# The figures whose means are told in the end; all are worked out.
TOLD_OF = (
    "normalised_permeate_flow_change",
    "normalised_salt_passage_change",
    "normalised_differential_pressure_change",
)


def worked(blocks: Iterable[bm.Log]) -> Iterator[Worked]:
    """Screens and normalises a log that comes in blocks.

    The first block is the yardstick of the screening; what of it stands holds the baseline.
    """
    site, blocks = bm.Site.parse(SITE), iter(blocks)
    first = next(blocks)
    like = bm.screen(first, site)
    baseline = None
    for screening in bm.screen_blocks(chain([first], blocks), site, like=like):
        if baseline is None:
            baseline = bm.baseline(screening.log, site)
        yield screening, bm.normalise(screening.log, site, baseline=baseline)


def plain(screening: bm.Screening, result: bm.Result) -> Screened:
    """In pandas' bits and arrays."""
    failed, judged = (np.zeros(len(screening), dtype=np.uint32) for _ in range(2))
    for test in TESTS:
        failed |= screening.failed(test) * BIT[test]
        judged |= screening.applied(test) * BIT[test]
    return Screened(failed, judged, {name: result.column(name) for name in FIGURES})


def joined(blocks: Iterable[Screened]) -> Screened:
    parts = list(blocks)
    return Screened(
        np.concatenate([part.failed for part in parts]),
        np.concatenate([part.judged for part in parts]),
        {name: np.concatenate([part.figures[name] for part in parts]) for name in FIGURES},
    )


def differences(found: Screened, expected: Screened) -> dict[str, float]:
    """Rows that fail other tests, or to which others apply; the largest relative difference of any figure."""
    if found.failed.size != expected.failed.size:
        raise AssertionError(f"{found.failed.size} rows, where {expected.failed.size} are expected")
    other = (found.failed != expected.failed) | (found.judged != expected.judged)
    return {
        "rows with other marks": float(np.count_nonzero(other)),
        "figures": max(relative(found.figures[name], expected.figures[name], name) for name in FIGURES),
    }


def relative(found: Array, expected: Array, name: str) -> float:
    """The largest relative difference, of a change relative to 1; infinite where only one has a figure."""
    there = ~np.isnan(expected)
    if not np.array_equal(there, ~np.isnan(found)):
        return float("inf")
    scale = np.maximum(np.abs(expected[there]), 1.0 if name.endswith("_change") else 0.0)
    return float(np.max(np.abs(found[there] - expected[there]) / scale))


class Summary:
    """What is wanted of a log in the end: how many rows each test takes, and the means of the changes."""

    def __init__(self) -> None:
        self.rows = dict.fromkeys(TESTS, 0)
        self.sums = dict.fromkeys(TOLD_OF, 0.0)
        self.used = dict.fromkeys(TOLD_OF, 0)

    def add(self, failed: dict[str, int], figures: dict[str, Array]) -> None:
        for test, rows in failed.items():
            self.rows[test] += rows
        for name, values in figures.items():
            # Of a row that is set aside there is no figure.
            there = values[~np.isnan(values)]
            self.sums[name] += float(there.sum())
            self.used[name] += there.size

    def means(self) -> dict[str, float]:
        return {name: total / self.used[name] for name, total in self.sums.items()}


class ScreeningContest:
    """One file, and what is usual in its first block."""

    def __init__(self, path: Path) -> None:
        self.path = path
        screening, result = next(worked(self.blocks()))
        self.like, self.baseline = screening, result.baseline
        self.usual = Yardstick(json.loads(screening.usual.to_json())["groups"][0])
        self.normaliser = Normaliser(result.baseline.references[0].values)

    def blocks(self) -> Iterator[bm.Log]:
        return bm.scan_log(self.path, tz="UTC")

    def brinemark(self) -> Summary:
        summary = Summary()
        for screening, result in worked(self.blocks()):
            failed = {count.name: count.failed for count in screening.counts if count.name in BIT}
            summary.add(failed, {name: result.column(name) for name in TOLD_OF})
        return summary

    def pandas(self) -> Summary:
        summary = Summary()
        for block in screening_in_pandas.run(self.path, self.usual, self.normaliser):
            failed = {test: int(np.count_nonzero(block.failed & BIT[test])) for test in TESTS}
            summary.add(failed, {name: block.figures[name] for name in TOLD_OF})
        return summary

    def plain_pandas(self) -> Summary:
        summary = Summary()
        tests, figures = screening_in_plain_pandas.run(self.path, self.usual, self.normaliser)
        failed = {test: int(tests.failed[test].sum()) for test in TESTS}
        summary.add(failed, {name: figures[name] for name in TOLD_OF})
        return summary

    def in_plain_pandas(self) -> Screened:
        ran = screening_in_plain_pandas.run(self.path, self.usual, self.normaliser)
        return screening_in_plain_pandas.in_bits(*ran)

    def in_pandas(self) -> Screened:
        return joined(screening_in_pandas.run(self.path, self.usual, self.normaliser))

    def in_blocks(self, blocks: Iterable[bm.Log] | None = None) -> Screened:
        of = worked(self.blocks() if blocks is None else blocks)
        return joined(plain(screening, result) for screening, result in of)

    def in_one_piece(self) -> Screened:
        """With the yardstick and the baseline of the first block."""
        site = bm.Site.parse(SITE)
        screening = bm.screen(bm.read_log(self.path, tz="UTC"), site, like=self.like)
        return plain(screening, bm.normalise(screening.log, site, baseline=self.baseline))


def must_find_the_same(contest: ScreeningContest) -> None:
    """Refuses to time contestants that don't."""
    found = contest.in_blocks()
    pieces = differences(found, contest.in_one_piece())
    if any(pieces.values()):
        raise AssertionError(f"in blocks it is another result than in one piece: {pieces}")
    furthest = 0.0
    for other in (contest.in_pandas, contest.in_plain_pandas):
        others = differences(found, other())
        if others["rows with other marks"] > 0 or not others["figures"] <= 1e-9:
            raise AssertionError(f"the contestants don't agree: {others}")
        furthest = max(furthest, others["figures"])
    taken = {test: int(np.count_nonzero(found.failed & BIT[test])) for test in TESTS}
    told = ", ".join(f"{test} {rows}" for test, rows in taken.items())
    rows = found.failed.size
    print(f"\nSame marks in all {rows} rows: in blocks, in one piece, in pandas and in tuned pandas.")
    print(f"Rows that fail: {told}")
    print(f"Same figures: largest relative difference {furthest:.1e}")


def bench_screening(rows: int, rounds: int, folder: Path) -> None:
    path = folder / "minutes.csv"
    write_log(path, rows)
    contest = ScreeningContest(path)
    must_find_the_same(contest)
    contestants = {
        "brinemark": contest.brinemark,
        "plain pandas": contest.plain_pandas,
        "tuned pandas": contest.pandas,
    }
    seconds = race(contestants, rounds)
    size = path.stat().st_size / 1e6
    show(f"Read, screen and normalise {rows} rows of minutes, CSV of {size:.0f} MB", seconds)
    print(f"  (brinemark goes in blocks; pandas {pd.__version__} reads the whole file at once.")
    print("   plain: read_csv as it comes, and whole columns, with pandas' windows, shifts and groups;")
    print("   tuned: read by pyarrow, then NumPy over slices that fit a processor's cache)")
    faster_than("plain pandas", seconds, "brinemark", 5.0)
    faster_than("tuned pandas", seconds, "brinemark", 5.0)


def bench_screening_memory(rows: int, rounds: int, folder: Path) -> None:
    """The height of the process must not follow the length of the file."""
    print(f"\nMemory of reading, screening and normalising in blocks (MB, median of {rounds} processes)")
    if not Path("/proc/self/clear_refs").exists():
        print("  only measured on Linux")
        return
    script = Path(__file__).with_name("screening_memory.py")
    heights = []
    for length in (rows, 4 * rows):
        path = folder / f"minutes-{length}.csv"
        write_log(path, length)
        runs = []
        for _ in range(rounds):
            ran = subprocess.run([sys.executable, script, path], capture_output=True, text=True, check=True)
            runs.append(int(ran.stdout))
        heights.append(float(np.median(runs)))
        print(f"  {f'growth at its height, {length} rows':38} {heights[-1] / 1e6:9.1f}")
    ratio = heights[1] / heights[0]
    show_ratio("growth, of 4 times the rows", ratio, "below 1.2", ratio < 1.2)
