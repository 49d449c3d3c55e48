"""Contestants take turns, and their times are shown beside the floors the project sets itself."""

from __future__ import annotations

import time
from collections.abc import Callable, Mapping
from statistics import median

import numpy as np
from plant import Array

Times = dict[str, list[float]]


def race(contestants: Mapping[str, Callable[[], object]], rounds: int) -> Times:
    """Seconds of each contestant in each round, after one round that isn't counted."""
    seconds: Times = {name: [] for name in contestants}
    for turn in range(rounds + 1):
        for name, run in contestants.items():
            start = time.perf_counter()
            outcome = run()
            taken = time.perf_counter() - start
            # Freed before the next one starts, and outside its time.
            del outcome
            if turn > 0:
                seconds[name].append(taken)
    return seconds


def show(title: str, seconds: Times) -> None:
    rounds = len(next(iter(seconds.values())))
    print(f"\n{title} (ms: median of {rounds}, least to greatest)")
    for name, taken in seconds.items():
        ms = [1e3 * each for each in taken]
        print(f"  {name:38} {median(ms):9.1f}   {min(ms):9.1f} to {max(ms):.1f}")


def show_ratio(what: str, ratio: float, floor: str, met: bool) -> None:
    print(f"  {what:38} {ratio:9.2f}   floor: {floor}, {'met' if met else 'NOT met'}")


def faster_than(other: str, seconds: Times, ours: str, floor: float | None = None) -> None:
    ratio = median(seconds[other]) / median(seconds[ours])
    if floor is None:
        print(f"  {f'{other} / {ours}':38} {ratio:9.2f}   (shown, no floor)")
    else:
        show_ratio(f"{other} / {ours}", ratio, f"at least {floor:g}", ratio >= floor)


def slower_than(other: str, seconds: Times, ours: str, floor: float) -> None:
    ratio = median(seconds[ours]) / median(seconds[other])
    show_ratio(f"{ours} / {other}", ratio, f"below {floor:g}", ratio < floor)


def relative_difference(found: Array, expected: Array) -> float:
    """The largest, of figures that are not near zero; NaN where one of them is NaN."""
    return float(np.max(np.abs(found - expected) / np.abs(expected)))


def must_agree(differences: Mapping[str, float], limits: Mapping[str, float]) -> None:
    """Refuses to time contestants that don't give the same figures."""
    if not all(differences[what] <= limit for what, limit in limits.items()):
        raise AssertionError(f"the contestants don't agree: {differences}, allowed {limits}")
    shown = ", ".join(f"{what} {difference:.1e}" for what, difference in differences.items())
    print(f"\nSame figures: largest relative difference of {shown}")
