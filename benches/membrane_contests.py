"""Times the membrane model, forward and turned round: brinemark beside NumPy."""

from __future__ import annotations

from collections.abc import Mapping

import membrane_in_numpy
import numpy as np
import vessel
from harness import faster_than, must_agree, race, relative_difference, show
from membrane_in_numpy import FORWARD_CHUNK, INFER_CHUNK, by_chunks
from plant import Array, times

import brinemark as bm

MADE = {
    "permeate_flow": "permeate_flow_m3_h",
    "permeate_tds": "permeate_tds_mg_l",
    "concentrate_flow": "concentrate_flow_m3_h",
    "concentrate_tds": "concentrate_tds_mg_l",
    "concentrate_pressure": "concentrate_pressure_bar",
}
INFERRED = {
    "water_permeability": "element_water_permeability",
    "salt_permeability": "element_salt_permeability",
    "spacer_friction": "spacer_friction",
}


def bench_site() -> bm.Site:
    """The vessel, with what NumPy's model makes at the design's conditions as its reference."""
    at = {name: np.array([figure]) for name, figure in vessel.DESIGN.items()}
    made = {name: float(column[0]) for name, column in membrane_in_numpy.forward(at, vessel.MEMBRANE).items()}
    drop = vessel.DESIGN["feed_pressure"] - made["concentrate_pressure"]
    return bm.Site.parse(vessel.site(made["permeate_flow"], made["permeate_tds"], drop))


class VesselContest:
    """One membrane under many conditions: what does it make?"""

    def __init__(self, rows: int) -> None:
        self.at = vessel.conditions(rows)
        self.site = bench_site()
        self.membrane = bm.Membrane(**vessel.MEMBRANE)

    def brinemark(self) -> Mapping[str, Array]:
        return bm.predict(
            self.site,
            self.membrane,
            feed_temperature_degc=self.at["feed_temperature"],
            feed_tds_mg_l=self.at["feed_tds"],
            permeate_pressure_bar=self.at["permeate_pressure"],
            feed_pressure_bar=self.at["feed_pressure"],
            feed_flow_m3_h=self.at["feed_flow"],
            recycle_flow_m3_h=0.0,
        )

    def numpy(self) -> dict[str, Array]:
        return by_chunks(lambda at: membrane_in_numpy.forward(at, vessel.MEMBRANE), self.at, FORWARD_CHUNK)

    def differences(self) -> dict[str, float]:
        """How far brinemark's figures are from NumPy's."""
        found, expected = self.brinemark(), self.numpy()
        return {name: relative_difference(found[key], expected[name]) for name, key in MADE.items()}


class MembraneContest:
    """Many membranes, each known by a reading alone: which are they?"""

    def __init__(self, rows: int) -> None:
        at, self.membranes = vessel.conditions(rows), vessel.membranes(rows)
        made = membrane_in_numpy.forward(at, self.membranes)
        self.readings = at | {
            "permeate_flow": made["permeate_flow"],
            "permeate_tds": made["permeate_tds"],
            "differential_pressure": at["feed_pressure"] - made["concentrate_pressure"],
        }
        columns = {f"{name} [{unit}]": self.readings[name] for name, unit in vessel.UNITS.items()}
        self.log = bm.read_log({"time": times(rows), **columns}, tz="UTC")
        self.site = bench_site()

    def brinemark(self) -> bm.Result:
        return bm.normalise(self.log, self.site, analyses=["membrane_model"], screen=False)

    def numpy(self) -> dict[str, Array]:
        return by_chunks(membrane_in_numpy.infer, self.readings, INFER_CHUNK)

    def differences(self) -> dict[str, float]:
        """How far brinemark's membranes are from NumPy's, and NumPy's from those that made the readings."""
        result, expected = self.brinemark(), self.numpy()
        differences = {
            name: relative_difference(result.column(output), expected[name])
            for name, output in INFERRED.items()
        }
        known = [relative_difference(expected[name], self.membranes[name]) for name in INFERRED]
        return differences | {"the membranes behind": float(np.max(known))}


def bench_vessel(rows: int, rounds: int) -> None:
    contest = VesselContest(rows)
    must_agree(contest.differences(), dict.fromkeys(MADE, 1e-9))
    seconds = race({"brinemark": contest.brinemark, "NumPy": contest.numpy}, rounds)
    show(f"Predict {rows} cases of a vessel of {vessel.ELEMENTS} elements", seconds)
    faster_than("NumPy", seconds, "brinemark", 20.0)


def bench_membranes(rows: int, rounds: int) -> None:
    contest = MembraneContest(rows)
    must_agree(contest.differences(), dict.fromkeys([*INFERRED, "the membranes behind"], 1e-9))
    seconds = race({"brinemark": contest.brinemark, "NumPy": contest.numpy}, rounds)
    show(f"The membranes behind {rows} readings of such a vessel", seconds)
    faster_than("NumPy", seconds, "brinemark", 20.0)
