"""Every notebook runs from top to bottom."""

from __future__ import annotations

from pathlib import Path

import nbformat
import pytest
from nbclient import NotebookClient

NOTEBOOKS = sorted((Path(__file__).parents[2] / "notebooks").glob("*.ipynb"))


def test_there_are_notebooks() -> None:
    assert NOTEBOOKS


# The kernel's own libraries warn of each other; warnings of a notebook's code stay in its kernel.
@pytest.mark.filterwarnings("ignore")
@pytest.mark.parametrize("path", NOTEBOOKS, ids=lambda path: path.stem)
def test_notebook_runs(path: Path) -> None:
    notebook = nbformat.reads(path.read_text(encoding="utf-8"), as_version=4)
    # In its own folder, as a reader would; nothing is written back.
    client = NotebookClient(
        notebook,
        kernel_name="python3",
        timeout=300,
        resources={"metadata": {"path": str(path.parent)}},
    )
    client.execute()
