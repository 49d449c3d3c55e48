"""How a judged warranty is said on a page, and the section of it for the page of a result."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

import brinemark as bm
from brinemark.words import group_name

if TYPE_CHECKING:
    from brinemark import Result, Terms


def warranty_section(result: Result, terms: Terms | None) -> list[dict[str, Any]]:
    """What the section says of each train; nothing without terms."""
    if terms is None:
        return []
    found = []
    for judgement in bm.warranty(result, terms):
        told = judgement.to_dict()
        clauses = [{**clause, "name": clause_name(clause["key"])} for clause in told["clauses"]]
        who = group_name(judgement.train, judgement.stage)
        found.append({**told, "who": who, "clauses": clauses, "sentence": judged_sentence(clauses)})
    return found


def clause_name(key: str) -> str:
    """A key of the terms file as a person says it."""
    kind, _, rest = key.partition(".")
    words = {"guarantee": "{} guaranteed", "limit": "Limit of {}", "records": "Records: {}"}
    named = " ".join(_SPELT.get(word, word) for word in (rest or kind).replace("every.", "").split("_"))
    said = words.get(kind, "{}").format(named)
    return said[:1].upper() + said[1:]


_SPELT = {"sdi": "SDI", "ph": "pH", "tds": "TDS"}


def judged_sentence(clauses: list[dict[str, Any]]) -> str:
    """How many are kept; which are not."""
    named = {
        verdict: [clause["name"] for clause in clauses if clause["verdict"] == verdict]
        for verdict in ("broken", "cannot be judged")
    }
    rest = "; ".join(f"{verdict}: {', '.join(names)}" for verdict, names in named.items() if names)
    kept = len(clauses) - sum(map(len, named.values()))
    return f"{kept} of {len(clauses)} clauses are kept{'; ' if rest else ''}{rest}."
