"""The measures of a backtest on cases worked by hand; the arithmetic stands beside each."""

import math

import numpy as np
import pytest
from scipy.stats import binomtest

from analytics.backtest import judge, top_few
from analytics.calibration import bands_of, tenths_of
from analytics.resampling import binomial_interval, poisson_interval
from tests.analytics.backtest_cases import judged, two_groups


def test_outcomes_equal_to_expectations_give_slope_one_and_ratio_one():
    result = judge(two_groups(20))  # 10 % of 200 and 50 % of 20: both exactly as said
    assert result.slope.value == pytest.approx(1.0, abs=1e-9)
    assert result.observed_expected.value == pytest.approx(1.0, abs=1e-12)
    assert result.at_horizon.value == pytest.approx(1.0, abs=1e-12)


def test_slope_of_two_groups_is_the_ratio_of_log_odds():
    result = judge(two_groups(40))  # 20 % of those given 10 %
    assert result.slope.value == pytest.approx(math.log(4) / math.log(9), abs=1e-9)
    assert result.observed_expected.value == pytest.approx(50 / 30)


def test_log_score_and_brier_by_hand():
    case = two_groups(20)
    result = judge(judged(case.model.horizon, case.failed, prior=np.full(220, 0.2), prior_watched=np.full(220, 0.2)))
    own = -(20 * math.log(0.1) + 180 * math.log(0.9) + 20 * math.log(0.5)) / 220
    prior = -(30 * math.log(0.2) + 190 * math.log(0.8)) / 220
    assert result.log_score.model == pytest.approx(own)
    assert result.log_score.prior == pytest.approx(prior)
    assert result.log_score.gain_over_prior.value == pytest.approx(prior - own)
    assert result.log_score.gain_over_pooled.value == 0
    assert result.brier.model == pytest.approx((20 * 0.81 + 180 * 0.01 + 20 * 0.25) / 220)


def test_censored_parts_are_held_against_the_time_they_were_watched():
    """100 parts given 30 % for the horizon; half of them watched only for the 10 % of its first part."""
    failed = np.r_[np.arange(50) < 15, np.arange(50) < 5]
    complete = np.r_[np.ones(50, bool), failed[50:]]
    watched = np.r_[np.full(50, 0.3), np.full(50, 0.1)]
    result = judge(judged(np.full(100, 0.3), failed, complete=complete, watched=watched, followed=np.r_[
        np.ones(50), np.full(50, 0.4)]))  # fmt: skip
    assert result.observed_expected.value == pytest.approx(20 / (50 * 0.3 + 50 * 0.1))
    (group,) = result.bands
    assert (group.parts, group.failures, group.expected) == (100, 20, pytest.approx(0.2))
    # 45 leave at 0.4 of the 95 then watched, after the 5 that failed there: G = 50/95; 5 + 50 x 95/50 = 100
    assert group.at_horizon.value == pytest.approx((5 + 15 * 95 / 50) / 100)
    assert result.watched_share == pytest.approx((55 + 45 * 0.4) / 100)


def test_slope_of_equal_chances_is_not_determined():
    result = judge(judged(np.full(100, 0.3), np.arange(100) < 30))
    assert math.isnan(result.slope.value) and math.isnan(result.slope.low)


def test_slope_of_chances_that_part_failed_from_good_is_not_determined():
    result = judge(judged(np.r_[np.full(30, 0.9), np.full(70, 0.1)], np.arange(100) < 30))
    assert math.isnan(result.slope.value)


def test_tenths_hold_equal_counts_and_never_split_equal_chances():
    assert np.bincount(tenths_of(np.arange(40) / 40, np.ones(40))).tolist() == [4] * 10
    assert len(set(tenths_of(np.full(7, 0.2), np.ones(7)))) == 1
    assert tenths_of(np.array([0.1, 0.2]), np.array([0.9, 0.1])).tolist() == [4, 9]  # by weight, not by row


def test_a_chance_on_an_edge_belongs_to_the_band_above():
    assert bands_of(np.array([0.0, 0.0999, 0.1, 0.1999, 0.2, 1.0])).tolist() == [0, 4, 5, 5, 6, 8]


def test_top_few_by_hand():
    """First list: the first and the fourth of four failed. Second: one of two failed."""
    case = judged([0.4, 0.3, 0.2, 0.1, 0.5, 0.2], [1, 0, 0, 1, 0, 1], machine=[0, 0, 0, 0, 1, 1])
    top = top_few(case)
    assert (top.found, top.by_chance, top.hindsight, top.machines) == (1 + 1, 2 * 3 / 4 + 1, 2 + 1, 2)
    assert top.gain == pytest.approx((2 - 2.5) / (3 - 2.5))


def test_top_few_counts_a_part_once_however_many_rows_it_has():
    case = judged([0.4, 0.4, 0.3, 0.2, 0.1], [1, 0, 0, 0, 1], part=[0, 0, 1, 2, 3], machine=[0] * 5,
                  weight=[0.5, 0.5, 1, 1, 1])  # fmt: skip
    assert (top_few(case).found, top_few(case).hindsight) == (0.5, 1.5)


def test_components_and_misses():
    case = judged(
        np.r_[np.full(30, 0.5), np.full(10, 0.01)], np.r_[np.arange(30) < 25, np.arange(10) < 1],
        component=np.repeat([0, 1], [30, 10]),
    )  # fmt: skip
    result = judge(type(case)(**{**case.__dict__, "components": ("battery", "stator")}))
    assert [(c.component, c.observed, c.expected) for c in result.components] == [
        ("battery", 25, 15), ("stator", 1, pytest.approx(0.1))]  # fmt: skip
    assert result.worst[0] == 30 and len(result.worst) == 20


@pytest.mark.parametrize(("count", "of"), [(0, 30), (3, 30), (30, 30), (14, 100)])
def test_binomial_interval_agrees_with_scipy(count, of):
    known = binomtest(count, of).proportion_ci(0.9, method="exact")
    assert binomial_interval(count, of, 0.9) == pytest.approx((known.low, known.high), abs=1e-10)


def test_poisson_interval_of_ten_is_the_tabled_one():
    """Ten events, 95 %: 4.795 to 18.39, as printed in the usual tables of Garwood's interval (from memory)."""
    assert poisson_interval(10, 0.95) == pytest.approx((4.795, 18.39), abs=0.005)
    assert poisson_interval(0, 0.95) == pytest.approx((0.0, -math.log(0.025)))


def test_a_part_is_named_once_among_the_misses():
    """Two halves of one part, the worst of all, and twenty more that failed."""
    chance = np.r_[0.01, 0.01, np.full(20, 0.5)]
    halves = judged(chance, np.ones(22), part=np.r_[0, np.arange(21)], weight=np.r_[0.5, 0.5, np.ones(20)])
    worst = judge(halves).worst
    assert worst[0] == 0 and 1 not in worst and len(worst) == 20
