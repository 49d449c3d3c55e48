"""Dossiers of the bundled warranty case, and what a tamperer makes of them."""

from __future__ import annotations

from pathlib import Path
from typing import Any

import brinemark as bm
from brinemark.dossier import bundle

CASE = bm.demo.warranty
LOG = CASE.log_path().read_text(encoding="utf-8")
ROWS = LOG.splitlines()
HEADERS = ROWS[0].split(",")
COLUMNS = [header.partition(" [")[0] for header in HEADERS]
LOG_PART = "inputs/log-1-linen.csv"


def made(log: Path | None = None, **settings: Any) -> bm.Dossier:
    return bm.Dossier.make(
        CASE.log_path() if log is None else log,
        bm.Site.load(CASE.site_path()),
        bm.Terms.load(CASE.terms_path()),
        **settings,
    )


def with_parts(dossier: bm.Dossier, **changed: bytes) -> bm.Dossier:
    """The dossier with other parts, and a manifest that says nothing of it."""
    return bm.Dossier({**dossier.parts, **{name.replace("__", "/"): of for name, of in changed.items()}})


def rehashed(dossier: bm.Dossier, parts: dict[str, bytes]) -> bm.Dossier:
    """The dossier with other parts and every hash of the manifest set right, as a careful tamperer would."""
    told = {name: of for name, of in dossier.manifest.items() if name not in ("format", "parts")}
    given = {name: parts.get(name, of) for name, of in dossier.parts.items() if name != bundle.MANIFEST}
    return bm.Dossier(bundle.with_manifest(told, given))


def with_cell(row: int, column: int, cell: str) -> bytes:
    lines = list(ROWS)
    cells = lines[row].split(",")
    cells[column] = cell
    lines[row] = ",".join(cells)
    return ("\n".join(lines) + "\n").encode()
