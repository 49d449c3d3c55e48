"""What averaging and better physics make of a pilot whose pressure is never steady.

    python studies/pilot.py

Real readings (tests/data/wave-pilot, MIT licence), one a minute, of a pilot whose feed pressure was driven as
waves would. No window is set by hand: the readings are screened, averaged over 5 and 15 minutes and over what
the readings themselves ask for, and then normalised. Shown, run by run: the spread of water permeability
(half of the 16-to-84 % range over the median), its median, and the share of the running time that is kept; by
the standard practice and by the membrane model, which knows polarisation.
"""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pandas as pd
from numpy.typing import NDArray

import brinemark as bm

HERE = Path(__file__).parent
READINGS = HERE.parent / "tests" / "data" / "wave-pilot" / "readings.csv.gz"
BRACKISH = 3
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


def main() -> int:
    """Runs the study and prints its figures."""
    of_both = {name: screened(name) for name in ("seawater", "brackish")}
    for name, (_, screening) in of_both.items():
        print(f"{name}: {screening.sentence}")
    for minutes, floor in ((5.0, 0.05), (15.0, 0.03), (None, None)):
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
    return 0


if __name__ == "__main__":
    raise SystemExit(main())
