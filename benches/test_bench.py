"""The harness runs, and its contestants do the same work. No time is tested."""

from __future__ import annotations

import bench
import pytest


def test_contestants_agree() -> None:
    differences = bench.Contest(5_000).differences()
    assert max(differences.values()) < 1e-9, differences


def test_a_difference_is_seen() -> None:
    contest = bench.Contest(50)
    expected = contest.numpy()
    wrong = expected | {"rejection": expected["rejection"] * (1.0 + 1e-8)}
    assert bench.largest_difference(wrong, expected) > 9e-9
    expected["flux"][7] = float("nan")
    assert not bench.largest_difference(contest.numpy(), expected) <= 1e-9


def test_quick_bench_runs(capsys: pytest.CaptureFixture[str]) -> None:
    bench.main(["--quick"])
    said = capsys.readouterr().out
    for part in ("Normalise", "Memory", "Read a CSV file", "Import", "The command's help"):
        assert part in said
    assert said.count("floor: ") == 7
