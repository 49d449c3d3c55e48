"""The harness runs, and its contestants do the same work. No time is tested."""

from __future__ import annotations

from itertools import pairwise
from pathlib import Path

import bench
import membrane_in_numpy
import numpy as np
import polars as pl
import pytest
import screening_in_pandas
import uncertainty_in_numpy
import vessel
from harness import must_agree, relative_difference
from in_numpy import osmotic_pressures
from membrane_contests import MembraneContest, VesselContest
from screening_contest import ScreeningContest, differences
from screening_in_pandas import BIT, TESTS
from screening_plant import SITE, write_log
from trend_contest import ChangePointContest, SlopeContest
from uncertainty_contests import LIMITS, MonteCarloContest, UncertaintyContest

import brinemark as bm


def test_contestants_agree() -> None:
    differences = bench.Contest(5_000).differences()
    assert max(differences.values()) < 1e-9, differences


def test_a_difference_is_seen() -> None:
    contest = bench.Contest(50)
    expected = contest.numpy()
    wrong = expected | {"rejection": expected["rejection"] * (1.0 + 1e-8)}
    assert bench.largest_difference(wrong, expected) > 9e-9
    expected["flux"][7] = float("nan")
    assert not bench.largest_difference(contest.numpy(), expected) <= 1e-9


def test_uncertainties_agree() -> None:
    must_agree(UncertaintyContest(5_000).differences(), LIMITS)


def test_draws_agree() -> None:
    assert MonteCarloContest(30, 20_000).noise() <= 4.0


def test_other_instruments_are_seen(monkeypatch: pytest.MonkeyPatch) -> None:
    off_by = uncertainty_in_numpy.off_by
    monkeypatch.setattr(uncertainty_in_numpy, "off_by", lambda name, at: 1.1 * off_by(name, at))
    assert UncertaintyContest(50).differences()["uncertainties"] > 0.01
    assert MonteCarloContest(30, 20_000).noise() > 4.0


@pytest.mark.parametrize("contest", [VesselContest, MembraneContest])
def test_membranes_agree(contest: type[VesselContest | MembraneContest]) -> None:
    differences = contest(2_000).differences()
    assert max(differences.values()) < 1e-9, differences


def test_another_membrane_is_seen(monkeypatch: pytest.MonkeyPatch) -> None:
    contest = VesselContest(50)
    monkeypatch.setitem(vessel.MEMBRANE, "salt_permeability", 0.12 * (1.0 + 1e-8))
    assert contest.differences()["permeate_tds"] > 5e-9


def test_slopes_by_hand_are_those_of_differences() -> None:
    at, membranes = vessel.conditions(500), vessel.membranes(500)
    element = membrane_in_numpy.element_at(at["feed_temperature"], at["permeate_pressure"], membranes)
    inflow = membrane_in_numpy.Stream(at["feed_flow"], at["feed_tds"], at["feed_pressure"])
    flux = np.linspace(5.0, 40.0, 500)
    found, slope = membrane_in_numpy.residual_and_slope(element, inflow, flux)
    through = membrane_in_numpy.through(element, inflow, flux)
    np.testing.assert_allclose(found, membrane_in_numpy.residual(element, inflow, flux, through), atol=1e-12)
    step = 1e-5 * flux
    above, below = (
        membrane_in_numpy.residual_and_slope(element, inflow, moved)[0]
        for moved in (flux + step, flux - step)
    )
    assert relative_difference((above - below) / (2.0 * step), slope) < 1e-8


def test_water_and_salt_close_in_numpy() -> None:
    at = vessel.conditions(500)
    made = membrane_in_numpy.forward(at, vessel.membranes(500))
    water = made["permeate_flow"] + made["concentrate_flow"]
    salt = sum(made[f"{stream}_flow"] * made[f"{stream}_tds"] for stream in ("permeate", "concentrate"))
    assert relative_difference(water, at["feed_flow"]) < 1e-13
    assert relative_difference(np.asarray(salt), at["feed_flow"] * at["feed_tds"]) < 1e-13


def test_one_osmotic_pressure_in_numpy() -> None:
    t, salt = np.linspace(1.0, 45.0, 90), np.geomspace(1.0, 50_000.0, 90)
    found, _ = membrane_in_numpy.osmotic_and_slope(membrane_in_numpy.water_at(t), salt)
    assert relative_difference(found, osmotic_pressures(t, salt)[0]) < 1e-13


@pytest.fixture(scope="module")
def screening(tmp_path_factory: pytest.TempPathFactory) -> ScreeningContest:
    path: Path = tmp_path_factory.mktemp("screening") / "minutes.csv"
    write_log(path, 20_000)
    return ScreeningContest(path)


def test_screenings_agree(screening: ScreeningContest, monkeypatch: pytest.MonkeyPatch) -> None:
    found = screening.in_blocks()
    for test in set(TESTS) - {"duplicate"}:
        assert np.any(found.failed & BIT[test]), f"no row fails {test}: it is not compared"
    # Several slices.
    monkeypatch.setattr(screening_in_pandas, "SLICE", 3_000)
    for others in (screening.in_pandas(), screening.in_plain_pandas()):
        against = differences(found, others)
        assert against["rows with other marks"] == 0
        assert against["figures"] < 1e-9


def test_blocks_are_screened_as_one_piece(screening: ScreeningContest) -> None:
    frame = pl.read_csv(screening.path, try_parse_dates=True)
    # What is usual, and the baseline, are of the first block: it is longer than the baseline's period.
    cuts = [0, 15_000, 15_001, 15_300, 19_000, 20_000]
    blocks = [bm.read_log(frame[start:end], tz="UTC") for start, end in pairwise(cuts)]
    whole = bm.read_log(frame, tz="UTC")
    site = bm.Site.parse(SITE)
    like = bm.screen(blocks[0], site)
    found = list(bm.screen_blocks(blocks, site, like=like))
    expected = bm.screen(whole, site, like=like)
    assert len(found) > 1
    for test in TESTS:
        failed = np.concatenate([part.failed(test) for part in found])
        np.testing.assert_array_equal(failed, expected.failed(test))
        applied = np.concatenate([part.applied(test) for part in found])
        np.testing.assert_array_equal(applied, expected.applied(test))


def test_another_threshold_is_seen(screening: ScreeningContest, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setitem(screening.usual.salt, "median", screening.usual.salt["median"] + 0.03)
    found = screening.in_blocks()
    for others in (screening.in_pandas(), screening.in_plain_pandas()):
        assert differences(found, others)["rows with other marks"] > 0


@pytest.mark.parametrize("stretch", [100, None])
def test_change_points_agree(stretch: int | None) -> None:
    contest = ChangePointContest(1_000, stretch)
    assert contest.brinemark() == contest.ruptures()
    assert (len(contest.brinemark()) > 5) == (stretch is not None)


def test_slopes_and_tests_agree() -> None:
    contest = SlopeContest(400)
    contest.must_agree()
    contest.slope = SlopeContest(401).slope  # type: ignore[method-assign]
    with pytest.raises(AssertionError):
        contest.must_agree()


def test_quick_bench_runs(capsys: pytest.CaptureFixture[str]) -> None:
    bench.main(["--quick"])
    said = capsys.readouterr().out
    for part in (
        "Normalise",
        "uncertainty",
        "Monte Carlo",
        "Predict",
        "The membranes behind",
        "Memory",
        "Read a CSV file",
        "Memory of reading",
        "Same marks in all 20000 rows",
        "Exact change points of 500 rows",
        "Theil-Sen by number of points",
        "Mann-Kendall by number of points",
        "One changed cell of 20000 rows is named",
        "A dossier of 20000 rows",
        "Import",
        "The command's help",
    ):
        assert part in said
    assert said.count("floor: ") == 26
