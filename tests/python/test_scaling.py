"""Scaling limits, as Python sees them."""

from __future__ import annotations

import dataclasses
import json
import math

import pytest
from hypothesis import given, settings, strategies as st

import brinemark as bm

IONS = {
    "sodium": 120.0,
    "potassium": 6.0,
    "magnesium": 30.0,
    "calcium": 95.0,
    "barium": 0.06,
    "strontium": 1.1,
    "chloride": 180.0,
    "sulfate": 160.0,
    "fluoride": 0.5,
    "nitrate": 6.0,
    "silica": 18.0,
}


def water(*, ph: float = 7.4, **changed: float) -> bm.Water:
    return bm.Water(temperature_degc=15.0, ph=ph, ions=IONS | changed, alkalinity_mg_l=205.0)


def test_results_are_frozen_and_plain() -> None:
    feed = water()
    found = bm.saturation(feed, 0.75, salt_passage={"calcium": 0.01, "alkalinity": 0.03})
    limits = bm.recovery_limits(feed)
    dose = bm.acid_dose(feed, 0.5, acid="sulfuric", limit=0.5)
    for one in (feed, found, found.scales[0], limits, limits.limits[0], dose):
        text = repr(one)
        assert "\n" not in text
        assert text.startswith(type(one).__name__ + "(")
        json.dumps(one.to_dict(), allow_nan=False)
        with pytest.raises((AttributeError, dataclasses.FrozenInstanceError)):
            one.notes = []  # type: ignore[union-attr, misc]
    assert found.concentrate.ions["calcium"] == pytest.approx(95.0 * (1 - 0.75 * 0.01) / 0.25)
    assert found.concentrate.ions["sodium"] == pytest.approx(480.0)
    assert found.concentrate.ph == pytest.approx(7.4 + math.log10((1 - 0.75 * 0.03) / 0.25))


def test_what_was_not_analysed_is_no_zero() -> None:
    ions = {name: content for name, content in IONS.items() if name != "barium"}
    feed = bm.Water(temperature_degc=15.0, ph=7.4, ions=ions, alkalinity_mg_l=205.0)
    barite = bm.saturation(feed, 0.5).scales[2]
    assert math.isnan(barite.standard_index)
    assert math.isnan(barite.activity_index)
    assert barite.clause == "barium not analysed"
    assert barite.to_dict()["standard_index"] is None
    assert "not judged: barium sulfate" in bm.recovery_limits(feed).sentence
    assert any("barium" in note for note in feed.notes)
    # None found is none: no limit, which is another thing than not knowing.
    none = bm.recovery_limits(water(barium=0.0)).limits[2]
    assert math.isnan(none.recovery)
    assert none.clause.startswith("not reached")
    assert bm.saturation(water(barium=0.0), 0.5).scales[2].standard_index == -math.inf


def test_refusals_name_what_is_wrong() -> None:
    with pytest.raises(bm.AnalysisError, match=r"cations .* meq/L, anions .* meq/L"):
        water(chloride=20.0)
    with pytest.raises(bm.AnalysisError, match="iron"):
        water(iron=1.0)
    with pytest.raises(bm.AnalysisError, match=r"ions\.calcium.*-1"):
        water(calcium=-1.0)
    with pytest.raises(bm.RangeError, match="ph"):
        water(ph=11.0)
    with pytest.raises(bm.RangeError, match="recovery"):
        bm.saturation(water(), 1.0)
    with pytest.raises(bm.AnalysisError, match="rust"):
        bm.recovery_limits(water(), limits={"rust": 1.0})
    with pytest.raises(bm.AnalysisError, match="method"):
        bm.recovery_limits(water(), method="guess")
    with pytest.raises(bm.AnalysisError, match="acid"):
        bm.acid_dose(water(), 0.5, acid="vinegar", limit=0.0)


def test_users_limits_come_first() -> None:
    by_default = bm.recovery_limits(water(), limits="antiscalant")
    assert "no source" in by_default.limits[0].basis
    own = bm.recovery_limits(water(), limits={"calcium carbonate": 2.4, "barium sulfate": 80.0})
    assert own.limits[0].limit_index == 2.4
    assert own.limits[0].basis == "as given"
    assert own.limits[0].recovery > by_default.limits[0].recovery
    untreated = bm.recovery_limits(water())
    assert untreated.limits[3].limit_index == pytest.approx(math.log10(0.8))
    assert own.binding is not None
    assert own.binding.recovery == min(one.recovery for one in own.limits if not math.isnan(one.recovery))


def test_softening_and_acid_move_what_they_should() -> None:
    feed = water()
    soft = feed.softened(0.95)
    assert sum(soft.charges_meq_l) == pytest.approx(sum(feed.charges_meq_l))
    for at in (0, 1, 2, 3, 4):
        before, after = bm.saturation(feed, 0.5).scales[at], bm.saturation(soft, 0.5).scales[at]
        assert after.standard_index < before.standard_index - 0.8
    dose = bm.acid_dose(feed, 0.75, acid="sulfuric", limit=0.0)
    treated = bm.saturation(dose.water, 0.75)
    assert treated.scales[0].standard_index == pytest.approx(0.0, abs=1e-6)
    # Its sulfate counts.
    assert treated.scales[1].standard_index > bm.saturation(feed, 0.75).scales[1].standard_index


@settings(max_examples=40, deadline=None)
@given(
    temperature=st.floats(5, 35),
    calcium=st.floats(80, 110),
    passage=st.floats(0, 0.05),
    method=st.sampled_from(["standard", "activity"]),
)
def test_limits_put_back_are_the_limits(
    temperature: float, calcium: float, passage: float, method: str
) -> None:
    feed = bm.Water(
        temperature_degc=temperature, ph=7.0, ions=IONS | {"calcium": calcium}, alkalinity_mg_l=205.0
    )
    limits = bm.recovery_limits(feed, salt_passage=passage, limits="antiscalant", method=method)
    reached = [(at, one) for at, one in enumerate(limits.limits) if one.recovery > 0]
    assert reached
    for at, one in reached:
        index = bm.saturation(feed, one.recovery, salt_passage=passage).scales[at]
        assert getattr(index, f"{method}_index") == pytest.approx(one.limit_index, abs=1e-6)


def test_salty_concentrates_take_stiff_and_davis() -> None:
    found = bm.saturation(water(), 0.93)
    assert found.concentrate.tds_mg_l > 10_000
    assert "Stiff-Davis" in found.scales[0].scheme
    assert "Langelier" in bm.saturation(water(), 0.5).scales[0].scheme
    # K of the fit, worked by hand at this ionic strength.
    strength = found.concentrate.ionic_strength_mol_l
    k = 2.022 * math.exp((math.log(strength) + 7.544) ** 2 / 102.6) - 0.0002 * 225 + 0.00097 * 15 + 0.262
    calcium = found.concentrate.ions["calcium"] / 40.078e3
    alkalinity = found.concentrate.alkalinity_mg_l / 50.04e3
    assert found.scales[0].standard_index == pytest.approx(
        found.concentrate.ph + math.log10(calcium * alkalinity) - k, abs=1e-9
    )
