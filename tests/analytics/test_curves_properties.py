"""What must hold for every curve whatever the data: bounds, monotony, invariance; limits with a closed form."""

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from analytics.competing import aalen_johansen
from analytics.curves import kaplan_meier, nelson_aalen

KM_PER_MILE = 1.609344
ROWS = st.lists(
    st.tuples(st.integers(0, 30), st.integers(1, 30), st.integers(0, 2), st.integers(1, 3)), min_size=1, max_size=40
)


def columns(rows):
    entry, length, cause, weight = np.array(rows).T
    return entry, entry + length, cause, weight


@given(ROWS)
def test_curves_stay_in_range_and_never_turn_back(rows):
    entry, exit_, cause, weight = columns(rows)
    survival = kaplan_meier(entry, exit_, cause > 0, weight)
    hazard = nelson_aalen(entry, exit_, cause > 0, weight)
    falling = [survival.estimate]
    rising = [hazard.estimate] + [c.estimate for c in aalen_johansen(entry, exit_, cause, weight).by_cause.values()]
    for curve in (survival, *aalen_johansen(entry, exit_, cause, weight).by_cause.values()):
        assert ((curve.estimate >= 0) & (curve.estimate <= 1 + 1e-12)).all()
        assert ((curve.low >= 0) & (curve.high <= 1)).all()
    assert all((np.diff(values) <= 1e-12).all() for values in falling)
    assert all((np.diff(values) >= -1e-12).all() for values in rising)
    assert (survival.at_risk >= survival.events).all()
    inside = survival.estimate > 0
    assert (survival.low[inside] <= survival.estimate[inside] + 1e-12).all()
    assert (survival.high[inside] >= survival.estimate[inside] - 1e-12).all()


@given(ROWS, st.integers(0, 2**32 - 1))
def test_row_order_and_split_spells_change_nothing(rows, seed):
    entry, exit_, cause, weight = columns(rows)
    ages = np.arange(exit_.max() + 1)
    expected = kaplan_meier(entry, exit_, cause > 0, weight)
    rng = np.random.default_rng(seed)
    order = rng.permutation(len(rows))
    shuffled = kaplan_meier(entry[order], exit_[order], cause[order] > 0, weight[order])
    cut = rng.integers(entry + 1, exit_, endpoint=True)
    pieces = cut < exit_
    split = kaplan_meier(
        np.concatenate([entry, cut[pieces]]),
        np.concatenate([cut, exit_[pieces]]),
        np.concatenate([(cause > 0) & ~pieces, cause[pieces] > 0]),
        np.concatenate([weight, weight[pieces]]),
    )
    for other in (shuffled, split):
        assert other.at(ages) == pytest.approx(expected.at(ages), abs=1e-12)
        assert other.at_risk_at(ages).tolist() == expected.at_risk_at(ages).tolist()
        assert other.std_error_at(ages) == pytest.approx(expected.std_error_at(ages), nan_ok=True)


@given(ROWS)
def test_kilometres_and_miles_tell_the_same_story(rows):
    """Whole numbers are counted in bins and fractions are sorted: two routes, one answer."""
    entry, exit_, cause, _ = columns(rows)
    in_km = kaplan_meier(entry * 1000, exit_ * 1000, cause > 0)
    in_miles = kaplan_meier(entry * 1000 / KM_PER_MILE, exit_ * 1000 / KM_PER_MILE, cause > 0)
    assert in_miles.estimate == pytest.approx(in_km.estimate, abs=1e-12)
    assert in_miles.time * KM_PER_MILE == pytest.approx(in_km.time)


@given(st.lists(st.integers(1, 50), min_size=1, max_size=40))
def test_without_censoring_it_is_one_minus_the_share_failed(ages):
    ages = np.array(ages)
    curve = kaplan_meier(0, ages, True)
    grid = np.arange(ages.max() + 1)
    assert curve.at(grid) == pytest.approx([(ages > age).mean() for age in grid], abs=1e-12)


@given(ROWS)
def test_weights_are_repeated_rows(rows):
    entry, exit_, cause, weight = columns(rows)
    ages = np.arange(exit_.max() + 1)
    repeated = kaplan_meier(*(np.repeat(column, weight) for column in (entry, exit_, cause > 0)))
    assert kaplan_meier(entry, exit_, cause > 0, weight).at(ages) == pytest.approx(repeated.at(ages), abs=1e-12)


def test_empty_ages_and_unwatched_starts_are_said():
    curve = kaplan_meier([5, 20], [10, 30], [0, 1])
    assert any("before age 5" in note for note in curve.notes)
    assert any("in between nobody" in note for note in curve.notes)
    assert np.isnan(curve.at(31)) and curve.at_risk_at([5, 6, 15, 30]).tolist() == [0, 1, 0, 1]
