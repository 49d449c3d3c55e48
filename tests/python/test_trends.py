"""What the membranes do, why and until when: in Python, on the screen, in pictures and on the page.

That the figures are right is for the core's own tests and `make study-trend`; here is what people get to see.
"""

from __future__ import annotations

import json
import math
import re
import sys
import unicodedata
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from matplotlib.colors import to_rgb
from matplotlib.figure import Figure

import brinemark as bm
from brinemark import _core
from brinemark.cli import main
from brinemark.cli_check import screen
from brinemark.page.membranes import membranes
from brinemark.trends import check_summary, summary
from brinemark.words import CAUTIONS

sys.path.insert(0, str(Path(__file__).parents[2] / "studies"))

from ageing import Ageing, simulate

LOG, SITE = str(bm.demo.log_path()), str(bm.demo.site_path())
QUANTITIES = ["water_permeability", "salt_permeability", "pressure_drop"]


@pytest.fixture(scope="module")
def trend(demo_result: bm.Result) -> bm.Trend:
    return bm.trend(demo_result)[0]


@pytest.fixture(scope="module")
def ahead(demo_result: bm.Result, trend: bm.Trend) -> bm.Forecast:
    return bm.forecast(demo_result, trend)


@pytest.fixture(scope="module")
def visits() -> Ageing:
    """Three readings at commissioning, then six a year, in pencil."""
    return simulate(11, "particulate", size="small", schedule="visits")


@pytest.fixture(scope="module")
def visited(visits: Ageing) -> bm.Result:
    return bm.normalise(visits.log(), visits.site)


def shortened(days: int) -> bm.Result:
    """The demo, ended after so many days: its baseline takes the first sixteen."""
    rows = bm.read_log(LOG).to_polars().head(4 * days)
    return bm.normalise(bm.read_log(rows), bm.Site.load(SITE))


def run(capsys: pytest.CaptureFixture[str], *arguments: str | Path) -> tuple[int, str, str]:
    status = main([str(argument) for argument in arguments])
    out, err = capsys.readouterr()
    return status, out, err


def finite(value: Any) -> bool:
    """Whether no figure of a JSON value is NaN or infinite."""
    if isinstance(value, dict):
        return all(map(finite, value.values()))
    if isinstance(value, list):
        return all(map(finite, value))
    return not isinstance(value, float) or math.isfinite(value)


def parsed(text: str) -> Any:
    # Python reads NaN and Infinity, which are no JSON.
    return json.loads(text, parse_constant=lambda word: pytest.fail(f"{word} is no JSON"))


def test_a_trend_has_level_rate_and_law(trend: bm.Trend) -> None:
    assert trend.quantities == QUANTITIES
    for name in QUANTITIES:
        found = trend.quantity(name)
        value, low, high = found.change
        assert len(value) == len(trend.time_us) == len(trend.point_changes(name))
        assert ((low <= value) & (value <= high)).all()
        for estimate in (found.now, found.rate_now, found.rate_over_year, found.temperature_constant):
            assert estimate.low <= estimate.value <= estimate.high
            assert estimate.level == trend.level == 0.90
        later = [found.forecast(years=years) for years in (0.0, 0.5, 1.0)]
        widths = [of.high - of.low for of in later]
        assert widths == sorted(widths)
        assert found.probability_below(found.now.value) == pytest.approx(0.5, abs=0.1)
    told = {change.told for change in trend.changes} - {None}
    events = bm.Site.load(SITE).events
    assert {events[place].kind for place in told if place is not None} == {"calibration", "cleaning"}


def test_who_only_looks_at_a_meter_makes_no_jump() -> None:
    days = ("2025-04-01", "2025-10-01", "2026-03-01")
    looked = 'as_found = "+1 % of reading"\nas_left = "+1 % of reading"\nuncertainty = "0.5 % of reading"\n'
    event = '[[event]]\ntime = "{}T08:00-07:00"\nkind = "calibration"\nof = "permeate_flow"\n'

    def told_of(more: str) -> set[str]:
        site = bm.Site.parse(bm.Site.load(SITE).text + "".join(event.format(day) + more for day in days))
        found = bm.trend(bm.normalise(bm.read_log(bm.demo.log_path()), site))[0]
        told = [change.told for change in found.changes if change.told is not None]
        return {site.events[place].time[:10] for place in told} & set(days)

    # Where readings begin and end to be corrected they jump; in between nothing was touched.
    assert told_of(looked) == {days[0], days[2]}
    # A calibration that tells nothing may have moved anything.
    assert told_of("") == set(days)


def test_cause_and_date_follow(demo_result: bm.Result, trend: bm.Trend, ahead: bm.Forecast) -> None:
    why = bm.diagnose(demo_result, trend)
    patterns = bm.cause_patterns()
    assert {ranked.cause for ranked in why.causes} == patterns.keys()
    assert all(ranked.pattern == patterns[ranked.cause] for ranked in why.causes)
    shares = [ranked.probability for ranked in why.causes]
    assert shares == sorted(shares, reverse=True)
    assert sum(shares) == pytest.approx(1.0)
    assert why.tells == (shares[0] >= 0.5)
    assert all(why.next_test)
    assert "accredited laboratory" in why.caution
    assert {name: change for name, (change, _) in ahead.cleaning.items()} == bm.TRIGGERS
    sooner = bm.forecast(demo_result, trend, triggers={"water_permeability": -0.01})
    assert sooner.cleaning["water_permeability"][1].reached > 0.99
    assert sooner.cleaning["pressure_drop"][0] == bm.TRIGGERS["pressure_drop"]
    needed = bm.forecast(demo_result, trend, demand="20 gpm", coldest_degc=4.0).cold_flow
    assert needed is not None
    assert needed.demand == pytest.approx(20.0)
    assert needed.date is not None
    assert needed.now.unit == "gpm"


def test_costs_are_told_where_prices_are(demo_result: bm.Result, trend: bm.Trend, ahead: bm.Forecast) -> None:
    assert ahead.plan is None
    prices = bm.Prices(energy_per_kwh=0.12, cleaning=1500.0, elements=6000.0)
    plan = bm.forecast(demo_result, trend, prices=prices).plan
    assert plan is not None
    costs = [cost for _, _, (cost, _, _) in plan.choices]
    assert costs == sorted(costs)
    # Energy at twice the price costs twice as much.
    double = bm.Prices(energy_per_kwh=0.24, cleaning=1500.0, elements=6000.0)
    dear = bm.forecast(demo_result, trend, prices=double).plan
    assert dear is not None
    assert dear.extra_per_year[0] == pytest.approx(2 * plan.extra_per_year[0])


def test_a_tracker_takes_in_later_days(demo_result: bm.Result) -> None:
    early = shortened(500)
    tracker = bm.Tracker(bm.trend(early, find_changes=False)[0])
    before = tracker.quantity("water_permeability").n
    taken = tracker.update(demo_result)
    assert taken > 0
    assert tracker.quantity("water_permeability").n == before + taken
    assert tracker.update(demo_result) == 0


def test_what_cannot_be_is_refused(demo_result: bm.Result, trend: bm.Trend) -> None:
    with pytest.raises(TypeError, match="salt_passage: not one of water_permeability"):
        bm.forecast(demo_result, trend, triggers={"salt_passage": 0.1})
    with pytest.raises(TypeError, match="not one of"):
        bm.check(demo_result, triggers={"flow": -0.1})
    for level in (0.2, 1.0, math.nan):
        with pytest.raises(bm.RangeError, match="level"):
            bm.trend(demo_result, level=level)
        with pytest.raises(bm.RangeError, match="level"):
            bm.check(demo_result, level=level)
    with pytest.raises(bm.RangeError):
        bm.forecast(demo_result, trend, triggers={"water_permeability": 0.1})
    with pytest.raises(bm.UnitError):
        bm.forecast(demo_result, trend, demand="20 psi")
    with pytest.raises(bm.RangeError):
        bm.forecast(demo_result, trend, coldest_degc=80.0)
    with pytest.raises(bm.RangeError):
        trend.quantity("water_permeability").forecast(years=30.0)
    with pytest.raises(bm.MissingColumnError, match="one of: water_permeability"):
        trend.quantity("flux")


def test_what_is_printed_can_be_read(demo_result: bm.Result, trend: bm.Trend, ahead: bm.Forecast) -> None:
    why, check = bm.diagnose(demo_result, trend), bm.check(demo_result)[0]
    shown = [
        *(trend, trend.quantity("pressure_drop"), trend.changes[0], trend.runs[0]),
        *(why, why.causes[0], ahead, ahead.cleaning["pressure_drop"][1], check),
    ]
    for each in shown:
        text = repr(each)
        assert text.startswith(f"{type(each).__name__}(")
        assert " object at 0x" not in text
    assert all(name in repr(trend) for name in QUANTITIES)
    assert why.sentence in repr(why)
    assert check.advice in repr(check)


def test_summaries_are_json(demo_result: bm.Result, trend: bm.Trend, visited: bm.Result) -> None:
    prices = bm.Prices(energy_per_kwh=0.12, cleaning=1500.0, elements=6000.0)
    for result in (demo_result, visited):
        of = bm.trend(result)[0]
        ahead = bm.forecast(result, of, prices=prices)
        found = parsed(json.dumps(summary(of, bm.diagnose(result, of), ahead)))
        assert finite(found)
        assert list(found["quantities"]) == of.quantities
        checked = parsed(json.dumps(check_summary(bm.check(result)[0])))
        assert finite(checked)
        assert checked["advice"] in ("leave alone", "watch", "act now", "cannot tell")


def test_cautions_are_those_of_the_core(demo_result: bm.Result, trend: bm.Trend) -> None:
    assert CAUTIONS == _core.CAUTIONS == bm.diagnose(demo_result, trend).caution


def test_six_visits_a_year_are_enough_for_a_trend(visits: Ageing, visited: bm.Result) -> None:
    assert len(visits.row_day) <= 25
    trend = bm.trend(visited)[0]
    assert len(trend.time_us) >= 15
    # So few readings are less sure than one a day, and say so.
    daily = simulate(11, "particulate", size="small", schedule="daily")
    surer = bm.trend(bm.normalise(daily.log(), daily.site))[0]
    few, many = (of.quantity("water_permeability").now for of in (trend, surer))
    assert few.high - few.low > many.high - many.low


def test_check_fits_one_screen(
    capsys: pytest.CaptureFixture[str], tmp_path: Path, visits: Ageing, visited: bm.Result
) -> None:
    log, site = tmp_path / "visits.csv", tmp_path / "site.toml"
    visits.log().write_csv(log)
    site.write_text(visits.site.text, encoding="utf-8")
    for arguments, result in (
        ((LOG, "--site", SITE), bm.normalise(bm.read_log(LOG), bm.Site.load(SITE))),
        ((log, "--site", site, "--demand", "0.1 m3/h"), visited),
    ):
        status, said, _ = run(capsys, "check", *arguments)
        assert status == 0
        lines = said.splitlines()
        assert len(lines) <= 24, said
        assert max(len(unicodedata.normalize("NFC", line)) for line in lines) <= 90, said
        assert result.site.name in lines[0]
        for words in ("Expected at", "You read", "cold water", "trigger", "accredited laboratory"):
            assert words in " ".join(said.split()), words
        assert all(name.replace("_", " ") in said for name in QUANTITIES)
        assert re.search(r"\b(degF|degC)\b", said) is None
        status, said, _ = run(capsys, "check", *arguments, "--json", "--level", "0.8")
        found = parsed(said)["checks"][0]
        assert status == 0
        assert finite(found)
        assert found["when_new"]["level"] == 0.8
        assert found["forecast"]["cleaning"].keys() == set(QUANTITIES)


def test_a_screen_stays_a_screen_whatever_is_known() -> None:
    """So few and so scattered readings that an interval spans many powers of ten."""
    for seed in (50, 51):
        made = simulate(seed, "sensor", size="small", schedule="visits")
        result = bm.normalise(made.log(), made.site, analyses=(*bm.ANALYSES, "membrane_model"))
        for rows in (None, 8, 12):
            if rows is not None:
                head = bm.read_log(made.log().to_polars().head(rows))
                result = bm.normalise(head, made.site, analyses=(*bm.ANALYSES, "membrane_model"))
            trend, check = bm.trend(result)[0], bm.check(result)[0]
            lines = screen(result, check, trend, bm.forecast(result, trend, demand="3 gpm"))
            assert len(lines) <= 24
            assert max(map(len, lines)) <= 90, lines


def test_check_judges_the_last_visit(capsys: pytest.CaptureFixture[str], tmp_path: Path) -> None:
    """A visit is a line at the end of the log: half the flow there is told, and doubted."""
    rows = Path(LOG).read_text(encoding="utf-8").splitlines()
    header = rows[0].split(",")
    last = dict(zip(header, rows[-1].split(","), strict=True))
    last["permeate_flow [gpm]"] = str(float(last["permeate_flow [gpm]"]) / 2)
    last["time"] = last["time"].replace("2026-05-01", "2026-05-04")
    log = tmp_path / "visit.csv"
    log.write_text("\n".join([*rows, ",".join(last.values())]) + "\n", encoding="utf-8")
    # The core as given, without the screening's opinion of such a reading.
    plain = bm.normalise(bm.read_log(log), bm.Site.load(SITE), screen=False)
    trend, check = bm.trend(plain)[0], bm.check(plain)[0]
    said = " ".join(" ".join(screen(plain, check, trend, bm.forecast(plain, trend))).split())
    assert check.time is not None
    assert check.time.startswith("2026-05-04")
    assert "2026-05-04" in said
    assert "does not fit" in said
    assert run(capsys, "check", log, "--site", SITE)[0] == 0


def test_triggers_are_those_asked_for(capsys: pytest.CaptureFixture[str]) -> None:
    status, said, _ = run(capsys, "check", LOG, "--site", SITE, "--json", "--trigger", "pressure_drop=400 %")
    assert status == 0
    found = parsed(said)["checks"][0]["quantities"]
    assert found["pressure_drop"]["trigger"] == pytest.approx(4.0)
    assert found["water_permeability"]["trigger"] == bm.TRIGGERS["water_permeability"]
    for asked, words in (("flow=-10", "one of water_permeability"), ("pressure_drop=much", "in per cent")):
        status, said, complaint = run(capsys, "check", LOG, "--site", SITE, "--trigger", asked)
        assert (status, said) == (1, "")
        assert words in complaint
    for arguments in (("--level", "0.1"), ("--demand", "30 psi"), ("--coldest-degc", "90")):
        assert run(capsys, "check", LOG, "--site", SITE, *arguments)[0] == 1


def test_trend_tells_the_course(capsys: pytest.CaptureFixture[str], tmp_path: Path) -> None:
    picture = tmp_path / "course.png"
    prices = ("--energy-price", "0.12", "--cleaning-price", "1500", "--elements-price", "6000")
    status, said, _ = run(capsys, "trend", LOG, "--site", SITE, "--plot", picture, *prices)
    assert status == 0
    assert picture.read_bytes().startswith(b"\x89PNG")
    for words in (
        *(name.replace("_", " ") for name in QUANTITIES),
        "Temperature constant",
        "What happened",
        "calibration (permeate conductivity meter",
        "Runs between cleanings",
        "Why",
        "When, if nothing is done",
        "Replacing",
        "accredited laboratory",
    ):
        assert words in said, words
    assert "nan" not in said.lower().split()
    status, said, _ = run(capsys, "trend", LOG, "--site", SITE, "--json", *prices)
    assert status == 0
    found = parsed(said)["trends"][0]
    assert finite(found)
    assert found["forecast"]["plan"]["choices"]
    assert run(capsys, "trend", LOG, "--site", SITE, "--energy-price", "0.12")[0] == 1
    assert run(capsys, "trend", LOG, "--site", SITE, "--plot", tmp_path / "course.docx")[0] == 1


def test_the_model_is_taken_where_the_site_tells_enough(
    capsys: pytest.CaptureFixture[str], tmp_path: Path
) -> None:
    bare = tmp_path / "site.toml"
    text = bm.demo.site_path().read_text(encoding="utf-8")
    bare.write_text(
        re.sub(r"^(length|feed_spacer_thickness) = .*\n", "", text, flags=re.MULTILINE), encoding="utf-8"
    )
    for site, column in ((SITE, "element_water_permeability"), (bare, "normalised_permeate_flow")):
        status, said, _ = run(capsys, "trend", LOG, "--site", site, "--json")
        assert status == 0
        assert parsed(said)["trends"][0]["quantities"]["water_permeability"]["column"] == column


def test_pictures_say_what_they_show(demo_result: bm.Result, trend: bm.Trend, ahead: bm.Forecast) -> None:
    for width in (8.4, 4.4):
        course = bm.plot.course(trend, forecast=ahead, width_inches=width)
        assert isinstance(course, Figure)
        labels = [axes.get_ylabel() for axes in course.axes]
        assert len(labels) == len(QUANTITIES)
        assert all("[% against new]" in label for label in labels)
        assert f"Time [{trend.zone}]" in course.axes[-1].get_xlabel()
        legend = {text.get_text() for text in course.legends[0].get_texts()}
        assert {"a day", "level of the membranes", "trigger", "if nothing happens", "as when new"} <= legend
        drawn = {text.get_text() for text in course.axes[0].texts}
        assert {"cleaning", "calibration"} <= drawn
        assert any(text.startswith("trigger −") for text in drawn)
        # What was told and what was found are told apart by the dash, not by colour alone.
        upright = [line for line in course.axes[0].lines if len(set(line.get_xdata())) == 1]  # type: ignore[arg-type]
        assert len({to_rgb(line.get_color()) for line in upright if line.get_linestyle() != "None"}) == 1
    why = bm.diagnose(demo_result, trend)
    causes = bm.plot.causes(why).axes[0]
    assert [label.get_text() for label in causes.get_yticklabels()] == [of.cause for of in why.causes]
    assert "[%]" in causes.get_xlabel()
    law = bm.plot.temperature_law(trend).axes[0]
    assert "[K]" in law.get_xlabel()
    assert "the site file's" in [label.get_text() for label in law.get_yticklabels()]


def test_a_log_too_short_says_so(capsys: pytest.CaptureFixture[str], tmp_path: Path) -> None:
    frame = bm.read_log(LOG).to_polars()
    site = bm.Site.load(SITE)
    kept = bm.baseline(bm.read_log(frame), site)
    two_days = bm.normalise(bm.read_log(frame.tail(3)), site, baseline=kept)
    with pytest.raises(bm.BaselineError):
        bm.trend(two_days)
    with pytest.raises(bm.BaselineError):
        bm.check(two_days)
    html = bm.report(two_days).html
    assert "too short to follow the membranes" in html
    four_days = bm.normalise(bm.read_log(frame.tail(16)), site, baseline=kept)
    trend = bm.trend(four_days)[0]
    with pytest.raises(bm.BaselineError, match="six days"):
        bm.diagnose(four_days, trend)
    assert membranes(four_days, 0.90)[0]["why"] is None
    check = bm.check(four_days)[0]
    assert check.diagnosis is None
    assert check_summary(check)["diagnosis"] is None
    baseline, log = tmp_path / "baseline.json", tmp_path / "log.csv"
    baseline.write_text(kept.to_json(), encoding="utf-8")
    bm.read_log(frame.tail(16)).write_csv(log)
    for command in ("check", "trend"):
        status, said, _ = run(capsys, command, log, "--site", SITE, "--baseline", baseline)
        assert status == 0
        assert "too few days with readings for a cause" in said.lower()
    # The kept baseline is two years older than these four days: new is what it says.
    later = trend.quantity("water_permeability").now
    whole = (
        bm.trend(bm.normalise(bm.read_log(bm.demo.log_path()), site))[0].quantity("water_permeability").now
    )
    assert later.value == pytest.approx(whole.value, abs=0.04)
    assert later.low < whole.value < later.high
    bm.read_log(frame.tail(3)).write_csv(log)
    for command in ("check", "trend"):
        status, said, complaint = run(capsys, command, log, "--site", SITE, "--baseline", baseline)
        assert (status, said) == (1, "")
        assert complaint.startswith("brinemark: ")


def test_each_train_has_its_own(capsys: pytest.CaptureFixture[str], tmp_path: Path) -> None:
    import polars as pl

    frame = bm.read_log(LOG).to_polars().head(400)
    both = pl.concat([frame.with_columns(pl.lit(name).alias("train")) for name in ("A", "B")])
    result = bm.normalise(bm.read_log(both), bm.Site.load(SITE))
    assert [of.train for of in bm.trend(result)] == [of.train for of in bm.check(result)] == ["A", "B"]
    sections = membranes(result, 0.90)
    assert [section["who"] for section in sections] == ["train A", "train B"]
    ids = re.findall(r'\bid="([^"]+)"', "".join(section["course"] for section in sections))
    assert len(ids) == len(set(ids))
    log, picture = tmp_path / "both.csv", tmp_path / "course.svg"
    bm.read_log(both).write_csv(log)
    status, said, _ = run(capsys, "check", log, "--site", SITE)
    assert status == 0
    assert "train A: visit of" in said
    assert "train B: visit of" in said
    status, said, _ = run(capsys, "trend", log, "--site", SITE, "--plot", picture, "--json")
    assert status == 0
    assert [Path(path).name for path in parsed(said)["plots"]] == ["course-1.svg", "course-2.svg"]
    assert np.all([Path(path).is_file() for path in parsed(said)["plots"]])
