"""Blank sheets of a site: the log and the visits as tables to fill in, and a page to print and take along."""

from __future__ import annotations

import csv
import datetime
import io
import json
import os
from dataclasses import dataclass
from functools import cache
from pathlib import Path
from typing import TYPE_CHECKING, Any, Literal

import jinja2

import brinemark as bm
from brinemark import _core
from brinemark.words import CAUTIONS_IN_FULL

if TYPE_CHECKING:
    from brinemark import Site, SiteColumn

Paper = Literal["A4", "Letter"]

# What a visit notes beside its readings: words, and figures that no analysis takes yet. `read_log` leaves
# them out.
_BESIDE = (
    "who",
    "hours_run [h]",
    "cartridge_filter_pressure_drop [{pressure}]",
    "other_filters_pressure_drop [{pressure}]",
    "silt_density_index",
    "turbidity [NTU]",
    "free_chlorine [mg/L]",
    "pretreatment",
    "chemicals",
    "maintenance",
    "cleaning",
    "notes",
)

_ANALYSIS = (
    *("sodium", "potassium", "magnesium", "calcium", "barium", "strontium", "iron", "manganese", "aluminium"),
    *("chloride", "sulfate", "bicarbonate", "nitrate", "fluoride", "silica", "organic carbon (TOC)"),
)


@dataclass(frozen=True)
class Sheet:
    """Blank sheets of a site."""

    html: str
    """A page for one visit, to be printed; it needs no other file, no script and no network."""
    log_csv: str
    """The header of a log in the site's own columns and units; `read_log` takes it once rows are in it."""
    visits_csv: str
    """The same with columns of words beside them; `read_log` lists the rest as left out."""

    def save(self, folder: str | os.PathLike[str], *, visits: bool = False) -> list[Path]:
        """Writes log.csv and visit.html, with `visits` visits.csv too, into a folder; returns their paths.

        Raises: FileExistsError where a table is there already: it may hold readings.
        """
        folder = Path(folder)
        tables = {"log.csv": self.log_csv, **({"visits.csv": self.visits_csv} if visits else {})}
        for name in tables:
            if (folder / name).exists():
                raise FileExistsError(
                    f"{folder / name} is there already and may hold readings: name another folder"
                )
        folder.mkdir(parents=True, exist_ok=True)
        files = {**tables, "visit.html": self.html}
        for name, text in files.items():
            (folder / name).write_text(text, encoding="utf-8")
        return [folder / name for name in files]

    def _repr_html_(self) -> str:
        return self.html


def sheet(site: Site, *, on: str | datetime.date, paper: Paper = "A4") -> Sheet:
    """Makes the blank log, the table of visits and the page of a visit, for the columns and units of a site.

    site : Site. on : date of the sheet, such as "2026-11-26": what is due is told as of it. paper :
    "A4" or "Letter".

    The page has the boxes that the record-keeping standard asks for (ASTM D4472, as restated and from
    memory): readings, one box a stage; pretreatment; maintenance and cleaning; the start-up report. Expected
    ranges are the site file's [limits].

    Returns: Sheet. The same site and date make the same sheets, byte for byte.
    Raises: SiteError where `on` is no date; ValueError for another paper.

    >>> bm.sheet(bm.Site.parse(bm.Site.template()), on="2026-11-26").log_csv[:47]
    'time,feed_temperature [degC],feed_pressure [bar'
    """
    if paper not in ("A4", "Letter"):
        raise ValueError(f"paper {paper!r}: one of A4, Letter")
    due = bm.due(site, on=on)
    settings = json.loads(site.settings)
    columns = bm.site_columns(site)
    stages = settings["stages"]
    apart = len(stages) > 1 and not settings["normalise"]["stages_together"]
    pressure = next((column.unit for column in columns if column.name == "feed_pressure"), "bar")
    log = _core.log_titles(site)
    asked = [_Asked.of(requirement, pressure) for requirement in bm.record_requirements()]
    html = _template().render(
        site=site,
        on=str(on),
        paper=paper,
        due=due,
        stages=stages,
        boxes=[f"stage {at + 1}" for at in range(len(stages))] if apart else [""],
        readings=[_reading(column) for column in columns if column.name != "running"],
        asked={section: [each for each in asked if each.section == section] for section in _SECTIONS},
        vessels=_vessels(stages),
        elements=_elements(stages),
        analysis=_ANALYSIS,
        cautions=CAUTIONS_IN_FULL,
        version=bm.__version__,
    )
    return Sheet(
        html=html,
        log_csv=_row(log),
        visits_csv=_row([*log, *(name.format(pressure=pressure) for name in _BESIDE)]),
    )


_SECTIONS = ("start-up report", "readings of the unit", "pretreatment", "maintenance")

# Grids with more boxes than this are lists of their own.
_MOST_BOXES = 48


@dataclass(frozen=True)
class _Asked:
    """Something the standard asks for that is no column of a log."""

    section: str
    quantity: str
    unit: str
    often: str

    @staticmethod
    def of(requirement: bm.Requirement, pressure: str) -> _Asked:
        return _Asked(
            requirement.section if not requirement.columns else "",
            requirement.quantity,
            pressure if requirement.unit == "pressure" else requirement.unit,
            # What the standard says and nobody here remembers is for the site's own rules.
            "as your own rules say" if requirement.often.startswith("regularly") else requirement.often,
        )


def _row(cells: list[str]) -> str:
    text = io.StringIO()
    csv.writer(text, lineterminator="\n").writerow(cells)
    return text.getvalue()


def _reading(column: SiteColumn) -> dict[str, Any]:
    return {
        "name": column.name.replace("_", " ").replace("tds", "TDS").replace(" ph", " pH"),
        "what": column.what,
        "unit": column.unit,
        "expected": _range(column.low, column.high),
        "accuracy": f"± {column.accuracy}" if column.accuracy else "",
        "calibrated": column.calibrated_on or "",
        # Temperature and pH are of the feed, whatever the stage.
        "once": column.name in ("feed_temperature", "feed_ph"),
    }


def _range(low: float | None, high: float | None) -> str:
    match (low, high):
        case (None, None):
            return ""
        case (None, _):
            return f"to {high:.4g}"
        case (_, None):
            return f"from {low:.4g}"
        case _:
            return f"{low:.4g} to {high:.4g}"


def _vessels(stages: list[dict[str, int]]) -> list[str]:
    """One box a vessel for its permeate conductivity; none where there are too many for the page."""
    names = [
        f"{at + 1}.{vessel + 1}"
        for at, stage in enumerate(stages)
        for vessel in range(min(stage["vessels"], _MOST_BOXES + 1))
    ]
    return names if len(names) <= _MOST_BOXES else []


def _elements(stages: list[dict[str, int]]) -> list[tuple[str, list[str]]]:
    """The places of the elements, a vessel each; none where there are too many for the page."""
    if sum(stage["vessels"] * stage["elements_per_vessel"] for stage in stages) > _MOST_BOXES:
        return []
    return [
        (f"{at + 1}.{vessel + 1}", [str(place + 1) for place in range(stage["elements_per_vessel"])])
        for at, stage in enumerate(stages)
        for vessel in range(stage["vessels"])
    ]


@cache
def _template() -> jinja2.Template:
    environment = jinja2.Environment(
        loader=jinja2.PackageLoader("brinemark", "visit"),
        autoescape=True,
        undefined=jinja2.StrictUndefined,
        trim_blocks=True,
        lstrip_blocks=True,
    )
    return environment.get_template("visit.html.j2")
