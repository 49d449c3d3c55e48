"""What the documentation says is run, and every public name says what it is."""

from __future__ import annotations

import doctest
import inspect
import os
import re
import subprocess
import sysconfig
from collections.abc import Iterator
from itertools import zip_longest
from pathlib import Path
from typing import NamedTuple

import numpy as np
import pytest

import brinemark as bm

REPOSITORY = Path(__file__).parents[2]
PAGES = [REPOSITORY / "README.md", *sorted((REPOSITORY / "docs").rglob("*.md"))]

# Functions that state physics: their docstrings name units, and where the equation comes from.
PHYSICS = (
    "acid_dose",
    "check_meter",
    "conductivity_at_25",
    "conductivity_from_tds",
    "density",
    "log_mean_factor",
    "net_driving_pressure",
    "normalised_differential_pressure",
    "normalised_permeate_flow",
    "normalised_salt_passage",
    "osmotic_pressure",
    "osmotic_pressure_of_molality",
    "potassium_chloride_conductivity",
    "predict",
    "pump_power",
    "recovery_limits",
    "rule_of_thumb",
    "salt_permeability",
    "saturation",
    "seawater_density",
    "seawater_osmotic_pressure",
    "sodium_chloride_molality",
    "sodium_chloride_osmotic_coefficient",
    "tds_from_conductivity",
    "temperature_factor",
    "viscosity",
    "water_permeability",
)


class Block(NamedTuple):
    """A fenced block of a page, and the line its text starts on."""

    language: str
    text: str
    line: int

    @property
    def is_command(self) -> bool:
        return not self.language and all(line.startswith("brinemark ") for line in self.text.splitlines())


def blocks_of(page: Path) -> list[Block]:
    text = page.read_text(encoding="utf-8")
    fences = re.finditer(r"^```(\w*)\n(.*?)^```$", text, flags=re.MULTILINE | re.DOTALL)
    return [
        Block(fence.group(1), fence.group(2), text.count("\n", 0, fence.start(2)) + 1) for fence in fences
    ]


def run_examples(text: str, name: str, namespace: dict[str, object]) -> None:
    test = doctest.DocTestParser().get_doctest(text, namespace, name, name, 0)
    said: list[str] = []
    outcome = doctest.DocTestRunner().run(test, out=said.append, clear_globs=False)
    assert outcome.failed == 0, "".join(said)


def test_readme_has_examples() -> None:
    blocks = blocks_of(REPOSITORY / "README.md")
    assert any(block.language == "python" for block in blocks)
    assert any(block.is_command for block in blocks)


@pytest.mark.parametrize("page", PAGES, ids=lambda page: str(page.relative_to(REPOSITORY)))
def test_page_says_what_happens(
    page: Path,
    demo_folder: Path,
    monkeypatch: pytest.MonkeyPatch,
    capfd: pytest.CaptureFixture[str],
) -> None:
    # The blocks of a page go on from one another, as its reader does, after `make demo`.
    monkeypatch.chdir(demo_folder.parent)
    monkeypatch.setenv("PATH", sysconfig.get_path("scripts"), prepend=os.pathsep)
    namespace: dict[str, object] = {"__name__": page.stem}
    blocks = blocks_of(page)
    for block, following in zip_longest(blocks, blocks[1:]):
        if block.language == "python":
            # The empty lines make a traceback show the page's own line.
            exec(compile("\n" * (block.line - 1) + block.text, str(page), "exec"), namespace)
        elif block.is_command:
            subprocess.run(block.text, shell=True, check=True)
        else:
            continue
        said = capfd.readouterr().out
        if following is not None and following.language == "text":
            # A page breaks lines where it likes.
            assert " ".join(following.text.split()) in " ".join(said.split()), f"line {block.line}"


def members(name: str) -> Iterator[tuple[str, object]]:
    """A public object, and if it is a class, its public members."""
    public = getattr(bm, name)
    yield name, public
    if inspect.isclass(public):
        for member, value in vars(public).items():
            if not member.startswith("_"):
                yield f"{name}.{member}", getattr(public, member, value)


def is_constant(public: object) -> bool:
    # None: a setting whose default it is.
    return public is None or isinstance(public, (str, tuple, list))


@pytest.mark.parametrize("name", bm.__all__)
def test_public_name_is_documented(name: str) -> None:
    undocumented = [
        member
        for member, public in members(name)
        if not is_constant(public) and not (public.__doc__ or "").strip()
    ]
    assert not undocumented


@pytest.mark.parametrize("name", bm.__all__)
def test_examples_of_public_name_hold(name: str) -> None:
    for member, public in members(name):
        text = "" if is_constant(public) else inspect.cleandoc(public.__doc__ or "")
        if ">>>" in text:
            # As after `from brinemark import …` of the names it uses.
            used = {each for each in bm.__all__ if re.search(rf"\b{each}\b", text)}
            names = {each: getattr(bm, each) for each in used}
            run_examples(text, member, names | {"bm": bm, "np": np})


def test_every_public_function_has_an_example() -> None:
    without = [name for name in PHYSICS if ">>>" not in (getattr(bm, name).__doc__ or "")]
    assert not without


@pytest.mark.parametrize("name", PHYSICS)
def test_physics_states_units_and_source(name: str) -> None:
    function = getattr(bm, name)
    arguments, _, rest = (function.__doc__ or "").partition("\nReturns:")
    assert rest, "no 'Returns:'"
    assert "\nSource: " in rest
    returns = rest.partition("\n")[0]
    assert "[" in returns, f"no unit in 'Returns:{returns}'"
    # "a, b : array-like. What it is [unit]", which may go on over indented lines.
    entries = re.findall(r"^(\w+(?:, \w+)*) : (.*(?:\n[ ]+.*)*)", arguments, flags=re.MULTILINE)
    described = {each: text for names, text in entries for each in names.split(", ")}
    assert set(described) == set(inspect.signature(function).parameters)
    without_unit = [
        each
        for each, text in described.items()
        if text.startswith("array-like") and "[" not in text and "unit)" not in text
    ]
    assert not without_unit
