"""The start-up record: what it finds on simulated start-ups whose truth is known, and what it keeps."""

from __future__ import annotations

import json
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from test_settings import SMALL

import brinemark as bm
from brinemark import cli
from brinemark.page.start_up import start_up_page

GPM = float(bm.convert(1.0, "gpm", "m3/h"))
PSI = float(bm.convert(1.0, "psi", "bar"))
HOURS = 48

# The unit of the settings' tests, with meters of its own for pressure drop and permeate quality.
SITE = SMALL.replace(
    "[instruments]\n",
    '[instruments]\nconcentrate_pressure = { accuracy = "0.5 psi", resolution = "0.1 psi" }\n'
    'permeate_conductivity = { accuracy = "2 % of reading" }\n',
).replace(
    'feed_pressure = { accuracy = "2 % of 200 psi", resolution = "5 psi" }',
    'feed_pressure = { accuracy = "0.5 psi", resolution = "0.1 psi" }',
)

# What each fault does to the membranes, the readings and their first hours.
FAULTS: dict[str, dict[str, Any]] = {
    "healthy": {},
    "permeate valve or line": {"permeate_pressure": 3.0},
    "other elements than thought": {"water": 0.65, "salt": 0.35},
    "elements of a looser kind": {"water": 1.45, "salt": 4.0},
    "O-ring or interconnector": {"leak": 0.03},
    "preservative not yet rinsed out": {"salt": 2.6, "rinses": 1.2},
    "membranes not yet wetted through": {"water": 0.68, "wets": 0.25},
    "something in the feed channel": {"friction": 2.2},
    "brine seal missing or reversed": {"bypass": 0.55},
}


def simulated(kind: str, seed: int) -> tuple[bm.Site, bm.Log]:
    """The first two days of a unit, an hour a reading, with instruments that are off within what the site
    file says.
    """
    random = np.random.default_rng(seed)
    fault, site = FAULTS[kind], bm.Site.parse(SITE)
    rated = bm.rated_membrane(site)
    hours = np.arange(HOURS + 1.0)
    drift = np.ones(hours.size)
    if "wets" in fault:
        drift = 1.0 - fault["wets"] * np.exp(-hours / 5.0)
    rinse = 1.0 + fault.get("rinses", 0.0) * np.exp(-hours / 5.0)
    water = rated.water_permeability * fault.get("water", 1.0) * (1 + random.uniform(-0.10, 0.10))
    salt = rated.salt_permeability * fault.get("salt", 1.0) * (1 + random.uniform(-0.3, 0.4))
    temperature = 14.0 + 2.0 * np.sin(2 * np.pi * hours / 24.0) + random.normal(0, 0.05, hours.size)
    tds = 500.0 * (1 + random.normal(0, 0.01, hours.size))
    around = 1.0 - fault.get("bypass", 0.0)
    made: dict[str, list[float]] = {"permeate_flow": [], "permeate_tds": [], "drop": [], "pressure": []}
    concentrate, recycle = 1.9 * GPM, 4.0 * GPM
    for at, hour in enumerate(hours):
        pressure = (132.0 + random.normal(0, 0.4)) * PSI
        found = bm.predict(
            site,
            bm.Membrane(
                water_permeability=water * drift[at],
                salt_permeability=salt * rinse[at],
                spacer_friction=fault.get("friction", 1.0),
            ),
            feed_temperature_degc=temperature[at],
            feed_tds_mg_l=tds[at],
            permeate_pressure_bar=fault.get("permeate_pressure", 3.0 * PSI),
            feed_pressure_bar=pressure,
            concentrate_flow_m3_h=concentrate,
            # What runs past the membranes does not run along them.
            recycle_flow_m3_h=recycle * around**2,
        )
        leak = fault.get("leak", 0.0)
        made["permeate_flow"].append(found["permeate_flow_m3_h"] * (1 + leak))
        made["permeate_tds"].append(found["permeate_tds_mg_l"] + leak * found["inlet_tds_mg_l"])
        made["drop"].append((pressure - found["concentrate_pressure_bar"]) * around)
        made["pressure"].append(pressure)
        assert hour == at
    off = {name: random.uniform(-1, 1) for name in ("flow", "drain", "conductivity", "feed", "one", "two")}

    def read(true: Any, limit: float, scatter: float) -> np.ndarray[Any, np.dtype[np.float64]]:
        return np.asarray(true) + limit + random.normal(0.0, scatter, hours.size)

    pressures = np.asarray(made["pressure"])
    readings = {
        "time": np.datetime64("2026-03-02T08:00") + (hours * 3600).astype("timedelta64[s]"),
        "feed_temperature [degC]": temperature,
        "feed_pressure [psi]": read(pressures / PSI, 0.4 * off["one"], 0.05),
        "concentrate_pressure [psi]": read(
            (pressures - np.asarray(made["drop"])) / PSI, 0.4 * off["two"], 0.05
        ),
        "permeate_flow [gpm]": read(np.asarray(made["permeate_flow"]) / GPM, 0.1 * off["flow"], 0.01),
        "concentrate_flow [gpm]": read(np.full(hours.size, 1.9), 0.1 * off["drain"], 0.01),
        "recycle_flow [gpm]": read(np.full(hours.size, 4.0), 0.2 * off["feed"], 0.02),
        "feed_conductivity [uS/cm]": tds / 0.5 * (1 + 0.02 * off["feed"]),
        "permeate_conductivity [uS/cm]": np.asarray(made["permeate_tds"])
        / 0.47
        * (1 + 0.02 * off["conductivity"]),
    }
    return site, bm.read_log(readings, tz="UTC")


@pytest.fixture(scope="module")
def healthy() -> tuple[bm.Site, bm.Log, bm.StartUp]:
    site, log = simulated("healthy", 11)
    return site, log, bm.start_up(log, site)


def test_healthy_start_ups_are_accepted() -> None:
    accepted = [
        bm.start_up(log, site).verdict.startswith("accept")
        for site, log in (simulated("healthy", seed) for seed in range(60))
    ]
    # 95 % are wanted; of 60, 54 are that by chance in 99 of 100 such tests.
    assert sum(accepted) >= 55, sum(accepted)


@pytest.mark.parametrize("kind", [kind for kind in FAULTS if kind != "healthy"])
def test_faults_are_seen_and_named(kind: str) -> None:
    seen = named = 0
    runs = 12
    for seed in range(runs):
        site, log = simulated(kind, 1000 + seed)
        group = bm.start_up(log, site).groups[0]
        seen += group.verdict == "do not accept yet"
        named += kind in [cause.name for cause in group.causes[:2]]
    assert seen >= runs - 2, (kind, seen)
    assert named >= runs - 3, (kind, named)


def test_the_baseline_is_of_the_settled_readings() -> None:
    site, log = simulated("membranes not yet wetted through", 3)
    group = bm.start_up(log, site).groups[0]
    # Wetting with a time constant of 5 h: a tenth of 25 % is left after 11 h.
    assert 5 <= group.settled_after_h <= 24
    assert group.flow_rose is True
    assert group.readings + group.readings_before == HOURS + 1
    flow = np.median(log["permeate_flow"][-group.readings :])
    shown = next(each for each in group.record if each.column == "permeate_flow")
    assert shown.value == pytest.approx(flow)
    assert shown.unit == "gpm"


def test_intervals_hold_the_truth() -> None:
    held: dict[str, list[bool]] = {"element_water_permeability": [], "element_salt_permeability": []}
    for seed in range(40):
        site, log = simulated("healthy", 500 + seed)
        random = np.random.default_rng(500 + seed)
        rated = bm.rated_membrane(site)
        truth = {
            "element_water_permeability": rated.water_permeability * (1 + random.uniform(-0.10, 0.10)),
            "element_salt_permeability": rated.salt_permeability * (1 + random.uniform(-0.3, 0.4)),
        }
        figures = bm.start_up(log, site, level=0.9).groups[0].figures
        for name, true in truth.items():
            held[name].append(figures[name].low <= true <= figures[name].high)
    # The meters here are off evenly, the law not at all: nine of ten at least.
    for name, each in held.items():
        assert np.mean(each) >= 0.85, (name, np.mean(each))


def test_a_record_is_a_baseline(healthy: tuple[bm.Site, bm.Log, bm.StartUp], tmp_path: Path) -> None:
    site, log, record = healthy
    again = bm.StartUp.from_json(record.to_json())
    assert again == record
    assert again.sentence == record.sentence
    kept = bm.Baseline.from_json(record.to_json())
    result = bm.normalise(log, site, baseline=kept)
    group = record.groups[0]
    assert np.nanmedian(result["normalised_permeate_flow"][-group.readings :]) == pytest.approx(
        group.figures["normalised_permeate_flow"].value
    )
    path = record.save(tmp_path / "start-up.json")
    with pytest.raises(FileExistsError):
        record.save(path)
    other = bm.Site.parse(SITE.replace("2700 K", "2500 K"))
    with pytest.raises(bm.MethodError):
        bm.normalise(log, other, baseline=record.baseline)
    found = bm.settings(site, feed_temperature_degc=10.0, feed_tds_mg_l=500.0, membrane=record.membrane)
    assert "rated_permeate_flow_tolerance" not in " ".join(found.taken_as_exact)


def test_refusals_say_what_would_be_right(healthy: tuple[bm.Site, bm.Log, bm.StartUp]) -> None:
    site, log, record = healthy
    with pytest.raises(bm.RangeError, match="hours"):
        bm.start_up(log, site, hours=0.1)
    with pytest.raises(bm.RangeError, match="level"):
        bm.start_up(log, site, level=2.0)
    with pytest.raises(bm.BaselineError, match="a time with its offset"):
        bm.start_up(log, site, start="2026-03-02T08:00")
    with pytest.raises(bm.BaselineError, match="usable readings"):
        bm.start_up(log, site, hours=2.0)
    for text in ("{}", "not json", record.to_json().replace('"form": 1', '"form": 99')):
        with pytest.raises(bm.BaselineError, match="start-up record"):
            bm.StartUp.from_json(text)


def test_a_unit_that_still_moves_is_refused() -> None:
    random = np.random.default_rng(4)
    site, log = simulated("healthy", 8)
    table: dict[str, Any] = {f"{name} [{log.units[name]}]": log[name] for name in log.columns}
    table["time"] = log.time()
    # A quarter of the flow goes, evenly, to the last hour.
    table["permeate_flow [gpm]"] = (
        table["permeate_flow [gpm]"]
        * np.linspace(1.0, 0.75, HOURS + 1)
        * (1 + random.normal(0, 0.001, HOURS + 1))
    )
    with pytest.raises(bm.BaselineError, match="permeate flow still moves"):
        bm.start_up(bm.read_log(table, tz="UTC"), site)


def test_without_a_rating_nothing_is_expected() -> None:
    _, log = simulated("healthy", 8)
    plain = SITE.replace('rated_permeate_flow = "2400 gpd"\n', "")
    group = bm.start_up(log, bm.Site.parse(plain)).groups[0]
    assert group.verdict == "cannot tell"
    assert group.missing == ("[element] rated_permeate_flow",)
    no_tolerance = SITE.replace('rated_permeate_flow_tolerance = "15 %"\n', "")
    _, poor = simulated("other elements than thought", 8)
    group = bm.start_up(poor, bm.Site.parse(no_tolerance)).groups[0]
    assert group.verdict == "cannot tell"
    assert "rated_permeate_flow_tolerance" in group.sentence


def test_the_command_keeps_a_record_and_a_page(
    healthy: tuple[bm.Site, bm.Log, bm.StartUp], tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    site, log, record = healthy
    (tmp_path / "site.toml").write_text(SITE, encoding="utf-8")
    lines = [",".join(["time", *(f"{name} [{log.units[name]}]" for name in log.columns)])]
    for at, time in enumerate(log.time()):
        lines.append(
            ",".join(
                [
                    f"{time}Z",
                    *(f"{log[name][at]!r}".removeprefix("np.float64(").rstrip(")") for name in log.columns),
                ]
            )
        )
    (tmp_path / "log.csv").write_text("\n".join(lines) + "\n", encoding="utf-8")
    call = ["start-up", str(tmp_path / "log.csv"), "--site", str(tmp_path / "site.toml")]
    kept = tmp_path / "start-up.json"
    assert cli.main([*call, "--out", str(kept), "--page", str(tmp_path / "page.html")]) == 0
    said = capsys.readouterr().out
    assert "ACCEPT" in said
    assert max(map(len, said.splitlines())) <= 90, said
    assert len(said.splitlines()) <= 26, said
    page = (tmp_path / "page.html").read_text(encoding="utf-8")
    for text in ("The record", "Like for like", "lock out", "<svg"):
        assert text in page
    assert page.count("<svg") == start_up_page(record, log, site).count("<svg")
    assert cli.main([*call, "--out", str(kept)]) == 1
    assert "made once" in capsys.readouterr().err
    assert cli.main([*call, "--json"]) == 0
    assert json.loads(capsys.readouterr().out)["record"] == "brinemark start-up record"
    normalise = ["normalise", *call[1:], "--baseline", str(kept), "--out", str(tmp_path / "table.csv")]
    assert cli.main(normalise) == 0
