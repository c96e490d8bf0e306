"""Renewals nobody explained: cells that differ keep their own share, and the doubt about the split is carried."""

from __future__ import annotations

import numpy as np
import pytest
from scipy.stats import betabinom, nbinom

from analytics.renewal_reasons import rates_by_cell, share_by_cell


def test_cells_that_differ_keep_their_own_share() -> None:
    found = share_by_cell(np.array([90.0, 10.0, 0.0]), np.array([10.0, 90.0, 0.0]), 0.5)
    assert found.share[0] == pytest.approx(0.9, abs=0.02)
    assert found.share[1] == pytest.approx(0.1, abs=0.02)
    assert found.share[2] == pytest.approx(0.5)


def test_cells_alike_share_what_is_known() -> None:
    rng = np.random.default_rng(5)
    failed = rng.binomial(8, 0.6, 40).astype(float)
    found = share_by_cell(failed, 8.0 - failed, 0.6)
    assert found.share.std() < 0.3 * (failed / 8).std()


def test_shares_follow_the_beta_binomial_of_scipy() -> None:
    # weights and their evidence by scipy.stats.betabinom, an independent implementation
    failed, good, centre = np.array([7.0, 1.0, 4.0]), np.array([1.0, 6.0, 4.0]), 0.6
    weights = np.array([2.0, 4.0, 8.0, 16.0, 32.0, 64.0])
    evidence = np.array([betabinom.pmf(failed, failed + good, k * centre, k * (1 - centre)).prod() for k in weights])
    mean = np.array([(failed + k * centre) / (failed + good + k) for k in weights])
    expected = (evidence[:, None] * mean).sum(axis=0) / evidence.sum()
    np.testing.assert_allclose(share_by_cell(failed, good, centre).share, expected, rtol=1e-9)


def test_not_knowing_the_reasons_costs_what_simulation_says() -> None:
    """log of the failures counted: its spread over simulated shops, against the information that is kept."""
    rng = np.random.default_rng(3)
    expected, good, missing = 80.0, 80.0, 0.6
    logs, kept = [], []
    for _ in range(1500):
        renewals = np.array([rng.poisson(expected), rng.poisson(good)])
        unexplained = rng.binomial(renewals, missing)
        told = (renewals - unexplained).astype(float)
        found = share_by_cell(told[:1], told[1:], 0.5)
        lost = float(unexplained.sum())
        failed = told[0] + found.share[0] * lost
        logs.append(np.log(failed))
        kept.append(1.0 / (failed * found.held(told[:1], np.array([lost]))[0]))
    # one cell alone is shrunk a little to the known centre, which takes off some of the spread
    assert np.mean(kept) == pytest.approx(np.var(logs), rel=0.25)
    assert np.mean(kept) > 1.15 / expected


def test_nothing_is_lost_where_every_reason_is_known() -> None:
    found = share_by_cell(np.array([5.0, 0.0]), np.array([3.0, 0.0]), 0.7)
    np.testing.assert_array_equal(found.held(np.array([5.0, 0.0]), np.zeros(2)), 1.0)


def test_rates_follow_the_negative_binomial_of_scipy() -> None:
    # the evidence of each weight by scipy.stats.nbinom, an independent implementation
    good, exposure = np.array([12.0, 0.0, 3.0]), np.array([[4.0, 6.0, 2.0]])
    component, cells = rates_by_cell(good, exposure)
    assert component[0] == pytest.approx(15 / 13)
    weights = np.array([1.0, 2.0, 4.0, 8.0, 16.0, 32.0])
    scale = weights / component[0]
    evidence = np.array(
        [nbinom.pmf(good, a, b / (b + exposure[0])).prod() for a, b in zip(weights, scale, strict=True)]
    )
    mean = (good + weights[:, None]) / (exposure[0] + scale[:, None])
    np.testing.assert_allclose(cells[0], (evidence[:, None] * mean).sum(axis=0) / evidence.sum(), rtol=1e-9)


def test_without_good_renewals_the_rate_is_nil() -> None:
    component, cells = rates_by_cell(np.zeros(2), np.ones((3, 2)))
    assert not component.any()
    assert not cells.any()
