"""Learnt accuracies: closed forms, a published correction, exact enumeration, recovery from biased strip-downs."""

from __future__ import annotations

from itertools import product
from math import exp, inf, lgamma

import numpy as np
import pytest

from analytics.check_accuracy import CHANCE_STRENGTH, InvalidCounts, Opened, learn_accuracy
from analytics.outcomes import CONCLUSIVE, Shares, Verdict

BAD, GOOD = Shares(0.7, 0.2, 0.1), Shares(0.06, 0.14, 0.8)  # the battery's cranking test, invented
FAIL, MARGINAL, PASS = CONCLUSIVE


def learn(counts, **changes):
    return learn_accuracy(BAD, GOOD, counts, **{"chance_before": 0.2, "seed": 1} | changes)


def test_nothing_opened_leaves_the_prior_alone():
    for counts in ({}, {FAIL: Opened(unopened=40), PASS: Opened(unopened=400)}, {Verdict.INCONCLUSIVE: Opened(5)}):
        found = learn(counts)
        assert found.given_bad.shares.as_tuple() == pytest.approx(BAD.as_tuple())
        assert found.given_good.shares.as_tuple() == pytest.approx(GOOD.as_tuple())
        assert (found.opened, found.words, found.given_bad.prior_weight) == (0, "invented prior", 1.0)


def test_everything_opened_is_the_conjugate_closed_form():
    """Dirichlet: (20 x 0.7 + 2) / (20 + 10) and so on, by hand; intervals are those of the marginal beta."""
    counts = {FAIL: Opened(2, 1), MARGINAL: Opened(3, 1), PASS: Opened(5, 8)}
    found = learn(counts)
    assert found.given_bad.shares.as_tuple() == pytest.approx((16 / 30, 7 / 30, 7 / 30))
    assert found.given_good.shares.as_tuple() == pytest.approx((2.2 / 30, 3.8 / 30, 24 / 30))
    assert found.given_bad.prior_weight == pytest.approx(20 / 30)
    assert found.words == "learnt from 20 outcomes on an invented prior"
    drawn = np.random.default_rng(3).beta(16, 14, 400_000)
    assert (found.given_bad.low[0], found.given_bad.high[0]) == pytest.approx(
        np.quantile(drawn, [0.05, 0.95]), abs=2e-3
    )


def test_published_correction_is_the_limit_of_a_vanishing_prior():
    """Begg and Greenes (1983), 650 liver scans, 344 verified: 231 and 32 of 429 positive, 27 and 54 of 221 negative.

    Corrected sensitivity 0.836 and specificity 0.738, where the verified alone give 0.895 and 0.628 (figures from
    memory; the totals 650 and 344 are those of the data set `hepatic_pvb` of the R package PVBcorrect). By hand:
    429 x 231/263 / (429 x 231/263 + 221 x 27/81) = 0.8365. Posterior means differ from it by order 1/n.
    """
    counts = {FAIL: Opened(231, 32, 166), PASS: Opened(27, 54, 140)}
    even = Shares(0.499, 0.002, 0.499)
    found = learn_accuracy(even, even, counts, chance_before=0.5, seed=1, prior_strength=0.5)
    assert found.given_bad.shares.fail == pytest.approx(0.836, abs=0.006)
    assert found.given_good.shares.passed == pytest.approx(0.738, abs=0.006)


def log_dirichlet(alpha, counts):
    """Log marginal likelihood of counts under a Dirichlet, up to what does not depend on them."""
    total = lgamma(sum(alpha)) - lgamma(sum(alpha) + sum(counts))
    return total + sum(lgamma(a + c) - lgamma(a) for a, c in zip(alpha, counts, strict=True))


def by_enumeration(rows, chance_before):
    """Posterior mean of P(outcome | bad) over every split of the unopened parts into bad and good."""
    total, mean = 0.0, np.zeros(3)
    for split in product(*(range(r.unopened + 1) for r in rows)):
        bad = [r.bad + k for r, k in zip(rows, split, strict=True)]
        good = [r.good + r.unopened - k for r, k in zip(rows, split, strict=True)]
        ways = sum(lgamma(r.unopened + 1) - lgamma(k + 1) - lgamma(r.unopened - k + 1)
                   for r, k in zip(rows, split, strict=True))  # fmt: skip
        start = [CHANCE_STRENGTH * chance_before, CHANCE_STRENGTH * (1 - chance_before)]
        weight = exp(ways + log_dirichlet([20 * s for s in BAD.as_tuple()], bad)
                     + log_dirichlet([20 * s for s in GOOD.as_tuple()], good)
                     + log_dirichlet(start, [sum(bad), sum(good)]))  # fmt: skip
        a = np.array([20 * s for s in BAD.as_tuple()]) + bad
        total, mean = total + weight, mean + weight * a / a.sum()
    return mean / total


@pytest.mark.parametrize(
    "rows",
    [
        (Opened(6, 1, 2), Opened(0, 1, 4), Opened(0, 0, 25)),
        (Opened(3, 3, 5), Opened(2, 2, 5), Opened(4, 10, 12)),
    ],
)
def test_sampling_agrees_with_exact_enumeration(rows):
    found = learn(dict(zip(CONCLUSIVE, rows, strict=True)))
    # standard error of 20,000 conditional means of spread below 0.05, correlated along a chain: below 0.002
    assert found.given_bad.shares.as_tuple() == pytest.approx(by_enumeration(rows, 0.2), abs=0.006)


def test_confirmed_fails_alone_do_not_make_a_check_perfect():
    """Only fails were opened. Counting the opened ones says that bad parts hardly ever pass; nobody has seen that."""
    found = learn({FAIL: Opened(60, 5, 0), MARGINAL: Opened(unopened=50), PASS: Opened(unopened=300)})
    naive = 20 * BAD.passed / (20 + 60)
    assert naive == 0.025
    assert found.given_bad.shares.passed == pytest.approx(BAD.passed, abs=0.02)
    assert found.given_bad.shares.fail == pytest.approx(BAD.fail, abs=0.08)
    assert found.opened_passes == 0 and "no pass was ever opened" in found.words
    # how often a good part fails can be seen: 5 of about 345
    assert found.given_good.shares.fail == pytest.approx((20 * 0.06 + 5) / (20 + 345), abs=0.005)


@pytest.mark.parametrize("seed", [1, 2, 3])
def test_recovers_true_shares_from_biased_strip_downs(seed):
    """True shares unlike the prior; fails opened 9 times of 10, passes 1 of 10. Counting the opened is far off."""
    rng = np.random.default_rng(seed)
    true_bad, true_good, opened = (0.5, 0.2, 0.3), (0.12, 0.1, 0.78), (0.9, 0.4, 0.1)
    n = 12_000
    is_bad = rng.random(n) < 0.25
    outcome = np.where(is_bad, rng.choice(3, n, p=true_bad), rng.choice(3, n, p=true_good))
    seen = rng.random(n) < np.array(opened)[outcome]
    counts = {
        verdict: Opened(*(int(((outcome == o) & mask).sum()) for mask in (seen & is_bad, seen & ~is_bad, ~seen)))
        for o, verdict in enumerate(CONCLUSIVE)
    }
    naive = counts[FAIL].bad / sum(c.bad for c in counts.values())
    found = learn(counts)
    assert naive > 0.7
    assert found.given_bad.shares.as_tuple() == pytest.approx(true_bad, abs=0.06)
    assert found.given_good.shares.as_tuple() == pytest.approx(true_good, abs=0.02)
    assert found.given_bad.prior_weight < 0.02


@pytest.mark.parametrize(
    ("make", "words"),
    [
        (lambda: Opened(bad=-1), "bad must be 0 or more"),
        (lambda: learn({}, chance_before=0.0), "chance_before must lie between 0 and 1"),
        (lambda: learn({}, prior_strength=0.0), "prior_strength must be above 0"),
        (lambda: learn({}, chance_before=inf), "chance_before"),
    ],
)
def test_bad_input_is_refused_by_name(make, words):
    with pytest.raises(InvalidCounts, match=words):
        make()
