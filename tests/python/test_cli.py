"""The command: what it prints, what it leaves, how it exits."""

from __future__ import annotations

import json
import subprocess
import sys
from pathlib import Path

import pytest

import brinemark as bm
from brinemark.cli import main

LOG, SITE = str(bm.demo.log_path()), str(bm.demo.site_path())


def run(capsys: pytest.CaptureFixture[str], *arguments: str | Path) -> tuple[int, str, str]:
    status = main([str(argument) for argument in arguments])
    out, err = capsys.readouterr()
    return status, out, err


def test_normalise_keeps_every_row(capsys: pytest.CaptureFixture[str], tmp_path: Path) -> None:
    for name in ("table.csv", "table.parquet"):
        out = tmp_path / name
        status, said, _ = run(capsys, "normalise", LOG, "--site", SITE, "--out", out)
        assert status == 0
        assert "written" in said
    import polars as pl

    table = pl.read_parquet(tmp_path / "table.parquet")
    text = pl.read_csv(tmp_path / "table.csv", infer_schema_length=None)
    assert table.height == text.height == len(bm.read_log(LOG))
    column = "normalised_permeate_flow [gpm]"
    assert (table[column].is_null() == text[column].is_null()).all()
    assert (table[column] - text[column]).abs().max() == 0.0


def test_assess_says_and_leaves_a_page(capsys: pytest.CaptureFixture[str], tmp_path: Path) -> None:
    page = tmp_path / "deep" / "page.html"
    status, said, _ = run(capsys, "assess", LOG, "--site", SITE, "--out", page)
    assert status == 0
    assert "Like for like" in said
    assert "accredited laboratory" in said
    assert page.read_text(encoding="utf-8").startswith("<!doctype html>")
    status, said, _ = run(capsys, "assess", LOG, "--site", SITE, "--json")
    found = json.loads(said)
    assert status == 0
    change = found["standings"][0]["changes"]["normalised_permeate_flow"]
    assert change["low"] < change["value"] < change["high"]
    assert change["level"] == 0.90
    assert found["rows"] == len(bm.read_log(LOG))
    assert found["input_hash"] == bm.read_log(LOG).input_hash


def test_a_kept_baseline_serves_a_later_log(capsys: pytest.CaptureFixture[str], tmp_path: Path) -> None:
    kept, later = tmp_path / "baseline.json", tmp_path / "later.csv"
    out = tmp_path / "out.csv"
    assert run(capsys, "normalise", LOG, "--site", SITE, "--out", out, "--save-baseline", kept)[0] == 0
    lines = Path(LOG).read_text(encoding="utf-8").splitlines(keepends=True)
    later.write_text(lines[0] + "".join(lines[-200:]), encoding="utf-8")
    status, said, _ = run(capsys, "assess", later, "--site", SITE, "--baseline", kept, "--json")
    assert status == 0
    whole = bm.assess(bm.normalise(bm.read_log(LOG), bm.Site.load(SITE)))[0]
    change = json.loads(said)["standings"][0]["changes"]["normalised_permeate_flow"]
    assert change["value"] == pytest.approx(whole.changes["normalised_permeate_flow"].value, abs=2e-3)


def test_refusals_name_their_place(capsys: pytest.CaptureFixture[str], tmp_path: Path) -> None:
    bad = tmp_path / "bad.csv"
    bad.write_text("time,feed_pressure [psi]\n2026-01-01T00:00,12O\nx,1\n", encoding="utf-8")
    status, said, complaint = run(capsys, "assess", bad, "--site", SITE)
    assert (status, said) == (1, "")
    assert "3 faults" in complaint
    assert "row 1 (line 2), feed_pressure [psi], '12O'" in complaint
    status, said, _ = run(capsys, "assess", bad, "--site", SITE, "--json", "--tz", "UTC")
    assert status == 1
    faults = json.loads(said)["faults"]
    assert [(fault["row"], fault["column"]) for fault in faults] == [
        (1, "feed_pressure [psi]"),
        (2, "time"),
    ]
    for arguments in (
        ("assess", tmp_path / "none.csv", "--site", SITE),
        ("assess", LOG, "--site", tmp_path / "none.toml"),
        ("normalise", LOG, "--site", SITE, "--out", tmp_path / "table.xls"),
        ("assess", LOG, "--site", SITE, "--analyses", "flow"),
        ("assess", LOG, "--site", SITE, "--days", "0"),
        ("assess", LOG, "--site", SITE, "--column", "feed_pressure"),
        ("assess", LOG, "--site", SITE, "--baseline", tmp_path / "none.json"),
    ):
        status, _, complaint = run(capsys, *arguments)
        assert status == 1, arguments
        assert complaint.startswith("brinemark: "), arguments
        assert complaint.count("\n") == 1, complaint


def test_misuse_is_status_2(capsys: pytest.CaptureFixture[str]) -> None:
    assert run(capsys)[0] == 2
    for arguments in (["asess"], ["assess", LOG], ["demo", "--colour"]):
        with pytest.raises(SystemExit) as raised:
            main(arguments)
        assert raised.value.code == 2


def test_headers_can_be_renamed(capsys: pytest.CaptureFixture[str], tmp_path: Path) -> None:
    odd = tmp_path / "odd.csv"
    text = Path(LOG).read_text(encoding="utf-8")
    odd.write_text(
        text.replace("feed_pressure [psi]", "P1").replace("permeate_flow [gpm]", "permeate_flow"), "utf-8"
    )
    status, _, complaint = run(capsys, "assess", odd, "--site", SITE)
    assert status == 1
    assert "no unit" in complaint
    assert "--unit 'permeate_flow=UNIT'" in complaint
    assert "{" not in complaint
    status, said, _ = run(
        capsys,
        "assess",
        odd,
        "--site",
        SITE,
        "--column",
        "P1=feed_pressure [psi]",
        "--unit",
        "permeate_flow=gpm",
        "--json",
    )
    assert status == 0
    assert json.loads(said)["input_hash"] == bm.read_log(LOG).input_hash


def test_demo_template_and_columns(capsys: pytest.CaptureFixture[str], tmp_path: Path) -> None:
    status, said, _ = run(capsys, "demo", "--out", tmp_path / "demo", "--json")
    assert status == 0
    assert Path(json.loads(said)["page"]).is_file()
    left = {path.name for path in (tmp_path / "demo").iterdir()}
    assert left == {
        *("page.html", "normalised.csv", "plant.csv", "site.toml", "laundry.toml", "start-up-sheet.html"),
    }
    status, said, _ = run(capsys, "template")
    assert status == 0
    assert bm.Site.parse(said).elements == 6
    status, said, _ = run(capsys, "columns")
    assert status == 0
    assert all(name in said for name, _, _ in bm.log_columns())
    assert json.loads(run(capsys, "columns", "--json")[1])["analyses"].keys() == {
        *bm.ANALYSES,
        "membrane_model",
    }
    status, said, _ = run(capsys, "instruments")
    assert status == 0
    assert all(row[0] in said and row[4] in said for row in bm.instrument_classes())
    assert len(json.loads(run(capsys, "instruments", "--json")[1])["classes"]) == len(bm.instrument_classes())


def test_the_installed_command_starts_without_the_core() -> None:
    # Help must come at once: nothing heavy is loaded for it.
    code = (
        "import sys; import brinemark.cli as c; c._parser(); "
        "print([m for m in ('numpy', 'matplotlib', 'brinemark._core') if m in sys.modules])"
    )
    found = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=True)
    assert found.stdout.strip() == "[]"
    command = Path(sys.executable).with_name("brinemark")
    shown = subprocess.run([command, "--version"], capture_output=True, text=True, check=True)
    assert shown.stdout.strip() == f"brinemark {bm.__version__}"
