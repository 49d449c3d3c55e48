"""How well does the screening find planted faults, and how often does it take a good reading?

    python studies/screening.py [--logs 500] [--seed 1]

Simulated logs with planted faults (plants.py): of each kind, the share of faulty rows that are set aside with the
right reason; of good rows, the share that is set aside; of flow meters that drift by 5 %, the share that is found out.
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
        sure = [verdict.column for verdict in screening.verdicts if verdict.is_sure]
        drifts = "drift of a flow meter" in kinds
        outcome = (
            "right"
            if sure == [made.culprit] or set(sure) == {made.culprit}
            else "none"
            if not sure
            else "other"
            if made.culprit not in sure
            else "right and others"
        )
        (tally.drifts if drifts else tally.steps)[outcome] += 1


def main() -> int:
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
    print(f"{'all':28}{rows:>10}{sum(tally.taken.values()) / rows:>12.1%}{right / rows:>14.1%}   floor: 95 %")
    print(
        f"\ngood rows set aside: {tally.good_taken} of {tally.good}, {tally.good_taken / tally.good:.2%}   at most: 1 %"
    )
    for name, count in tally.blamed.most_common(6):
        if count:
            print(f"  {name:24}{count / tally.good:.3%}")
    drifts = sum(tally.drifts.values())
    if drifts:
        found = tally.drifts["right"] + tally.drifts["right and others"]
        print(
            f"\nflow meters that drift by 5 %: {found} of {drifts} found out, {found / drifts:.1%}   floor: 90 %   {dict(tally.drifts)}"
        )
    print(f"sensors that step: {dict(tally.steps)}")
    return 0


if __name__ == "__main__":
    raise SystemExit(main())
