"""The same equations as expressions of polars, in steps, so that nothing is worked out twice.

The sources of the equations stand with brinemark's own functions. Readings that can't be are not
looked for here; brinemark does look for them.
"""

from __future__ import annotations

import math

import polars as pl
from in_numpy import REFERENCE
from plant import (
    AREA_M2,
    CONSTANT_BELOW_25DEGC_K,
    CONSTANT_K,
    DESIGN,
    ELEMENTS_PER_VESSEL,
    FLOW_EXPONENT,
    OUTPUTS,
    SALT_CONSTANT_K,
    VESSELS,
    VISCOSITY_POWER,
)
from polars import col


def horner(coefficients: list[float], x: pl.Expr) -> pl.Expr:
    """A polynomial, its highest power first."""
    first, *others = coefficients
    value = pl.lit(first)
    for coefficient in others:
        value = value * x + coefficient
    return value


def arrhenius(constant_k: pl.Expr | float) -> pl.Expr:
    """Temperature factor, 1 at 25 degC."""
    return (constant_k * (1.0 / 298.15 - 1.0 / col("kelvin"))).exp()


def osmotic_pressure(salt: str) -> tuple[dict[str, pl.Expr], dict[str, pl.Expr], pl.Expr]:
    """Sodium chloride by Pitzer's equation: two steps of helper columns, then the pressure, bar."""
    molarity, molality, root = (f"{salt} {part}" for part in ("molarity", "molality", "root"))
    volume = 1e-3 * col(molarity) * (16.62 + 1.87 * col(molarity).sqrt())
    to_molality = {molality: col(molarity) / (1e-3 * col("water") * (1.0 - volume))}
    to_root = {root: col(molality).sqrt()}
    coefficient = (
        1.0
        - col("slope") * col(root) / (1.0 + 1.2 * col(root))
        + col(molality) * (col("beta0") + col("beta1") * (-2.0 * col(root)).exp())
        + col(molality) ** 2 * col("c_phi")
    )
    pressure = 1e-5 * coefficient * 2.0 * col(molality) * 8.314462618 * col("kelvin") * col("water")
    return to_molality, to_root, pressure


def normalise(readings: pl.LazyFrame) -> pl.LazyFrame:
    """Every output, from columns in canonical units."""
    t, kelvin, water = col("feed_temperature"), col("kelvin"), col("water")
    permeate, feed, recycle = col("permeate_flow"), col("feed_flow"), col("recycle_flow")
    then, area = REFERENCE, AREA_M2 * VESSELS * ELEMENTS_PER_VESSEL
    feed_molality, feed_root, feed_pressure = osmotic_pressure("feed")
    permeate_molality, permeate_root, permeate_pressure = osmotic_pressure("permeate")
    tau = kelvin / 300.0
    permittivity = horner([-1.410e-6, 9.398e-4, -0.40008, 87.740], t)
    length = 1.602176634e-19**2 / (4.0 * math.pi * 8.8541878128e-12 * permittivity * 1.380649e-23 * kelvin)
    difference, inverse = kelvin - 298.15, 1.0 / kelvin - 1.0 / 298.15
    logarithm, squares = (kelvin / 298.15).log(), kelvin**2 - 298.15**2
    factor = pl.when(t < 25.0).then(CONSTANT_BELOW_25DEGC_K).otherwise(CONSTANT_K)
    reference_passage = DESIGN["permeate_tds"] / then["membrane_inlet_tds"]
    return (
        readings.with_columns(
            kelvin=t + 273.15,
            inlet=feed + recycle,
            water=horner(
                [
                    -280.54253e-12,
                    105.56302e-9,
                    -46.170461e-6,
                    -7.9870401e-3,
                    16.945176,
                    999.83952,
                ],
                t,
            )
            / (1.0 + 16.879850e-3 * t),
        )
        .with_columns(
            length=length,
            membrane_inlet_tds=(
                feed * col("feed_tds") * (col("inlet") - permeate) - recycle * permeate * col("permeate_tds")
            )
            / (col("inlet") * (feed - permeate)),
            pass_recovery=permeate / col("inlet"),
            beta0=0.0765
            - 777.03 * inverse
            - 4.4706 * logarithm
            + 0.008946 * difference
            - 3.3158e-6 * squares,
            beta1=0.2664 + 6.1608e-5 * difference + 1.0715e-6 * squares,
            c_phi=0.00127 + 33.317 * inverse + 0.09421 * logarithm - 4.655e-5 * difference,
            temperature_factor=arrhenius(factor),
            salt_temperature_factor=arrhenius(SALT_CONSTANT_K),
            viscosity=1e-3
            * (280.68 * tau**-1.9 + 511.45 * tau**-7.7 + 61.131 * tau**-19.6 + 0.45903 * tau**-40.0),
        )
        .with_columns(
            mean_feed_tds=col("membrane_inlet_tds") * -(-col("pass_recovery")).log1p() / col("pass_recovery"),
            slope=(2.0 * math.pi * 6.02214076e23 * water).sqrt() * col("length") ** 1.5 / 3.0,
        )
        .with_columns(
            (col("mean_feed_tds") / 58442.8).alias("feed molarity"),
            (col("permeate_tds") / 58442.8).alias("permeate molarity"),
        )
        .with_columns(**feed_molality, **permeate_molality)
        .with_columns(**feed_root, **permeate_root)
        .with_columns(
            net_driving_pressure=col("feed_pressure")
            - 0.5 * col("differential_pressure")
            - col("permeate_pressure")
            - (feed_pressure - permeate_pressure),
            flux=1000.0 * permeate / area,
            salt_passage=col("permeate_tds") / col("membrane_inlet_tds"),
        )
        .with_columns(
            normalised_permeate_flow=permeate
            * (then["net_driving_pressure"] * then["temperature_factor"])
            / (col("net_driving_pressure") * col("temperature_factor")),
            normalised_salt_passage=col("salt_passage")
            * (permeate / DESIGN["permeate_flow"])
            * (then["salt_temperature_factor"] / col("salt_temperature_factor"))
            * (then["mean_feed_tds"] / col("mean_feed_tds"))
            * (col("membrane_inlet_tds") / then["membrane_inlet_tds"]),
            normalised_differential_pressure=col("differential_pressure")
            * (then["mean_flow"] / (col("inlet") - 0.5 * permeate)) ** FLOW_EXPONENT
            * (then["viscosity"] / col("viscosity")) ** VISCOSITY_POWER,
        )
        .with_columns(
            normalised_salt_passage_at_normalised_flow=col("normalised_salt_passage")
            * DESIGN["permeate_flow"]
            / col("normalised_permeate_flow"),
        )
        .with_columns(
            recovery=permeate / feed,
            water_permeability=col("flux") / (col("net_driving_pressure") * col("temperature_factor")),
            normalised_permeate_flow_change=col("normalised_permeate_flow") / DESIGN["permeate_flow"] - 1.0,
            rejection=1.0 - col("salt_passage"),
            salt_permeability=col("flux")
            * col("permeate_tds")
            / (col("salt_temperature_factor") * col("mean_feed_tds")),
            normalised_salt_passage_change=col("normalised_salt_passage") / reference_passage - 1.0,
            normalised_salt_passage_at_normalised_flow_change=col(
                "normalised_salt_passage_at_normalised_flow"
            )
            / reference_passage
            - 1.0,
            normalised_rejection=1.0 - col("normalised_salt_passage"),
            normalised_differential_pressure_change=col("normalised_differential_pressure")
            / DESIGN["differential_pressure"]
            - 1.0,
        )
        .select(*OUTPUTS)
    )
