"""Figures from outside the project (tests/published), against the installed package."""

from __future__ import annotations

import tomllib
from pathlib import Path
from typing import Any

import pytest

import brinemark as bm

FOLDER = Path(__file__).parents[1] / "published"
KINDS = {
    "published",
    "reference library",
    "independent calculation",
    "common practice, no source",
    "from memory",
}


def _checks() -> list[Any]:
    found = []
    for path in sorted(FOLDER.glob("*.toml")):
        file = tomllib.loads(path.read_text(encoding="utf-8"))
        assert file.keys() <= {"source", "kind", "note", "series", "check"}, path
        assert file["source"], path
        assert file["kind"] in KINDS, path
        for number, check in enumerate(file["check"]):
            # An argument may name a list of figures.
            lists = file.get("series", {})
            for argument, value in check["arguments"].items():
                if isinstance(value, str) and value in lists:
                    check["arguments"][argument] = lists[value]
                if isinstance(value, list):
                    check["arguments"][argument] = [
                        lists.get(one, one) if isinstance(one, str) else one for one in value
                    ]
            found.append(pytest.param(check, id=f"{path.stem}-{number}"))
    assert len(found) > 80
    return found


def _figure(found: Any, path: str) -> float:
    for step in path.split("."):
        if step == "length":
            found = len(found)
        else:
            of_list = isinstance(found, dict) or step.isdigit()
            found = found[int(step) if step.isdigit() else step] if of_list else getattr(found, step)
    return float(found)


@pytest.mark.parametrize("check", _checks())
def test_it_is_met(check: dict[str, Any]) -> None:
    assert len(check.keys() & {"relative", "absolute"}) == 1
    arguments = dict(check["arguments"])
    if "water" in arguments:
        arguments["water"] = bm.Water(**arguments["water"])
    # Some arguments have no keyword: they come first, in the order of the file.
    positional = {
        "convert": ("value", "from_unit", "to_unit"),
        "conductivity_at_25": ("conductivity_us_cm", "temperature_degc"),
        "conductivity_from_tds": ("tds_mg_l",),
        "osmotic_pressure": ("tds_mg_l", "temperature_degc"),
        "osmotic_pressure_of_molality": ("molality", "temperature_degc"),
        "potassium_chloride_conductivity": ("molality", "temperature_degc"),
        "seawater_density": ("salinity_g_kg", "temperature_degc"),
        "seawater_osmotic_pressure": ("salinity_g_kg", "temperature_degc"),
        "sodium_chloride_osmotic_coefficient": ("molality", "temperature_degc"),
        "tds_from_conductivity": ("conductivity_us_cm",),
        "rule_of_thumb": ("temperature_degc",),
        "temperature_factor": ("temperature_degc",),
        "viscosity": ("temperature_degc",),
        "density": ("temperature_degc",),
        "conformance_probability": ("value", "u"),
        "acid_dose": ("water", "recovery"),
        "saturation": ("water", "recovery"),
        "silt_density_index": ("first_s", "last_s"),
        "log_mean_factor": ("recovery",),
        "mann_kendall": ("values",),
        "theil_sen": ("times", "values"),
        "change_points": ("values",),
        "contrast": ("times", "values", "columns", "weights"),
        "holm": ("p",),
        "means_differ": ("first", "second"),
        "normalised_permeate_flow": ("permeate_flow_m3_h",),
        "normalised_salt_passage": ("salt_passage",),
    }.get(check["function"], ())
    first = [arguments.pop(name) for name in positional]
    found = getattr(bm, check["function"])(*first, **arguments)
    if "figure" in check:
        found = _figure(found, check["figure"])
    assert found == pytest.approx(
        check["expected"], rel=check.get("relative", 0), abs=check.get("absolute", 0)
    )
