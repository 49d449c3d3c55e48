"""The page of a start-up record: verdict, figures beside the rating, the first hours, what was written
down.
"""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

import brinemark as bm
from brinemark import plot, setting_words, start_up_words as words
from brinemark.page.drawn import drawn
from brinemark.page.template import template
from brinemark.words import CAUTIONS_IN_FULL, group_name

if TYPE_CHECKING:
    from brinemark import Log, Site, StartUp, StartUpOfGroup


def start_up_page(found: StartUp, log: Log, site: Site) -> str:
    """The record as one HTML page; it needs no other file, no script and no network."""
    return template("start_up.html.j2").render(
        found=found,
        groups=[_group(found, group, log, site, place) for place, group in enumerate(found.groups)],
        fingerprint=found.input_hash,
        cautions=CAUTIONS_IN_FULL,
        version=bm.__version__,
    )


def _group(found: StartUp, group: StartUpOfGroup, log: Log, site: Site, place: int) -> dict[str, Any]:
    who = group_name(group.train, group.stage)
    return {
        "who": who,
        "verdict": group.verdict,
        "good": group.verdict.startswith("accept"),
        "sentence": group.sentence,
        "rows": words.rows(group),
        "settling": words.settling(group),
        "causes": words.looks_like(group),
        "exact": ", ".join(group.taken_as_exact),
        "plot": drawn(
            lambda width: plot.start_up(found, log, site, group=place, width_inches=width),
            f"start-up-{place}",
            f"The first hours{', ' if who else ''}{who}",
        ),
        "record": [
            (each.column.replace("_", " ").replace("tds", "TDS"), setting_words.shown(each))
            for each in group.record
            if each.value == each.value
        ],
        "figures": [
            (name.replace("_", " "), words.one(figure), words.span(figure))
            for name, figure in group.figures.items()
        ],
        "span": f"{group.start} to {group.end}",
    }
