"""`describe`: proposals for files nobody has seen, never applied."""

from __future__ import annotations

import json
import tomllib
from pathlib import Path

import numpy as np
import pandas as pd
import polars as pl
import pytest

import brinemark as bm
from brinemark.cli import main

ODD = """Logger 7;;
Unit north
"""
HEADERS = (
    "Datum;Druck Zulauf;Druck Konzentrat [bar];Permeat [gpm];Konzentrat [m³/h];Zulauf Menge m3/h;"
    "LF Permeat (µS/cm);T;Bediener\n"
)


@pytest.fixture
def odd(tmp_path: Path) -> Path:
    """A file with odd headers: two kinds of units, decimal commas, one pressure without its unit."""
    rows = []
    for hour in range(48):
        swing = 1 + 0.05 * np.sin(hour)
        feed = 12.0 * swing
        figures = [
            145.0 * swing,
            9.1 * swing,
            0.75 * feed * 4.402867,
            0.25 * feed,
            feed,
            21.5,
            16.4 + swing,
        ]
        cells = [f"{figure:.2f}".replace(".", ",") for figure in figures]
        rows.append(";".join([f"{1 + hour // 24:02}.03.2026 {hour % 24:02}:00", *cells, "AB"]))
    path = tmp_path / "odd.csv"
    path.write_text(ODD + HEADERS + "\n".join(rows) + "\n", encoding="utf-8")
    return path


def test_describe_proposes_and_writes_a_mapping(
    odd: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    out = tmp_path / "mapping.toml"
    before = odd.read_bytes()
    assert main(["describe", str(odd), "--out", str(out)]) == 0
    said = capsys.readouterr().out
    assert "permeate + concentrate equals feed within" in said
    assert "none of them applied" in said
    mapping = tomllib.loads(out.read_text(encoding="utf-8"))
    assert mapping["separator"] == ";"
    assert mapping["decimal"] == ","
    assert mapping["time_format"] == "%d.%m.%Y %H:%M"
    assert mapping["columns"] == {
        "Datum": "time",
        "Druck Zulauf": "feed_pressure [psi]",
        "Druck Konzentrat [bar]": "concentrate_pressure [bar]",
        "Permeat [gpm]": "permeate_flow [gpm]",
        "Konzentrat [m³/h]": "concentrate_flow [m3/h]",
        "Zulauf Menge m3/h": "feed_flow [m3/h]",
        "LF Permeat (µS/cm)": "permeate_conductivity [uS/cm]",
        "Bediener": False,
    }
    assert odd.read_bytes() == before


def test_a_corrected_mapping_is_not_written_over(
    odd: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    out = tmp_path / "mapping.toml"
    out.write_text("mine", encoding="utf-8")
    assert main(["describe", str(odd), "--out", str(out)]) == 1
    assert "--force" in capsys.readouterr().err
    assert out.read_text(encoding="utf-8") == "mine"
    assert main(["describe", str(odd), "--out", str(out), "--force"]) == 0
    assert "[columns]" in out.read_text(encoding="utf-8")


def test_json_and_refusals(odd: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    assert main(["describe", str(odd), "--json"]) == 0
    found = json.loads(capsys.readouterr().out)
    by_header = {column["header"]: column for column in found["columns"]}
    assert by_header["Permeat [gpm]"]["proposal"] == "permeate_flow [gpm]"
    assert by_header["Bediener"]["no_readings"] is True
    assert found["decimal"] == ","
    assert found["time"]["order"] == "oldest-first"
    assert main(["describe", str(tmp_path / "none.csv")]) == 1
    assert "can't be opened" in capsys.readouterr().err
    assert main(["describe", str(odd), "--rows", "0"]) == 1
    words = tmp_path / "words.txt"
    words.write_text("no table\nat all\n", encoding="utf-8")
    assert main(["describe", str(words)]) == 1
    assert "no table of several columns" in capsys.readouterr().err


def test_tables_in_memory_are_described_alike() -> None:
    hour = np.arange(30)
    flow = 30.0 + np.sin(hour)
    given = {
        "When": np.datetime64("2026-03-01T00:00", "us") + hour * np.timedelta64(1, "h"),
        "Perm Flow GPM": flow,
        "Rej Flow GPM": flow / 3,
        "Feed Flow GPM": flow * 4 / 3,
        "Running": np.ones(30, dtype=bool),
        "Note": ["fine"] * 30,
    }
    expected = {
        "When": ("time", "likely"),
        "Perm Flow GPM": ("permeate_flow [gpm]", "sure"),
        "Rej Flow GPM": ("concentrate_flow [gpm]", "sure"),
        "Feed Flow GPM": ("feed_flow [gpm]", "sure"),
        "Running": ("running", "sure"),
        "Note": (None, "none"),
    }
    frame = pd.DataFrame(given)
    for source in (given, frame, pl.DataFrame(given)):
        found = bm.describe(source)
        assert {c.header: (c.proposal, c.confidence) for c in found.columns} == expected
        assert found.separator is None
    assert "permeate_flow [gpm]" in repr(found)
    flow_column = found.columns[1]
    assert flow_column.filled == 30
    assert flow_column.least == pytest.approx(flow.min())
    assert flow_column.median == pytest.approx(np.median(flow))
    assert found.time is not None
    assert found.time.step_h == pytest.approx(1.0)
    assert "Proposal(" in repr(flow_column)
    with pytest.raises(TypeError, match="source must be"):
        bm.describe(3)
    with pytest.raises(ValueError, match="1 or more"):
        bm.describe(given, rows=0)


def test_the_demo_log_is_known_by_its_headers() -> None:
    found = bm.describe(bm.demo.log_path())
    ours = [name for name, _, _ in bm.log_columns()]
    for column in found.columns:
        if column.header.split(" [")[0] in ours:
            assert column.proposal == column.header, column.evidence
            assert column.confidence in ("sure", "likely"), (column.header, column.evidence)
