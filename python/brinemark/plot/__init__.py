"""Plots a person can read, on screen and in grey print. Drawn with matplotlib, loaded when first used."""

from brinemark.plot.comparisons import arms, effects, power
from brinemark.plot.readings import budget, screening, temperature_view, timeline, why
from brinemark.plot.settings import saturation, settings_map
from brinemark.plot.sizing import sizing, tank
from brinemark.plot.start_up import start_up
from brinemark.plot.trends import causes, course, temperature_law
from brinemark.plot.warranty import guarantee

__all__ = [
    "arms",
    "budget",
    "causes",
    "course",
    "effects",
    "guarantee",
    "power",
    "saturation",
    "screening",
    "settings_map",
    "sizing",
    "start_up",
    "tank",
    "temperature_law",
    "temperature_view",
    "timeline",
    "why",
]
