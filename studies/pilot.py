"""What averaging and better physics make of a pilot whose pressure is never steady.

    python studies/pilot.py

Real readings (tests/data/wave-pilot, MIT licence), one a minute, of a pilot whose feed pressure was driven as
waves would. No window is set by hand: the readings are screened, averaged over 5 and 15 minutes and over what
the readings themselves ask for, and then normalised. Shown, run by run: the spread of water permeability
(half of the 16-to-84 % range over the median), its median, and the share of the running time that is kept; by
the standard practice and by the membrane model, which knows polarisation.

Then what the spread consists of (`noise_floor`). A membrane does not change from one window to the next, so
what neighbours differ by is noise of sampling: pressure and flow of a reading are not of one instant of the
wave. What is left when that is taken out would be left with infinitely many readings. Last, what is to be had
from a column that tells where in the wave a reading was, the pump's power (`windows`), which is no column of
brinemark's. Its figures were seen while it was made: pump power alone was kept, the concentrate's flow beside
it helped little in most runs; and with one law a run for what goes with the pressure, held flows in run 9 and
other openings of the valve in run 4 came out wrong, hence a law for each.
"""

from __future__ import annotations

import functools
from pathlib import Path

import numpy as np
import pandas as pd
from numpy.typing import NDArray

import brinemark as bm

HERE = Path(__file__).parent
READINGS = HERE.parent / "tests" / "data" / "wave-pilot" / "readings.csv.gz"
BRACKISH = 3
FLOORS = {5: 0.05, 15: 0.03}
LENGTHS_MIN = (2, 3, 5, 8, 10, 15, 20, 30)
STEADY = "Auto Water Flux (Fixed)"  # the control's word for a held flow: no waves
SETTLING = 5  # readings in which it finds that flow
LEAST_READINGS = 15
LEVEL = 0.90
BOOTSTRAPS = 1000
COLUMNS = {
    "Date.Time": "time",
    "experiment": "train",
    "feed_pressure_psi": "feed_pressure [psi]",
    "feed_temperature_c": "feed_temperature [degC]",
    "feed_flowrate_l_min": "feed_flow [L/min]",
    "permeate_flowrate_l_min": "permeate_flow [L/min]",
    "reject_flowrate_l_min": "concentrate_flow [L/min]",
    "permeate_conductivity_low_us": "permeate_conductivity [uS/cm]",
    "reject_conductivity_ms": "concentrate_conductivity [mS/cm]",
}


def spread(values: NDArray[np.float64]) -> float:
    """Half of the 16-to-84 % range over the median."""
    low, middle, high = np.percentile(values, [16, 50, 84])
    return float((high - low) / 2 / middle)


@functools.cache
def screened(name: str) -> tuple[bm.Site, bm.Screening]:
    """The seawater runs or the brackish one, screened."""
    site = bm.Site.load(HERE / f"pilot-{name}.toml")
    readings = pd.read_csv(READINGS)
    of_brackish = readings["experiment"] == BRACKISH
    # The source names no time zone, and nothing here depends on it.
    log = bm.read_log(
        readings[of_brackish if name == "brackish" else ~of_brackish], columns=COLUMNS, tz="UTC"
    )
    return site, bm.screen(log, site)


def runs(site: bm.Site, screening: bm.Screening, minutes: float | None) -> tuple[pd.DataFrame, str]:
    """Spread, median and share kept of each run."""
    averaged = bm.average(screening.log, site, window_h=None if minutes is None else minutes / 60)
    result = bm.normalise(averaged.log, site, analyses=("permeate_flow", "membrane_model"))
    means = pd.DataFrame(
        {
            "run": [int(word) for word in result.labels("train") or []],
            "standard": result["water_permeability"],
            "model": result["element_water_permeability"],
            "readings": averaged.counts,
            "used": result.used,
        }
    ).query("used")
    words = screening.log.labels("train") or []
    ran = pd.Series(~screening.failed("running")).groupby([int(word) for word in words]).sum()
    table = means.groupby("run").agg(
        standard_spread=("standard", spread),
        standard_median=("standard", "median"),
        model_spread=("model", spread),
        model_median=("model", "median"),
        readings=("readings", "sum"),
    )
    table["kept"] = table.pop("readings") / ran
    return table, averaged.why


def behind(name: str, screening: bm.Screening, averaged: bm.Averaged) -> pd.DataFrame:
    """The readings behind the means: `window`, the row of their mean, and what the log does not take."""
    readings = pd.read_csv(READINGS)
    readings = readings[(readings["experiment"] == BRACKISH) == (name == "brackish")]
    table = pd.DataFrame(
        {
            "run": readings["experiment"].to_numpy(),
            "seconds": screening.log.time().astype("datetime64[us]").astype(np.int64) / 1e6,
            "pressure": screening.log["feed_pressure"],
            "flow": screening.log["permeate_flow"],
            "pump": readings["feed_pump_power_pct"].to_numpy(),
            "valve": readings["reject_valve_open_pct"].to_numpy(),
            "steady": (readings["system_mode"] == STEADY).to_numpy(),
        }
    )
    if not np.allclose(table["flow"], readings["permeate_flowrate_l_min"]):
        raise ValueError("the log has its rows in another order than the file")
    table = table[screening.stands].sort_values(["run", "seconds"])
    middles = averaged.log.time().astype("datetime64[us]").astype(np.int64) / 1e6
    labels = np.array(averaged.log.labels("train"), dtype=int)
    window = np.full(len(table), -1)
    for run, rows in table.reset_index(drop=True).groupby("run"):
        at, start = rows.index.to_numpy(), 0
        seconds = rows["seconds"].to_numpy()
        for mean in np.flatnonzero(labels == run)[np.argsort(middles[labels == run])]:
            count = averaged.counts[mean]
            # Readings between two windows are of stretches too short for one.
            while abs(seconds[start : start + count].mean() - middles[mean]) > 1.0:
                start += 1
                if start + count > len(seconds):
                    raise ValueError(f"no readings give the mean {mean} of run {run}")
            window[at[start : start + count]] = mean
            start += count
    return table.assign(window=window).query("window >= 0")


def rising(driving: NDArray[np.float64], pump: NDArray[np.float64]) -> NDArray[np.float64]:
    """Pump power beyond what goes with the pressure [%]: above 0 while pressure rises, below while it falls.

    Pressure follows the pump late, and so tells, with it, where in the wave a reading was. What goes with the
    pressure is a parabola, since a valve's law is one. The mean over whole cycles is 0; and 0 it is, nothing
    corrected, where there are too few readings for a parabola.
    """
    if len(driving) < LEAST_READINGS:
        return np.zeros_like(pump)
    return pump - np.polyval(np.polyfit(driving, pump, 2), driving)


def windows(name: str, minutes: float) -> pd.DataFrame:
    """Each window's run, permeability, its variance by the scatter inside, and corrected for the wave.

    A reading's flow is A·(P − π), A and π those of the window, and β·`rising` besides, where flow meter and
    gauge are read at different instants of the wave. β, one a run, is fitted to what readings differ by from
    the means of their window, so that nothing in which windows differ has a part in it.
    """
    site, screening = screened(name)
    averaged = bm.average(screening.log, site, window_h=minutes / 60)
    result = bm.normalise(averaged.log, site, analyses=("permeate_flow",))
    means = pd.DataFrame(
        {
            "run": np.array(result.labels("train"), dtype=int),
            "seconds": averaged.log.time().astype("datetime64[us]").astype(np.int64) / 1e6,
            "permeability": result["water_permeability"],
            "flow": result["permeate_flow"],
            "driving": result["net_driving_pressure"],
            "held_back_by": result["feed_pressure"] - result["net_driving_pressure"],
            "count": averaged.counts,
        }
    )[result.used]
    readings = behind(name, screening, averaged)
    readings = readings[readings["window"].isin(means.index)]
    of = means.loc[readings["window"]].set_axis(readings.index)
    readings["driving"] = (readings["pressure"] - of["held_back_by"]).clip(lower=0.0)
    readings["rising"] = np.nan
    for _, rows in readings.groupby(["run", "steady", "valve"]):
        beyond = rising(rows["driving"].to_numpy(), rows["pump"].to_numpy())
        readings.loc[rows.index, "rising"] = beyond
    inside = readings.groupby("window")[["flow", "driving", "rising"]].transform("mean")
    inside = readings[["flow", "driving", "rising"]] - inside
    by_run = inside.groupby(readings["run"])
    beta = {
        run: np.linalg.lstsq(rows[["driving", "rising"]], rows["flow"], rcond=None)[0][1]
        for run, rows in by_run
    }
    products = (
        readings[["flow", "driving"]].mul(readings["driving"], axis=0).groupby(readings["window"]).sum()
    )
    ratio = products["flow"] / products["driving"]
    means["squares"] = means["permeability"] * ratio / (means["flow"] / means["driving"])
    off = readings["flow"] - of["flow"] / of["driving"] * readings["driving"]
    squares = (off**2).groupby(readings["window"]).sum()
    count = means["count"]
    means["variance"] = squares / (count * (count - 1)) / means["flow"] ** 2
    means["beta"] = means["run"].map(beta)
    of_wave = means["beta"] * readings.groupby("window")["rising"].mean()
    means["corrected"] = means["permeability"] * (1 - of_wave / means["flow"])
    return means.sort_values(["run", "seconds"], ignore_index=True)


def steady() -> pd.DataFrame:
    """Runs with a held flow: the scatter of flow and pressure from reading to reading, and of means by it."""
    table = {}
    for name in ("seawater", "brackish"):
        site, screening = screened(name)
        averaged = bm.average(screening.log, site, window_h=15 / 60)
        result = bm.normalise(averaged.log, site, analyses=("permeate_flow",))
        readings = behind(name, screening, averaged).query("steady")
        for run, held in readings.groupby("run"):
            rows = held.iloc[SETTLING:]
            # What two readings in turn differ by knows no drift.
            pressure, flow = (np.diff(rows[word]) / np.sqrt(2) for word in ("pressure", "flow"))
            driving = result["net_driving_pressure"][rows["window"]].mean()
            of_pressure, of_flow = pressure.std() / driving, flow.std() / rows["flow"].mean()
            table[run] = {
                "readings": float(len(rows)),
                "flow": of_flow,
                "driving_pressure": of_pressure,
                "correlation": np.corrcoef(pressure, flow)[0, 1],
            } | {f"{n} min": np.hypot(of_flow, of_pressure) / np.sqrt(n) for n in FLOORS}
    return pd.DataFrame(table).T.sort_index()


def components(values: NDArray[np.float64], after: NDArray[np.float64]) -> tuple[float, float, float]:
    """Spread, what of it is noise from window to window, and what is left without that; `after` is next.

    Noise by what neighbours differ by (the Allan deviation over one window, by percentiles as the spread).
    What the membrane did faster than two windows counts as noise too; what is left can't come out below 0.
    """
    observed = spread(values)
    low, high = np.percentile(after - values, [16, 84])
    noise = float((high - low) / 2 / np.sqrt(2) / np.median(values))
    return observed, noise, float(np.sqrt(max(observed**2 - noise**2, 0.0)))


def with_intervals(rows: pd.DataFrame, name: str, minutes: int) -> list[tuple[float, float, float]]:
    """Of each component: its value, and the ends of its interval by drawing pairs of neighbours anew."""
    values = rows[name].to_numpy()
    near = np.diff(rows["seconds"]) < 1.5 * 60 * minutes
    pairs = np.column_stack([values[:-1], values[1:]])[near]
    random = np.random.default_rng(0)
    drawn = [components(*pairs[random.integers(len(pairs), size=len(pairs))].T) for _ in range(BOOTSTRAPS)]
    low, high = np.quantile(drawn, [(1 - LEVEL) / 2, (1 + LEVEL) / 2], axis=0)
    of_all = (spread(values), *components(*pairs.T)[1:])
    return list(zip(of_all, low, high, strict=True))


def noise_floor(minutes: int) -> pd.DataFrame:
    """Run by run: spread, what sampling alone makes of it, what more readings could not take away.

    `scatter` is what the scatter of the readings inside windows lets expect if they came in any order. They
    do not: high and low pressures take turns, and the means scatter less. `squares` is the spread by least
    squares of flow on driving pressure in place of the ratio of their means, `corrected` of what is corrected
    for the wave, `deviation` its standard deviation over the median: percentiles see no outliers.
    """
    table = {}
    means = pd.concat([windows(name, minutes) for name in ("seawater", "brackish")])
    for run, rows in means.groupby("run"):
        observed, noise, left = with_intervals(rows, "permeability", minutes)
        table[run] = {
            "windows": len(rows),
            "observed": observed,
            "noise": noise,
            "left": left,
            "scatter": float(np.sqrt(rows["variance"].mean())),
            "squares": with_intervals(rows, "squares", minutes)[0],
            "corrected": with_intervals(rows, "corrected", minutes)[0],
            "deviation": float(rows["corrected"].std() / rows["corrected"].median()),
            "beta [L/min per %]": float(rows["beta"].iloc[0]),
            "median moved by": float(rows["corrected"].median() / rows["permeability"].median() - 1),
        }
    return pd.DataFrame.from_dict(table, orient="index").rename_axis("run")


def print_noise_floor() -> None:
    """What the spread consists of."""
    print("\nSpread of the standard practice's permeability by length of window:")
    by_length = {}
    for minutes in LENGTHS_MIN:
        means = pd.concat([windows(name, minutes) for name in ("seawater", "brackish")])
        of_runs = means.groupby("run")["permeability"]
        by_length[f"{minutes} min"] = of_runs.agg(lambda values: spread(values.to_numpy()))
    scaling = pd.DataFrame(by_length)
    print(scaling.round(3).to_string())
    share = scaling.mean() / scaling.mean().iloc[0]
    print("mean of the runs, of that at 2 min:", share.round(2).to_dict())
    print("1/sqrt(length):                    ", {f"{n} min": round((2 / n) ** 0.5, 2) for n in LENGTHS_MIN})

    print("\nReadings while the control held the flow, no waves: the instruments and the pump's own pulse.")
    print(steady().round(3).to_string())

    for minutes, floor in FLOORS.items():
        table = noise_floor(minutes)
        print(f"\n{minutes} min means (floor {floor}), with {LEVEL:.0%} intervals:")
        print(table.map(in_words).to_string())
        for word in ("observed", "noise", "squares", "corrected"):
            values = np.array([value for value, _, _ in table[word]])
            met = int((values <= floor).sum())
            print(f"{word}: {values.max():.4f} at most, {met} of {len(values)} runs within the floor")


def in_words(value: float | tuple[float, float, float]) -> str:
    """A figure, with its interval where it has one."""
    if isinstance(value, tuple):
        return "{:.3f} ({:.3f} to {:.3f})".format(*value)
    return f"{value:.0f}" if value >= 1 else f"{value:.4f}"


def main() -> int:
    """Runs the study and prints its figures."""
    of_both = {name: screened(name) for name in ("seawater", "brackish")}
    for name, (_, screening) in of_both.items():
        print(f"{name}: {screening.sentence}")
    for minutes, floor in ((5.0, FLOORS[5]), (15.0, FLOORS[15]), (None, None)):
        parts = {name: runs(*both, minutes) for name, both in of_both.items()}
        print()
        for name, (_, why) in parts.items():
            print(f"{name}: {why}")
        table = pd.concat([part for part, _ in parts.values()]).sort_index()
        print(table.round(3).to_string())
        seawater = table.drop(index=BRACKISH)
        for method in ("standard", "model"):
            medians = seawater[f"{method}_median"]
            print(
                f"{method}: largest spread {table[f'{method}_spread'].max():.3f}"
                + (f" (floor {floor})" if floor else "")
                + f"; seawater medians {medians.min():.3f} to {medians.max():.3f}, "
                f"apart by {medians.max() / medians.min() - 1:.1%}"
            )
        print(f"least share of the running time kept: {table['kept'].min():.0%} (floor 80 %)")
    print_noise_floor()
    return 0


if __name__ == "__main__":
    raise SystemExit(main())
