"""brinemark's membrane model of one vessel, as one would write it in NumPy.

The sources of the equations, and why they are these, stand with brinemark's own functions. Rows are
worked out together, a chunk at a time: small enough for the processor's cache, large enough that
NumPy's own cost for each call is little.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping
from typing import NamedTuple

import numpy as np
from dual import Dual, Figures, exp, log, value
from in_numpy import arrhenius, debye_hueckel, density, osmotic_pressures, viscosity
from plant import AREA_M2, CONSTANT_BELOW_25DEGC_K, CONSTANT_K, SALT_CONSTANT_K, Array
from vessel import ELEMENTS, LENGTH_M, SPACER_M

POROSITY = 0.89
HYDRAULIC_DIAMETER_M = 4.0 * POROSITY * SPACER_M / (2.0 + 8.0 * (1.0 - POROSITY))
CROSS_SECTION_M2 = AREA_M2 / (2.0 * LENGTH_M) * SPACER_M * POROSITY
# m3/h to L/m2/h.
FLUX_OF_FLOW = 1000.0 / AREA_M2

FORWARD_CHUNK = 4096
INFER_CHUNK = 4096


class Water(NamedTuple):
    """What the osmotic pressure of sodium chloride takes of the temperature."""

    bar: Array
    kg_l: Array
    slope: Array
    beta0: Array
    beta1: Array
    c_phi: Array


class Element(NamedTuple):
    """An element at one temperature: laws of its channel, and its membrane."""

    water: Water
    transfer: Array
    drop: Array
    permeate_pressure: Array
    water_permeability: Figures
    salt_permeability: Figures
    spacer_friction: Figures


class Stream(NamedTuple):
    """What flows along the feed side: m3/h, mg/L, bar."""

    flow: Figures
    tds: Figures
    pressure: Figures


class Through(NamedTuple):
    """What an element does with a stream."""

    permeate_flow: Figures
    permeate_tds: Figures
    membrane_tds: Figures
    drop: Figures


def water_at(t: Array) -> Water:
    kelvin = t + 273.15
    water = density(t)
    inverse = 1.0 / kelvin - 1.0 / 298.15
    logarithm = np.log(kelvin / 298.15)
    difference = kelvin - 298.15
    squares = kelvin**2 - 298.15**2
    return Water(
        bar=1e-5 * 2.0 * 8.314462618 * kelvin * water,
        kg_l=1e-3 * water,
        slope=debye_hueckel(t, water),
        beta0=0.0765 - 777.03 * inverse - 4.4706 * logarithm + 0.008946 * difference - 3.3158e-6 * squares,
        beta1=0.2664 + 6.1608e-5 * difference + 1.0715e-6 * squares,
        c_phi=0.00127 + 33.317 * inverse + 0.09421 * logarithm - 4.655e-5 * difference,
    )


def osmotic_and_slope(water: Water, tds: Array) -> tuple[Array, Array]:
    """Osmotic pressure, bar, and its derivative by the salt, bar L/mg."""
    molarity = tds * (1.0 / 58442.8)
    masson = 1.87e-3 * np.sqrt(molarity)
    room = 1.0 - molarity * (masson + 16.62e-3)
    inverse = 1.0 / (water.kg_l * room)
    molality = molarity * inverse
    by_molarity = inverse * (1.0 + molarity * (1.5 * masson + 16.62e-3) / room)
    root = np.sqrt(molality)
    denominator = 1.0 / (1.0 + 1.2 * root)
    debye = water.slope * root * denominator
    decaying = water.beta1 * np.exp(-2.0 * root)
    pair = molality * (water.beta0 + decaying)
    triple = molality * molality * water.c_phi
    coefficient = 1.0 - debye + pair + triple
    # Molality times the coefficient's derivative by it.
    moved = pair - 0.5 * debye * denominator - molality * root * decaying + 2.0 * triple
    pressure = water.bar * molality * coefficient
    return pressure, water.bar * (coefficient + moved) * by_molarity * (1.0 / 58442.8)


def osmotic(water: Water, tds: Figures) -> Figures:
    pressure, slope = osmotic_and_slope(water, value(tds))
    return tds.chain(pressure, slope) if isinstance(tds, Dual) else pressure


def element_at(t: Array, permeate_pressure: Array, membrane: Mapping[str, Figures]) -> Element:
    water, viscosity_pa_s = density(t), 1e-3 * viscosity(t)
    velocity = 1.0 / (3600.0 * CROSS_SECTION_M2)
    reynolds = np.log(water * velocity * HYDRAULIC_DIAMETER_M / viscosity_pa_s)
    diffusion = 1.611e-9 * (t + 273.15) / 298.15 * 1e-3 * viscosity(25.0) / viscosity_pa_s
    schmidt = np.log(viscosity_pa_s / (water * diffusion))
    transfer = 3.6e6 * 0.065 / HYDRAULIC_DIAMETER_M * np.exp(0.875 * reynolds + 0.25 * schmidt) * diffusion
    drop = 1e-5 * 6.23 * LENGTH_M / HYDRAULIC_DIAMETER_M * np.exp(-0.3 * reynolds)
    return Element(
        water=water_at(t),
        transfer=transfer,
        drop=drop * water * velocity**2 / 2.0,
        permeate_pressure=permeate_pressure,
        water_permeability=membrane["water_permeability"] * water_factor(t),
        salt_permeability=membrane["salt_permeability"] * arrhenius(t, SALT_CONSTANT_K),
        spacer_friction=membrane["spacer_friction"],
    )


def water_factor(t: Array) -> Figures:
    return arrhenius(t, np.where(t < 25.0, CONSTANT_BELOW_25DEGC_K, CONSTANT_K))


def through(element: Element, inflow: Stream, flux: Figures) -> Through:
    """What follows if the flux is this."""
    permeate_flow = flux * (1.0 / FLUX_OF_FLOW)
    log_flow = log(inflow.flow - permeate_flow * 0.5)
    drop = exp(log_flow * 1.7) * element.drop * element.spacer_friction
    film = exp(flux / (exp(log_flow * 0.875) * element.transfer))
    carried = film * element.salt_permeability
    share = carried / (flux + carried)
    out = inflow.flow - permeate_flow
    mean = inflow.tds * (inflow.flow + out) / (share * permeate_flow + out * 2.0)
    permeate_tds = share * mean
    return Through(permeate_flow, permeate_tds, permeate_tds + (mean - permeate_tds) * film, drop)


def residual(element: Element, inflow: Stream, flux: Figures, found: Through) -> Figures:
    """Flux less what the driving pressure gives."""
    difference = osmotic(element.water, found.membrane_tds) - osmotic(element.water, found.permeate_tds)
    driving = inflow.pressure - found.drop * 0.5 - element.permeate_pressure - difference
    return flux - element.water_permeability * driving


def outflow(inflow: Stream, found: Through) -> Stream:
    out = inflow.flow - found.permeate_flow
    salt = inflow.flow * inflow.tds - found.permeate_flow * found.permeate_tds
    return Stream(out, salt / out, inflow.pressure - found.drop)


def residual_and_slope(element: Element, inflow: Stream, flux: Array) -> tuple[Array, Array]:
    """The residual and its derivative by the flux, both by hand: half the work of a dual."""
    by_flux = 1.0 / FLUX_OF_FLOW
    permeate_flow = flux * by_flux
    mean_flow = inflow.flow - 0.5 * permeate_flow
    log_flow = np.log(mean_flow)
    by_log_flow = -0.5 * by_flux / mean_flow
    drop = np.exp(1.7 * log_flow) * element.drop * element.spacer_friction
    exponent = flux / (np.exp(0.875 * log_flow) * element.transfer)
    film = np.exp(exponent)
    # Divided by the film itself.
    film_slope = exponent * (1.0 / flux - 0.875 * by_log_flow)
    carried = film * element.salt_permeability
    inverse = 1.0 / (flux + carried)
    share = carried * inverse
    share_slope = share * (flux * film_slope - 1.0) * inverse
    out = inflow.flow - permeate_flow
    inverse = 1.0 / (share * permeate_flow + 2.0 * out)
    mean = inflow.tds * (inflow.flow + out) * inverse
    mean_slope = mean * (2.0 - share) * by_flux - mean * permeate_flow * share_slope
    mean_slope = (mean_slope - inflow.tds * by_flux) * inverse
    permeate_tds = share * mean
    permeate_slope = share_slope * mean + share * mean_slope
    above = (mean - permeate_tds) * film
    above_slope = (mean_slope - permeate_slope) * film + above * film_slope
    at_membrane, at_membrane_slope = osmotic_and_slope(element.water, permeate_tds + above)
    behind, behind_slope = osmotic_and_slope(element.water, permeate_tds)
    driving = inflow.pressure - 0.5 * drop - element.permeate_pressure - (at_membrane - behind)
    driving_slope = (
        behind_slope * permeate_slope
        - at_membrane_slope * (permeate_slope + above_slope)
        - 0.85 * drop * by_log_flow
    )
    water = element.water_permeability
    return flux - water * driving, 1.0 - water * driving_slope


def settle(element: Element, inflow: Stream, flux: Array) -> tuple[Array, Array]:
    """The flux that agrees with its driving pressure, NaN where none does; and the residual's slope."""
    most = FLUX_OF_FLOW * inflow.flow
    for _ in range(40):
        off, slope = residual_and_slope(element, inflow, flux)
        after = flux - off / slope
        after = np.where(after < most, after, 0.5 * (flux + most))
        after = np.where(after > 0.0, after, 0.5 * flux)
        step = np.abs(after - flux) / after
        flux = after
        if not np.any(step > 1e-12):
            break
    return np.where(step > 1e-9, np.nan, flux), slope


def forward(at: Mapping[str, Array], membrane: Mapping[str, Figures]) -> dict[str, Array]:
    """What the vessel makes where inlet flow and pressure are given."""
    element = element_at(at["feed_temperature"], at["permeate_pressure"], membrane)
    stream = Stream(at["feed_flow"], at["feed_tds"], at["feed_pressure"])
    flux = 0.5 * element.water_permeability * stream.pressure
    permeate_flow: Figures = 0.0
    salt: Figures = 0.0
    for _ in range(ELEMENTS):
        flux, _ = settle(element, stream, flux)
        found = through(element, stream, flux)
        permeate_flow = permeate_flow + found.permeate_flow
        salt = salt + found.permeate_flow * found.permeate_tds
        stream = outflow(stream, found)
    return {
        "permeate_flow": permeate_flow,
        "permeate_tds": salt / permeate_flow,
        "concentrate_flow": stream.flow,
        "concentrate_tds": stream.tds,
        "concentrate_pressure": stream.pressure,
    }


def solve(rows: list[Array], off: list[Array]) -> list[Array]:
    """Three linear equations, by Cramer's rule; `rows` are (3, readings) each."""
    a, b, c = rows
    p, q, r = off
    bc = b[1] * c[2] - b[2] * c[1], b[0] * c[2] - b[2] * c[0], b[0] * c[1] - b[1] * c[0]
    qc = [q * c[j] - b[j] * r for j in range(3)]
    whole = a[0] * bc[0] - a[1] * bc[1] + a[2] * bc[2]
    first = p * bc[0] - a[1] * qc[2] + a[2] * qc[1]
    second = a[0] * qc[2] - p * bc[1] - a[2] * qc[0]
    third = a[1] * qc[0] - a[0] * qc[1] + p * bc[2]
    return [first / whole, second / whole, third / whole]


def first_membrane(at: Mapping[str, Array]) -> list[Array]:
    """Where the search starts: the vessel as one element, without polarisation."""
    t = at["feed_temperature"]
    recovery = at["permeate_flow"] / at["feed_flow"]
    mean = at["feed_tds"] * (1.0 + 0.5 * recovery / (1.0 - recovery))
    of_feed, of_permeate = osmotic_pressures(t, mean, at["permeate_tds"])
    flux = FLUX_OF_FLOW / ELEMENTS * at["permeate_flow"]
    driving = at["feed_pressure"] - 0.5 * at["differential_pressure"] - at["permeate_pressure"]
    driving = np.maximum(driving - of_feed + of_permeate, 0.02 * at["feed_pressure"])
    salt = flux * at["permeate_tds"] / (1.2 * mean * arrhenius(t, SALT_CONSTANT_K))
    return [flux / (driving * water_factor(t)), salt, np.ones_like(flux)]


MEMBRANE_FIGURES = ("water_permeability", "salt_permeability", "spacer_friction")


def infer(at: Mapping[str, Array]) -> dict[str, Array]:
    """The membrane behind each reading; NaN where none explains it."""
    membrane = first_membrane(at)
    slopes = [np.zeros((3, len(membrane[0]))) for _ in membrane]
    for slot, of_slot in enumerate(slopes):
        of_slot[slot] = 1.0
    plain = element_at(at["feed_temperature"], at["permeate_pressure"], dict.fromkeys(MEMBRANE_FIGURES, 1.0))
    fluxes: list[Array] = []
    for _ in range(30):
        water, salt, friction = membrane
        fixed = plain._replace(
            water_permeability=plain.water_permeability * water,
            salt_permeability=plain.salt_permeability * salt,
            spacer_friction=friction,
        )
        leaning = plain._replace(
            water_permeability=Dual(water, slopes[0]) * plain.water_permeability,
            salt_permeability=Dual(salt, slopes[1]) * plain.salt_permeability,
            spacer_friction=Dual(friction, slopes[2]),
        )
        stream = Stream(at["feed_flow"], at["feed_tds"], at["feed_pressure"])
        before, fluxes = fluxes, []
        permeate_flow: Figures = 0.0
        carried: Figures = 0.0
        for place in range(ELEMENTS):
            if before:
                guess = before[place]
            else:
                guess = fluxes[-1] if fluxes else 0.5 * fixed.water_permeability * stream.pressure
            values = Stream(value(stream.flow), value(stream.tds), value(stream.pressure))
            flux, slope = settle(fixed, values, guess)
            fluxes.append(flux)
            # One last step with derivatives gives the flux its own.
            exact = flux - residual(leaning, stream, flux, through(leaning, stream, flux)) / slope
            found = through(leaning, stream, exact)
            permeate_flow = found.permeate_flow + permeate_flow
            carried = found.permeate_flow * found.permeate_tds + carried
            stream = outflow(stream, found)
        permeate_tds = carried / permeate_flow
        drop = at["feed_pressure"] - stream.pressure
        steps = solve(
            [permeate_flow.slopes, permeate_tds.slopes, drop.slopes],
            [
                permeate_flow.value - at["permeate_flow"],
                permeate_tds.value - at["permeate_tds"],
                drop.value - at["differential_pressure"],
            ],
        )
        membrane = [
            np.minimum(np.maximum(water - steps[0], 0.3 * water), 3.0 * water),
            np.minimum(np.maximum(salt - steps[1], 0.3 * salt), 3.0 * salt),
            friction - steps[2],
        ]
        scales = water, salt, np.maximum(np.abs(membrane[2]), 1.0)
        moves = np.zeros(len(water), dtype=bool)
        for step, scale in zip(steps, scales, strict=True):
            moves |= np.abs(step) > 1e-11 * scale
        if not moves.any():
            break
    return {
        name: np.where(moves, np.nan, figures)
        for name, figures in zip(MEMBRANE_FIGURES, membrane, strict=True)
    }


def by_chunks(
    work: Callable[[Mapping[str, Array]], Mapping[str, Array]], at: Mapping[str, Array], size: int
) -> dict[str, Array]:
    """The work done a chunk of rows at a time."""
    rows = len(next(iter(at.values())))
    found: dict[str, Array] = {}
    for start in range(0, rows, size):
        part = slice(start, start + size)
        for name, figures in work({name: column[part] for name, column in at.items()}).items():
            found.setdefault(name, np.empty(rows))[part] = figures
    return found
