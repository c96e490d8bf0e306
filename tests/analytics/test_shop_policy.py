"""A shop that renews on schedule: the naive ratio looks safe, the censored analysis agrees with the others."""

import numpy as np
import pytest

from analytics.errors import InvalidObservations
from analytics.shop_policy import AS_OTHERS, HIDES, MORE, NOT_ENOUGH, expected_failures, shop_policies
from analytics.spells import Outcome
from tests.analytics.comparison_cases import ModelCase, records, table_of

EVEN = [ModelCase(machines=300)] * 3


def test_renewing_early_hides_failures_and_the_censored_ratio_shows_it():
    """Shop 1 renews at 22,000 km; lives are the same everywhere. Eight seeded worlds."""
    seen = {True: [], False: []}
    for seed in range(8):
        spells = records(EVEN, seed, renew_at=22_000.0)
        for number, shop in enumerate(shop_policies(table_of(spells), "regulator", spells)):
            seen[number == 1].append(shop)
    for shop in seen[True]:
        assert shop.naive_ratio.value < 0.85 and shop.scheduled_share > 0.2
        assert shop.scheduled_km == pytest.approx(22_000)
    assert sum(s.finding == HIDES for s in seen[True]) >= 7
    ratios = [s.censored_ratio.value for s in seen[True]]
    assert np.exp(np.log(ratios).mean()) == pytest.approx(1.0, abs=0.15)
    assert all(s.scheduled_share == 0 and np.isnan(s.scheduled_km) for s in seen[False])
    assert not any(s.finding == HIDES for s in seen[False])


def test_without_policy_shops_agree():
    spells = records(EVEN, 21)
    findings = [s.finding for s in shop_policies(table_of(spells), "regulator", spells)]
    assert findings.count(AS_OTHERS) >= 3


def test_expected_failures_add_up_to_those_seen():
    spells = records(EVEN, 5)
    expected = expected_failures(table_of(spells), "regulator", spells).sum()
    assert expected == pytest.approx((spells.outcome == Outcome.FAILED).sum(), rel=0.05)


def test_a_shop_with_more_failures_is_told():
    """Half of what shop 2 watched without a failure is taken out of its records."""
    spells = records(EVEN, 8)
    drop = (spells.shop == 2) & (spells.outcome == Outcome.CENSORED) & (np.arange(len(spells)) % 8 < 6)
    kept = spells.subset(~drop)
    shop = shop_policies(table_of(spells), "regulator", kept)[2]
    assert shop.finding == MORE and shop.naive_ratio.low > 1


def test_little_data_and_refusals():
    few = records([ModelCase(machines=12)], 2)
    assert {s.finding for s in shop_policies(table_of(few), "regulator", few)} == {NOT_ENOUGH}
    with pytest.raises(InvalidObservations, match="but one"):
        shop_policies(table_of(few), "regulator", few.subset(few.shop == 0))
