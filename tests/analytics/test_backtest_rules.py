"""What a backtest must notice, what must not matter to it, and what it refuses."""

from dataclasses import replace

import numpy as np
import pytest

from analytics.backtest import judge
from analytics.backtest_types import Forecasts, Judged
from analytics.errors import InvalidObservations, TooFewEvents
from tests.analytics.backtest_cases import drawn, judged, reordered, two_groups


def test_the_order_of_rows_does_not_matter():
    case = drawn(3)
    order = np.random.default_rng(1).permutation(len(case))
    one, other = judge(case), judge(reordered(case, order))
    assert [order[k] for k in other.worst] == list(one.worst)
    for a, b in zip(one.tenths + one.bands, other.tenths + other.bands, strict=True):
        assert (a.parts, a.failures) == (b.parts, b.failures)
        assert (a.observed.low, a.observed.high) == pytest.approx((b.observed.low, b.observed.high), rel=1e-9)
    for name in ("observed_expected", "slope", "at_horizon"):
        a, b = getattr(one, name), getattr(other, name)
        assert (a.value, a.low, a.high) == pytest.approx((b.value, b.low, b.high), rel=1e-9)
    assert one.top == other.top


def test_a_right_model_is_found_right_as_often_as_the_intervals_say():
    """40 draws at 90 %: with the true chances 36 +/- 1.9 intervals hold; fewer than 30 happen once in 1,500."""
    results = [judge(drawn(seed)) for seed in range(40)]
    assert sum(r.slope.low <= 1 <= r.slope.high for r in results) >= 30
    assert sum(r.observed_expected.low <= 1 <= r.observed_expected.high for r in results) >= 30
    assert np.mean([r.slope.value for r in results]) == pytest.approx(1.0, abs=0.02)
    assert all(r.log_score.gain_over_pooled.low > 0 and r.log_score.gain_over_prior.low > 0 for r in results)


def test_doubled_chances_are_detected():
    case = drawn(5)
    doubled = Forecasts(np.minimum(2 * case.model.horizon, 0.99), np.minimum(2 * case.model.watched, 0.99))
    result = judge(replace(case, model=doubled))
    assert result.observed_expected.high < 0.7 and result.at_horizon.high < 0.7
    assert all(group.observed.high < group.expected for group in result.tenths[-3:])


def test_chances_too_far_apart_have_a_slope_below_one():
    case = drawn(6)
    odds = (case.model.watched / (1 - case.model.watched)) ** 1.5
    wide = odds / (1 + odds)
    result = judge(replace(case, model=Forecasts(wide, wide)))
    assert result.slope.value == pytest.approx(1 / 1.5, abs=0.08) and result.slope.high < 1


def test_shops_that_differ_widen_the_interval():
    """12 shops whose parts fail half or twice as often as said: drawing shops must see it, drawing machines cannot."""
    case = drawn(8)
    rng = np.random.default_rng(9)
    factor = np.exp(rng.normal(0.0, 0.5, 12))[case.shop]
    case = replace(case, failed=rng.random(len(case)) < np.minimum(case.model.watched * factor, 1))
    by_shop = judge(case)
    by_machine = judge(replace(case, shop=case.shop % 5))
    assert (by_shop.resampled, by_shop.clusters) == ("shop", 12)
    assert (by_machine.resampled, by_machine.clusters) == ("machine", 200)
    wide, narrow = by_shop.observed_expected, by_machine.observed_expected
    assert wide.value == narrow.value
    assert wide.high - wide.low > 1.5 * (narrow.high - narrow.low)


def _cut_short(seed: int) -> Judged:
    """Lives of one constant rate, 25 % within the horizon; two thirds of the parts end early, at random."""
    rng = np.random.default_rng(seed)
    n, rate = 3000, -np.log(0.75)
    life, end = rng.exponential(1 / rate, n), np.minimum(rng.uniform(0.0, 1.5, n), 1.0)
    failed = life <= end
    return judged(
        np.full(n, 0.25), failed, complete=failed | (end == 1.0), followed=np.minimum(life, end),
        watched=-np.expm1(-rate * end), machine=np.arange(n) // 20,
    )  # fmt: skip


def test_early_ends_bias_neither_the_ratio_nor_the_share_at_the_horizon():
    """Over 20 draws of 3,000 parts the means have standard errors of 0.010 (ratio) and 0.002 (share)."""
    cases = [_cut_short(seed) for seed in range(20)]
    assert all(case.failed.mean() < 0.2 for case in cases)  # what a plain count would say
    results = [judge(case) for case in cases]
    shares = [result.bands[0].at_horizon for result in results]
    assert np.mean([r.observed_expected.value for r in results]) == pytest.approx(1.0, abs=0.03)
    assert np.mean([share.value for share in shares]) == pytest.approx(0.25, abs=0.006)
    assert sum(share.low <= 0.25 <= share.high for share in shares) >= 14
    assert sum(r.observed_expected.low <= 1 <= r.observed_expected.high for r in results) >= 14


def test_too_few_failures_are_refused_with_what_would_help():
    with pytest.raises(TooFewEvents, match=r"10 failures followed among 220.*earlier day"):
        judge(replace(two_groups(20), failed=np.arange(220) < 10))


@pytest.mark.parametrize(
    ("columns", "name"),
    [
        ({"weight": np.zeros(3)}, "weight"),
        ({"followed": np.full(3, 1.2)}, "followed"),
        ({"watched": np.full(3, 1.2)}, "model.watched"),
        ({"complete": np.zeros(3, dtype=bool)}, "complete"),
        ({"machine": np.arange(2)}, "every column"),
    ],
)
def test_contradictions_are_refused(columns, name):
    with pytest.raises(InvalidObservations, match=name):
        judge(judged([0.1, 0.2, 0.3], [1, 1, 1], **columns))


def test_a_level_that_is_none_is_refused():
    with pytest.raises(InvalidObservations, match="level"):
        judge(two_groups(20), level=1.0)


def test_a_part_told_as_two_halves_is_one_part():
    case = drawn(4, machines=60)
    halves = replace(reordered(case, np.repeat(np.arange(len(case)), 2)), weight=np.full(2 * len(case), 0.5))
    one, two = judge(case), judge(halves)
    for name in ("observed_expected", "slope", "at_horizon"):
        a, b = getattr(one, name), getattr(two, name)
        assert (a.value, a.low, a.high) == pytest.approx((b.value, b.low, b.high), rel=1e-9)
    assert one.log_score.gain_over_prior.low == pytest.approx(two.log_score.gain_over_prior.low)
    assert (one.parts, one.failures, one.top) == (two.parts, two.failures, two.top)
