"""The page of a dossier: what a warranty's judgement says to people, and how they can check it."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

from brinemark import plot
from brinemark.page import Report
from brinemark.page.drawn import drawn
from brinemark.page.template import template
from brinemark.page.warranty import clause_name, judged_sentence
from brinemark.words import chance, clause_figure, clause_limit, duration, group_name, plain

if TYPE_CHECKING:
    from matplotlib.figure import Figure

    from brinemark import GuaranteeCourse
    from brinemark.dossier import Beside, Dossier

_MOST = 20
"""Excursions of a clause that the page lists; the bundle has all."""


def dossier_page(dossier: Dossier, beside: Beside | None) -> Report:
    """As `Dossier.page`."""
    worked = dossier.worked
    judgements = [_judged(dossier, of, place) for place, of in enumerate(dossier.judgements)]
    time = worked.result.time()
    html = template(
        "dossier.html.j2",
        figure=clause_figure,
        limit=clause_limit,
        risk=_risk,
        duration=duration,
        name=clause_name,
        day=lambda iso: str(iso)[:10],
        minute=lambda iso: str(iso)[:16].replace("T", " "),
        plain=plain,
    ).render(
        title=worked.result.site.name,
        told=dossier.manifest,
        fingerprint=dossier.fingerprint,
        result=worked.result,
        terms=worked.terms.text,
        allowed=dossier.judgements[0]["risk"],
        first=str(time[0])[:10],
        last=str(time[-1])[:10],
        judgements=judgements,
        gaps=_gaps(judgements),
        instruments=_instruments(judgements),
        cautions=dossier.judgements[0]["cautions"],
        beside=beside,
        most=_MOST,
    )
    return Report(html)


def _risk(clause: dict[str, Any]) -> str:
    """How probable it is that a verdict is wrong; nothing where none was given."""
    if clause["risk"] is None or clause["verdict"] not in ("kept", "broken"):
        return ""
    wrong = "called_kept_but_broken" if clause["verdict"] == "kept" else "called_broken_but_kept"
    # Records are counted, not measured.
    return "none" if clause["kind"] == "records" else chance(clause["risk"][wrong])


def _judged(dossier: Dossier, judgement: dict[str, Any], place: int) -> dict[str, Any]:
    group = judgement["group"]
    courses = {(of.train, of.stage, of.key): of for of in dossier.worked.courses}
    clauses = [
        {
            **clause,
            "id": f"clause-{place}-{at}",
            "name": clause_name(clause["key"]),
            **_course(
                dossier, clause, courses.get((group["train"], group["stage"], clause["key"])), f"{place}-{at}"
            ),
        }
        for at, clause in enumerate(judgement["clauses"])
    ]
    return {
        **judgement,
        "who": group_name(group["train"], group["stage"]),
        "sentence": judged_sentence(clauses),
        "clauses": clauses,
    }


def _course(
    dossier: Dossier, clause: dict[str, Any], course: GuaranteeCourse | None, prefix: str
) -> dict[str, str]:
    """The plot of a guarantee, and over how long each of its points is; of another clause, none."""
    if course is None:
        return {"plot": "", "window": ""}
    zone = dossier.worked.result.zone

    def draw(width: float) -> Figure:
        return plot.guarantee(course, clause, zone=zone, width_inches=width)

    label = f"{clause_name(clause['key'])}, against the contract's line"
    return {"plot": drawn(draw, f"guarantee-{prefix}", label), "window": duration(course.window_h)}


def _gaps(judgements: list[dict[str, Any]]) -> list[dict[str, Any]]:
    return [
        {
            "name": ", ".join(filter(None, (clause["name"], judgement["who"]))),
            "count": len(clause["gaps"]),
            "hours": sum(gap["hours"] for gap in clause["gaps"]),
            "longest": max(clause["gaps"], key=lambda gap: gap["hours"]),
        }
        for judgement in judgements
        for clause in judgement["clauses"]
        if clause["gaps"]
    ]


def _instruments(judgements: list[dict[str, Any]]) -> list[dict[str, Any]]:
    """Each instrument once, with the clauses that rest on it."""
    found: dict[tuple[str, str, str | None], list[str]] = {}
    for judgement in judgements:
        for clause in judgement["clauses"]:
            for of in clause["instruments"]:
                clauses = found.setdefault((of["column"], of["state"], of["last"]), [])
                if clause["name"] not in clauses:
                    clauses.append(clause["name"])
    return [
        {"column": column, "state": state, "last": last, "clauses": clauses}
        for (column, state, last), clauses in found.items()
    ]
