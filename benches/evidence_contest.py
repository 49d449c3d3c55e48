"""Times a dossier made and verified, beside the normalising that any of it needs."""

from __future__ import annotations

import time
from collections.abc import Callable
from pathlib import Path
from statistics import median

from harness import show_ratio
from screening_plant import HEADERS, SITE, write_log

import brinemark as bm

# The floor of each, on two cores.
SECONDS = 10.0

ACCURATE_SITE = SITE.partition("[instruments]")[0] + "\n".join(
    [
        "[instruments]",
        *(f'{name} = {{ accuracy = "1 % of reading" }}' for name in HEADERS if name != "feed_temperature"),
        'feed_temperature = { accuracy = "0.3 degC" }',
        '[screen]\noff = ["sensor-step"]\n',
    ]
)

TERMS = """
[warranty]
name = "Bench"
period = "5 years"
start_up = "2001-01-01T00:00Z"
replacements = "refused"
notice = "60 d"

[conditions]
feed_temperature = "22 degC"
feed_pressure = "12 bar"
differential_pressure = "1.6 bar"
permeate_pressure = "0.5 bar"
feed_tds = "2000 mg/L"
recovery = "60 %"

[guarantee]
method = "standard-practice"
over = "28 d"
minimum_days = 10

[guarantee.temperature]
law = "arrhenius"
constant = "2800 K"

[guarantee.permeate_flow]
minimum = "11 m3/h"
yearly_change = "-7 %"
change = "compounding"

[guarantee.salt_passage]
maximum = "3 %"
yearly_change = "10 %"
change = "of-first"

[limit.feed_pressure]
high = "16 bar"

[limit.recovery]
high = "75 %"
share = "1 %"

[records]
complete = "90 %"

[records.every]
feed_pressure = "1 d"
permeate_flow = "1 d"
permeate_conductivity = "1 d"
"""


class EvidenceContest:
    """One log: normalised alone, judged, made into a dossier, and that run again."""

    def __init__(self, rows: int, folder: Path) -> None:
        self.log, self.bundle, self.rows = folder / "log.csv", folder / "dossier.zip", rows
        write_log(self.log, rows)
        self.site, self.terms = bm.Site.parse(ACCURATE_SITE), bm.Terms.parse(TERMS)

    def normalised(self) -> bm.Result:
        return bm.normalise(bm.read_log(self.log, tz="UTC"), self.site)

    def judged(self) -> list[bm.Judgement]:
        return bm.warranty(self.normalised(), self.terms)

    def made(self) -> bm.Dossier:
        dossier = bm.Dossier.make(self.log, self.site, self.terms, tz="UTC")
        dossier.save(self.bundle)
        return dossier

    def verified(self) -> bm.Verification:
        return bm.Dossier.load(self.bundle).verify()

    def must_hold(self) -> None:
        """The bundle verifies, and one changed cell of it doesn't."""
        dossier = self.made()
        found = self.verified()
        if not found.holds:
            raise AssertionError(f"the dossier doesn't verify: {found}")
        part = next(name for name in dossier.parts if name.startswith("inputs/log-"))
        lines = dossier.parts[part].split(b"\n")
        row = self.rows // 2
        cells = lines[row].split(b",")
        # A figure further up: a reading that is missing there says so in its own right.
        cells[2] = b"12.345" if cells[2] != b"12.345" else b"12.346"
        lines[row] = b",".join(cells)
        found = bm.Dossier({**dossier.parts, part: b"\n".join(lines)}).verify()
        places = [of.place for of in found.differences if of.part == "the log"]
        if len(places) != 1 or not places[0].startswith(f"row {row}, "):
            raise AssertionError(f"one changed cell is not found: {found}")
        print(f"\nOne changed cell of {self.rows} rows is named: {places[0]}")


def bench_evidence(rows: int, rounds: int, folder: Path) -> None:
    """A dossier made and verified, in seconds and in normalisings."""
    contest = EvidenceContest(rows, folder)
    contest.must_hold()
    steps: dict[str, Callable[[], object]] = {
        "read and normalise alone": contest.normalised,
        "judge as well": contest.judged,
        "dossier made and saved": contest.made,
        "dossier verified": contest.verified,
    }
    seconds: dict[str, list[float]] = {name: [] for name in steps}
    busy: dict[str, list[float]] = {name: [] for name in steps}
    for _ in range(rounds):
        for name, run in steps.items():
            start, worked = time.perf_counter(), time.process_time()
            outcome = run()
            seconds[name].append(time.perf_counter() - start)
            busy[name].append(time.process_time() - worked)
            del outcome
    size = contest.bundle.stat().st_size / 1e6
    print(f"\nA dossier of {rows} rows, {size:.0f} MB (s: median of {rounds}, least to greatest)")
    middle = {name: median(taken) for name, taken in seconds.items()}
    for name, taken in seconds.items():
        told = f"{middle[name]:9.2f}   {min(taken):9.2f} to {max(taken):.2f}"
        print(f"  {name:38} {told}; processors busy {median(busy[name]):.2f}")
    alone = middle["read and normalise alone"]
    for name in ("dossier made and saved", "dossier verified"):
        show_ratio(f"{name}, s", middle[name], f"below {SECONDS:g}", middle[name] < SECONDS)
        print(f"  {f'{name} / normalised alone':38} {middle[name] / alone:9.2f}   (shown, no floor)")
