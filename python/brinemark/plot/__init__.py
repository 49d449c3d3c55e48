"""Plots a person can read, on screen and in grey print. Drawn with matplotlib, loaded when first used."""

from brinemark.plot.readings import budget, screening, temperature_view, timeline, why
from brinemark.plot.trends import causes, course, temperature_law
from brinemark.plot.warranty import guarantee

__all__ = [
    "budget",
    "causes",
    "course",
    "guarantee",
    "screening",
    "temperature_law",
    "temperature_view",
    "timeline",
    "why",
]
