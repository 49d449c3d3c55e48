"""How well does the screening find planted faults, and how often does it take a good reading?

    python studies/screening.py [--logs 500] [--seed 1]

Simulated logs with planted faults (plants.py): of each kind, the share of faulty rows that are set aside with
the right reason; of good rows, the share that is set aside; of flow meters that drift by 5 %, the share that
is found out.
"""

from __future__ import annotations

import argparse
import sys
from collections import Counter
from dataclasses import dataclass, field

import numpy as np
from plants import KINDS, plant, some_kinds

import brinemark as bm


@dataclass
class Tally:
    """Rows counted over all logs."""

    right: Counter[str] = field(default_factory=Counter)
    taken: Counter[str] = field(default_factory=Counter)
    faulty: Counter[str] = field(default_factory=Counter)
    good: int = 0
    good_taken: int = 0
    blamed: Counter[str] = field(default_factory=Counter)
    drifts: Counter[str] = field(default_factory=Counter)
    steps: Counter[str] = field(default_factory=Counter)


def judge(seed: int, kinds: list[str], tally: Tally) -> None:
    """Screens one plant's log and counts."""
    made = plant(seed, kinds)
    screening = bm.screen(made.log(), made.site)
    stands, order = screening.stands, made.order()
    again = np.concatenate([[False], order[1:] == order[:-1]])
    for kind, rows in made.faults.items():
        wrong = again if kind == "row written twice" else rows[order]
        found = np.zeros(len(order), dtype=bool)
        for test in KINDS[kind]:
            found |= screening.failed(test)
        tally.faulty[kind] += int(wrong.sum())
        tally.taken[kind] += int((wrong & ~stands).sum())
        tally.right[kind] += int((wrong & ~stands & found).sum())
    good = made.good[order] & ~again
    tally.good += int(good.sum())
    tally.good_taken += int((good & ~stands).sum())
    for count in screening.counts:
        tally.blamed[count.name] += int((good & ~stands & screening.failed(count.name)).sum())
    if made.culprit is not None:
        sure = {verdict.column for verdict in screening.verdicts if verdict.is_sure}
        if made.culprit in sure:
            outcome = "right" if len(sure) == 1 else "right and others"
        else:
            outcome = "other" if sure else "none"
        (tally.drifts if "drift of a flow meter" in kinds else tally.steps)[outcome] += 1


def main() -> int:
    """Runs the study and prints its figures."""
    parser = argparse.ArgumentParser(description=(__doc__ or "").partition("\n")[0])
    parser.add_argument("--logs", type=int, default=500)
    parser.add_argument("--seed", type=int, default=1)
    given = parser.parse_args()
    tally = Tally()
    for number in range(given.logs):
        seed = 100_000 * given.seed + number
        judge(seed, some_kinds(seed), tally)
        if sys.stderr.isatty():
            print(f"\r{number + 1} of {given.logs} logs", end="", file=sys.stderr, flush=True)
    if sys.stderr.isatty():
        print(file=sys.stderr)
    print(f"{given.logs} simulated logs, seed {given.seed}\n")
    print(f"{'planted fault':28}{'rows':>10}{'set aside':>12}{'right reason':>14}")
    for kind in KINDS:
        rows = tally.faulty[kind]
        if rows:
            print(f"{kind:28}{rows:>10}{tally.taken[kind] / rows:>12.1%}{tally.right[kind] / rows:>14.1%}")
    rows, right = sum(tally.faulty.values()), sum(tally.right.values())
    taken = sum(tally.taken.values())
    print(f"{'all':28}{rows:>10}{taken / rows:>12.1%}{right / rows:>14.1%}   floor: 95 %")
    share = tally.good_taken / tally.good
    print(f"\ngood rows set aside: {tally.good_taken} of {tally.good}, {share:.2%}   at most: 1 %")
    for name, count in tally.blamed.most_common(6):
        if count:
            print(f"  {name:24}{count / tally.good:.3%}")
    drifts = sum(tally.drifts.values())
    found = tally.drifts["right"] + tally.drifts["right and others"]
    if drifts:
        share = found / drifts
        print(f"\nflow meters that drift by 5 %: {found} of {drifts} found out, {share:.1%}   floor: 90 %")
    for what, outcomes in (("drift", tally.drifts), ("step", tally.steps)):
        counted = ", ".join(f"{name} {count}" for name, count in outcomes.most_common())
        print(f"  instruments that {what}, whom the verdicts blame: {counted}")
    return 0


if __name__ == "__main__":
    raise SystemExit(main())
