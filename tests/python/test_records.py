"""What is due, meters, blank sheets, and how far a log falls short."""

from __future__ import annotations

import datetime
import json
import re
import subprocess
import sys
from html.parser import HTMLParser
from pathlib import Path

import pytest

import brinemark as bm
from brinemark.cli import main

LOG, SITE = str(bm.demo.log_path()), str(bm.demo.site_path())

SERVICE = """
[[service]]
what = "calibration"
of = "permeate_flow"
every = "3 months"
last = "2025-11-30"
note = "against the tank"
[[service]]
what = "lamp"
every = "1 year"
"""


def run(capsys: pytest.CaptureFixture[str], *arguments: str | Path) -> tuple[int, str, str]:
    status = main([str(argument) for argument in arguments])
    out, err = capsys.readouterr()
    return status, out, err


@pytest.fixture
def site() -> bm.Site:
    return bm.Site.parse(bm.demo.site_path().read_text(encoding="utf-8") + SERVICE)


@pytest.fixture
def two_stages() -> bm.Site:
    text = re.sub(
        r"\[\[stage\]\].*?(?=\n\[)",
        "[[stage]]\nvessels = 4\nelements_per_vessel = 6\n[[stage]]\nvessels = 2\nelements_per_vessel = 6\n",
        bm.demo.site_path().read_text(encoding="utf-8"),
        count=1,
        flags=re.DOTALL,
    )
    assert bm.Site.parse(text).stages == 2
    return bm.Site.parse(text + SERVICE)


# --- what is due ---------------------------------------------------------------------------------------


def test_due_takes_dates_as_people_have_them(site: bm.Site) -> None:
    found = bm.due(site, on="2026-03-07")
    assert [(each.what, each.of, each.next, each.overdue_days) for each in found[:2]] == [
        ("lamp", "", None, None),
        ("calibration", "permeate_flow", "2026-02-28", 7),
    ]
    assert found[0].never_done
    assert found[2].every is None
    assert found[2].due_in_days is None
    again = bm.due(site, on=datetime.date(2026, 3, 7))
    assert [each.sentence for each in again] == [each.sentence for each in found]
    for wrong in ("7 March", 7, "2026-02-30"):
        with pytest.raises(bm.SiteError, match="not a date"):
            bm.due(site, on=wrong)  # type: ignore[arg-type]
    with pytest.raises(TypeError):
        bm.due(site, "2026-03-07")  # type: ignore[call-arg]


def test_the_command_due(capsys: pytest.CaptureFixture[str], tmp_path: Path, site: bm.Site) -> None:
    path = tmp_path / "site.toml"
    path.write_text(site.text, encoding="utf-8")
    status, said, _ = run(capsys, "due", "--site", path, "--on", "2026-03-07")
    assert status == 0
    assert "calibration of permeate_flow: 7 days overdue since 2026-02-28" in said
    assert "(against the tank)" in said
    assert "licensed practice" in said
    status, said, _ = run(capsys, "due", "--site", path, "--on", "2026-03-07", "--json")
    found = json.loads(said)["due"]
    assert found[1]["overdue_days"] == 7
    status, _, said = run(capsys, "due", "--site", path, "--on", "tomorrow")
    assert status == 1
    assert "on, 'tomorrow': not a date; write it as 2026-11-26" in said


# --- meters --------------------------------------------------------------------------------------------


def test_a_meter_in_the_published_standard() -> None:
    # 0.01 mol/kg at 20 degC: 1273.03 uS/cm (CRC Handbook; see tests/published/potassium-chloride.toml).
    check = bm.check_meter(
        1.2858, "mS/cm", solution="KCl 0.01 mol/kg", temperature_degc=20.0, compensated=False
    )
    assert check.expected == pytest.approx(1.27303, rel=1e-12)
    assert check.off == pytest.approx(1.2858 / 1.27303 - 1)
    assert (check.verdict, check.allowed, check.drift) == ("no accuracy given", None, None)
    assert dict(check.sources)["the standard"] == pytest.approx(0.0004)
    assert check.off_u == pytest.approx(check.factor * sum(u * u for _, u in check.sources) ** 0.5)


def test_a_meter_is_refused_what_it_can_not_be() -> None:
    settings = {"solution": "1413 uS/cm", "temperature_degc": 25.0, "compensated": True}
    with pytest.raises(bm.SiteError, match="accuracy, '2 %': not an accuracy"):
        bm.check_meter(1400.0, "uS/cm", **settings, accuracy="2 %")  # type: ignore[arg-type]
    with pytest.raises(bm.UnitError, match="unit not known"):
        bm.check_meter(1400.0, "Siemens", **settings)  # type: ignore[arg-type]
    with pytest.raises(bm.RangeError, match="0 to 50 degC"):
        bm.check_meter(1400.0, "uS/cm", **{**settings, "temperature_degc": 60.0})  # type: ignore[arg-type]
    with pytest.raises(TypeError):
        bm.check_meter(1400.0, "uS/cm", **settings, acuracy="2 % of reading")  # type: ignore[call-arg,arg-type]


def test_the_command_meter(capsys: pytest.CaptureFixture[str]) -> None:
    call = ("meter", "1465", "uS/cm", "--solution", "KCl 0.01 mol/kg", "--compensated", "yes")
    status, said, _ = run(
        capsys, *call, "--temperature", "77 degF", "--accuracy", "2 % of reading", "--previous=-0.01"
    )
    assert status == 0
    assert "+4.03 %" in said
    assert "outside its accuracy of ±2.00 %, at a level of 95 %" in said
    assert "moved by +5.03 %" in said
    assert "as its manual says" in said
    assert "licensed practice" in said
    status, said, _ = run(capsys, *call, "--temperature", "25 degC", "--json")
    found = json.loads(said)
    assert found["verdict"] == "no accuracy given"
    assert found["factor"] == pytest.approx(1465 / 1408.23)
    for temperature, message in (("77", "no unit"), ("warm", "write it as"), ("25 psi", "a unit of")):
        status, _, said = run(capsys, *call, "--temperature", temperature)
        assert status == 1
        assert message in said


# --- blank sheets --------------------------------------------------------------------------------------


class _Page(HTMLParser):
    """Tags in balance, links, and the text of a page."""

    VOID = ("meta", "br")

    def __init__(self, html: str) -> None:
        super().__init__()
        self.open: list[str] = []
        self.links: list[str] = []
        self.text = ""
        self.feed(html)
        self.close()

    def handle_starttag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        if tag not in self.VOID:
            self.open.append(tag)
        self.links += [value or "" for name, value in attrs if name in ("src", "href", "action", "data")]

    def handle_endtag(self, tag: str) -> None:
        assert self.open.pop() == tag

    def handle_data(self, data: str) -> None:
        if "style" not in self.open:
            self.text += data


def test_the_page_is_whole_in_itself(site: bm.Site, two_stages: bm.Site) -> None:
    for each in (site, two_stages, bm.Site.parse(bm.Site.template())):
        for paper in ("A4", "Letter"):
            html = bm.sheet(each, on="2026-11-26", paper=paper).html
            page = _Page(html)
            assert not page.open
            assert not page.links
            for outside in ("<script", "@import", "url(", "http", "<img", "<link"):
                assert outside not in html
            assert f"size: {paper};" in html
            assert each.name in page.text
    with pytest.raises(ValueError, match="one of A4, Letter"):
        bm.sheet(site, on="2026-11-26", paper="A5")  # type: ignore[arg-type]


def test_the_page_has_every_box(two_stages: bm.Site) -> None:
    html = bm.sheet(two_stages, on="2026-11-26").html
    text = _Page(html).text
    for column in bm.site_columns(two_stages):
        if column.name != "running":
            assert column.what in text
            assert (column.unit or "–") in text
    # What the standard asks for and is no column of a log.
    for asked in bm.record_requirements():
        words = re.split(r"[:,]", asked.quantity)[0]
        if not asked.columns and asked.section in ("pretreatment", "readings of the unit"):
            assert words.lower() in text.lower(), words
    for words in (
        "Date", "Time zone", "Who", "Hours run", "stage 2", "± 2 psi", "to 200", "34 to 95", "2025-11-30",
        "Cleaning", "serial number", "Start-up report", "accredited laboratory", "licensed", "Notes",
        "calibration of permeate_flow: 271 days overdue", "against the tank", "vessel 2.2",
    ):  # fmt: skip
        assert words in text, words
    assert re.search(r"\bis safe\b", text) is None
    # A box a stage for each reading; temperature is of the feed alone.
    readings = html[html.index('class="readings"') : html.index("Pretreatment")]
    rows = re.findall(r"<tr><td class=\"name\">.*?</tr>", readings, flags=re.DOTALL)
    boxes = [row.count('class="write"') for row in rows]
    assert boxes[0] == 1
    assert set(boxes[1:]) == {2}


def test_many_vessels_get_a_list_of_their_own() -> None:
    text = bm.Site.template().replace("vessels = 2 ", "vessels = 90000 ")
    html = bm.sheet(bm.Site.parse(text), on="2026-11-26").html
    assert len(html) < 40_000
    assert "270000 elements: on a list of its own" in html


def test_a_hostile_name_stays_text(site: bm.Site) -> None:
    hostile = "<script>alert(1)</script>"
    text = re.sub(r'name = "Quill[^"]*"', f"name = '{hostile}'", site.text, count=1)
    html = bm.sheet(bm.Site.parse(text), on="2026-11-26").html
    assert "<script" not in html
    assert "&lt;script&gt;" in html


def test_the_blank_log_is_a_log(site: bm.Site, two_stages: bm.Site, tmp_path: Path) -> None:
    demo = bm.read_log(LOG)
    for each, has_stages in ((site, False), (two_stages, True)):
        sheet = bm.sheet(each, on="2026-11-26")
        known = {"time": "2026-03-01T08:15Z", "stage": "1", "running": "true"}
        for text in (sheet.log_csv, sheet.visits_csv):
            assert text.count("\n") == 1
            header = text.strip().split(",")
            row = [known.get(name, "7" if "[" in name else "words") for name in header]
            path = tmp_path / "log.csv"
            path.write_text(text + ",".join(row) + "\n", encoding="utf-8")
            log = bm.read_log(path)
            assert len(log) == 1
            assert log.columns == demo.columns
            assert log.units == demo.units
            assert ("stage" in header) == has_stages
        left_out = log.left_out
        assert left_out[0] == "who"
        assert left_out[-1] == "notes"
        assert "free_chlorine [mg/L]" in left_out


def test_the_command_sheet_writes_over_no_log(capsys: pytest.CaptureFixture[str], tmp_path: Path) -> None:
    out = tmp_path / "deep" / "sheets"
    call = ("sheet", "--site", SITE, "--out", out, "--on", "2026-11-26")
    status, said, _ = run(capsys, *call)
    assert status == 0
    assert {path.name for path in out.iterdir()} == {"log.csv", "visit.html"}
    (out / "log.csv").write_text("readings", encoding="utf-8")
    status, _, said = run(capsys, *call)
    assert status == 1
    assert "is there already and may hold readings" in said
    assert (out / "log.csv").read_text(encoding="utf-8") == "readings"
    other = tmp_path / "other"
    status, said, _ = run(
        capsys, "sheet", "--site", SITE, "--out", other, "--visits", "--paper", "Letter", "--json"
    )
    assert status == 0
    assert [Path(path).name for path in json.loads(said)["files"]] == ["log.csv", "visits.csv", "visit.html"]
    assert "size: Letter" in (other / "visit.html").read_text(encoding="utf-8")


# --- the record ----------------------------------------------------------------------------------------


def test_the_demo_falls_short_where_it_was_made_to() -> None:
    log, site = bm.read_log(LOG), bm.Site.load(SITE)
    found = bm.completeness(log, site)
    by_name = {asked.quantity: asked for asked in found.requirements}
    assert found.refusals == []
    assert "more than half" in found.assumed
    back = by_name["permeate pressure"]
    assert (back.verdict, back.share, back.refused) == ("missing", 0.0, [])
    assert "5 psi (site file) stands for it in every row" in back.cost
    flow = by_name["permeate flow"]
    assert flow.verdict == "partly"
    assert flow.share is not None
    assert 0.99 < flow.share < 1
    # The rows that the record says are set aside for want of it are those that are.
    values = log["permeate_flow"]
    running = log["running"] != 0
    lacking = int(((values != values) & running).sum())
    assert f"{lacking} of {int(running.sum())} rows" in flow.cost
    assert lacking > 0
    assert by_name["free chlorine ahead of the membranes"].verdict == "cannot be judged"
    sources = {asked.source for asked in found.requirements}
    assert sources == {
        "ASTM D4472, as restated by others; not seen first-hand",
        "ASTM D4472, from memory",
    }


@pytest.mark.parametrize(
    ("column", "quantity"),
    [
        ("feed_temperature", "feed temperature"),
        ("feed_pressure", "feed pressure"),
        ("concentrate_pressure", "concentrate pressure, or pressure drop"),
        ("permeate_flow", "permeate flow"),
        ("concentrate_flow", "concentrate flow, or feed flow"),
        ("feed_conductivity", "feed conductivity, or salt content"),
        ("permeate_conductivity", "permeate conductivity, or salt content"),
    ],
)
def test_what_is_said_to_be_refused_is_refused(column: str, quantity: str) -> None:
    site = bm.Site.load(SITE)
    log = bm.read_log(LOG, columns={header: None for header in _headers() if header.startswith(column)})
    assert column not in log.columns
    met = next(asked for asked in bm.completeness(log, site).requirements if asked.quantity == quantity)
    assert met.verdict == "missing"
    assert met.refused
    assert f"Refused: {', '.join(met.refused)}" in met.cost
    for analysis in met.refused:
        with pytest.raises(bm.MissingColumnError):
            bm.normalise(log, site, analyses=[analysis])  # type: ignore[list-item]


def _headers() -> list[str]:
    with open(LOG, encoding="utf-8") as file:
        return file.readline().strip().split(",")


def test_the_command_record(capsys: pytest.CaptureFixture[str]) -> None:
    status, said, _ = run(capsys, "record", LOG, "--site", SITE)
    assert status == 0
    for words in (
        "missing           permeate pressure",
        "Pretreatment",
        "A shift is 8 h",
        "from memory",
        "licensed",
    ):
        assert words in said, words
    status, said, _ = run(capsys, "record", LOG, "--site", SITE, "--json")
    assert status == 0
    found = json.loads(said)
    assert len(found["requirements"]) == len(bm.record_requirements())
    # As a module too, a refusal is said in words.
    call = [sys.executable, "-m", "brinemark.cli", "record", LOG, "--site", SITE, "--unit", "psi"]
    refused = subprocess.run(call, capture_output=True, text=True, check=False)
    assert refused.returncode == 1
    assert refused.stderr.startswith("brinemark: --unit 'psi'")
