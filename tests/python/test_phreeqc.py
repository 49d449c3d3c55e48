"""Scaling beside USGS's PHREEQC (phreeqc.dat): indices of brackish and of salty water."""

from __future__ import annotations

import sys
from collections.abc import Iterator
from pathlib import Path
from random import Random

import pytest
from phreeqpython import PhreeqPython

import brinemark as bm

sys.path.insert(0, str(Path(__file__).parents[2] / "studies"))

from saturation import PHASES, TDS_MAX_MG_L, TOLERANCE, balanced, solution

# mg/L, least and most of what brackish feeds hold.
SPANS = {
    "sodium": (20, 900),
    "potassium": (1, 30),
    "magnesium": (3, 90),
    "calcium": (8, 260),
    "barium": (0.005, 0.2),
    "strontium": (0.05, 8),
    "sulfate": (5, 800),
    "fluoride": (0.1, 4),
    "nitrate": (0.5, 40),
    "silica": (5, 50),
}


@pytest.fixture(scope="module")
def solver() -> PhreeqPython:
    return PhreeqPython(database="phreeqc.dat")


def waters(count: int, *, seed: int, ph: tuple[float, float] = (6.3, 8.3)) -> Iterator[bm.Water]:
    """Feeds and their concentrates of 5 to 35 degC, as far as 10 000 mg/L."""
    draw = Random(seed)
    while count > 0:
        ions = {name: round(low * (high / low) ** draw.random(), 4) for name, (low, high) in SPANS.items()}
        alkalinity = 30 * (450 / 30) ** draw.random()
        feed = balanced(ions, draw.uniform(*ph), alkalinity, draw.uniform(5, 35))
        water = bm.saturation(feed, draw.choice([0.0, 0.5, 0.75, 0.85])).concentrate
        if water.tds_mg_l < TDS_MAX_MG_L and water.ph < 9:
            count -= 1
            yield water


def test_indices_by_activities_are_those_of_phreeqc(solver: PhreeqPython) -> None:
    apart: dict[str, list[float]] = {phase: [] for phase in PHASES}
    for water in waters(120, seed=4):
        there = solution(solver, water)
        for phase, found in zip(PHASES, bm.saturation(water, 0.0).scales, strict=True):
            index = there.si(phase)
            assert found.activity_index == pytest.approx(index, abs=TOLERANCE.get(phase, 0.05)), (
                phase,
                water,
            )
            apart[phase].append(found.standard_index - index)
        there.forget()
    # The standards' own scheme knows no ion pairs: it departs as `saturation` says, and to the safe side.
    *salts, silica = PHASES
    for phase in salts:
        assert min(apart[phase]) > -0.01, phase
        assert 0.25 < max(apart[phase]) < 0.65, phase
    assert -0.04 < min(apart[silica]) < 0 < max(apart[silica]) < 0.04


def test_stiff_and_davis_lie_below_phreeqc_in_salty_water_and_a_note_says_so(solver: PhreeqPython) -> None:
    sea = {"sodium": 10_780, "magnesium": 1284, "calcium": 412, "potassium": 399, "sulfate": 2712}
    apart = []
    for share in (0.35, 0.6, 1.0):
        for temperature in (10.0, 20.0, 30.0):
            ions = {name: share * content for name, content in sea.items()}
            water = balanced(ions, 7.9, 116 * share, temperature)
            found = bm.saturation(water, 0.0)
            calcite = found.scales[0]
            assert "Stiff-Davis" in calcite.scheme
            assert any("Stiff and Davis" in note for note in found.notes)
            there = solution(solver, water)
            assert calcite.activity_index == pytest.approx(there.si("Calcite"), abs=0.01)
            apart.append(calcite.standard_index - there.si("Calcite"))
            there.forget()
    assert -0.8 < min(apart) < -0.6
    assert -0.4 < max(apart) < -0.3
