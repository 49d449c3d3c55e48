"""Times what to set on a day, and the map of settings, beside the forward model alone on the same grid."""

from __future__ import annotations

from statistics import median

import numpy as np
from harness import faster_than, must_agree, race, relative_difference, show, show_ratio

import brinemark as bm

# What the two may take, s: the floors that this project sets itself.
MAP_S, ONE_S = 2.0, 0.05


class SettingsContest:
    """A small unit that recycles, over temperature, salt and recovery."""

    def __init__(self, cells: int) -> None:
        self.site = bm.Site.load(bm.demo.sizing_site_path())
        self.membrane = bm.rated_membrane(self.site)
        side = round((cells / 1.25) ** (1 / 3))
        self.temperatures = np.linspace(3.0, 35.0, side)
        self.salts = np.geomspace(100.0, 3000.0, side)
        self.recoveries = np.linspace(0.15, 0.85, cells // side**2)
        self.cells = self.temperatures.size * self.salts.size * self.recoveries.size

    def map(self) -> bm.SettingsMap:
        return bm.settings_map(
            self.site,
            temperatures_degc=self.temperatures,
            feed_tds_mg_l=self.salts,
            recoveries=self.recoveries,
            permeate_pressure_bar=0.3,
            permeate_flow_m3_h=0.6,
            recycle_flow_m3_h=1.1,
        )

    def model_alone(self) -> dict[str, np.ndarray]:
        found: dict[str, np.ndarray] = bm.predict(
            self.site,
            self.membrane,
            feed_temperature_degc=self.temperatures[:, None, None],
            feed_tds_mg_l=self.salts[None, :, None],
            permeate_pressure_bar=0.3,
            permeate_flow_m3_h=0.6,
            recovery=self.recoveries[None, None, :],
            recycle_flow_m3_h=1.1,
            pressure_limit_bar=bm.convert(150.0, "psi", "bar"),
        )
        return found

    def one(self) -> bm.Settings:
        return bm.settings(
            self.site,
            feed_temperature_degc=7.0,
            feed_tds_mg_l=420.0,
            permeate_pressure_bar=0.3,
            permeate_flow_m3_h=0.6,
            recovery=0.6,
        )


def bench_settings(cells: int, rounds: int) -> None:
    """One setting, and a map of so many."""
    contest = SettingsContest(cells)
    flows, alone = contest.map().permeate_flow_m3_h, contest.model_alone()["permeate_flow_m3_h"]
    # Where nothing holds together neither has a figure.
    np.testing.assert_array_equal(np.isnan(flows), np.isnan(alone))
    known = ~np.isnan(flows)
    difference = relative_difference(flows[known], alone[known])
    must_agree({"permeate flow": difference}, {"permeate flow": 1e-8})
    seconds = race(
        {"one setting": contest.one, "a map": contest.map, "the model alone, no limits": contest.model_alone},
        rounds,
    )
    show(f"Settings: one day, and a map of {contest.cells} with limits and scales", seconds)
    faster_than("the model alone, no limits", seconds, "a map")
    per = 1e5 / contest.cells
    show_ratio(
        "1e5 settings of a map, s",
        per * median(seconds["a map"]),
        f"below {MAP_S:g}",
        per * median(seconds["a map"]) < MAP_S,
    )
    show_ratio(
        "one setting, s",
        median(seconds["one setting"]),
        f"below {ONE_S:g}",
        median(seconds["one setting"]) < ONE_S,
    )
