"""The page: whole in itself, the same each time, and all that must stand on it."""

from __future__ import annotations

import re
from html.parser import HTMLParser

import pytest

import brinemark as bm


@pytest.fixture(scope="module")
def result() -> bm.Result:
    return bm.normalise(bm.read_log(bm.demo.log_path()), bm.Site.load(bm.demo.site_path()))


@pytest.fixture(scope="module")
def page(result: bm.Result) -> str:
    return bm.report(result).html


class _Page(HTMLParser):
    """Ids, links and text of a page."""

    def __init__(self, html: str) -> None:
        super().__init__()
        self.ids: list[str] = []
        self.links: list[str] = []
        self.references: list[str] = re.findall(r"url\(#([^)]+)\)", html)
        self.text = ""
        self.feed(html)

    def handle_starttag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        for name, value in attrs:
            if name == "id" and value:
                self.ids.append(value)
            if name in ("src", "href", "xlink:href", "action", "data") and value:
                self.links.append(value)

    def handle_data(self, data: str) -> None:
        self.text += data


def test_it_is_whole_in_itself(page: str) -> None:
    read = _Page(page)
    assert "<script" not in page
    assert "@import" not in page
    assert all(link.startswith(("#", "data:image/png;base64,")) for link in read.links)
    assert len(read.ids) == len(set(read.ids))
    inside = {link.removeprefix("#") for link in read.links if link.startswith("#")}
    inside |= set(read.references)
    assert inside <= set(read.ids)


def test_it_is_the_same_each_time(result: bm.Result, page: str) -> None:
    assert bm.report(result).html == page


def test_it_says_what_it_must(result: bm.Result, page: str) -> None:
    text = _Page(page).text.replace("\u00a0", " ")
    standing = bm.assess(result)[0]
    for words in (
        standing.sentence,
        result.site.name,
        result.input_hash,
        result.version,
        *result.reason_counts,
        *result.method.values(),
        *(entry.detail for entry in result.provenance),
        *(event.note for event in result.site.events),
        "accredited laboratory",
        "licensed",
        "manufacturer",
        "common practice, no source",
        "What this page does not say",
        "What the membranes do",
        "What happened",
        "Runs between cleanings",
        "Among these causes alone",
        "by the site's own temperature law",
        bm.diagnose(result, bm.trend(result)[0]).sentence,
    ):
        assert words in text, words
    assert re.search(r"\bis safe\b", text) is None


def test_what_was_not_analysed_is_not_drawn() -> None:
    site = bm.Site.load(bm.demo.site_path())
    log = bm.read_log(bm.demo.log_path())
    html = bm.report(bm.normalise(log, site, analyses=["permeate_flow"])).html
    assert "Permeate flow against time" in html
    assert "Salt passage against time" not in html
    assert "Differential pressure against time" not in html


def test_a_hostile_name_stays_text() -> None:
    text = bm.demo.site_path().read_text(encoding="utf-8")
    hostile = '<script>alert("x")</script>'
    site = bm.Site.parse(re.sub(r'name = "Quill[^"]*"', f"name = '{hostile}'", text, count=1))
    assert site.name == hostile
    html = bm.report(bm.normalise(bm.read_log(bm.demo.log_path()), site)).html
    assert "<script" not in html
    assert "&lt;script&gt;" in html


def test_several_trains_each_have_an_answer() -> None:
    frame = bm.read_log(bm.demo.log_path()).to_polars()
    import polars as pl

    both = pl.concat(
        [
            frame.with_columns(pl.lit("A").alias("train")),
            frame.with_columns(pl.lit("B").alias("train")),
        ]
    )
    result = bm.normalise(bm.read_log(both), bm.Site.load(bm.demo.site_path()))
    standings = bm.assess(result)
    assert [standing.train for standing in standings] == ["A", "B"]
    html = bm.report(result).html
    assert "train A" in html
    assert "train B" in html
    figure = result.plot()
    assert len(figure.axes) == 2


def test_plots_have_labels_with_units(result: bm.Result) -> None:
    for quantity, unit in (
        ("permeate_flow", "[gpm]"),
        ("salt_passage", "[%]"),
        ("differential_pressure", "[psi]"),
    ):
        axes = bm.plot.timeline(result, quantity).axes[0]  # type: ignore[arg-type]
        assert unit in axes.get_ylabel()
        assert "Time [Etc/GMT+7]" in axes.get_xlabel()
        drawn = [text.get_text() for text in axes.get_legend().get_texts()]  # type: ignore[union-attr]
        assert "baseline period" in drawn
        assert "readings set aside" in drawn
        assert any("daily median" in words for words in drawn)
        assert {text.get_text() for text in axes.texts} == {"calibration", "cleaning"}
    left, right = bm.plot.temperature_view(result).axes
    assert "[degF]" in left.get_xlabel()
    assert "[gpm]" in left.get_ylabel()
    assert left.get_ylim() == right.get_ylim()
    with pytest.raises(ValueError, match="one of permeate_flow"):
        bm.plot.timeline(result, "flux")  # type: ignore[arg-type]


def test_it_is_saved(result: bm.Result, page: str, tmp_path: object) -> None:
    from pathlib import Path

    path = Path(str(tmp_path)) / "page.html"
    bm.report(result, title="Another heading").save(path)
    saved = path.read_text(encoding="utf-8")
    assert "<h1>Another heading</h1>" in saved
    assert saved != page
