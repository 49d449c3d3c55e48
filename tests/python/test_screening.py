"""Screening from Python: the crossing, the user's word, pictures, the command; the study in short."""

from __future__ import annotations

import json
from pathlib import Path

import numpy as np
import pytest

import brinemark as bm
from brinemark import cli

STUDIES = Path(__file__).parents[2] / "studies"


@pytest.fixture(scope="module")
def site() -> bm.Site:
    return bm.Site.load(bm.demo.site_path())


@pytest.fixture(scope="module")
def log() -> bm.Log:
    return bm.read_log(bm.demo.log_path())


@pytest.fixture(scope="module")
def screening(log: bm.Log, site: bm.Site) -> bm.Screening:
    return bm.screen(log, site)


def test_every_row_has_its_marks(log: bm.Log, screening: bm.Screening) -> None:
    assert len(screening) == len(screening.stands) == len(screening.reasons) == len(log)
    assert [count.name for count in screening.counts] == [name for name, _ in bm.screen_tests()]
    for count in screening.counts:
        assert count.passed + count.failed + count.not_applicable == len(log)
        assert screening.failed(count.name).sum() == count.failed
        assert screening.applied(count.name).sum() == count.passed + count.failed
        assert not (screening.failed(count.name) & ~screening.applied(count.name)).any()
    assert [bool(why) for why in screening.reasons] == [not stands for stands in screening.stands]
    assert screening.log.is_screened
    assert not log.is_screened


def test_normalise_screens_unless_told_not_to(log: bm.Log, site: bm.Site, screening: bm.Screening) -> None:
    by_itself, without = bm.normalise(log, site), bm.normalise(log, site, screen=False)
    given = bm.normalise(screening.log, site)
    assert by_itself.screening is not None
    assert without.screening is None
    assert given.screening is None
    name = "normalised_permeate_flow"
    np.testing.assert_array_equal(by_itself[name], given[name])
    assert not np.isfinite(by_itself[name][~screening.stands]).any()
    assert by_itself.input_hash == without.input_hash


def test_the_user_has_the_last_word(log: bm.Log, site: bm.Site, screening: bm.Screening) -> None:
    row = int(np.flatnonzero(screening.failed("running"))[0])
    flags = np.zeros(len(log), dtype=bool)
    flags[row] = True
    kept = bm.screen(log, site, keep=flags)
    assert kept.stands[row]
    assert kept.kept.tolist() == [row]
    aside = bm.screen(log, site, set_aside=~flags)
    assert aside.stands.sum() <= 1
    with pytest.raises(bm.LogError, match="both set aside and kept"):
        bm.screen(log, site, keep=flags, set_aside=flags)
    with pytest.raises(bm.LogError, match="3 flags"):
        bm.screen(log, site, keep=[True, False, True])
    with pytest.raises(bm.MissingColumnError, match="one of: running"):
        screening.failed("spikes")


def test_blocks_are_marked_as_the_whole(log: bm.Log, site: bm.Site, screening: bm.Screening) -> None:
    frame = log.to_pandas()
    # A yardstick of the whole, and pieces of it.
    pieces = [bm.read_log(frame.iloc[at : at + 700]) for at in range(0, len(frame), 700)]
    found = list(bm.screen_blocks(pieces, site, like=screening))
    assert np.concatenate([part.stands for part in found]).tolist() == screening.stands.tolist()


def test_unknown_tests_in_a_site_file_are_refused() -> None:
    text = bm.demo.site_path().read_text(encoding="utf-8")
    with pytest.raises(bm.SiteError, match="did you mean 'spike'"):
        bm.Site.parse(text + '\n[screen]\noff = ["spikes"]\n')
    with pytest.raises(bm.SiteError, match="settle"):
        bm.Site.parse(text + '\n[screen]\nsettel = "1 h"\n')


def test_pictures_are_drawn(screening: bm.Screening, tmp_path: Path) -> None:
    figure = screening.plot()
    labels = [axes.get_ylabel() for axes in figure.axes]
    assert labels[0].startswith("Feed pressure")
    assert "[psi]" in labels[0]
    figure.savefig(tmp_path / "screening.png", dpi=60)


def test_the_command(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    call = ["screen", str(bm.demo.log_path()), "--site", str(bm.demo.site_path())]
    assert cli.main([*call, "--out", str(tmp_path / "rows.csv"), "--plot", str(tmp_path / "log.png")]) == 0
    printed = capsys.readouterr().out
    assert "of 2920 readings stand" in printed
    assert "not applicable" in printed
    rows = (tmp_path / "rows.csv").read_text(encoding="utf-8").splitlines()
    assert len(rows) == 2921
    assert rows[0].endswith(",reasons")
    assert cli.main([*call, "--json"]) == 0
    told = json.loads(capsys.readouterr().out)
    assert told["rows"] == 2920
    assert {test["name"] for test in told["tests"]} == {name for name, _ in bm.screen_tests()}


def test_averages_are_of_what_stands(site: bm.Site) -> None:
    minutes = np.arange(240)
    log = bm.read_log(
        {
            "time": np.datetime64("2026-03-01T00:00") + minutes.astype("timedelta64[m]"),
            "feed_pressure [bar]": np.where(minutes % 4 < 2, 8.0, 12.0) + 0.01 * (minutes % 7),
            "permeate_flow [m3/h]": np.where(minutes % 4 < 2, 3.0, 5.0) + 0.01 * (minutes % 5),
        },
        tz="UTC",
    )
    averaged = bm.average(log, site)
    assert "repeats every 4 readings" in averaged.why
    assert averaged.kept == 1.0
    assert np.ptp(averaged.log["feed_pressure"]) < 0.1
    asked = bm.average(log, site, window_h=0.5)
    assert asked.counts.tolist() == [30] * 8
    with pytest.raises(bm.RangeError):
        bm.average(log, site, window_h=0.0)


def test_the_study_in_short(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.syspath_prepend(str(STUDIES))
    import plants
    import screening as study

    tally = study.Tally()
    for seed in range(40):
        study.judge(900_000 + seed, plants.some_kinds(900_000 + seed), tally)
    # The floors of the whole study, which `make study-screening` prints.
    assert sum(tally.right.values()) >= 0.95 * sum(tally.faulty.values())
    assert tally.good_taken <= 0.01 * tally.good
    drifts = sum(tally.drifts.values())
    assert tally.drifts["right"] + tally.drifts["right and others"] >= 0.9 * drifts > 9
