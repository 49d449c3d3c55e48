"""A unit's folder: visit after visit, and no reading lost."""

from __future__ import annotations

import csv
import json
import os
import re
import subprocess
import sys
from collections.abc import Sequence
from concurrent.futures import ThreadPoolExecutor
from dataclasses import FrozenInstanceError
from pathlib import Path
from typing import Any

import numpy as np
import pytest

import brinemark as bm
from brinemark.cli import main

LOG, SITE = str(bm.demo.log_path()), str(bm.demo.site_path())
SERVICE = """
[[service]]
what = "prefilter"
every = "3 months"
last = "2026-01-20"

[[service]]
what = "calibration"
of = "permeate_flow"
every = "6 months"
last = "2025-12-01"
"""
VISIT = {
    "feed_temperature": "57.9 degF",
    "feed_pressure": "140 psi",
    "concentrate_pressure": "123.5 psi",
    "permeate_flow": "33.1 gpm",
    "concentrate_flow": "39.8 gpm",
    "feed_conductivity": "2243 uS/cm",
    "permeate_conductivity": "28.1 uS/cm",
    "running": True,
}
WHEN = "2026-05-02T08:00-07:00"


@pytest.fixture
def site_file(tmp_path: Path) -> Path:
    path = tmp_path / "mine.toml"
    path.write_text(bm.demo.site_path().read_text(encoding="utf-8") + SERVICE, encoding="utf-8")
    return path


@pytest.fixture
def folder(tmp_path: Path, site_file: Path) -> bm.SiteFolder:
    """The demo's plant, in a folder."""
    return bm.SiteFolder.create(tmp_path / "unit-2", site=site_file, log=LOG)


@pytest.fixture
def blank(tmp_path: Path, site_file: Path) -> bm.SiteFolder:
    """The same unit without a reading, but with what it did when new."""
    folder = bm.SiteFolder.create(tmp_path / "unit-3", site=site_file, tz="Etc/GMT+7")
    kept = bm.normalise(bm.read_log(LOG), folder.site).baseline
    (folder.path / "start-up.json").write_text(kept.to_json(), encoding="utf-8")
    return folder


def run(capsys: pytest.CaptureFixture[str], *arguments: str | Path) -> tuple[int, str, str]:
    status = main([str(argument) for argument in arguments])
    out, err = capsys.readouterr()
    return status, out, err


def adds(readings: dict[str, Any]) -> list[str]:
    given = {**readings, **({"running": "yes"} if "running" in readings else {})}
    return [word for name, text in given.items() for word in ("--add", f"{name}={text}")]


def test_a_log_is_brought_over_with_nothing_lost(folder: bm.SiteFolder) -> None:
    before, now = bm.read_log(LOG), folder.log()
    assert (before.time() == now.time()).all()
    for name in before.columns:
        assert np.array_equal(before[name], now[name], equal_nan=True), name
    assert (folder.path / "before" / "plant.csv").read_bytes() == bm.demo.log_path().read_bytes()
    assert "2920 readings were brought over" in folder.told[0]
    header = (folder.path / "log.csv").read_text(encoding="utf-8").partition("\n")[0]
    assert header == bm.sheet(folder.site, on="2026-05-02").log_csv.strip() + ",who,note"
    assert bm.SiteFolder.open(folder.path).told == []


def test_it_is_frozen_and_never_made_over_another(folder: bm.SiteFolder, site_file: Path) -> None:
    with pytest.raises(FrozenInstanceError):
        folder.path = Path()  # type: ignore[misc]
    before = (folder.path / "log.csv").read_bytes()
    with pytest.raises(bm.FileError, match="is there already"):
        bm.SiteFolder.create(folder.path, site=site_file)
    assert (folder.path / "log.csv").read_bytes() == before


def test_a_visit_is_added_in_the_sites_units(folder: bm.SiteFolder) -> None:
    visit = {**VISIT, "concentrate_pressure [bar]": np.float64(8.52), "feed_conductivity": float("nan")}
    del visit["concentrate_pressure"]
    added = folder.append(visit, time=WHEN, who="Ada", note='new cartridge, "5 µm"')
    assert added.line == (
        '2026-05-02T08:00:00-07:00,57.9,140,123.572,33.1,39.8,,28.1,true,Ada,"new cartridge, ""5 µm"""'
    )
    log = folder.log()
    assert len(log) == 2921
    assert log.column("concentrate_pressure", "bar")[-1] == pytest.approx(8.52, abs=1e-4)
    assert np.isnan(log["feed_conductivity"][-1])
    again = folder.append(visit, time=WHEN, who="Ada", note='new cartridge, "5 µm"')
    assert again.already_there
    assert len(folder.log()) == 2921


def test_a_refused_visit_is_printed_back_and_kept(folder: bm.SiteFolder) -> None:
    before = (folder.path / "log.csv").read_bytes()
    with pytest.raises(bm.NotAddedError) as raised:
        folder.append({"feed_pressure": "15O psi", "permeate_flow": "33 gpm"}, time=WHEN, who="Ada")
    error = raised.value
    assert error.what == f"time={WHEN}; feed_pressure=15O psi; permeate_flow=33 gpm; who=Ada"
    assert error.what in str(error)
    assert [(fault.column, fault.value) for fault in error.faults] == [("feed_pressure", "15O psi")]
    with (folder.path / "refused.csv").open(encoding="utf-8", newline="") as file:
        (row,) = csv.DictReader(file)
    assert row["what"] == error.what
    assert "15O psi" in row["why"]
    assert (folder.path / "log.csv").read_bytes() == before


def test_what_was_done_moves_what_is_due(folder: bm.SiteFolder) -> None:
    first = folder.due(on="2026-05-02")[0]
    assert first.overdue_days == 12
    folder.service("prefilter", on="2026-05-02", who="Ada")
    assert folder.due(on="2026-05-02")[0].what == "calibration"
    done = folder.services()
    assert [(each.date, each.what, each.of, each.who, each.note) for each in done] == [
        ("2026-05-02", "prefilter", "", "Ada", None)
    ]
    with pytest.raises(bm.NotAddedError, match="did you mean 'permeate_flow'"):
        folder.service("calibration", of="permeate_flw", on="2026-05-02")
    with pytest.raises(bm.SiteError, match="event"):
        folder.service("cleaning", on="2026-05-02")


@pytest.mark.skipif(not hasattr(os, "fork"), reason="a child is killed where there are forks")
def test_a_thousand_kills_lose_nothing_acknowledged(tmp_path: Path, site_file: Path) -> None:
    folder = tmp_path / "unit"
    bm.SiteFolder.create(folder, site=site_file)
    helper = Path(__file__).with_name("append_and_die.py")
    ran = subprocess.run(
        [sys.executable, helper, folder, "1000", "20261126"], check=True, capture_output=True, text=True
    )
    outcome = json.loads(ran.stdout)
    acknowledged: Sequence[str] = outcome["acknowledged"]
    assert outcome["kills"] == 1000
    assert len(acknowledged) > 300
    opened = bm.SiteFolder.open(folder)
    text = (folder / "log.csv").read_text(encoding="utf-8")
    assert text.endswith("\n")
    rows = list(csv.reader(text.splitlines()))
    assert {len(row) for row in rows} == {len(rows[0])}
    times = [row[0] for row in rows[1:]]
    assert len(set(times)) == len(times)
    # Beside those, at most one a killed child: written, and killed before it was told.
    here = {f"{told.removesuffix('Z')}:00+00:00" for told in acknowledged}
    assert here <= set(times)
    assert len(times) - len(here) <= 1100
    assert len(opened.log()) == len(times)


@pytest.mark.skipif(not hasattr(os, "fork"), reason="a child is killed where there are forks")
def test_a_kill_within_a_write_is_found(tmp_path: Path, site_file: Path) -> None:
    """The kernel rarely lets a short write be cut; a disk that is full, and a limit on a file's size, do."""
    folder = tmp_path / "unit"
    bm.SiteFolder.create(folder, site=site_file)
    code = """
import resource, signal, sys
from brinemark import _core
from pathlib import Path
folder = sys.argv[1]
at = Path(folder, "log.csv").stat().st_size
signal.signal(signal.SIGXFSZ, signal.SIG_IGN)
resource.setrlimit(resource.RLIMIT_FSIZE, (at + 20, resource.RLIM_INFINITY))
_core.SiteFolder.open(folder).append("2026-03-02T08:00Z", [("feed_pressure", "150 psi")], None, None, 1.0)
"""
    before = (folder / "log.csv").read_bytes()
    ran = subprocess.run([sys.executable, "-c", code, folder], capture_output=True, text=True)
    assert "NotAddedError" in ran.stderr
    assert "feed_pressure=150 psi" in ran.stderr
    assert (folder / "log.csv").read_bytes() == before
    opened = bm.SiteFolder.open(folder)
    assert not opened.append({"feed_pressure": "150 psi"}, time="2026-03-02T08:00Z").already_there
    assert len(opened.log()) == 1


def test_threads_of_one_process_wait_for_each_other(blank: bm.SiteFolder) -> None:
    def add(minute: int) -> bool:
        visit = {"feed_pressure": "150 psi"}
        return blank.append(visit, time=f"2026-03-02T08:{minute:02}", wait_s=60.0).already_there

    with ThreadPoolExecutor(8) as pool:
        there = list(pool.map(add, [*range(40), *range(40)]))
    assert there.count(True) == 40
    assert len(blank.log()) == 40


def test_the_command_makes_adds_judges_and_says_what_is_due(
    capsys: pytest.CaptureFixture[str], tmp_path: Path, site_file: Path
) -> None:
    path = tmp_path / "unit-2"
    status, said, _ = run(capsys, "folder", path, "--site", site_file, "--log", LOG)
    assert status == 0
    assert "2920 readings were brought over" in said
    visit: tuple[str | Path, ...] = (
        "check",
        path,
        *adds(VISIT),
        "--at",
        WHEN,
        "--who",
        "Ada",
        "--on",
        "2026-05-02",
    )
    status, said, _ = run(capsys, *visit)
    assert status == 0
    assert said.startswith("Noted: 2026-05-02T08:00:00-07:00,57.9,140,")
    assert "WATCH" in said or "ACT NOW" in said
    assert "prefilter: 12 days overdue since 2026-04-20" in said
    assert max(map(len, said.splitlines())) <= 90
    status, said, _ = run(capsys, *visit)
    assert (status, "not noted twice" in said) == (0, True)
    assert run(capsys, "done", path, "prefilter", "--on", "2026-05-02")[0] == 0
    status, said, _ = run(capsys, "check", path, "--on", "2026-05-02", "--json")
    found = json.loads(said)
    assert status == 0
    assert found["added"] is None
    assert found["checks"][0]["advice"] in ("watch", "act now")
    assert "on 2026-08-02" in " ".join(found["due"])
    # As of the file alone, and the same.
    status, said, _ = run(capsys, "check", path / "log.csv", "--site", path / "site.toml", "--json")
    assert json.loads(said)["checks"] == found["checks"]


def test_few_readings_are_noted_all_the_same(
    capsys: pytest.CaptureFixture[str], blank: bm.SiteFolder, tmp_path: Path
) -> None:
    page = tmp_path / "visit.html"
    status, said, _ = run(
        capsys,
        "check",
        blank.path,
        *adds(VISIT),
        "--at",
        "2026-05-02T08:00",
        "--page",
        page,
        "--on",
        "2026-05-02",
    )
    assert status == 0, said
    assert "NO VERDICT YET" in said
    assert "like for like, against new" in said
    assert "permeate flow" in said
    html = page.read_text(encoding="utf-8")
    assert "no verdict yet" in html
    assert len(blank.log()) == 1
    # As the whole log has it for that day, within what a single reading may be off by.
    result = bm.normalise(blank.log(), blank.site, baseline=blank.baseline)
    assert result["normalised_permeate_flow_change"][-1] == pytest.approx(-0.12, abs=0.03)
    # A single figure is noted too, and said to be no more than that.
    status, said, _ = run(
        capsys, "check", blank.path, "--add", "feed_pressure=141 psi", "--at", "2026-05-03T08:00"
    )
    assert status == 0
    assert "feed pressure" in said
    assert len(blank.log()) == 2


def test_a_slip_at_the_command_is_one_message(
    capsys: pytest.CaptureFixture[str], folder: bm.SiteFolder
) -> None:
    path = folder.path
    status, said, complaint = run(capsys, "check", path, "--add", "feed_pressure=15O psi", "--at", WHEN)
    assert (status, said) == (1, "")
    assert complaint.count("15O psi") == 2
    assert "It is kept in" in complaint
    assert len(folder.log()) == 2920
    wrong: tuple[tuple[str | Path, ...], ...] = (
        ("check", path, "--add", "feed_pressure"),
        ("check", path, "--who", "Ada"),
        ("check", path, "--site", SITE),
        ("check", LOG, "--site", SITE, "--add", "feed_pressure=140 psi"),
        ("check", path, path),
        ("check", path, "--tz", "UTC"),
        ("check", path, "--column", "P1=feed_pressure [psi]"),
        ("done", path, "lmp"),
        ("folder", path, "--site", SITE),
        ("folder", path.parent / "new", "--site", path / "none.toml"),
        ("check", path.parent),
    )
    for arguments in wrong:
        status, _, complaint = run(capsys, *arguments)
        assert status == 1, arguments
        assert complaint.startswith("brinemark: "), complaint
        assert complaint.count("\n") == 1, complaint
    with pytest.raises(SystemExit) as raised:
        main(["check", LOG])
    assert raised.value.code == 2


def test_what_to_set_stands_on_screen_and_page(
    capsys: pytest.CaptureFixture[str], folder: bm.SiteFolder, tmp_path: Path
) -> None:
    page = tmp_path / "visit.html"
    folder.append(VISIT, time=WHEN)
    status, said, _ = run(capsys, "check", folder.path, "--page", page)
    assert status == 0
    html = page.read_text(encoding="utf-8")
    # What the unit makes today, in today's water and in others; by the membranes as they are now.
    marks = {}
    for degrees in (58, 49, 67):
        found = re.search(rf"At {degrees} °F set ([\d.]+) psi, ([\d.]+) gpm to drain; expect", said)
        assert found is not None, said
        marks[degrees] = float(found.group(1))
        assert f"<b>{found.group(1)} psi</b>, <b>{found.group(2)} gpm</b> to drain" in html
    assert marks[67] < marks[58] < marks[49]
    assert marks[58] == pytest.approx(140.0, abs=4.0)


def test_the_page_needs_nothing_else(
    capsys: pytest.CaptureFixture[str], folder: bm.SiteFolder, tmp_path: Path
) -> None:
    page = tmp_path / "deep" / "visit.html"
    status, said, _ = run(capsys, "check", folder.path, "--page", page, "--on", "2026-05-02")
    assert status == 0
    assert f"written: {page}" in said
    html = page.read_text(encoding="utf-8")
    assert html.startswith("<!doctype html>")
    assert "<script" not in html
    assert "http" not in html
    assert "width=device-width" in html
    assert "What to do" in html
    assert "prefilter" in html
    assert "accredited" in html
    assert html.count('class="card ') + html.count('class="card"') == 3
