"""The page: one self-contained HTML file that can be shown, printed and filed."""

from __future__ import annotations

import os
from collections.abc import Callable
from dataclasses import dataclass
from datetime import datetime
from pathlib import Path
from typing import TYPE_CHECKING, Any

import brinemark as bm
from brinemark import plot
from brinemark.page.drawn import drawn
from brinemark.page.membranes import membranes
from brinemark.page.template import template
from brinemark.page.trial import trial
from brinemark.page.warranty import warranty_section
from brinemark.words import (
    CAUTIONS,
    CAUTIONS_IN_FULL,
    certainty,
    days as _days,
    interval,
    recoveries,
    signed,
    source,
)

if TYPE_CHECKING:
    from brinemark import Comparison, Result, Screening, Standing, Terms


@dataclass(frozen=True)
class Report:
    """A page about a result. `html` is all of it; it needs no other file and no network."""

    html: str

    def save(self, path: str | os.PathLike[str]) -> None:
        """Writes the page to a file, in UTF-8."""
        Path(path).write_text(self.html, encoding="utf-8")

    def _repr_html_(self) -> str:
        return self.html


@dataclass(frozen=True)
class _Marks:
    """At what change people watch, clean, or are late (common practice, no source)."""

    watch: float
    clean: float
    late: float
    sign: int

    def verdict(self, change: float) -> str:
        size = self.sign * change
        if size >= self.late:
            return "late: past the usual marks for cleaning"
        if size >= self.clean:
            return "at the usual mark for cleaning"
        if size >= self.watch:
            return "watch"
        return "within the usual marks"

    def words(self) -> str:
        sign = "+" if self.sign > 0 else "−"
        marks = (("watch", self.watch), ("clean", self.clean), ("late", self.late))
        return ", ".join(f"{name} {sign}{100 * mark:.0f} %" for name, mark in marks)


_FIGURES = (
    ("permeate_flow", "Permeate flow", _Marks(0.05, 0.10, 0.15, -1)),
    ("salt_passage", "Salt passage", _Marks(0.05, 0.10, 0.20, 1)),
    ("differential_pressure", "Differential pressure", _Marks(0.08, 0.15, 0.30, 1)),
)

_EQUATIONS = {
    "permeate_flow": (
        (
            "Net driving pressure",
            "NDP = P<sub>f</sub> − ΔP/2 − P<sub>p</sub> − (π<sub>fb</sub> − π<sub>p</sub>)",
            "ASTM D4516, permeate flow equation",
        ),
        (
            "Feed-brine concentration",
            "C<sub>fb</sub> = C<sub>f</sub> · ln[1/(1 − Y)]/Y",
            "ASTM D4516, from memory",
        ),
        (
            "Permeate flow, like for like",
            "Q<sub>s</sub> = Q<sub>p</sub> · (NDP<sub>s</sub> · TCF<sub>s</sub>)/(NDP · TCF)",
            "ASTM D4516, permeate flow equation",
        ),
    ),
    "salt_passage": (
        (
            "Salt passage, like for like",
            "SP<sub>s</sub> = SP · (EPF/EPF<sub>s</sub>) · (STCF<sub>s</sub>/STCF) · "
            "(C<sub>fb,s</sub>/C<sub>fb</sub>) · (C<sub>f</sub>/C<sub>f,s</sub>), "
            "EPF<sub>s</sub> the reference's element flow",
            "ASTM D4516, salt passage equation, from memory",
        ),
    ),
    "membrane_model": (
        (
            "In each element of the membrane model",
            "J = A · TCF · (P − ΔP/2 − P<sub>p</sub> − π(C<sub>m</sub>) + π(C<sub>p</sub>)), "
            "J C<sub>p</sub> = B · STCF · (C<sub>m</sub> − C<sub>p</sub>), "
            "C<sub>m</sub> − C<sub>p</sub> = (C̄ − C<sub>p</sub>) · exp(J/k)",
            "solution and diffusion, film theory; k and ΔP after Schock and Miquel, "
            "Desalination 64 (1987) 339, from memory",
        ),
    ),
    "differential_pressure": (
        (
            "Differential pressure, like for like",
            "ΔP<sub>s</sub> = ΔP · (Q̄<sub>s</sub>/Q̄)<sup>m</sup> · (μ<sub>s</sub>/μ)<sup>p</sup>",
            "Schock and Miquel, Desalination 64 (1987) 339, coefficients from memory; not part of ASTM D4516",
        ),
    ),
}


def report(
    result: Result,
    *,
    title: str | None = None,
    days: float = 28.0,
    level: float = 0.90,
    terms: Terms | None = None,
    comparison: Comparison | None = None,
) -> Report:
    """Makes the page: what was judged, the answer, the three figures with plots, how, and with what cautions.

    result : Result. title : heading; the site's name where None. days, level : as in `assess`. terms : those
        of a warranty, which the page then judges too, as `warranty` does. comparison : Comparison of a trial
        in which it took part, for a section of its own; None leaves that out.

    Returns: Report. The same result makes the same page, byte for byte.
    Raises: as `assess`, and with terms as `warranty`.
    """
    standings = bm.assess(result, days=days, level=level)
    figures = [
        _figure(result, standings, name, heading, marks)
        for name, heading, marks in _FIGURES
        if name in result.analyses
    ]
    log_time = result.time()
    first, last = str(log_time[0])[:10], str(log_time[-1])[:10]
    split = "permeate_flow" in result.analyses
    screening = result.screening
    html = template("page.html.j2", **_FILTERS).render(
        result=result,
        title=title or result.site.name,
        standings=standings,
        figures=figures,
        split_plot=drawn(
            lambda width: plot.why(standings, width_inches=width),
            "split",
            "How the measured change splits",
        )
        if split
        else "",
        temperature_plot=drawn(
            lambda width: plot.temperature_view(result, width_inches=width),
            "temperature",
            "Permeate flow against feed temperature",
        )
        if split and "feed_temperature" in result
        else "",
        membranes=membranes(result, level),
        warranty=warranty_section(result, terms),
        trial=trial(comparison),
        budgets=[
            {"who": _who(standing), "name": _IN_FULL.get(name, name), "budget": change.budget}
            for standing in standings
            for name, change in standing.changes.items()
            if change.budget is not None
        ],
        budget_plot=drawn(
            lambda width: plot.budget(standings, width_inches=width),
            "budget",
            "Where the uncertainty comes from",
        )
        if any(change.budget is not None for of in standings for change in of.changes.values())
        else "",
        screening=screening,
        screening_plot=""
        if screening is None
        else drawn(
            lambda width: plot.screening(screening, _most_telling(screening), width_inches=width),
            "screening",
            "The log with what was set aside",
        ),
        certainty=certainty(result.knows_errors),
        names=_NAMES,
        first=first,
        last=last,
        references=[_reference(reference) for reference in result.baseline.references],
        equations=[equation for name in result.analyses for equation in _EQUATIONS.get(name, ())],
        caution=CAUTIONS,
        cautions=CAUTIONS_IN_FULL,
        has_events=bool(result.site.events),
    )
    return Report(html)


_NAMES = {
    "permeate_flow": "Permeate flow, as measured",
    "temperature": "of it, temperature alone",
    "driving_pressure": "of it, net driving pressure alone",
    "normalised_permeate_flow": "what is left: the membranes",
    "normalised_salt_passage": "Salt passage, like for like",
    "normalised_differential_pressure": "Differential pressure, like for like",
    "element_water_permeability": "Water permeability, membrane model",
    "element_salt_permeability": "Salt permeability, membrane model",
    "spacer_friction": "Spacer friction, membrane model",
}


# Where the rows above a name don't say whose change it is.
_IN_FULL = {**_NAMES, "normalised_permeate_flow": "Permeate flow, like for like"}


def _figure(
    result: Result, standings: list[Standing], name: Any, heading: str, marks: _Marks
) -> dict[str, Any]:
    changes = [
        {
            "who": _who(standing),
            "change": standing.changes.get(f"normalised_{name}"),
            "verdict": marks.verdict(standing.changes[f"normalised_{name}"].value)
            if f"normalised_{name}" in standing.changes
            else "no reading in the window",
        }
        for standing in standings
    ]
    return {
        "name": name,
        "heading": heading,
        "changes": changes,
        "marks": marks.words(),
        "plot": drawn(
            lambda width: plot.timeline(result, name, width_inches=width),
            name,
            f"{heading} against time",
        ),
    }


def _most_telling(screening: Screening) -> tuple[str, ...]:
    """Columns worth drawing, of those the log has."""
    wanted = ("feed_pressure", "permeate_flow", "permeate_conductivity", "permeate_tds")
    there = [name for name in wanted if name in screening.log]
    return tuple(there[:3]) or tuple(screening.log.columns[:1])


def _who(standing: Any) -> str:
    named = (("train", standing.train), ("stage", standing.stage))
    return ", ".join(f"{kind} {label}" for kind, label in named if label is not None)


def _reference(reference: Any) -> dict[str, Any]:
    units, values = reference.units, reference.values
    return {
        "who": _who(reference),
        "start": reference.start,
        "end": reference.end,
        "rows": reference.rows,
        "values": [(name.replace("_", " "), _shown(value, units[name])) for name, value in values.items()],
    }


def _shown(value: float, unit: str) -> str:
    """Four significant digits, with the unit; a ratio as per cent."""
    if value != value:
        return "not known"
    if not unit:
        return f"{100 * value:.3g} %"
    return f"{_digits(value)} {unit}"


def _digits(value: float) -> str:
    text = f"{value:.4g}"
    return (f"{value:.0f}" if "e" in text else text).replace("-", "−")


def _when(iso: str) -> str:
    return datetime.fromisoformat(iso).strftime("%Y-%m-%d %H:%M")


_FILTERS: dict[str, Callable[..., str]] = {
    "signed": signed,
    "interval": interval,
    "days": _days,
    "when": _when,
    "digits": _digits,
    "who": _who,
    "source": source,
    "recoveries": recoveries,
}
