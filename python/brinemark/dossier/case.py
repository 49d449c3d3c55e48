"""A warranty judged, with all that the judgement follows from."""

from __future__ import annotations

import os
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from functools import cached_property
from pathlib import Path
from typing import TYPE_CHECKING, Any, Unpack

import brinemark as bm
from brinemark import _core
from brinemark.dossier import bundle
from brinemark.dossier.beside import Beside, beside
from brinemark.dossier.courses import guarantee_courses
from brinemark.dossier.inputs import Inputs, content_of, log_parts
from brinemark.dossier.verify import Verification, verify
from brinemark.reading import Options

if TYPE_CHECKING:
    from brinemark.frames import Analysis
    from brinemark.page import Report

VERDICTS = ("kept", "broken", "cannot be judged")

_READ_ME = """\
The dossier of a warranty, made by brinemark. It is evidence for people and their lawyers, not a ruling; what
the contract says comes first.

manifest.json    what this is, made by which version and method, and the SHA-256 of every other part
inputs/          the log, the site file and the terms as they were given
reading.json     how the log was read
settings.json    how it was judged
rows.csv         every reading: number, time, why it was set aside (nothing: it was used), digest of values
columns.json     digests of each column, one for so many rows, which name the column of a changed cell
result.json      method, reference, what was measured, derived and assumed
judgement.json   each clause with its verdict, figures at full digits

To run all of it again and see whether anything was changed:

    brinemark warranty --verify THIS_FILE --fingerprint "the one on the page"

The fingerprint is the first half of the SHA-256 of manifest.json.
"""


@dataclass(frozen=True)
class Worked:
    """What follows from the inputs."""

    result: bm.Result
    terms: bm.Terms
    judgements: list[_core.Judgement]

    @classmethod
    def out(cls, inputs: Inputs, log: bm.Log | None = None) -> Worked:
        """Works it out. Raises as `read_log`, `normalise` and `warranty`."""
        log = inputs.log() if log is None else log
        site, terms = bm.Site.parse(inputs.site), bm.Terms.parse(inputs.terms)
        kept = None if inputs.baseline is None else bm.Baseline.from_json(inputs.baseline)
        settings = dict(inputs.settings)
        result = bm.normalise(log, site, baseline=kept, analyses=settings.pop("analyses"))
        return cls(result, terms, bm.warranty(result, terms, **settings))

    @cached_property
    def judged(self) -> list[dict[str, Any]]:
        """The judgement of each train, as plain values."""
        return [of.to_dict() for of in self.judgements]

    @cached_property
    def courses(self) -> list[_core.GuaranteeCourse]:
        """How the guaranteed figures went over the period."""
        return guarantee_courses(self.result, self.terms, level=self.judgements[0].level)

    def parts(self) -> dict[str, bytes]:
        """It as parts of a bundle."""
        rows, columns = _core.row_evidence(self.result._core)
        summary = self.result.summary()
        # Where the files lay is nobody else's business, and elsewhere on another machine.
        del summary["sources"]
        return {
            "rows.csv": rows,
            "columns.json": bundle.json_of({"rows_each": _core.EVIDENCE_BLOCK, "columns": columns}),
            "result.json": bundle.json_of(summary),
            "judgement.json": bundle.json_of(self.judged),
        }

    def told(self) -> dict[str, Any]:
        """What the manifest says of it."""
        verdicts = [clause["verdict"] for of in self.judged for clause in of["clauses"]]
        return {
            "brinemark": self.result.version,
            "method": self.result.method["method"],
            "warranty_method": self.judged[0]["method"],
            "site": self.result.site.name,
            "terms": self.terms.name,
            "override": any(of["override"] for of in self.judged),
            "verdicts": {word: verdicts.count(word) for word in VERDICTS},
            "readings": len(self.result),
            "log": self.result.input_hash,
        }


def parts_of(inputs: Inputs, worked: Worked) -> dict[str, bytes]:
    """All parts of a bundle."""
    given = {"read-me.txt": _READ_ME.encode(), **inputs.parts(), **worked.parts()}
    return bundle.with_manifest(worked.told(), given)


class Dossier:
    """A warranty judged, in a form that another person can run again: made by `make`, or read by `load`."""

    def __init__(self, parts: Mapping[str, bytes]) -> None:
        self.parts = dict(parts)
        """The files of the bundle, by name."""

    @classmethod
    def make(
        cls,
        log: str | os.PathLike[str] | Sequence[str | os.PathLike[str]],
        site: _core.Site,
        terms: _core.Terms,
        *,
        baseline: _core.Baseline | None = None,
        analyses: Sequence[Analysis] = bm.ANALYSES,
        level: float = 0.95,
        risk: float = 0.05,
        override: bool = False,
        **options: Unpack[Options],
    ) -> Dossier:
        """Judges a log by the terms of a warranty and keeps all that the judgement follows from.

        log : path of the log's file, or of several; they go into the bundle as they are.
        site : Site. terms : Terms. baseline : a kept one; None finds it in this log by the site's rule.
        analyses : as in `normalise`. level, risk, override : as in `warranty`. options : as in `read_log`.

        Returns: Dossier. The same input makes the same bytes.
        Raises: as `read_log`, `normalise` and `warranty`.
        """
        paths = [log] if isinstance(log, (str, os.PathLike)) else list(log)
        mapping = options.get("mapping")
        reading = {name: of for name, of in options.items() if of not in (None, {}) and name != "mapping"}
        files, mapped = log_parts(paths), None if mapping is None else content_of(mapping)
        # From where they lie, so that a fault names the user's own file.
        read = bm.read_log(paths, **options)
        settings: dict[str, Any] = {"level": float(level), "risk": float(risk), "override": bool(override)}
        inputs = Inputs(
            logs=files,
            site=site.text,
            terms=terms.text,
            baseline=None if baseline is None else baseline.to_json(),
            mapping=mapped,
            reading=reading,
            settings={"analyses": list(analyses), **settings},
        )
        worked = Worked.out(inputs, read)
        dossier = cls(parts_of(inputs, worked))
        dossier.worked = worked
        return dossier

    @classmethod
    def load(cls, path: str | os.PathLike[str]) -> Dossier:
        """Reads a bundle. What is in it is believed; `verify` looks whether it may be.

        Raises: FileError where it can't be read, or is no bundle as brinemark writes it.
        """
        return cls(bundle.unzipped(path))

    def save(self, path: str | os.PathLike[str]) -> None:
        """Writes the bundle, a zip. Raises FileError where it can't be written."""
        try:
            Path(path).write_bytes(bundle.zipped(self.parts))
        except OSError as cause:
            raise _core.FileError(f"{os.fspath(path)} can't be written: {cause.strerror}") from cause

    @cached_property
    def fingerprint(self) -> str:
        """32 digits that stand for the whole bundle: exchange them, and no other bundle passes for it.

        The first half of the SHA-256 of the manifest, which names the SHA-256 of every part.
        """
        return bundle.fingerprint(self.parts[bundle.MANIFEST])

    @cached_property
    def manifest(self) -> dict[str, Any]:
        """What the bundle says of itself: version, methods, site, terms, whether overridden, parts."""
        return bundle.object_of(self.parts, bundle.MANIFEST)

    @cached_property
    def worked(self) -> Worked:
        """What follows from the inputs; of a loaded bundle, worked out again."""
        return Worked.out(Inputs.of(self.parts))

    @cached_property
    def judgements(self) -> list[dict[str, Any]]:
        """The judgement of each train, as plain values; of a loaded bundle, worked out again."""
        return self.worked.judged

    def verify(self, *, fingerprint: str | None = None) -> Verification:
        """Runs everything again from the inputs in the bundle and holds it against what the bundle tells.

        fingerprint : the one that was exchanged. Whoever changes a bundle and works all of it out anew makes
            one that contradicts itself nowhere; only the fingerprint then tells.

        Returns: Verification, with every difference: parts changed since the manifest was written, readings
            that are others than they were (by row and column), verdicts and figures that don't follow.
        Raises: FileError where the bundle is none; RangeError where the fingerprint is none.
        """
        return verify(self, fingerprint)

    def by(self, terms: _core.Terms) -> Dossier:
        """The same log, site and settings, judged by other terms: the other side's reading."""
        old = Inputs.of(self.parts)
        inputs = Inputs(
            logs=old.logs,
            site=old.site,
            terms=terms.text,
            baseline=old.baseline,
            mapping=old.mapping,
            reading=old.reading,
            settings=old.settings,
        )
        settings = dict(old.settings)
        del settings["analyses"]
        result = self.worked.result
        worked = Worked(result, terms, bm.warranty(result, terms, **settings))
        dossier = Dossier(parts_of(inputs, worked))
        dossier.worked = worked
        return dossier

    def beside(self, other: Dossier) -> Beside:
        """Both sides' readings, clause by clause: verdicts, figures, limits, and where they differ.

        other : a Dossier of other terms (`by`), or of the other side's own log, site and terms.
        """
        return beside(self, other)

    def page(self, *, other: Dossier | None = None) -> Report:
        """The page: one self-contained HTML file to be read, printed and filed.

        other : a Dossier whose reading is shown beside this one's, clause by clause.
        """
        from brinemark.page.dossier import dossier_page

        return dossier_page(self, None if other is None else self.beside(other))

    def __repr__(self) -> str:
        counted = ", ".join(f"{count} {verdict}" for verdict, count in self.manifest["verdicts"].items())
        overridden = ", OVERRIDDEN" if self.manifest["override"] else ""
        return f"Dossier({self.manifest['terms']}: {counted}{overridden}; {self.fingerprint})"
