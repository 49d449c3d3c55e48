"""Both sides' readings of the same clauses, next to each other."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

from brinemark.words import group_name

if TYPE_CHECKING:
    from brinemark.dossier.case import Dossier

Clause = dict[str, Any]

_ONE_SIDE = "only one side has it"


@dataclass(frozen=True)
class Pair:
    """One clause as both sides read it; None where a side has no such clause."""

    who: str
    """The train and stage; empty where there is but one."""
    key: str
    """The key of the terms file."""
    one: Clause | None
    other: Clause | None

    @property
    def differs(self) -> list[str]:
        """In what they differ: verdict, figure, limit, what is asked, readings; empty where in nothing."""
        if self.one is None or self.other is None:
            return [_ONE_SIDE]
        asked = (
            ("verdict", "verdict"),
            ("figure", "figure"),
            ("limit", "limit"),
            ("words", "what is asked"),
            ("excursions", "excursions"),
            ("rows", "number of readings"),
        )
        return [words for name, words in asked if self.one[name] != self.other[name]]


@dataclass(frozen=True)
class Beside:
    """Two readings of a warranty, clause by clause."""

    names: tuple[str, str]
    """What the two are called: their terms, and where those have one name, which of the two."""
    fingerprints: tuple[str, str]
    pairs: list[Pair]
    inputs: list[str]
    """In which inputs they differ, and in which they don't."""

    @property
    def sentence(self) -> str:
        """In how many verdicts they differ."""
        apart = [pair for pair in self.pairs if {"verdict", _ONE_SIDE} & set(pair.differs)]
        named = f": {', '.join(dict.fromkeys(pair.key for pair in apart))}" if apart else ""
        return f"Of {len(self.pairs)} clauses the two sides' verdicts differ in {len(apart)}{named}."

    @property
    def alike(self) -> list[str]:
        """The keys of the clauses that both read alike."""
        return list(dict.fromkeys(pair.key for pair in self.pairs if not pair.differs))

    def to_dict(self) -> dict[str, Any]:
        """All of it as plain values, for JSON."""
        return {
            "names": list(self.names),
            "fingerprints": list(self.fingerprints),
            "sentence": self.sentence,
            "inputs": self.inputs,
            "clauses": [
                {
                    "who": pair.who,
                    "key": pair.key,
                    "one": pair.one,
                    "other": pair.other,
                    "differs": pair.differs,
                }
                for pair in self.pairs
            ],
        }

    def __repr__(self) -> str:
        return f"Beside({self.names[0]} | {self.names[1]}: {self.sentence})"


def beside(one: Dossier, other: Dossier) -> Beside:
    """As `Dossier.beside`."""
    mine, theirs = _clauses(one), _clauses(other)
    pairs = [
        Pair(who, key, mine.get((who, key)), theirs.get((who, key)))
        for who, key in [*mine, *(of for of in theirs if of not in mine)]
    ]
    names = (str(one.worked.terms.name), str(other.worked.terms.name))
    if names[0] == names[1]:
        names = (f"{names[0]} (one side)", f"{names[1]} (other side)")
    return Beside(names, (one.fingerprint, other.fingerprint), pairs, list(_inputs(one, other)))


def _clauses(dossier: Dossier) -> dict[tuple[str, str], Clause]:
    return {
        (group_name(of["group"]["train"], of["group"]["stage"]), clause["key"]): clause
        for of in dossier.judgements
        for clause in of["clauses"]
    }


def _inputs(one: Dossier, other: Dossier) -> Iterator[str]:
    logs = one.worked.result.input_hash, other.worked.result.input_hash
    yield "Both read the same log." if logs[0] == logs[1] else _logs(one, other)
    for name, words in (
        ("inputs/site.toml", "site file"),
        ("inputs/terms.toml", "terms"),
        ("inputs/baseline.json", "kept baseline"),
        ("settings.json", "settings of the judgement"),
    ):
        files = one.parts.get(name), other.parts.get(name)
        if files != (None, None):
            yield f"Both have the same {words}." if files[0] == files[1] else f"They differ in their {words}."


def _logs(one: Dossier, other: Dossier) -> str:
    """Which rows differ, by their digests."""
    mine, theirs = (of.worked.parts()["rows.csv"].split(b"\n") for of in (one, other))
    if len(mine) != len(theirs) or mine[0] != theirs[0]:
        return f"They differ in their logs: {len(mine) - 2} readings and {len(theirs) - 2}."
    rows = [
        row
        for row, (a, b) in enumerate(zip(mine, theirs, strict=True))
        if a.rpartition(b",")[2] != b.rpartition(b",")[2]
    ]
    named = ", ".join(map(str, rows[:10])) + (" and more" if len(rows) > 10 else "")
    return f"They differ in their logs, in {len(rows)} of {len(mine) - 2} readings: row {named}."
