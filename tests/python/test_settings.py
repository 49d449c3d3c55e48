"""What to set on a day, as Python sees it."""

from __future__ import annotations

import dataclasses
import json
import math
import sys
from pathlib import Path

import numpy as np
import pytest
from matplotlib.figure import Figure

import brinemark as bm
from brinemark import cli, setting_words
from brinemark.page.settings import settings_page

SMALL = """
[site]
name = "Small unit"
[element]
area = "85 ft2"
length = "40 in"
feed_spacer_thickness = "31 mil"
rated_permeate_flow = "2400 gpd"
rated_permeate_flow_tolerance = "15 %"
rated_rejection = "99.5 %"
rated_rejection_minimum = "99.2 %"
test_pressure = "225 psi"
test_temperature = "77 degF"
test_feed_tds = "2000 mg/L"
test_recovery = "15 %"
[element.limits]
flux = "24 gfd"
recovery = "15 %"
differential_pressure = "10 psi"
feed_flow = "16 gpm"
concentrate_flow = "3 gpm"
[[stage]]
vessels = 1
elements_per_vessel = 3
[recycle]
returns_to = "feed"
[temperature]
law = "arrhenius"
constant = "2700 K"
accuracy = "400 K"
[salinity]
basis = "sodium-chloride"
[salinity.tds_per_conductivity]
feed = 0.5
permeate = 0.47
accuracy = "3 %"
[water]
ph = 7.5
alkalinity = "220 mg/L"
calcium = "90 mg/L"
silica = "22 mg/L"
tds = "500 mg/L"
[scaling]
limits = "antiscalant"
[reference]
kind = "baseline"
[assume]
permeate_pressure = "3 psi"
[instruments]
feed_pressure = { accuracy = "2 % of 200 psi", resolution = "5 psi" }
permeate_flow = { accuracy = "3 % of 5 gpm", resolution = "0.1 gpm" }
concentrate_flow = { accuracy = "3 % of 5 gpm", resolution = "0.1 gpm" }
recycle_flow = { accuracy = "3 % of 10 gpm", resolution = "0.25 gpm" }
feed_temperature = { accuracy = "1 degF" }
feed_conductivity = { accuracy = "2 % of reading" }
[settings]
permeate_flow = "2.8 gpm"
recovery = "60 %"
[limits]
feed_pressure = { high = "150 psi" }
differential_pressure = { high = "25 psi" }
recovery = { high = "75 %" }
feed_temperature = { low = "35 degF", high = "100 degF" }
"""


@pytest.fixture(scope="module")
def site() -> bm.Site:
    return bm.Site.parse(SMALL)


@pytest.fixture(scope="module")
def found(site: bm.Site) -> bm.Settings:
    return bm.settings(site, feed_temperature_degc=8.0, feed_conductivity_us_cm=1000.0)


def test_what_is_set_stands_on_marks_and_is_told_in_the_sites_units(found: bm.Settings) -> None:
    assert (found.feed_pressure.unit, found.concentrate_flow.unit) == ("psi", "gpm")
    for gauge in (found.feed_pressure, found.concentrate_flow, found.recycle_flow):
        assert gauge is not None
        assert gauge.resolution is not None
        steps = gauge.value / gauge.resolution
        assert steps == pytest.approx(round(steps), abs=1e-9)
    # Never above the limit, as far as the gauge may be off.
    assert found.feed_pressure.off_by is not None
    assert found.feed_pressure.value + found.feed_pressure.off_by <= 150.0
    assert found.figure("feed_tds").value == pytest.approx(500.0)
    assert found.figure("feed_conductivity").value == pytest.approx(1000.0)
    flow = found.permeate_flow
    assert flow.unit == "gpm"
    assert flow.low < flow.value < flow.high
    assert found.alarm.at.value == pytest.approx(1.5 * found.permeate_quality.value)


def test_the_forward_model_agrees(site: bm.Site, found: bm.Settings) -> None:
    def canonical(gauge: bm.GaugeSetting | None, unit: str) -> float:
        assert gauge is not None
        return float(bm.convert(gauge.value, gauge.unit, unit))

    made = bm.predict(
        site,
        bm.rated_membrane(site),
        feed_temperature_degc=8.0,
        feed_tds_mg_l=500.0,
        permeate_pressure_bar=bm.convert(3.0, "psi", "bar"),
        feed_pressure_bar=canonical(found.feed_pressure, "bar"),
        concentrate_flow_m3_h=canonical(found.concentrate_flow, "m3/h"),
        recycle_flow_m3_h=canonical(found.recycle_flow, "m3/h"),
    )
    assert bm.convert(made["permeate_flow_m3_h"], "m3/h", "gpm") == pytest.approx(found.permeate_flow.value)
    assert made["recovery"] == pytest.approx(found.recovery)
    assert made["permeate_tds_mg_l"] / 0.47 == pytest.approx(found.permeate_quality.value)
    assert len(found.elements) == 3


def test_what_is_wanted_and_why_it_is_not_had(site: bm.Site) -> None:
    cold = bm.settings(site, feed_temperature_degc=4.0, feed_tds_mg_l=500.0)
    assert "feed pressure" in cold.stops_flow
    assert "for the limit of feed pressure" in cold.sentence
    greedy = bm.settings(site, feed_temperature_degc=20.0, feed_tds_mg_l=500.0, recovery=0.9)
    assert greedy.stops_recovery
    assert greedy.recovery < 0.75
    assert greedy.scaling is not None
    assert "calcium carbonate binds" in greedy.scaling["sentence"]
    assert any("calcium carbonate" in word for word in greedy.stops_recovery)
    at_pressure = bm.settings(site, feed_temperature_degc=20.0, feed_tds_mg_l=500.0, feed_pressure_bar=7.0)
    assert at_pressure.wanted_permeate_flow is None
    assert bm.convert(at_pressure.feed_pressure.value, "psi", "bar") == pytest.approx(7.0, abs=0.18)


def test_faults_name_what_is_missing(site: bm.Site) -> None:
    with pytest.raises(bm.SiteError, match="feed_tds"):
        bm.settings(site, feed_temperature_degc=8.0)
    with pytest.raises(bm.RangeError, match="feed_temperature"):
        bm.settings(site, feed_temperature_degc=80.0, feed_tds_mg_l=500.0)
    with pytest.raises(bm.RangeError, match="recovery"):
        bm.settings(site, feed_temperature_degc=8.0, feed_tds_mg_l=500.0, recovery=60.0)
    with pytest.raises(bm.RangeError, match="level"):
        bm.settings(site, feed_temperature_degc=8.0, feed_tds_mg_l=500.0, level=1.0)
    with pytest.raises(TypeError):
        bm.settings(site, feed_temperature_degc=8.0, feed_tds=500.0)  # type: ignore[call-arg]
    rigid = bm.Site.parse(SMALL.replace('feed_flow = "16 gpm"', 'feed_flow = "2 gpm"'))
    with pytest.raises(bm.SettingsError, match="no setting keeps all limits"):
        bm.settings(rigid, feed_temperature_degc=8.0, feed_tds_mg_l=500.0)
    by_tds = bm.Site.parse(SMALL.replace("feed = 0.5\n", ""))
    with pytest.raises(bm.SiteError, match="tds_per_conductivity"):
        bm.settings(by_tds, feed_temperature_degc=8.0, feed_conductivity_us_cm=1000.0)


def test_a_days_own_analysis_stands_in_place_of_the_files(site: bm.Site) -> None:
    soft = bm.Water(temperature_degc=8.0, ph=7.0, ions={"calcium": 4.0}, alkalinity_mg_l=40.0, tds_mg_l=500.0)
    found = bm.settings(site, feed_temperature_degc=8.0, feed_tds_mg_l=500.0, recovery=0.74, water=soft)
    assert found.scaling is not None
    assert not any("silica" in word for word in found.stops_recovery)


def test_settings_are_plain_and_frozen(found: bm.Settings) -> None:
    json.dumps(found.to_dict(), allow_nan=False)
    assert "\n" not in repr(found)
    assert repr(found).startswith("Settings(At ")
    with pytest.raises(dataclasses.FrozenInstanceError):
        found.recovery = 0.5  # type: ignore[misc]
    with pytest.raises(KeyError):
        found.figure("permeate_temperature")


def test_the_steps_never_ask_for_more_than_the_limit(found: bm.Settings) -> None:
    steps = " ".join(found.steps)
    for text in (
        setting_words.mark(found.feed_pressure),
        "Never above 150 psi",
        "drain",
        "Write everything down",
    ):
        assert text in steps
    assert "drink" not in steps


def test_the_map_agrees_with_predict_and_limits(site: bm.Site) -> None:
    temperatures, salts = np.array([5.0, 15.0, 30.0]), [200.0, 500.0, 1500.0]
    recoveries = np.linspace(0.2, 0.85, 14)
    found = bm.settings_map(
        site,
        temperatures_degc=temperatures,
        feed_tds_mg_l=salts,
        recoveries=recoveries,
        recycle_flow_m3_h=1.0,
    )
    assert found.allowed.shape == (3, 3, 14)
    assert 0 < found.allowed.mean() < 1
    wanted = bm.convert(2.8, "gpm", "m3/h")
    made = bm.predict(
        site,
        bm.rated_membrane(site),
        feed_temperature_degc=temperatures[:, None, None],
        feed_tds_mg_l=np.array(salts)[None, :, None],
        permeate_pressure_bar=bm.convert(3.0, "psi", "bar"),
        permeate_flow_m3_h=wanted,
        recovery=recoveries[None, None, :],
        recycle_flow_m3_h=1.0,
        pressure_limit_bar=bm.convert(150.0, "psi", "bar"),
    )
    np.testing.assert_allclose(found.permeate_flow_m3_h, made["permeate_flow_m3_h"], rtol=1e-9)
    np.testing.assert_array_equal(found.stopped_by_pressure, made["stopped_by_limit"] == 1)
    assert not found.allowed[:, :, recoveries > 0.75 + 1e-9].any()
    # Saltier feed scales sooner.
    highest = [recoveries[found.allowed[1, at]].max() for at in range(3)]
    assert highest[0] >= highest[2]
    assert isinstance(bm.plot.settings_map(found), Figure)
    assert isinstance(bm.plot.settings_map(found, width_inches=4.0), Figure)
    with pytest.raises(ValueError, match="each a row"):
        bm.settings_map(site, temperatures_degc=[], feed_tds_mg_l=salts, recoveries=recoveries)


def test_saturation_is_drawn_against_its_limit(site: bm.Site) -> None:
    water = site.water(temperature_degc=12.0)
    assert water is not None
    figure = bm.plot.saturation(site, water, recovery=0.6)
    texts = [text.get_text() for text in figure.axes[0].texts]
    binding = site.recovery_limits(water).binding
    assert binding is not None
    assert texts == [f"{binding.scale} binds at {100 * binding.recovery:.1f} %"]


def test_the_sheet_holds_settings_steps_and_cautions(site: bm.Site, found: bm.Settings) -> None:
    page = settings_page(found, site)
    for text in ("140 psi", "In this order", "Write down", "permeate conductivity", "lock out", "accredited"):
        assert text in page, text
    assert "http" not in page.replace("http-equiv", "")
    assert "<script" not in page


def test_the_command(site: bm.Site, tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    path = tmp_path / "site.toml"
    path.write_text(SMALL, encoding="utf-8")
    call = ["settings", "--site", str(path), "--temperature", "46 degF", "--tds", "500 mg/L"]
    assert cli.main(call) == 0
    said = capsys.readouterr().out
    lines = said.splitlines()
    assert max(map(len, lines)) <= 90, said
    assert len(lines) <= 42, said
    assert "140 psi" in said
    assert "manuals" in said
    sheet, drawn = tmp_path / "sheet.html", tmp_path / "map.png"
    assert cli.main([*call, "--json", "--out", str(sheet), "--map", str(drawn)]) == 0
    told = json.loads(capsys.readouterr().out)
    assert told["feed_pressure"]["value"] == 140.0
    assert told["cautions"]
    assert sheet.read_text(encoding="utf-8").startswith("<!doctype html>")
    assert drawn.stat().st_size > 10_000
    for more, message in (
        (["--recovery", "sixty"], "a figure with its unit"),
        (["--pressure", "140"], "no unit"),
        (["--flow", "3 psi"], "a unit of"),
    ):
        assert cli.main([*call, *more]) == 1
        assert message in capsys.readouterr().err


def test_the_command_scaling(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    path = tmp_path / "site.toml"
    path.write_text(SMALL, encoding="utf-8")
    assert cli.main(["scaling", "--site", str(path), "--temperature", "46 degF"]) == 0
    said = capsys.readouterr().out
    assert len(said.splitlines()) <= 30, said
    assert max(map(len, said.splitlines())) <= 100, said
    assert "silica binds" in said.lower()
    assert "sulfate not analysed" in said
    assert "38 °C" in said
    assert cli.main(["scaling", "--site", str(path), "--recovery", "75%", "--json"]) == 0
    told = json.loads(capsys.readouterr().out)
    scales = {each["scale"]: each for each in told["saturation"]["scales"]}
    assert scales["calcium sulfate"]["standard_index"] is None
    assert math.isclose(told["saturation"]["recovery"], 0.75)
    path.write_text(SMALL.replace("[water]\n", '[water]\nhardness = "9 mg/L"\n'), encoding="utf-8")
    assert cli.main(["scaling", "--site", str(path)]) == 1
    assert "[water] hardness" in capsys.readouterr().err
    path.write_text(SMALL[: SMALL.index("[water]")] + SMALL[SMALL.index("[reference]") :], encoding="utf-8")
    assert cli.main(["scaling", "--site", str(path)]) == 1
    assert "no [water]" in capsys.readouterr().err


def test_gauges_that_are_off_break_no_limit(
    monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    """The study of random sites, on seeds of its own: 99 % of settings hold, expected figures hold the
    truth.
    """
    monkeypatch.syspath_prepend(str(Path(__file__).parents[2] / "studies"))
    import settings as study

    monkeypatch.setattr(sys, "argv", ["settings", "--sites", "200", "--seed", "5000", "--draws", "20"])
    assert study.main() == 0
    said = capsys.readouterr().out
    assert "Not met: nothing" in said, said
