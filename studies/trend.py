"""How far trends, events, causes and forecasts can be trusted, on simulated plants whose truth is known.

    python studies/trend.py [--plants 200] [--seed 80000] [--only course onset …] [--processes 2]

Plants are those of ageing.py: three years, each with its own temperature constants, weather, salinity,
operators, instruments and ageing; half of them small, half large. What brinemark is given is the log and the
site file, with the usual temperature constant in it. The seeds are others than those looked at while
brinemark was built (1000 to 4000, 50000, 60000, 70000). Each figure stands beside its floor; one that
is not met says so.

The truth of a plant is what its exact readings would show: the effective permeability of the train, early
compaction apart. Loss, rate and so on are of water permeability.
"""

from __future__ import annotations

import argparse
import sys
import time
from collections.abc import Callable, Iterable, Mapping, Sequence
from concurrent.futures import ProcessPoolExecutor
from dataclasses import dataclass, field
from typing import Any

import ageing
import numpy as np
from ageing_instruments import UNITS
from numpy.typing import NDArray

import brinemark as bm

Array = NDArray[np.float64]
Found = dict[str, Any]

FOULING = ("particulate", "biofouling", "organic", "scaling")
# What brinemark calls the kinds of plants.
CAUSES = {
    "healthy": "ageing",
    "particulate": "particulate fouling",
    "biofouling": "biofouling",
    "organic": "organic fouling",
    "scaling": "scaling",
    "oxidation": "oxidation",
    "leak": "leak",
    "sensor": "instrument",
    "feed": "operation",
}
YEAR_US = 365.25 * 86400e6
TRIGGER = bm.TRIGGERS["water_permeability"]
# Days from the loss of 10 % on which its log is looked at; later ones a week apart.
LOOKS = (-90, -60, -40, -25, -15, -10, -5, 0, 2, 4, 6, 8, 10, 12, 14)
# A forecast is made half a year before the log's end, of plants whose trouble had been there for 150 days.
FORECAST_FROM, FORECAST_NEEDS = 915, 150


@dataclass(frozen=True)
class Job:
    """One plant to be looked at, and how."""

    study: str
    seed: int
    kind: str
    schedule: str = "daily"
    cleaned: bool = False


@dataclass
class Plant:
    """A simulated plant and what is true of its water permeability."""

    job: Job
    made: ageing.Ageing
    # ln of water permeability against new, early compaction and days' breath apart; NaN where the unit stood.
    truth: Array = field(init=False)

    def __post_init__(self) -> None:
        made = self.made
        if made.size == "large":
            whole = made.effective()["water"] - (made.train.water - made.train.water_trend)
        else:
            whole = np.where(made.ran, made.train.water_trend, np.nan)
        self.truth = whole - made.settling

    def log(self, until: int | None = None) -> bm.Log:
        """The log, or its days before `until`."""
        made = self.made
        rows = made.row_day < (until if until is not None else len(made.ran))
        named = {f"{name} [{UNITS[name]}]": values[rows] for name, values in made.columns.items()}
        return bm.read_log({"time": made.time[rows], **named}, tz="UTC")

    def course(self, until: int | None = None) -> tuple[bm.Result, bm.Trend]:
        """What brinemark makes of it."""
        result = bm.normalise(self.log(until), self.made.site, analyses=(*bm.ANALYSES, "membrane_model"))
        return result, bm.trend(result)[0]

    def days(self, trend: bm.Trend) -> NDArray[np.intp]:
        """The day of each point."""
        start = int(self.made.start.astype("datetime64[us]").astype(np.int64))
        return np.floor((trend.time_us - start) / 86400e6).astype(np.intp)


def plant_of(job: Job) -> Plant:
    """The plant of a job, a small one and a large one in turn."""
    size = ("small", "large")[job.seed % 2]
    made = ageing.simulate(job.seed, job.kind, size=size, schedule=job.schedule, cleaned=job.cleaned)
    return Plant(job, made)


def swing(day: NDArray[np.intp], off: Array) -> float:
    """Height of the yearly wave in what is off, after the first year; outliers count less (Huber)."""
    rows = (day > 365) & np.isfinite(off)
    years = day[rows] / 365.25
    wave = np.column_stack([np.ones(years.size), years, np.sin(2 * np.pi * years), np.cos(2 * np.pi * years)])
    weight = np.ones(years.size)
    for _ in range(8):
        found = np.linalg.lstsq(wave * weight[:, None], off[rows] * weight, rcond=None)[0]
        left = np.abs(off[rows] - wave @ found)
        weight = np.sqrt(1.0 / np.maximum(1.0, left / (2 * 1.4826 * np.median(left) + 1e-12)))
    return float(2 * np.hypot(found[2], found[3]))


def holds(estimate: bm.Estimate, truth: float) -> bool:
    """Whether an interval holds the truth."""
    return estimate.low <= truth <= estimate.high


def course(job: Job) -> Found:
    """Loss, rates, swing, forecast and cause of a daily log."""
    plant = plant_of(job)
    result, trend = plant.course()
    water, day, truth = trend.quantity("water_permeability"), plant.days(trend), plant.truth
    year = int(np.searchsorted(trend.time_us, trend.time_us[-1] - YEAR_US, side="right")) - 1
    year = max(year, 0)
    mean_rate = (truth[day[-1]] - truth[day[year]]) / ((trend.time_us[-1] - trend.time_us[year]) / YEAR_US)
    found: Found = {
        "loss": float(np.expm1(truth[day[-1]])),
        "loss_off": water.now.value - float(np.expm1(truth[day[-1]])),
        "loss_held": holds(water.now, float(np.expm1(truth[day[-1]]))),
        "rate": mean_rate,
        "rate_off": water.rate_over_year.value - mean_rate,
        "rate_held": holds(water.rate_over_year, mean_rate),
        "act": water.probability_below(TRIGGER) >= 0.95,
        "swing": swing(day, np.log1p(trend.point_changes("water_permeability")) - truth[day]),
        "constant_off": water.temperature_constant.value - plant.made.water_constant_k,
        "constant_held": holds(water.temperature_constant, plant.made.water_constant_k),
        "untold": sum(change.told is None and change.kind != "bend" for change in trend.changes),
        "law_warned": any("acts differently" in warning for warning in trend.warnings),
        "causes": [(ranked.cause, ranked.probability) for ranked in bm.diagnose(result, trend).causes],
    }
    onset = plant.made.onset_day
    if onset is None or onset <= FORECAST_FROM - FORECAST_NEEDS:
        _, earlier = plant.course(FORECAST_FROM)
        last = int(np.flatnonzero(np.isfinite(truth))[-1])
        ahead = (last - int(plant.days(earlier)[-1])) / 365.25
        forecast = earlier.quantity("water_permeability").forecast(years=ahead)
        found["forecast_held"] = holds(forecast, float(np.expm1(truth[last])))
        found["forecast_off"] = forecast.value - float(np.expm1(truth[last]))
    return found


def onset(job: Job) -> Found:
    """When a loss of 10 % was called, against when it was there: days late, by logs that end on LOOKS."""
    plant = plant_of(job)
    known = np.where(np.isfinite(plant.truth), plant.truth, np.inf)
    lost = np.flatnonzero(known < np.log(0.9))
    if lost.size == 0 or lost[0] < 60 or lost[0] > len(known) - 20:
        return {}
    there = int(lost[0])
    later = range(LOOKS[-1] + 7, len(known) - there, 7)
    for days in (*LOOKS, *later):
        until = there + days + 1
        if until < 40:
            continue
        _, trend = plant.course(until)
        water = trend.quantity("water_permeability")
        # As a visit is judged: no more "leave alone".
        if water.probability_below(-0.10) > 0.20:
            then = float(np.expm1(known[:until][np.isfinite(known[:until])][-1]))
            return {"late": days, "loss_then": then}
    return {"late": len(known) - there, "loss_then": np.nan}


def cleaning(job: Job) -> Found:
    """Cleanings found, and what they won back."""
    plant = plant_of(job)
    _, trend = plant.course()
    start = int(plant.made.start.astype("datetime64[us]").astype(np.int64))
    found: Found = {
        "hidden": 0,
        "hidden_found": 0,
        "false": 0,
        "won_off": [],
        "years": len(plant.truth) / 365.25,
    }
    jumps = [
        ((change.time_us - start) / 86400e6, change.told is not None, at)
        for at, change in enumerate(trend.changes)
        if change.kind in ("cleaning", "replacement")
    ]
    read = plant.days(trend)

    def close(one: float, other: float) -> bool:
        """Within three days, days without a reading not counted: a cleaning in a stop is seen at its end."""
        low, high = sorted((one, other))
        return int(np.count_nonzero((read > low) & (read < high))) <= 3

    days = [each.day for each in plant.made.cleanings]
    for each in plant.made.cleanings:
        near = [at for day, _, at in jumps if close(day, each.day)]
        if each.told is None:
            found["hidden"] += 1
            found["hidden_found"] += bool(near)
        for run in trend.runs:
            if near and run.ended_by == near[0] and "water_permeability" in run.won_back:
                before = int(np.flatnonzero(np.isfinite(plant.truth[: each.day]))[-1])
                after = each.day + 1 + int(np.flatnonzero(np.isfinite(plant.truth[each.day + 1 :]))[0])
                first = max([day + 1 for day in days if day < each.day], default=0)
                first += int(np.flatnonzero(np.isfinite(plant.truth[first:]))[0])
                lost = plant.truth[before] - plant.truth[first]
                won = (plant.truth[after] - plant.truth[before]) / -lost
                found["won_off"].append(run.won_back["water_permeability"].value - won)
    # A meter that nobody told was set right jumps too, and is no false find.
    real = [*days, *(each.day for each in plant.made.calibrations)]
    found["false"] = sum(not told and not any(close(day, known) for known in real) for day, told, _ in jumps)
    return found


def visits(job: Job) -> Found:
    """What six visits a year say of a loss, at their end."""
    plant = plant_of(job)
    result, trend = plant.course()
    water = trend.quantity("water_permeability")
    loss = -float(np.expm1(plant.truth[plant.days(trend)[-1]]))
    # Lost or not, against the middle of 8 and 20 %, each with a risk of 1 in 200.
    below = water.probability_below(-0.14)
    called = "lost" if below >= 0.995 else "not lost" if below <= 0.005 else "can't tell"
    raw = result["permeate_flow"]
    textbook = result["normalised_permeate_flow_change"]
    used = np.isfinite(textbook)
    return {
        "loss": loss,
        "called": called,
        "held": holds(water.now, -loss),
        "textbook": -float(np.median(textbook[used][-3:])),
        "raw": 1.0 - float(np.median(raw[used][-3:]) / np.median(raw[used][:3])),
    }


STUDIES: dict[str, Callable[[Job], Found]] = {
    "course": course,
    "onset": onset,
    "cleaning": cleaning,
    "visits": visits,
}


def run(job: Job) -> tuple[Job, Found]:
    """Looks at one plant; a log that can't be judged says so."""
    try:
        return job, STUDIES[job.study](job)
    except bm.BrinemarkError as refusal:
        return job, {"refused": str(refusal)}


class Table:
    """Figures beside their floors."""

    def __init__(self) -> None:
        self.unmet: list[str] = []

    def show(self, what: str, figure: str, floor: str = "", met: bool | None = None) -> None:
        """One line."""
        verdict = "" if met is None else ("met" if met else "NOT met")
        print(f"  {what:66} {figure:>22}  {floor:>20}  {verdict}", flush=True)
        if met is not None and not met:
            self.unmet.append(what)


def share(rows: Iterable[Any]) -> float:
    """Of what is true or false; NaN of nothing."""
    values = np.array(list(rows), dtype=float)
    return float(values.mean()) if values.size else float("nan")


def percent(figure: float) -> str:
    """A share in per cent."""
    return f"{100 * figure:.1f} %"


def report_course(found: list[tuple[Job, Found]], table: Table) -> None:
    """Loss, rates, intervals and causes."""
    healthy = [one for job, one in found if job.kind == "healthy"]
    fouling = [one for job, one in found if job.kind in FOULING]
    print("\nHealthy plants, daily")
    false = [one["act"] and one["loss"] > TRIGGER for one in healthy]
    table.show(
        'false "act now"',
        f"{sum(false)} of {len(false)}",
        "1 in 200",
        sum(false) <= max(1, len(false) // 200),
    )
    swings = np.percentile([one["swing"] for one in healthy], [50, 90])
    table.show(
        "seasonal swing left after the first year, 90th percentile",
        percent(swings[1]),
        "2 %",
        swings[1] <= 0.02,
    )
    table.show("the same, median", percent(swings[0]))
    off = np.abs([one["constant_off"] for one in healthy])
    table.show(
        "temperature constant off by, median and 90th percentile",
        "{:.0f} and {:.0f} K".format(*np.percentile(off, [50, 90])),
    )
    table.show("its 90 % interval holds the truth", percent(share(one["constant_held"] for one in healthy)))
    warned = [one["law_warned"] for one in healthy]
    table.show("warned of another temperature law, without cause", percent(share(warned)))
    print("\nFouling plants, daily")
    off = np.median(np.abs([one["loss_off"] for one in fouling]))
    table.show("loss at the end off by, median", percent(off), "1.5 points", off <= 0.015)
    off = np.abs([one["rate_off"] for one in fouling])
    allowed = np.maximum(0.005, 0.1 * np.abs([one["rate"] for one in fouling]))
    table.show("decline rate of the last year off by, median", f"{100 * np.median(off):.2f} %/year")
    near = share(off <= allowed)
    table.show("within 0.5 %/year or 10 % of itself", percent(near), "half of them", near >= 0.5)
    print("\nIntervals of 90 %, healthy and fouling plants")
    both = healthy + fouling
    for name, what in (
        ("loss", "loss at the end"),
        ("rate", "rate of the last year"),
        ("forecast", "forecast of half a year"),
    ):
        held = [one[f"{name}_held"] for one in both if f"{name}_held" in one]
        floor = "87 to 93 %" if name != "loss" else ""
        table.show(
            f"{what}: holds the truth ({len(held)} plants)",
            percent(share(held)),
            floor,
            0.87 <= share(held) <= 0.93 if floor else None,
        )
    print("\nCauses, daily")
    first = [one["causes"][0][0] == CAUSES[job.kind] for job, one in found]
    two = [CAUSES[job.kind] in [cause for cause, _ in one["causes"][:2]] for job, one in found]
    table.show(
        f"right one first ({len(first)} plants of {len(CAUSES)} kinds)",
        percent(share(first)),
        "85 %",
        share(first) >= 0.85,
    )
    table.show("among the first two", percent(share(two)), "95 %", share(two) >= 0.95)
    stated = [(p, cause == CAUSES[job.kind]) for job, one in found for cause, p in one["causes"]]
    for low, high in (
        (0.0, 0.05),
        (0.05, 0.2),
        (0.2, 0.4),
        (0.4, 0.6),
        (0.6, 0.7),
        (0.7, 0.9),
        (0.9, 0.98),
        (0.98, 1.01),
    ):
        rows = [(p, right) for p, right in stated if low <= p < high]
        if rows:
            right, mean = share(r for _, r in rows), float(np.mean([p for p, _ in rows]))
            counts = (low, high) == (0.7, 0.9)
            table.show(
                f"stated {low:.2f} to {min(high, 1):.2f}, in the mean {mean:.3f}: right ({len(rows)})",
                percent(right),
                "within 5 points" if counts else "",
                abs(right - mean) <= 0.05 if counts else None,
            )
    for kind, cause in CAUSES.items():
        of = [one["causes"] for job, one in found if job.kind == kind]
        if of:
            others = [causes[0][0] for causes in of if causes[0][0] != cause]
            most = max(set(others), key=others.count) if others else "-"
            table.show(
                f"    {kind}: right one first; taken most for",
                f"{percent(share(causes[0][0] == cause for causes in of))}; {most}",
            )


def report_onset(found: list[tuple[Job, Found]], table: Table) -> None:
    """When a loss of 10 % was called."""
    late = [one["late"] for _, one in found if "late" in one]
    print("\nA loss of 10 %, daily logs of fouling plants")
    if not late:
        return
    ends = np.percentile(late, [10, 50, 90])
    table.show(
        f"called so late, 90th percentile ({len(late)} plants)",
        f"{ends[2]:.0f} days",
        "14 days",
        ends[2] <= 14,
    )
    table.show("median; 10th percentile (below 0: early)", f"{ends[1]:.0f}; {ends[0]:.0f} days")
    losses = [one["loss_then"] for _, one in found if "late" in one]
    table.show("called while less than 5 % was lost", percent(share(loss > -0.05 for loss in losses)))
    table.show(
        "true loss when called, 10th and 90th percentile",
        "{:.1f} to {:.1f} %".format(*(-100 * np.nanpercentile(losses, [90, 10]))),
    )


def report_cleaning(found: list[tuple[Job, Found]], table: Table) -> None:
    """Cleanings found and what they won back."""
    print("\nCleanings, daily logs of fouling plants")
    off = np.abs([each for _, one in found for each in one["won_off"]])
    table.show(
        f"share won back off by, median ({off.size} cleanings)",
        f"{np.median(off):.3f}",
        "0.1",
        bool(np.median(off) <= 0.1),
    )
    hidden, seen = sum(one["hidden"] for _, one in found), sum(one["hidden_found"] for _, one in found)
    table.show(
        f"not told, found within 3 days (of {hidden})", percent(seen / hidden), "90 %", seen / hidden >= 0.9
    )
    years, false = sum(one["years"] for _, one in found), sum(one["false"] for _, one in found)
    table.show(
        f"found where there was nothing (in {years:.0f} plant-years)",
        f"{10 * false / years:.2f} in 10",
        "1 in 10",
        10 * false / years <= 1,
    )


def report_visits(found: list[tuple[Job, Found]], table: Table) -> None:
    """What six visits a year tell."""
    print("\nSix visits a year, healthy and fouling plants")
    rows = [one for _, one in found]
    much, little = [one for one in rows if one["loss"] > 0.20], [one for one in rows if one["loss"] < 0.08]
    missed, false = (
        share(one["called"] == "not lost" for one in much),
        share(one["called"] == "lost" for one in little),
    )
    table.show(f"a loss over 20 % missed (of {len(much)})", percent(missed), "0.5 %", missed <= 0.005)
    table.show(f"a loss under 8 % called (of {len(little)})", percent(false), "0.5 %", false <= 0.005)
    for rule in ("textbook", "raw"):
        a, b = share(one[rule] < 0.14 for one in much), share(one[rule] > 0.14 for one in little)
        table.show(f"    by the {rule} rule, against 14 %: missed; called", f"{percent(a)}; {percent(b)}")
    table.show("can't tell, of all", percent(share(one["called"] == "can't tell" for one in rows)))
    for name, of in (("over 20 %", much), ("under 8 %", little)):
        table.show(f"    of losses {name}", percent(share(one["called"] == "can't tell" for one in of)))
    table.show("90 % intervals of the loss hold the truth", percent(share(one["held"] for one in rows)))


def jobs_of(study: str, plants: int, seed: int) -> list[Job]:
    """The plants of a study."""
    seeds = range(seed, seed + plants)
    if study == "course":
        return [Job(study, each, kind) for kind in CAUSES for each in seeds]
    if study == "visits":
        return [Job(study, each, kind, "visits") for kind in ("healthy", *FOULING) for each in seeds]
    # A kind after the other: as many plants as of one kind elsewhere.
    return [Job(study, each, FOULING[each % 4], cleaned=study == "cleaning") for each in seeds]


REPORTS = {
    "course": report_course,
    "onset": report_onset,
    "cleaning": report_cleaning,
    "visits": report_visits,
}


def run_all(
    studies: Sequence[str],
    jobs_of: Callable[[str], Sequence[Any]],
    run: Callable[[Any], tuple[Any, Found]],
    reports: Mapping[str, Callable[[list[tuple[Any, Found]], Table], None]],
    *,
    what: str,
    processes: int,
) -> None:
    """Runs studies one after the other and prints what each found."""
    table = Table()
    with ProcessPoolExecutor(processes) as pool:
        for study in studies:
            jobs = jobs_of(study)
            begun, found = time.monotonic(), []
            for one in pool.map(run, jobs, chunksize=4):
                found.append(one)
                if sys.stderr.isatty():
                    print(f"\r{study}: {len(found)} of {len(jobs)}", end="", file=sys.stderr)
            refused = [one["refused"] for _, one in found if "refused" in one]
            found = [(job, one) for job, one in found if "refused" not in one]
            print(
                f"\n{study}: {len(jobs)} {what}, {time.monotonic() - begun:.0f} s; "
                f"refused: {len(refused)} {refused[:1]}"
            )
            reports[study](found, table)
    print("\nNot met: " + ("; ".join(table.unmet) if table.unmet else "nothing"))


def main() -> int:
    """Runs the studies and prints their figures."""
    parser = argparse.ArgumentParser(description=__doc__.partition("\n")[0])
    parser.add_argument("--plants", type=int, default=200, help="plants of each kind (200)")
    parser.add_argument("--seed", type=int, default=80_000, help="the first plant's seed (80000)")
    parser.add_argument(
        "--only", nargs="+", choices=list(STUDIES), default=list(STUDIES), help="some of them"
    )
    parser.add_argument("--processes", type=int, default=2)
    given = parser.parse_args()
    run_all(
        given.only,
        lambda study: jobs_of(study, given.plants, given.seed),
        run,
        REPORTS,
        what="plants",
        processes=given.processes,
    )
    return 0


if __name__ == "__main__":
    raise SystemExit(main())
