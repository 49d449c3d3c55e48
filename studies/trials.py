"""How far comparisons of trains can be trusted, on simulated trials whose truth is known.

    python studies/trials.py [--trials 400] [--seed 110000] [--only parallel untold …] [--processes 2]

Plants are those of ageing.py, built twice: two trains side by side on the same water, under one operator,
with membranes that age and foul alike and instruments of their own; half of the plants small, half large. For
eight weeks and half a year both have the same pretreatment; then a trial of half a year begins, in which one
train fouls as before (no difference) or 20 to 40 % more slowly. One third of the logs have three readings a
week, the rest one a day.

What brinemark is given is the logs and the site files, with the usual temperature constant in them and the
calibrations told, as a trial's protocol demands; "untold" counts what it costs where three in ten are not
told. The truth of a rate is the slope of the least-squares line through the membranes' true course on the
days that were read. Planned power is that of `plan_trial` from the half year before, with the rate that the
control then had: a log can tell its noise, not whether fouling speeds up later.

The seeds are others than those looked at while brinemark was built (1000 to 9000, 90000). Each figure
stands beside its floor; one that is not met says so.
"""

from __future__ import annotations

import argparse
from collections.abc import Callable
from dataclasses import dataclass, replace
from typing import Any

import ageing
import ageing_instruments
import ageing_unit
import numpy as np
from ageing_instruments import UNITS
from ageing_membranes import Array, State, age, stream, wander
from numpy.typing import NDArray
from trend import FOULING, Table, holds, percent, run_all, share

import brinemark as bm

Found = dict[str, Any]

# Days: of the reference and the settling, of the time before the trial, of the trial.
SETTLED, BEFORE, TRIAL = 56, 182, 182
DAYS = SETTLED + BEFORE + TRIAL


@dataclass(frozen=True)
class Job:
    """One trial to be looked at."""

    study: str
    seed: int
    # How much lower the treated train's fouling is, as a fraction.
    reduction: float
    per_week: int
    design: str = "parallel"
    method: str = "state-space"
    untold: bool = False


@dataclass(frozen=True)
class Train:
    """One train: what its owner has, and what is true of its membranes."""

    result: bm.Result
    # ln of water permeability against new, early compaction and days' breath apart, each day.
    truth: Array
    # Days that were read.
    days: NDArray[np.intp]
    # Salt per conductivity, as the site file has it.
    factors: str


def fouled(seed: int, kind: str, shares: Array, periods: tuple[float, ...], own: int) -> tuple[State, ...]:
    """The stages of a train; `periods`: its share of the fouling before, and in the trial's halves."""
    start = np.datetime64("2023-01-01")
    healthy, ill = (age(seed, each, shares, DAYS, 30, False, start) for each in ("healthy", kind))
    random = stream(own, "day to day")
    breath = wander(random, DAYS, 0.004, random.uniform(2.0, 5.0))
    trial = SETTLED + BEFORE
    days = np.arange(DAYS - 1)
    pace = np.select([days < trial, days < trial + TRIAL // 2], periods[:2], periods[2])
    stages = []
    for fit, with_it in zip(healthy.stages, ill.stages, strict=True):
        trends = []
        for name in ("water", "salt", "friction"):
            worn = getattr(fit, f"{name}_trend") - (healthy.settling if name == "water" else 0.0)
            added = getattr(with_it, f"{name}_trend") - getattr(fit, f"{name}_trend")
            trends.append(worn + np.concatenate([[added[0]], added[0] + np.cumsum(np.diff(added) * pace)]))
        none = np.zeros(DAYS)
        settled = trends[0] + healthy.settling
        stages.append(
            State(settled + breath, trends[1], trends[2], settled, trends[1], trends[2], none, none, none)
        )
    return tuple(stages)


def train_of(job: Job, number: int, periods: tuple[float, ...], factors: str | None = None) -> Train:
    """A train of a trial; `factors`: those of its neighbour, since one laboratory serves both."""
    seed, own = job.seed, 1_000_000 * (number + 1) + job.seed
    size = ("small", "large")[seed % 2]
    unit = ageing_unit.build(seed, size)
    several = size == "large"
    start = np.datetime64("2023-01-01T00:00:00") + np.timedelta64(
        int(stream(seed, "start").integers(365)), "D"
    )
    water = ageing_unit.weather(seed, start, DAYS, unit.feed_tds_mg_l)
    kind = FOULING[(seed // 2) % len(FOULING)]
    stages = fouled(seed, kind, unit.shares, periods, own)
    mean = State(
        **{
            name: np.asarray(
                sum(s * getattr(stage, name) for s, stage in zip(unit.shares, stages, strict=True))
            )
            for name in State.__dataclass_fields__
        }
    )
    laws = unit.site_text(unit.water_constant_k, unit.salt_constant_k, together=several)
    true_site = bm.Site.parse(laws + ageing._salinity("") + ageing._reference(start, "daily"))
    none = ageing_unit.change(seed, "healthy", DAYS, 0)
    exact = ageing_unit.together(ageing_unit.run(seed, unit, true_site, water, mean, stages, none))
    columns = ageing._visible(exact, has_differential=True)
    having = ageing_instruments.instruments(own, columns, "daily")
    set_right = tuple(
        each if job.untold else replace(each, told=True)
        for each in ageing_instruments.calibrations(own, DAYS, None, 0)
    )
    shown = ageing_instruments.shown(own, columns, having, set_right, None, "")
    _, ran = ageing_instruments.days_read(seed, "daily", DAYS, [])
    # Nobody begins a trial's protocol with a unit that stands still.
    ran[:28] = True
    read = ran & (stream(own, "days read").random(DAYS) >= 0.05)
    if job.per_week < 7:
        every = np.arange(DAYS)
        read &= np.floor((every + 1) * job.per_week / 7) > np.floor(every * job.per_week / 7)
        # New membranes are watched daily by anybody.
        read |= ran & (every < 28)
    days = np.flatnonzero(read)
    usual = unit.site_text(
        ageing_unit.USUAL_WATER_CONSTANT_K, ageing_unit.USUAL_SALT_CONSTANT_K, together=several
    )
    factors = factors or ageing._factors(seed, exact)
    site = bm.Site.parse(
        usual
        + ageing._salinity(factors)
        + ageing._reference(start, "daily")
        + f'[assume]\npermeate_pressure = "{ageing_unit.PERMEATE_PRESSURE_BAR} bar"\n'
        + ageing_instruments.lines(having, set_right, start)
    )
    minutes = np.round(60.0 * water.hour).astype("timedelta64[m]")
    times = start + np.timedelta64(1, "D") * np.arange(DAYS) + minutes
    log = bm.read_log(
        {"time": times[days], **{f"{name} [{UNITS[name]}]": values[days] for name, values in shown.items()}},
        tz="UTC",
    )
    result = bm.normalise(log, site, analyses=(*bm.ANALYSES, "membrane_model"))
    return Train(result, _truth(exact, true_site, unit, mean, several), days, factors)


def _truth(exact: dict[str, Array], site: bm.Site, unit: Any, mean: State, several: bool) -> Array:
    """As ageing.effective: of several stages, what readings without error or breath would show."""
    if not several:
        return mean.water_trend
    units = {"temperature": "degC", "pressure": "bar", "flow": "m3/h", "tds": "mg/L"}
    named = {f"{name} [{units[name.rpartition('_')[2]]}]": values for name, values in exact.items()}
    noon = np.datetime64("2023-01-01T12:00") + np.timedelta64(1, "D") * np.arange(DAYS)
    log = bm.read_log({"time": noon, **named}, tz="UTC")
    site = bm.Site.parse(site.text.split("[reference]")[0] + ageing._reference(noon[0], "daily"))
    result = bm.normalise(log, site, analyses=("membrane_model",), screen=False)
    inferred = np.log(result["element_water_permeability"] / unit.new.water_permeability)
    return np.asarray(inferred - (mean.water - mean.water_trend))


def slope(train: Train, days: NDArray[np.intp]) -> float:
    """Of the least-squares line through the true course, 1/y."""
    return float(np.polyfit(days / 365.25, train.truth[days], 1)[0])


def trial(job: Job) -> Found:
    """One trial, compared; and planned from the time before it."""
    less = 1.0 - job.reduction
    # The second train is the treated one; in a crossover in its second half only, and the first in the first.
    halves = {
        "parallel": ((1.0, 1.0, 1.0), (1.0, less, less)),
        "before-after-control": ((1.0, 1.0, 1.0), (1.0, 1.0, less)),
        "crossover": ((1.0, less, 1.0), (1.0, 1.0, less)),
    }[job.design]
    first = train_of(job, 0, halves[0])
    second = train_of(job, 1, halves[1], first.factors)
    trains = (first, second)
    start = first.result.time()[0].astype("datetime64[D]") - np.timedelta64(int(first.days[0]), "D")

    def when(day: int) -> np.datetime64:
        return np.datetime64(start + np.timedelta64(day, "D"))

    begin, middle = SETTLED + BEFORE, SETTLED + BEFORE + TRIAL // 2
    both = np.intersect1d(first.days, second.days)

    def arm(number: int, treatment: str, days: tuple[int, int]) -> bm.Arm:
        return bm.Arm(
            result=trains[number].result, treatment=treatment, start=when(days[0]), end=when(days[1])
        )

    def true(number: int, days: tuple[int, int]) -> float:
        return -slope(trains[number], both[(both >= days[0]) & (both < days[1])])

    whole, early, late = (begin, DAYS), (begin, middle), (middle, DAYS)
    if job.design == "parallel":
        arms = [arm(0, "old", whole), arm(1, "new", whole)]
        control = true(0, whole)
        effect = true(1, whole) - control
    elif job.design == "before-after-control":
        arms = [arm(1, "old", early), arm(1, "new", late), arm(0, "old", early), arm(0, "old", late)]
        control = true(1, early) + true(0, late) - true(0, early)
        effect = true(1, late) - control
    else:
        arms = [arm(0, "new", early), arm(1, "old", early), arm(0, "old", late), arm(1, "new", late)]
        control = 0.5 * (true(1, early) + true(0, late))
        effect = 0.5 * (true(0, early) + true(1, late)) - control
    found = bm.compare(
        arms,
        design=job.design,  # type: ignore[arg-type]
        control="old",
        measures=["fouling_rate"],
        method=job.method,  # type: ignore[arg-type]
        margin=0.10,
    ).effects[0]
    if found.difference is None:
        return {"refused": found.missing}
    made: Found = {
        "p": found.p,
        "effect": effect,
        "off": found.difference.value - effect,
        "held": holds(found.difference, effect),
        "control": control,
        "relative_held": None if found.relative is None else holds(found.relative, effect / control),
        "half_width": 0.5 * (found.difference.high - found.difference.low),
        "truly_worse": effect > 0.10 * control,
        "not_worse": found.not_worse,
    }
    if job.reduction and job.design == "parallel" and not job.untold and job.method == "state-space":
        planned = bm.plan_trial(
            first.result,
            beside=second.result,
            start=when(SETTLED),
            end=when(begin),
            weeks=[TRIAL / 7],
            readings_per_week=[job.per_week],
            # What it then really was, and how much lower: membranes age too, whatever the pretreatment.
            fouling_rate_per_year=max(control, 1e-3),
            reduction=float(np.clip(-effect / control, 0.01, 1.0)),
            draws=400,
            seed=job.seed,
        )
        made["planned"] = planned.curves[0].power[0]
    return made


def run(job: Job) -> tuple[Job, Found]:
    """Looks at one trial; what can't be judged says so."""
    try:
        return job, trial(job)
    except (bm.BrinemarkError, ValueError) as refusal:
        return job, {"refused": str(refusal)}


def of_rates(found: list[tuple[Job, Found]], table: Table, *, floors: bool) -> None:
    """False alarms, intervals, and what was found."""
    alike = [one for job, one in found if not job.reduction]
    apart = [one for job, one in found if job.reduction]
    rejected = share(one["p"] < 0.05 for one in alike)
    table.show(
        f"no difference: the 5 % test calls one ({len(alike)} trials)",
        percent(rejected),
        "3 to 7 %" if floors else "",
        0.03 <= rejected <= 0.07 if floors else None,
    )
    held = share(one["held"] for _, one in found)
    table.show(
        f"90 % intervals of the difference hold the truth ({len(found)})",
        percent(held),
        "87 to 93 %" if floors else "",
        0.87 <= held <= 0.93 if floors else None,
    )
    for name, of in (("alike", alike), ("20 to 40 % apart", apart)):
        table.show(f"    of trains {name}", percent(share(one["held"] for one in of)))
    relative = [one["relative_held"] for _, one in found if one["relative_held"] is not None]
    table.show(f"    of the relative effect ({len(relative)} that have one)", percent(share(relative)))
    off = np.median(np.abs([one["off"] for _, one in found]))
    table.show("difference off by, median", f"{off:.4f} 1/y")
    table.show("20 to 40 % lower rates found", percent(share(one["p"] < 0.05 for one in apart)))


def report_parallel(found: list[tuple[Job, Found]], table: Table) -> None:
    """Trains side by side."""
    print("\nTwo trains side by side, half a year")
    of_rates(found, table, floors=True)
    for per_week in (7, 3):
        of = [one for job, one in found if job.per_week == per_week]
        alike = [one["p"] < 0.05 for job, one in found if job.per_week == per_week and not job.reduction]
        table.show(
            f"    {per_week} readings a week ({len(of)}): called; held",
            f"{percent(share(alike))}; {percent(share(one['held'] for one in of))}",
        )
    planned = [(one["planned"], one["p"] < 0.05) for _, one in found if "planned" in one]
    if planned:
        mean, achieved = (float(np.mean([pair[at] for pair in planned])) for at in (0, 1))
        table.show(
            f"planned power, in the mean; achieved ({len(planned)} trials)",
            f"{percent(mean)}; {percent(achieved)}",
            "within 5 points",
            abs(mean - achieved) <= 0.05,
        )
        for low, high in ((0.0, 0.3), (0.3, 0.7), (0.7, 1.01)):
            such = [(p, called) for p, called in planned if low <= p < high]
            if such:
                table.show(
                    f"    planned {low:.1f} to {min(high, 1):.1f} ({len(such)}): mean; achieved",
                    f"{percent(share(p for p, _ in such))}; {percent(share(c for _, c in such))}",
                )
    worse = [one["not_worse"] for _, one in found if one["truly_worse"]]
    if worse:
        table.show(f"truly worse by the margin, called no worse (of {len(worse)})", percent(share(worse)))
    alike = [one["not_worse"] for job, one in found if not job.reduction]
    table.show("trains alike, called no worse by 10 %", percent(share(alike)))


def report_other(title: str) -> Callable[[list[tuple[Job, Found]], Table], None]:
    """Figures that have no floor."""

    def report(found: list[tuple[Job, Found]], table: Table) -> None:
        print(f"\n{title}")
        of_rates(found, table, floors=False)

    return report


REPORTS: dict[str, Callable[[list[tuple[Job, Found]], Table], None]] = {
    "parallel": report_parallel,
    "bootstrap": report_other("The same by the block bootstrap"),
    "untold": report_other("The same, three calibrations in ten not told"),
    "before-after-control": report_other("Before and after with a control, two quarters"),
    "crossover": report_other("Crossover, two quarters"),
}


def jobs_of(study: str, trials: int, seed: int) -> list[Job]:
    """The trials of a study: as many without a difference as with one."""
    # Others a quarter as many, on plants of their own.
    count = trials if study == "parallel" else trials // 4
    made = []
    for at in range(2 * count):
        each = seed + at
        reduction = 0.0 if at < count else float(stream(each, "reduction").uniform(0.2, 0.4))
        made.append(
            Job(
                study,
                each,
                reduction,
                3 if at % 3 == 2 else 7,
                study if study in ("before-after-control", "crossover") else "parallel",
                "block-bootstrap" if study == "bootstrap" else "state-space",
                study == "untold",
            )
        )
    return made


def main() -> int:
    """Runs the trials and prints their figures."""
    parser = argparse.ArgumentParser(description=(__doc__ or "").partition("\n")[0])
    parser.add_argument(
        "--trials", type=int, default=400, help="trials without a difference, and with one (400)"
    )
    parser.add_argument("--seed", type=int, default=110_000, help="the first plant's seed (110000)")
    parser.add_argument(
        "--only", nargs="+", choices=list(REPORTS), default=list(REPORTS), help="some of them"
    )
    parser.add_argument("--processes", type=int, default=2)
    given = parser.parse_args()
    run_all(
        given.only,
        lambda study: jobs_of(study, given.trials, given.seed),
        run,
        REPORTS,
        what="trials",
        processes=given.processes,
    )
    return 0


if __name__ == "__main__":
    raise SystemExit(main())
