"""How sure a ratio of two lives is: against the fit's own variances, and against truth in simulated worlds."""

from dataclasses import replace

import numpy as np
import pytest
from scipy.stats import binom

from analytics.comparisons import compare_models
from analytics.component_fit import ANY_STRATUM
from analytics.lives_apart import LivesApart
from analytics.risk_draws import RiskTable
from analytics.risk_pieces import FLOOR_SD
from tests.analytics.comparison_cases import PRIOR, ModelCase, records, table_of
from tests.worlds.comparison_coverage import compared

AGE = {"km": 25_000.0, "days": 1800.0}


def leaves(fit):
    return [r for r, k in enumerate(fit.row_keys) if k[2] != "*" and k[3] != ANY_STRATUM and k[4] != "*"]


def test_covariance_holds_the_variances_that_elimination_up_and_down_the_tree_gives():
    table = table_of(records([ModelCase(machines=n, ratio=r) for n, r in ((150, 1.0), (30, 2.0), (60, 0.6))], 1))
    fit = table.fits[0]
    rows = leaves(fit)
    covariance = LivesApart.of(table, "regulator", rows).covariance
    variances = np.einsum("nii->ni", covariance)
    np.testing.assert_allclose(variances, fit.variance[rows].astype(float).T, rtol=0.03)
    assert (covariance > 0).all()  # the component's level is common to all of them


@pytest.mark.parametrize(("families", "spread"), [(("f", "g"), 0.15**2 + 0.02**2), (("f", "f"), 0.02**2)])
def test_what_a_family_shares_drops_out_and_what_tells_families_apart_does_not(families, spread):
    """Two normal effects around a common level that nothing is known of, and two counts: the textbook's product."""
    fit = table_of(records([ModelCase(), ModelCase()], 3)).fits[0]
    rows = leaves(fit)
    assert len(rows) == 2
    keys = list(fit.row_keys)
    for row, family in zip(rows, families, strict=True):
        keys[row] = (keys[row][0], family, *keys[row][2:])
    rate = fit.rate.copy()
    rate[rows[0]], rate[rows[1]] = 20.0, 5.0
    known = {"make": 1e-6, "family": 0.15, "model": 0.02}
    fit = replace(
        fit,
        row_keys=tuple(keys),
        prior=replace(PRIOR, scale_factor=1e6),
        log_spreads=np.tile(np.log([known[n] for n in fit.spread_names]), (len(fit.shape), 1)),
        rate=rate,
        mean=np.zeros_like(fit.mean),
        tau_squared=np.full_like(fit.tau_squared, 1e-12),
        weibull_p=1.0,
    )
    _, sd = LivesApart.of(RiskTable.from_fits([fit]), "regulator", rows).log_ratio(0, [1], np.ones(1), **AGE)
    prior = 2 * spread * fit.shape.astype(float) ** 2
    apart = 1 / (1 / prior + 20.0 * 5.0 / 25.0)
    weight = fit.copies / fit.copies.sum()
    assert sd**2 == pytest.approx(weight @ apart + 2 * FLOOR_SD**2, rel=1e-3)


def test_a_ratio_to_itself_is_one_and_of_two_is_as_sure_either_way():
    table = table_of(records([ModelCase(ratio=1.5), ModelCase(), ModelCase(machines=40)], 2))
    lives = LivesApart.of(table, "regulator", leaves(table.fits[0]))
    mean, sd = lives.log_ratio(0, [0], np.ones(1), **AGE)
    assert (mean, sd) == pytest.approx((0.0, 0.0), abs=1e-9)
    there, back = (lives.log_ratio(a, [b], np.ones(1), **AGE) for a, b in ((0, 2), (2, 0)))
    assert there == pytest.approx((-back[0], back[1]))
    # a class of one model, named twice, is that model
    assert lives.log_ratio(0, [2, 2], np.array([0.3, 0.7]), **AGE) == pytest.approx(there)


def test_intervals_hold_the_truth_of_models_that_differ_a_little():
    """Models of a family each, log hazards N(0, 0.2), some ten failures each: what families differ by is not common.

    Nine in ten are promised: no fewer than one world in a thousand would hold by chance.
    """
    held = []
    for seed in range(40):
        ratios = np.exp(np.random.default_rng([seed, 7]).normal(0.0, 0.2, 8))
        table = table_of(records([ModelCase(machines=60, ratio=float(r), km_per_day=8.0) for r in ratios], seed + 200))
        made = sorted(compare_models(table, "regulator", **AGE), key=lambda c: c.one.cell.model)
        ridden = np.array([c.one.exposure_km for c in made])
        for i, one in enumerate(made):
            others = np.arange(8) != i
            truth = ratios[i] / np.average(ratios[others], weights=ridden[others])
            held.append(one.ratio.low < truth < one.ratio.high)
    assert sum(held) >= binom.ppf(0.001, len(held), 0.9)


def test_intervals_hold_the_planted_ratios_of_demo_worlds():
    """A small demo world; the long form is `python -m tests.worlds.comparison_coverage`."""
    slugs = ("regulator_rectifier", "crank_position_sensor", "stator", "starter_clutch")
    held = compared(7101, slugs, 0.3)
    inside = sum(abs(h.away) < 1.645 for h in held)
    assert len(held) >= 35 and binom.ppf(0.001, len(held), 0.9) <= inside
