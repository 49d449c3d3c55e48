"""Live comparisons with reference libraries, and that formulas cross into Python whole."""

from __future__ import annotations

import math
from collections.abc import Callable
from typing import Any

import CoolProp.CoolProp as CoolProp
import gsw
import numpy as np
import pint
import pytest
from chemicals.viscosity import mu_IAPWS
from hypothesis import given, strategies as st
from scipy.optimize import brentq

import brinemark as bm

PINT = {
    "degC": "degC",
    "degF": "degF",
    "K": "kelvin",
    "bar": "bar",
    "psi": "psi",
    "kPa": "kPa",
    "MPa": "MPa",
    "mbar": "mbar",
    "Pa": "Pa",
    "kgf/cm2": "kgf/cm**2",
    "m3/h": "m**3/hour",
    "m3/d": "m**3/day",
    "L/min": "liter/minute",
    "L/h": "liter/hour",
    "L/s": "liter/second",
    "gpm": "gallon/minute",
    "gpd": "gallon/day",
    "MGD": "megagallon/day",
    "uS/cm": "microsiemens/cm",
    "mS/cm": "millisiemens/cm",
    "mS/m": "millisiemens/m",
    "S/m": "siemens/m",
    "mg/L": "mg/liter",
    "g/L": "g/liter",
    "mg/L h": "mg/liter*hour",
    "m2": "m**2",
    "ft2": "ft**2",
    "m3": "m**3",
    "L": "liter",
    "gal": "gallon",
    "h": "hour",
    "min": "minute",
    "s": "second",
    "d": "day",
    "L/m2/h": "liter/m**2/hour",
    "gfd": "gallon/day/ft**2",
    "L/m2/h/bar": "liter/m**2/hour/bar",
    "gfd/psi": "gallon/day/ft**2/psi",
    "%": "percent",
    "m": "meter",
    "mm": "millimeter",
    "in": "inch",
    "ft": "foot",
    "mil": "thou",
}


# Turbidity is what a meter of a kind shows, and no multiple of another unit.
ALONE = {"NTU"}


def test_every_unit_is_pints() -> None:
    registry: Any = pint.UnitRegistry()
    words = {word for _, _, word in bm.unit_words() if word} - ALONE
    assert words == set(PINT)
    quantity = {unit: name for _, name, unit in bm.unit_words()}
    pairs = 0
    for a in sorted(words):
        for b in sorted(words):
            if quantity[a] != quantity[b]:
                with pytest.raises(bm.UnitError):
                    bm.convert(1.0, a, b)
                continue
            for value in (0.0, 1.0, 123.4):
                expected = registry.Quantity(value, PINT[a]).to(PINT[b]).magnitude
                assert bm.convert(value, a, b) == pytest.approx(expected, rel=1e-12, abs=1e-10)
            pairs += 1
    assert pairs > 100


def test_viscosity_is_iapws() -> None:
    # The library itself against the check value of IAPWS R12-08, Table 4: 298.15 K, 998 kg/m3.
    assert mu_IAPWS(298.15, 998.0) == pytest.approx(889.735100e-6, rel=1e-7)
    worst = 0.0
    for t in np.arange(0.5, 50.1, 0.5):
        kelvin = float(t) + 273.15
        ours = bm.viscosity(float(t))
        density = CoolProp.PropsSI("D", "T", kelvin, "P", 101325, "Water")
        for theirs in (
            1e3 * mu_IAPWS(kelvin, density),
            1e3 * CoolProp.PropsSI("V", "T", kelvin, "P", 101325, "Water"),
        ):
            worst = max(worst, abs(ours / theirs - 1))
        assert bm.density(float(t)) == pytest.approx(density, rel=1e-5)
    assert worst < 1e-4


@pytest.mark.parametrize("salinity", [0.05, 1.0, 10.0, 35.16504, 70.0, 110.0])
def test_seawater_is_teos_10(salinity: float) -> None:
    for t in (1.0, 10.0, 20.0, 30.0, 39.0):

        def excess(dbar: float, t: float = t) -> float:
            in_seawater = gsw.chem_potential_water_t_exact(salinity, t, dbar)
            return float(in_seawater - gsw.chem_potential_water_t_exact(0.0, t, 0.0))

        expected = brentq(excess, 0.0, 20.0 * salinity + 1.0, xtol=1e-9) / 10.0
        # The library's water is another fit: in the dilute its difference of two potentials loses digits.
        assert bm.seawater_osmotic_pressure(salinity, t) == pytest.approx(expected, rel=3e-4, abs=1e-5)
        density = float(gsw.rho_t_exact(salinity, t, 0.0))
        assert bm.seawater_density(salinity, t) == pytest.approx(density, rel=3e-5)
        by_litre = bm.osmotic_pressure(salinity * density, t, basis="seawater")
        assert by_litre == pytest.approx(expected, rel=4e-4, abs=1e-5)


@pytest.mark.parametrize("practical", [0.1, 0.5, 1.9, 2.1, 10.0, 35.0, 41.9])
def test_seawater_conductivity_is_pss_78(practical: float) -> None:
    conductivity = 1e3 * float(gsw.C_from_SP(practical, 25.0, 0.0))
    salinity = practical * 35.16504 / 35.0
    expected = salinity * float(gsw.rho_t_exact(salinity, 25.0, 0.0))
    assert bm.tds_from_conductivity(conductivity, basis="seawater") == pytest.approx(expected, rel=3e-5)
    assert bm.conductivity_from_tds(expected, basis="seawater") == pytest.approx(conductivity, rel=3e-5)


def test_ions_are_an_analysis() -> None:
    sea = {
        "sodium": 10781.45,
        "potassium": 399.10,
        "magnesium": 1283.72,
        "calcium": 415.72,
        "chloride": 19382.56,
        "sulfate": 2712.35,
        "bicarbonate": 133.98,
    }
    tds = np.array([300.0, 10_000.0, 35_986.0])
    found = bm.osmotic_pressure(tds, 20.0, basis="ions", ions=sea)
    assert found == pytest.approx(bm.osmotic_pressure(tds, 20.0, basis="seawater"), rel=1e-2)
    with pytest.raises(bm.SiteError, match="belongs to the basis"):
        bm.osmotic_pressure(tds, 20.0, basis="seawater", ions=sea)
    with pytest.raises(bm.SiteError, match="missing"):
        bm.osmotic_pressure(tds, 20.0, basis="ions")
    with pytest.raises(bm.SiteError, match=r"'sulphate'.*one of: sodium"):
        bm.osmotic_pressure(tds, 20.0, basis="ions", ions={**sea, "sulphate": 1.0})
    with pytest.raises(bm.SiteError, match="charges do not balance"):
        bm.osmotic_pressure(tds, 20.0, basis="ions", ions={**sea, "sodium": 1.0})


FUNCTIONS: list[tuple[Callable[..., Any], tuple[float, float]]] = [
    (bm.viscosity, (-20.0, 110.0)),
    (bm.density, (0.0, 150.0)),
    (lambda t: bm.temperature_factor(t, law="viscosity"), (0.0, 50.0)),
    (lambda t: bm.temperature_factor(t, law="arrhenius", constant_k=2640.0), (0.0, 50.0)),
    (lambda c: bm.osmotic_pressure(c, 25.0, basis="sodium-chloride"), (0.0, 112_000.0)),
    (lambda c: bm.osmotic_pressure(c, 25.0, basis="tds-rule"), (0.0, 112_000.0)),
    (lambda c: bm.osmotic_pressure(c, 25.0, basis="seawater"), (0.0, 128_000.0)),
    (lambda s: bm.seawater_osmotic_pressure(s, 25.0), (0.0, 120.0)),
    (lambda s: bm.seawater_density(s, 25.0), (0.0, 120.0)),
    (lambda t: bm.conductivity_at_25(500.0, t, method="iso-7888"), (0.0, 35.0)),
    (lambda t: bm.conductivity_at_25(500.0, t, method="linear", alpha_per_degc=0.02), (0.0, 50.0)),
    (lambda t: bm.potassium_chloride_conductivity(0.1, t), (5.0, 35.0)),
    (lambda k: bm.tds_from_conductivity(k, basis="sodium-chloride"), (0.0, 85_789.0)),
    (lambda k: bm.tds_from_conductivity(k, basis="seawater"), (100.0, 62_358.0)),
    (lambda c: bm.conductivity_from_tds(c, basis="sodium-chloride"), (0.0, 58_442.0)),
    (bm.log_mean_factor, (0.0, 0.999)),
]


@pytest.mark.parametrize(("function", "span"), FUNCTIONS)
@given(data=st.data())
def test_scalars_and_arrays_alike(
    function: Callable[..., Any], span: tuple[float, float], data: st.DataObject
) -> None:
    values = data.draw(st.lists(st.floats(*span) | st.just(math.nan), min_size=1, max_size=8))
    found = function(np.array(values))
    assert isinstance(found, np.ndarray)
    for value, one in zip(values, found, strict=True):
        alone = function(value)
        assert isinstance(alone, float)
        assert alone == one or (math.isnan(value) and math.isnan(alone) and math.isnan(one))
    shaped = function(np.array(values).reshape(1, -1))
    assert shaped.shape == (1, len(values))


@pytest.mark.parametrize(("function", "span"), FUNCTIONS)
def test_out_of_range_names_the_first_row(function: Callable[..., Any], span: tuple[float, float]) -> None:
    low, high = span
    wrong = high * 1.5 + 1
    with pytest.raises(bm.RangeError, match="row 3"):
        function(np.array([low, math.nan, wrong, wrong]))
    with pytest.raises(bm.RangeError) as raised:
        function(wrong)
    (fault,) = raised.value.faults
    assert fault.row is None
    assert str(wrong).removesuffix(".0") in str(raised.value)


def test_a_wrong_setting_is_said() -> None:
    with pytest.raises(TypeError):
        bm.temperature_factor(20.0, law="viscosity", bass=1.03)  # type: ignore[call-arg]
    with pytest.raises(TypeError):
        bm.temperature_factor(20.0, "viscosity")  # type: ignore[call-arg]
    with pytest.raises(bm.SiteError, match="belongs to the law"):
        bm.temperature_factor(20.0, law="viscosity", base=1.03)
    with pytest.raises(bm.SiteError, match="one of: standard-practice"):
        bm.temperature_factor(20.0, law="linear")
    with pytest.raises(bm.SiteError, match="one of: tds-rule"):
        bm.osmotic_pressure(1000.0, 20.0, basis="sea")
    with pytest.raises(bm.SiteError, match="alpha_per_degc: missing"):
        bm.conductivity_at_25(1000.0, 20.0, method="linear")
    with pytest.raises(bm.SiteError, match=r"one of: 0\.01, 0\.1, 1 mol/kg"):
        bm.potassium_chloride_conductivity(0.02, 25.0)
    with pytest.raises(bm.SiteError, match="one of: sodium-chloride, seawater"):
        bm.tds_from_conductivity(1000.0, basis="brine")
    with pytest.raises(bm.UnitError, match="did you mean 'psi'"):
        bm.convert(1.0, "pis", "bar")
