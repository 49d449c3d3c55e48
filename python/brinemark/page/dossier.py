"""The page of a dossier: what a warranty's judgement says to people, and how they can check it."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

from brinemark import plot
from brinemark.page import Report
from brinemark.page.drawn import drawn
from brinemark.page.template import template
from brinemark.words import chance, clause_figure, clause_limit, duration, group_name, plain

if TYPE_CHECKING:
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


def clause_name(key: str) -> str:
    """A key of the terms file as a person says it."""
    kind, _, rest = key.partition(".")
    words = {"guarantee": "{} guaranteed", "limit": "Limit of {}", "records": "Records: {}"}
    named = " ".join(_SPELT.get(word, word) for word in (rest or kind).replace("every.", "").split("_"))
    said = words.get(kind, "{}").format(named)
    return said[:1].upper() + said[1:]


_SPELT = {"sdi": "SDI", "ph": "pH", "tds": "TDS"}


def _risk(clause: dict[str, Any]) -> str:
    """How probable it is that a verdict is wrong; nothing where none was given."""
    if clause["risk"] is None or clause["verdict"] not in ("kept", "broken"):
        return ""
    wrong = "called_kept_but_broken" if clause["verdict"] == "kept" else "called_broken_but_kept"
    # Counted, not measured.
    return "none" if clause["risk"][wrong] == 0 else chance(clause["risk"][wrong])


def _judged(dossier: Dossier, judgement: dict[str, Any], place: int) -> dict[str, Any]:
    group = judgement["group"]
    clauses = []
    for at, clause in enumerate(judgement["clauses"]):
        course = next(
            (
                of
                for of in dossier.worked.courses
                if (of.train, of.stage, of.key) == (group["train"], group["stage"], clause["key"])
            ),
            None,
        )
        clauses.append(
            {
                **clause,
                "id": f"clause-{place}-{at}",
                "name": clause_name(clause["key"]),
                "window": "" if course is None else duration(course.window_h),
                "plot": ""
                if course is None
                else drawn(
                    lambda width, course=course, clause=clause: plot.guarantee(
                        course, clause, zone=dossier.worked.result.zone, width_inches=width
                    ),
                    f"guarantee-{place}-{at}",
                    f"{clause_name(clause['key'])}, against the contract's line",
                ),
            }
        )
    return {
        **judgement,
        "who": group_name(group["train"], group["stage"]),
        "sentence": _sentence(clauses),
        "clauses": clauses,
    }


def _sentence(clauses: list[dict[str, Any]]) -> str:
    """How many are kept; which are not."""
    named = {
        verdict: [clause["name"] for clause in clauses if clause["verdict"] == verdict]
        for verdict in ("broken", "cannot be judged")
    }
    rest = "; ".join(f"{verdict}: {', '.join(names)}" for verdict, names in named.items() if names)
    kept = len(clauses) - sum(map(len, named.values()))
    return f"{kept} of {len(clauses)} clauses are kept{'; ' if rest else ''}{rest}."


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
