"""What a dossier is made from, as it was given, and how it was read."""

from __future__ import annotations

import os
import re
import tempfile
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

import brinemark as bm
from brinemark import _core
from brinemark.dossier.bundle import json_of, object_of

_SETTINGS = {"analyses": list, "level": float, "risk": float, "override": bool}
_READING = (
    *("units", "columns", "tz", "time_format", "separator", "decimal", "sheet", "header_row", "units_row"),
    *("time_label", "interval", "clock_change", "sort"),
)


@dataclass(frozen=True)
class Inputs:
    """Everything that a judgement follows from."""

    logs: Mapping[str, bytes]
    """The log's files, by their names in the bundle, in the order they were given."""
    site: str
    terms: str
    baseline: str | None = None
    mapping: bytes | None = None
    reading: Mapping[str, Any] = field(default_factory=dict)
    """How the log was read: the arguments of `read_log` that were given."""
    settings: Mapping[str, Any] = field(default_factory=dict)
    """Analyses, level, risk, and whether refusals were overridden."""

    def parts(self) -> dict[str, bytes]:
        """They as parts of a bundle."""
        given = {"inputs/site.toml": self.site.encode(), "inputs/terms.toml": self.terms.encode()}
        if self.baseline is not None:
            given["inputs/baseline.json"] = self.baseline.encode()
        if self.mapping is not None:
            given["inputs/mapping.toml"] = self.mapping
        told = {"reading.json": json_of(self.reading), "settings.json": json_of(self.settings)}
        return {**self.logs, **given, **told}

    @classmethod
    def of(cls, parts: Mapping[str, bytes]) -> Inputs:
        """Those of a bundle. Raises FileError where they can't be."""
        logs = {name: of for name, of in parts.items() if name.startswith("inputs/log-")}
        reading, settings = object_of(parts, "reading.json"), object_of(parts, "settings.json")
        odd = sorted(set(reading) - set(_READING)) + sorted(set(settings) ^ set(_SETTINGS))
        odd += [name for name, kind in _SETTINGS.items() if not isinstance(settings.get(name), kind)]
        if odd or not logs:
            what = f"the setting {odd[0]!r} can't be" if odd else "it holds no log"
            raise _core.FileError(f"the bundle is not as brinemark writes it: {what}; ask for it again")
        return cls(
            logs=logs,
            site=_text(parts, "inputs/site.toml"),
            terms=_text(parts, "inputs/terms.toml"),
            baseline=_text(parts, "inputs/baseline.json") if "inputs/baseline.json" in parts else None,
            mapping=parts.get("inputs/mapping.toml"),
            reading=reading,
            settings=settings,
        )

    def log(self) -> bm.Log:
        """The log, read as it was read then, from a folder of its own. Raises as `read_log`."""
        with tempfile.TemporaryDirectory(prefix="brinemark-") as folder:
            paths = []
            # By names of our own: those of a bundle are no business of this machine's files.
            for place, content in enumerate(self.logs.values(), start=1):
                path = Path(folder, f"log-{place}")
                path.write_bytes(content)
                paths.append(path)
            reading: dict[str, Any] = dict(self.reading)
            if self.mapping is not None:
                reading["mapping"] = Path(folder, "mapping.toml")
                reading["mapping"].write_bytes(self.mapping)
            try:
                return bm.read_log(paths, **reading)
            except TypeError as cause:
                # A setting of the wrong kind, in a bundle that somebody wrote by hand.
                raise _core.FileError(
                    f"the bundle is not as brinemark writes it: reading.json: {cause}; ask for it again"
                ) from None


def _text(parts: Mapping[str, bytes], name: str) -> str:
    try:
        return parts[name].decode()
    except (KeyError, UnicodeDecodeError):
        raise _core.FileError(
            f"the bundle is not as brinemark writes it: {name} is missing or is no text; ask for it again"
        ) from None


def log_parts(paths: Sequence[str | os.PathLike[str]]) -> dict[str, bytes]:
    """The log's files as parts of a bundle, under names that any zip can hold. Raises FileError."""
    found = {}
    for place, path in enumerate(paths, start=1):
        name = re.sub(r"[^A-Za-z0-9._-]", "_", Path(path).name)[-100:]
        found[f"inputs/log-{place}-{name}"] = content_of(path)
    return found


def content_of(path: str | os.PathLike[str]) -> bytes:
    """The bytes of a file. Raises FileError."""
    try:
        return Path(path).read_bytes()
    except OSError as cause:
        raise _core.FileError(f"{os.fspath(path)} can't be read: {cause.strerror}") from cause
