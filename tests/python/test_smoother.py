"""The state-space smoother beside statsmodels', on the same model."""

from __future__ import annotations

import numpy as np
import pytest
import statsmodels.api as sm

import brinemark as bm


def test_likelihood_and_states_are_those_of_another_library() -> None:
    """A level that walks, an autoregression and noise are the same in discrete and in continuous time."""
    random = np.random.default_rng(1)
    values = np.cumsum(random.normal(0.0, 0.3, 200)) + random.normal(0.0, 1.0, 200)
    values[[5, 40, 41, 42, 199]] = np.nan
    memory, wander, noise, walk = 4.0, 0.7, 1.0, 0.3
    kept = np.exp(-1.0 / memory)
    model = sm.tsa.UnobservedComponents(values, "llevel", autoregressive=1)
    model.ssm.initialize_known(np.zeros(2), np.diag([5.0**2, wander**2]))
    # The first value counts too: nothing before it is unknown.
    model.loglikelihood_burn = 0
    theirs = model.smooth([noise**2, walk**2, wander**2 * (1 - kept**2), kept])
    ours = bm.smooth_local_trend(
        np.arange(200.0),
        values,
        noise=noise,
        bend=0.0,
        walk=walk,
        wander=wander,
        memory=memory,
        level=0.0,
        level_u=5.0,
        rate=0.0,
        rate_u=0.0,
    )
    assert ours["log_likelihood"] == pytest.approx(theirs.llf, rel=1e-10)
    np.testing.assert_allclose(ours["level"], theirs.smoothed_state[0], atol=1e-9)
    np.testing.assert_allclose(ours["level_u"] ** 2, theirs.smoothed_state_cov[0, 0], atol=1e-9)


def test_a_rate_of_the_nile() -> None:
    """The Nile's flows: a level that walks beside a fixed rate."""
    nile = sm.datasets.nile.load_pandas().data["volume"].to_numpy(dtype=float)
    model = sm.tsa.UnobservedComponents(nile, "lltrend")
    model.ssm.initialize_known(np.array([1000.0, 0.0]), np.diag([500.0**2, 50.0**2]))
    model.loglikelihood_burn = 0
    theirs = model.smooth([15099.0, 1469.1, 0.0])
    ours = bm.smooth_local_trend(
        np.arange(100.0),
        nile,
        noise=np.sqrt(15099.0),
        bend=0.0,
        walk=np.sqrt(1469.1),
        level=1000.0,
        level_u=500.0,
        rate=0.0,
        rate_u=50.0,
    )
    assert ours["log_likelihood"] == pytest.approx(theirs.llf, rel=1e-10)
    np.testing.assert_allclose(ours["level"], theirs.smoothed_state[0], rtol=1e-9)
    np.testing.assert_allclose(ours["rate"], theirs.smoothed_state[1], atol=1e-8)


def test_refusals_name_what_is_wrong() -> None:
    settings = {"noise": 1.0, "bend": 0.1, "level": 0.0, "level_u": 1.0, "rate": 0.0, "rate_u": 1.0}
    with pytest.raises(bm.LogError, match="row 3"):
        bm.smooth_local_trend(np.array([0.0, 1.0, 0.5]), np.zeros(3), **settings)
    with pytest.raises(bm.LogError, match="as many"):
        bm.smooth_local_trend(np.array([0.0, 1.0]), np.zeros(3), **settings)
    with pytest.raises(bm.RangeError, match="noise"):
        bm.smooth_local_trend(np.arange(3.0), np.zeros(3), **{**settings, "noise": 0.0})
    with pytest.raises(bm.RangeError, match="bend"):
        bm.smooth_local_trend(np.arange(3.0), np.zeros(3), **{**settings, "bend": float("nan")})
