"""Calibrations that a contract demands, and what their certificates tell (see contracts.py).

Each instrument is held against a reference at start-up, every year and at the end, and nothing is adjusted; a
calibration of the plant's own, where the owner told of it, has a certificate too. What a certificate says is
what the instrument was truly off by on that day, and what the reference was off by: normal, with half of the
expanded uncertainty as its standard deviation. References are such as are used on site (common practice, no
source): a test gauge four times as good as the gauge, a second flow meter or a bucket and a clock, a standard
solution, a reference thermometer, buffers, formazin, water without chlorine.
"""

from __future__ import annotations

from collections.abc import Iterator

import ageing
import ageing_instruments
import numpy as np
from ageing_membranes import stream
from numpy.typing import NDArray

Array = NDArray[np.float64]

# Of contracts: how many demand it (common practice, no source).
DEMANDED = 0.75
YEARLY = (0, 365, 730)
# Expanded uncertainties (k = 2): a share of the reading, or in the column's unit.
OF_READING = {"flow": 0.01, "conductivity": 0.01}
KELVIN = 0.1
# Of a gauge's accuracy.
OF_GAUGE = 0.25
OF_EXPOSURES = {"feed_ph": 0.02, "feed_turbidity": 0.02, "feed_free_chlorine": 0.002}


def demanded(seed: int) -> bool:
    """Whether the contract of a plant demands calibrations."""
    return bool(stream(seed, "calibrations demanded").random() < DEMANDED)


def certified(
    made: ageing.Ageing, off: dict[str, float], units: dict[str, str], text: str, lapsed: bool
) -> str:
    """A site file with certificates.

    `off`: what each meter of the feed's exposures is off by, always the same. `lapsed`: nobody came after the
    start.
    """
    days = len(made.ran)
    text += "\n"
    ends = YEARLY[:1] if lapsed else (*YEARLY, days)
    columns = [*made.instruments, *units]
    own = {(each.day, each.column) for each in made.calibrations if each.told}
    for column in columns:
        wrong_by, uncertainty, unit = _wrong_by(made, column, off, units)
        random = stream(made.seed, f"certificates {column}")
        for day in sorted({*ends, *(at for at, of in own if of == column)}):
            last, here = min(max(day - 1, 0), days - 1), min(day, days - 1)
            reference = 0.5 * uncertainty * random.normal()
            # Where nothing is adjusted, one look tells both.
            found = wrong_by[last if (day, column) in own else here] + reference
            left = wrong_by[here] + (
                0.5 * uncertainty * random.normal() if (day, column) in own else reference
            )
            event = ageing_instruments.told(day, column, made.start)
            told = "\n".join([event, *_certificate(found, left, uncertainty, unit)])
            text = text.replace(event, told, 1) if (day, column) in own else f"{text}{told}\n"
    return text


def _wrong_by(
    made: ageing.Ageing, column: str, off: dict[str, float], units: dict[str, str]
) -> tuple[Array, float, str]:
    """What an instrument shows too much each day, how uncertain certificates are, and the unit of both."""
    days = len(made.ran)
    if column in units:
        # Nothing is there to hold a silt density index against: its apparatus is looked over.
        return np.full(days, off[column]), OF_EXPOSURES.get(column, np.inf), units[column]
    instrument = made.instruments[column]
    found, _ = ageing_instruments.errors(made.seed, days, column, instrument, made.calibrations)
    of_reading = OF_READING.get(column.rpartition("_")[2])
    if of_reading is not None:
        return 100.0 * found.share / (1.0 + found.share), 100.0 * of_reading, "% of reading"
    uncertainty = KELVIN if column == "feed_temperature" else OF_GAUGE * instrument.accuracy
    return found.absolute, uncertainty, ageing_instruments.UNITS[column]


def _certificate(found: float, left: float, uncertainty: float, unit: str) -> Iterator[str]:
    if np.isinf(uncertainty):
        return
    for key, figure in (("as_found", found), ("as_left", left)):
        yield f'{key} = "{figure:+.5f} {unit}"'.replace(' "', '"')
    yield f'uncertainty = "{uncertainty:.5f} {unit}"'.replace(' "', '"')
