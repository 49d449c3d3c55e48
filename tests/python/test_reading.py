"""Files as they are: packed, in other words, of other kinds, several at once; by Python and the command.

What each setting does to a figure is checked by the core's own tests; these check the way there.
"""

from __future__ import annotations

import gzip
import json
from collections.abc import Callable
from pathlib import Path
from typing import Any

import numpy as np
import pandas as pd
import polars as pl
import pyarrow as pa
import pytest

import brinemark as bm
from brinemark.cli import main

FLOW = "permeate_flow [gpm]"


def plain(table: pa.Table, path: Path) -> None:
    pl.DataFrame(table).write_csv(path)


def packed(codec: str) -> Callable[[pa.Table, Path], None]:
    def write(table: pa.Table, path: Path) -> None:
        plain(table, path)
        text = path.read_bytes()
        with pa.CompressedOutputStream(str(path), codec) as stream:
            stream.write(text)

    return write


def parquet(codec: str) -> Callable[[pa.Table, Path], None]:
    return lambda table, path: pa.parquet.write_table(table, path, compression=codec)


KINDS: dict[str, Callable[[pa.Table, Path], None]] = {
    "csv": plain,
    "gzip": packed("gzip"),
    "zstd": packed("zstd"),
    "parquet, snappy": parquet("snappy"),
    "parquet, zstd": parquet("zstd"),
    "parquet, gzip": parquet("gzip"),
    "parquet, lz4": parquet("lz4"),
    "parquet, plain": parquet("none"),
    "parquet of polars": lambda table, path: pl.DataFrame(table).write_parquet(path),
    "parquet of pandas": lambda table, path: table.to_pandas().to_parquet(path),
}


@pytest.fixture
def table(readings: dict[str, Any]) -> pa.Table:
    """The readings with times as instants."""
    return pa.table({**readings, "time": pa.array(readings["time"], pa.timestamp("us", tz="UTC"))})


@pytest.mark.parametrize("write", KINDS.values(), ids=KINDS)
def test_every_kind_of_file_is_the_same_log(
    write: Callable[[pa.Table, Path], None], table: pa.Table, tmp_path: Path
) -> None:
    path = tmp_path / "plant"
    write(table, path)
    expected = bm.read_log(table)
    log = bm.read_log(path)
    assert log.input_hash == expected.input_hash
    assert log.sources == {str(path): len(expected)}
    blocks = list(bm.scan_log(path))
    assert sum(map(len, blocks)) == len(expected)
    assert blocks[0].input_hash == expected.input_hash


@pytest.mark.parametrize("write", list(KINDS.values())[1:], ids=list(KINDS)[1:])
def test_half_a_file_is_refused(
    write: Callable[[pa.Table, Path], None], table: pa.Table, tmp_path: Path
) -> None:
    path = tmp_path / "plant"
    write(table, path)
    whole = path.read_bytes()
    path.write_bytes(whole[: len(whole) // 2])
    with pytest.raises(bm.FileError, match="plant"):
        bm.read_log(path, tz="UTC")


GERMAN = """\
Zeit;P1;Permeat;Bediener
01.03.2026 08:00;12,5;1.234,5;X
01.03.2026 08:15;12,75;1.200,0;Y
"""
MAPPING = """\
time_zone = "Etc/GMT-1"
time_format = "%d.%m.%Y %H:%M"
time_label = "interval-start"
interval = "15 min"
decimal = ","
[columns]
Zeit = "time"
P1 = ["stage 1 feed_pressure [bar]", "stage 2 feed_pressure [bar]"]
Permeat = "stage 1 permeate_flow [m3/h]"
Bediener = false
"""


@pytest.fixture
def german(tmp_path: Path) -> tuple[Path, Path]:
    """A log in other words, and the mapping that tells them."""
    log, mapping = tmp_path / "export.csv", tmp_path / "plant.columns.toml"
    log.write_text(GERMAN, encoding="utf-8")
    mapping.write_text(MAPPING, encoding="utf-8")
    return log, mapping


def test_a_mapping_says_it_once(german: tuple[Path, Path]) -> None:
    path, mapping = german
    log = bm.read_log(path, mapping=mapping)
    assert log.labels("stage") == ["1", "2", "1", "2"]
    np.testing.assert_allclose(log.column("feed_pressure"), [12.5, 12.5, 12.75, 12.75])
    np.testing.assert_array_equal(log.column("permeate_flow"), [1234.5, np.nan, 1200.0, np.nan])
    assert log.time()[0] == np.datetime64("2026-03-01T07:07:30")
    assert log.left_out == ["Bediener"]
    assert log.written_to == {"feed_pressure": 0.01, "permeate_flow": 0.1}
    # What the call says goes before the file, key by key and header by header.
    other = bm.read_log(
        path,
        mapping=mapping,
        tz="UTC",
        columns={"P1": None, "Permeat": ["permeate_flow [m3/h]"], "Bediener": "train"},
    )
    assert other.labels("train") == ["X", "Y"]
    assert other.columns == ["permeate_flow"]
    assert other.time()[0] == np.datetime64("2026-03-01T08:07:30")
    # Tables in memory are mapped alike.
    frame = pd.read_csv(path, sep=";")
    assert bm.read_log(frame, mapping=mapping).input_hash == log.input_hash


def test_a_mapping_is_refused_with_all_its_faults(german: tuple[Path, Path], tmp_path: Path) -> None:
    path, mapping = german
    mapping.write_text('decimals = ","\nclock_change = "by order"\n[columns]\nZeit = 1\n')
    with pytest.raises(bm.LogError, match=r"did you mean 'decimal'\?") as refusal:
        bm.read_log(path, mapping=mapping)
    assert len(refusal.value.faults) == 3
    with pytest.raises(bm.FileError, match="nowhere"):
        bm.read_log(path, mapping=tmp_path / "nowhere.toml")


WORDS: dict[str, dict[str, Any]] = {
    "separator": {"separator": "semicolon"},
    "decimal": {"decimal": "comma"},
    "time_label": {"time_label": "interval_start"},
    "interval": {"interval": "15 psi", "time_label": "interval-start"},
    "clock_change": {"clock_change": "guess"},
    "header_row": {"header_row": 0},
}


@pytest.mark.parametrize(("column", "settings"), WORDS.items(), ids=WORDS)
def test_settings_that_can_not_be_meant(column: str, settings: dict[str, Any], tmp_path: Path) -> None:
    path = tmp_path / "plant.csv"
    path.write_text(f"time,{FLOW}\n2026-03-01T00:00Z,1\n")
    with pytest.raises(bm.LogError) as refusal:
        bm.read_log(path, **settings)
    (fault,) = refusal.value.faults
    assert fault.column == column
    assert fault.remedy


def test_settings_that_there_are_none_of(tmp_path: Path) -> None:
    path = tmp_path / "plant.csv"
    path.write_text(f"time,{FLOW}\n2026-03-01T00:00Z,1\n")
    mistyped: dict[str, Any] = {"seperator": ";"}
    for read in (bm.read_log, bm.scan_log):
        with pytest.raises(TypeError, match="seperator"):
            read(path, **mistyped)


def test_what_is_to_be_sorted_can_not_be_scanned(tmp_path: Path) -> None:
    path, mapping = tmp_path / "plant.csv", tmp_path / "plant.columns.toml"
    path.write_text(f"time,{FLOW}\n2026-03-02T00:00Z,2\n2026-03-01T00:00Z,1\n")
    mapping.write_text("sort = true\n")
    np.testing.assert_array_equal(bm.read_log(path, mapping=mapping).column("permeate_flow"), [1.0, 2.0])
    with pytest.raises(bm.LogError, match="a block at a time"):
        bm.scan_log(path, mapping=mapping)


def test_several_files_are_one_log(tmp_path: Path) -> None:
    first, second = tmp_path / "january.csv", tmp_path / "february.csv.gz"
    first.write_text(f"time,{FLOW}\n2026-01-01T00:00Z,19\n")
    second.write_bytes(gzip.compress(b"time,permeate_flow [m3/h],feed_ph\n2026-02-01T00:00Z,4.5,7\n"))
    shares: list[float] = []
    log = bm.read_log([second, str(first)], watch=shares.append)
    assert log.units["permeate_flow"] == "m3/h"
    np.testing.assert_allclose(log.column("permeate_flow", "gpm"), [19.0, 19.8129], rtol=1e-5)
    np.testing.assert_array_equal(log.column("feed_ph"), [np.nan, 7.0])
    assert log.sources == {str(second): 1, str(first): 1}
    assert shares == sorted(shares)
    assert shares[-1] == 1.0
    first.write_text(f"time,{FLOW}\nyesterday,19\n")
    with pytest.raises(bm.LogError, match=r"january\.csv: row 1|january\.csv, row 1") as refusal:
        bm.read_log([first, second])
    assert refusal.value.faults[0].file == str(first)


# --- the command -----------------------------------------------------------------------------------


def test_the_command_reads_several_files_by_a_mapping(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    lines = bm.demo.log_path().read_text(encoding="utf-8").splitlines()
    header, rows = lines[0], lines[1:]
    parts = [tmp_path / "2024.txt", tmp_path / "2025.txt"]
    for path, part in zip(parts, (rows[:1500], rows[1500:]), strict=True):
        text = "\n".join(["exported", header, *part]).replace(",", "|")
        path.write_text(text, encoding="utf-8")
    mapping = tmp_path / "plant.columns.toml"
    mapping.write_text('header_row = 2\nseparator = "|"\n')
    arguments = ["--site", str(bm.demo.site_path()), "--mapping", str(mapping), "--json"]
    table = str(tmp_path / "table.parquet")
    assert main(["normalise", *map(str, parts), *arguments, "--out", table]) == 0
    said = json.loads(capsys.readouterr().out)
    assert said["rows"] == len(rows)
    assert [source["rows"] for source in said["sources"]] == [1500, len(rows) - 1500]
    assert said["input_hash"] == bm.read_log(bm.demo.log_path()).input_hash


REFUSALS: dict[str, tuple[str, list[str], str]] = {
    "order": ("2026-03-02T00:00Z,1\n2026-03-01T00:00Z,1\n", [], "give --sort to put"),
    "comma": ('2026-03-02T00:00Z,"1,5"\n', [], 'give --decimal ","'),
    "date": ("2026-03-02,1\n", ["--tz", "UTC"], 'give --time-format "%Y-%m-%d"'),
    "interval": ("2026-03-02T00:00Z,1\n", ["--time-label", "interval-end"], '--interval "15 min"'),
    "clock": ("2026-11-01 01:30,1\n", ["--tz", "America/Denver"], '--clock-change "by-order"'),
    "row": ("2026-11-01T01:30Z,1\n", ["--header-row", "9"], "give --header-row as"),
}


@pytest.mark.parametrize(("rows", "options", "said"), REFUSALS.values(), ids=REFUSALS)
def test_the_command_speaks_of_its_own_options(
    rows: str, options: list[str], said: str, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    path = tmp_path / "plant.csv"
    path.write_text(f"time,{FLOW}\n{rows}")
    site = ["--site", str(bm.demo.site_path())]
    assert main(["assess", str(path), *site, *options]) == 1
    assert said in capsys.readouterr().err
