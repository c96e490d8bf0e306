"""Aalen-Johansen against R survival 3.5-3 and surpyval 0.25 (mgus2), by hand, and against lifelines without ties."""

from fractions import Fraction

import lifelines
import numpy as np
import pytest

from analytics.competing import aalen_johansen
from analytics.curves import kaplan_meier
from tests.reference import data

MONTHS = [60, 120, 240, 360]
PROGRESSION = [0.0341037, 0.0637222, 0.0998137, 0.1340416]
DEATH = [0.3203670, 0.5318177, 0.7240280, 0.7842082]


def test_gammopathy_progression_and_death():
    curves = aalen_johansen(0, *data.mgus2())
    assert curves.by_cause[1].at(MONTHS) == pytest.approx(PROGRESSION, abs=1e-7)
    assert curves.by_cause[2].at(MONTHS) == pytest.approx(DEATH, abs=1e-7)


def test_one_minus_survival_of_one_cause_is_not_the_incidence():
    """The net risk "if nothing else ended it" (R: 1 - survfit) is far above the share that progressed."""
    months, how = data.mgus2()
    naive = 1 - kaplan_meier(0, months, how == 1).at(MONTHS)
    assert naive == pytest.approx([0.0421539, 0.0952217, 0.2095616, 0.4248369], abs=1e-7)
    assert (aalen_johansen(0, months, how).by_cause[1].at(MONTHS) < 0.82 * naive).all()


def test_ties_and_late_entry_by_hand():
    """Unsorted; the unit that enters at 2 is not at risk at 2, which ties both causes."""
    entry = [2, 0, 0, 1, 0, 0]
    exit_ = [4, 2, 2, 4, 3, 1]
    cause = [1, 2, 1, 0, 2, 0]
    # At risk at 2: the rows with entry < 2 <= exit , rows 1 to 4; at 3 rows 0, 3, 4; at 4 rows 0, 3.
    after_2 = Fraction(1, 2)
    first = Fraction(1, 4)
    second = Fraction(1, 4) + after_2 * Fraction(1, 3)
    after_3 = after_2 * Fraction(2, 3)
    curves = aalen_johansen(entry, exit_, cause)
    assert curves.by_cause[1].at([2, 4]) == pytest.approx([float(first), float(first + after_3 / 2)])
    assert curves.by_cause[2].at([2, 3, 4]) == pytest.approx([0.25, float(second), float(second)])


def test_adding_up_and_greenwood_for_a_single_cause():
    rng = np.random.default_rng(5)
    entry = rng.integers(0, 10, 300)
    exit_ = entry + rng.integers(1, 30, 300)
    cause = rng.integers(0, 4, 300)
    curves = aalen_johansen(entry, exit_, cause)
    total = curves.still_good.estimate + sum(c.estimate for c in curves.by_cause.values())
    assert total == pytest.approx(np.ones_like(total))
    alone = aalen_johansen(entry, exit_, np.minimum(cause, 1))
    seen = alone.still_good.estimate > 0
    assert alone.by_cause[1].std_error[seen] == pytest.approx(alone.still_good.std_error[seen], rel=1e-9)


def test_variance_agrees_with_lifelines_where_it_has_no_ties_to_jitter():
    rng = np.random.default_rng(8)
    time, cause = rng.uniform(1, 100, 120), rng.integers(0, 3, 120)
    theirs = lifelines.AalenJohansenFitter(calculate_variance=True).fit(time, cause, event_of_interest=1)
    ours = aalen_johansen(0, time, cause).by_cause[1]
    ages = theirs.cumulative_density_.index.to_numpy()[1:-3]
    assert ours.at(ages) == pytest.approx(theirs.cumulative_density_.iloc[1:-3, 0].to_numpy())
    assert ours.std_error_at(ages) ** 2 == pytest.approx(theirs.variance_.iloc[1:-3].to_numpy(), rel=1e-6)
