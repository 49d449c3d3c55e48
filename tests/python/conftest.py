"""What the tests of the installed package share."""

from __future__ import annotations

import os
import shutil
import sysconfig
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from dossiers import made

import brinemark as bm

Readings = dict[str, Any]

SITE = """
[site]
name = "Test unit"

[element]
area = "37.2 m2"

[[stage]]
vessels = 2
elements_per_vessel = 3

[temperature]
law = "standard-practice"

[salinity]
basis = "sodium-chloride"

[reference]
kind = "design"
permeate_flow = "4.6 m3/h"
feed_temperature = "25 degC"
feed_pressure = "12 bar"
differential_pressure = "0.8 bar"
permeate_pressure = "0.3 bar"
feed_tds = "900 mg/L"
permeate_tds = "12 mg/L"
recovery = "75 %"
"""


def pytest_configure() -> None:
    # No window may open, whatever machine the tests run on.
    os.environ["MPLBACKEND"] = "Agg"
    # What passed in the tree would say nothing of the wheel that a user gets.
    home = Path(bm.__file__).resolve()
    if not home.is_relative_to(Path(sysconfig.get_path("platlib")).resolve()):
        raise pytest.UsageError(f"brinemark is imported from {home}, not installed: run `make test`")


@pytest.fixture(scope="session")
def site() -> bm.Site:
    """One stage, compared with design conditions: every row stands by itself."""
    return bm.Site.parse(SITE)


@pytest.fixture
def readings() -> Readings:
    """Two days of hourly readings in a plant's own units, times in UTC without saying so."""
    hour = np.arange(48)
    swing = np.sin(hour / 4.0)
    return {
        "time": np.datetime64("2026-03-01T00:00", "us") + hour * np.timedelta64(1, "h"),
        "feed_temperature [degF]": 68.0 + 4.0 * swing,
        "feed_pressure [psi]": 172.0 - 3.0 * swing,
        "differential_pressure [psi]": 11.0 + 0.4 * swing,
        "permeate_pressure [psi]": np.full(48, 4.0),
        "permeate_flow [gpm]": 19.5 + 0.7 * swing,
        "feed_flow [gpm]": 26.5 + 0.9 * swing,
        "feed_tds [mg/L]": 920.0 + 15.0 * swing,
        "permeate_tds [mg/L]": 12.5 + 0.5 * swing,
    }


@pytest.fixture
def demo_folder(tmp_path: Path) -> Path:
    """demo-report/ with the demo's log and site files, as `make demo` leaves them."""
    folder = tmp_path / "demo-report"
    folder.mkdir()
    shutil.copyfile(bm.demo.log_path(), folder / "plant.csv")
    shutil.copyfile(bm.demo.site_path(), folder / "site.toml")
    shutil.copyfile(bm.demo.sizing_site_path(), folder / "laundry.toml")
    return folder


@pytest.fixture(scope="session")
def dossier() -> bm.Dossier:
    """The dossier of the bundled warranty case."""
    return made()


@pytest.fixture(scope="session")
def demo_log() -> bm.Log:
    """The bundled demo's log."""
    return bm.read_log(bm.demo.log_path())


@pytest.fixture(scope="session")
def demo_site() -> bm.Site:
    """The bundled demo's site."""
    return bm.Site.load(bm.demo.site_path())


@pytest.fixture(scope="session")
def demo_result(demo_log: bm.Log, demo_site: bm.Site) -> bm.Result:
    """The bundled demo, normalised."""
    return bm.normalise(demo_log, demo_site)
