"""The command `warranty`: a warranty judged, its dossier, a bundle run again, both sides' readings."""

from __future__ import annotations

import argparse
import json
from pathlib import Path
from typing import TYPE_CHECKING, Any

from brinemark import cli
from brinemark.words import clause_figure, clause_limit, group_name, wrapped

if TYPE_CHECKING:
    from brinemark import Terms
    from brinemark.dossier import Beside, Dossier

_COLUMNS = 100


def add(commands: argparse._SubParsersAction[argparse.ArgumentParser]) -> None:
    """Adds the command to those there are."""
    command = commands.add_parser(
        "warranty",
        help="judge a warranty clause by clause, and make a dossier that the other side can run again",
        description="Judges a log by the terms of a warranty: kept, broken, or cannot be judged. Leaves a "
        "page (dossier.html) and a bundle (dossier.zip) with all that the judgement follows from. With "
        "--verify, runs a bundle again and names what was changed. This is evidence for people and their "
        "lawyers, not a ruling.",
    )
    cli._add_log(command, log_optional=True)
    command.add_argument(
        "--terms", type=Path, metavar="TERMS", help="the terms file; `brinemark template --terms` prints one"
    )
    command.add_argument("--out", type=Path, metavar="FOLDER", help="where to leave page and bundle")
    command.add_argument(
        "--level",
        type=float,
        default=0.95,
        help="how often an interval shall hold the true figure (0.95)",
    )
    command.add_argument(
        "--risk", type=float, default=0.05, help="how probable it may be that a verdict is wrong (0.05)"
    )
    command.add_argument(
        "--override",
        action="store_true",
        help="judge data that does not qualify all the same; every output says so",
    )
    command.add_argument(
        "--verify", type=Path, metavar="BUNDLE", help="run a bundle again, in place of a log"
    )
    command.add_argument("--fingerprint", metavar="F", help="with --verify, the one that was exchanged")
    command.add_argument(
        "--beside",
        type=Path,
        metavar="OTHER",
        help="the other side's terms file or bundle: both readings, clause by clause",
    )
    command.set_defaults(run=_warranty)


def _warranty(given: argparse.Namespace) -> int:
    _check_use(given)
    steps = cli._Steps()
    if given.verify is not None:
        return _verify(given, steps)
    dossier = _make(given, steps)
    other = _other(given, dossier, steps)
    written = [] if given.out is None else _leave(given.out, dossier, other, steps)
    both = None if other is None else dossier.beside(other)
    if given.json:
        print(json.dumps(_summary(dossier, both, written), indent=2))
        return 0
    _say(dossier)
    if both is not None:
        print()
        _say_beside(both)
    for path in written:
        print(f"written: {path}")
    return 0


def _check_use(given: argparse.Namespace) -> None:
    if given.verify is None:
        for missing, what in (
            (not given.log, "a log"),
            (given.site is None, "--site"),
            (given.terms is None, "--terms"),
        ):
            if missing:
                raise cli._UnusableError(f"{what} is missing; or --verify BUNDLE")
        if given.fingerprint is not None:
            raise cli._UnusableError("--fingerprint goes with --verify")
        return
    for there, what in (
        (given.log, "a log"),
        (given.site, "--site"),
        (given.terms, "--terms"),
        (given.baseline, "--baseline"),
        (given.override, "--override"),
        (given.out, "--out"),
    ):
        if there:
            raise cli._UnusableError(f"--verify takes everything from the bundle; leave out {what}")


def _make(given: argparse.Namespace, steps: cli._Steps) -> Dossier:
    import brinemark as bm

    site, terms = bm.Site.load(given.site), bm.Terms.load(given.terms)
    steps.say(f"reading and judging {', '.join(map(str, given.log))}")
    analyses: Any = [name.strip() for name in given.analyses.split(",")]
    dossier = bm.Dossier.make(
        given.log,
        site,
        terms,
        baseline=cli._kept_baseline(given.baseline),
        analyses=analyses,
        level=given.level,
        risk=given.risk,
        override=given.override,
        **cli._reading(given),
    )
    if given.save_baseline is not None:
        cli._write(given.save_baseline, dossier.worked.result.baseline.to_json())
    return dossier


def _other(given: argparse.Namespace, dossier: Dossier, steps: cli._Steps) -> Dossier | None:
    """The other side's reading: of this log by other terms, or a bundle of its own."""
    import brinemark as bm
    from brinemark.dossier.bundle import is_bundle

    if given.beside is None:
        return None
    steps.say(f"judging by {given.beside}")
    if is_bundle(given.beside):
        return bm.Dossier.load(given.beside)
    terms: Terms = bm.Terms.load(given.beside)
    return dossier.by(terms)


def _leave(folder: Path, dossier: Dossier, other: Dossier | None, steps: cli._Steps) -> list[str]:
    page, bundle = folder / "dossier.html", folder / "dossier.zip"
    steps.say(f"making the page {page}")
    cli._write(page, dossier.page(other=other).html)
    dossier.save(bundle)
    return [str(page), str(bundle)]


def _verify(given: argparse.Namespace, steps: cli._Steps) -> int:
    import brinemark as bm

    steps.say(f"running {given.verify} again")
    dossier = bm.Dossier.load(given.verify)
    found = dossier.verify(fingerprint=given.fingerprint)
    # What can't be judged any more can't be held beside anything.
    other = _other(given, dossier, steps) if found.worked_out else None
    both = None if other is None else dossier.beside(other)
    if given.json:
        print(json.dumps({**found.to_dict(), "beside": None if both is None else both.to_dict()}, indent=2))
        return 0 if found.holds else 1
    _print(found.sentence)
    for text in (*(of.sentence for of in found.differences), *found.notes):
        _print(f"  {text}")
    if dossier.manifest.get("override"):
        _print("OVERRIDDEN: data that does not qualify was judged all the same.")
    if both is not None:
        print()
        _say_beside(both)
    return 0 if found.holds else 1


def _summary(dossier: Dossier, both: Beside | None, written: list[str]) -> dict[str, Any]:
    told = dossier.manifest
    return {
        "site": told["site"],
        "terms": told["terms"],
        "version": told["brinemark"],
        "override": told["override"],
        "fingerprint": dossier.fingerprint,
        "judgements": dossier.judgements,
        "beside": None if both is None else both.to_dict(),
        "written": written,
    }


def _say(dossier: Dossier) -> None:
    told = dossier.manifest
    print(f"{told['site']}: {told['terms']}, {told['readings']} readings")
    if told["override"]:
        _print("OVERRIDDEN: data that does not qualify was judged all the same.")
    for judgement in dossier.judgements:
        who = group_name(judgement["group"]["train"], judgement["group"]["stage"])
        period = judgement["period"]
        print(f"\n{f'{who}, ' if who else ''}{period['start'][:10]} to {period['judged_until'][:10]}:")
        for clause in judgement["clauses"]:
            print(f"  {_shown(clause['verdict']):17} {clause['key']}")
            _print(clause["sentence"], "      ")
        for warning in judgement["warnings"]:
            _print(f"Note: {warning}.", "  ")
    print()
    for caution in dossier.judgements[0]["cautions"]:
        _print(caution)
    print(f"\nfingerprint: {dossier.fingerprint}")


def _say_beside(both: Beside) -> None:
    _print(both.sentence)
    for text in both.inputs:
        _print(text)
    wide = max(map(len, both.names))
    print()
    for pair in both.pairs:
        who = f", {pair.who}" if pair.who else ""
        if not pair.differs and pair.one is not None:
            print(f"{pair.key}{who}: read alike, {_shown(pair.one['verdict'])}")
            continue
        print(f"{pair.key}{who}: differ in {', '.join(pair.differs)}")
        for name, side in zip(both.names, (pair.one, pair.other), strict=True):
            print(f"  {name:{wide}}  {_side(side)}".rstrip())


def _side(clause: dict[str, Any] | None) -> str:
    if clause is None:
        return "no such clause"
    cells = (clause_figure(clause), clause_limit(clause))
    return f"{_shown(clause['verdict']):17} {', '.join(filter(None, cells))}"


def _shown(verdict: str) -> str:
    """What is not kept stands out, in grey print too."""
    return verdict if verdict == "kept" else verdict.upper()


def _print(text: str, lead: str = "") -> None:
    lead += " " * (len(text) - len(text.lstrip()))
    print("\n".join(wrapped(text.strip(), _COLUMNS, lead, f"{lead}  " if lead else "")))
