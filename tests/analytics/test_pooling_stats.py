"""Additive statistics: sums, and only sums."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from analytics.life_model_types import LifePrior
from analytics.pooling import fit_from_stats
from analytics.spells import Spells
from analytics.sufficient_stats import SufficientStats
from tests.analytics.pooling_cases import make_spells
from tests.worlds.simulate import WorldSettings, make_world

ARRAYS = SufficientStats._BY_CELL


@pytest.fixture(scope="module")
def spells() -> Spells:
    return make_world(7, WorldSettings(machines=60, components=4)).spells[3]


def by_key(stats: SufficientStats, name: str) -> np.ndarray:
    order = [stats.index[k] for k in sorted(stats.keys)]
    return getattr(stats, name)[..., order]


def test_one_by_one_is_the_same_as_all_at_once(spells: Spells) -> None:
    bulk, single = SufficientStats.from_spells(spells), SufficientStats()
    for at in range(len(spells)):
        single.add(spells, at)
    assert sorted(bulk.keys) == sorted(single.keys)
    for name in ARRAYS:
        np.testing.assert_allclose(by_key(bulk, name), by_key(single, name), rtol=1e-10, atol=1e-12)
    np.testing.assert_allclose(bulk.renewals, single.renewals)
    np.testing.assert_allclose(by_key(bulk, "reasons"), by_key(single, "reasons"))
    assert bulk.unknown_start == pytest.approx(single.unknown_start)


def test_added_and_taken_back_leaves_no_trace(spells: Spells) -> None:
    stats = SufficientStats.from_spells(spells)
    before = {name: getattr(stats, name).copy() for name in ARRAYS}
    machines = dict(stats.seen_machines.counts)
    for at in range(len(spells)):
        stats.add(spells, at)
    for at in reversed(range(len(spells))):
        stats.remove(spells, at)
    for name in ARRAYS:
        np.testing.assert_allclose(getattr(stats, name), before[name], rtol=1e-12, atol=1e-12)
    assert stats.seen_machines.counts == machines


def test_the_order_of_rows_does_not_matter(spells: Spells) -> None:
    shuffled = spells.subset(np.random.default_rng(3).permutation(len(spells)))
    one, other = SufficientStats.from_spells(spells), SufficientStats.from_spells(shuffled)
    for name in ARRAYS:
        np.testing.assert_allclose(by_key(one, name), by_key(other, name), rtol=1e-11, atol=1e-12)


def test_a_spell_cut_in_two_says_the_same(spells: Spells) -> None:
    known = spells.subset(spells.known_start & (spells.outcome < 2))
    cut_days = 0.5 * (known.entry_days + known.exit_days)
    cut_km = 0.5 * (known.entry_km + known.exit_km)
    first = replace(known, exit_days=cut_days, exit_km=cut_km, outcome=np.zeros_like(known.outcome))
    second = replace(known, entry_days=cut_days, entry_km=cut_km)
    whole, parts = SufficientStats.from_spells(known), SufficientStats.from_spells(first)
    parts.update(second)
    for name in ("exposure", "failures", "log_u", "log_rate"):
        np.testing.assert_allclose(by_key(whole, name), by_key(parts, name), rtol=1e-9, atol=1e-12)


def test_a_renewal_nobody_explained_counts_for_its_share_of_a_failure() -> None:
    # 9 known failures, 3 known good; with 4 invented renewals of which 0.7 failed: (9 + 2.8) / 16
    spells = make_spells(
        0.0, np.full(14, 900.0), np.r_[np.ones(9), np.zeros(3), 3, 3], removal=np.r_[np.ones(9), np.full(3, 4), 12, 12]
    )
    stats = SufficientStats.from_spells(spells)
    assert stats.failed_share == pytest.approx(11.8 / 16)
    fit = fit_from_stats(stats, LifePrior(2.0, scale_years=5.0))
    # the one cell's own share lies between what its reasons say and the shrunk one
    assert 9 + 2 * 11.8 / 16 <= fit.evidence[-1, 0] <= 9 + 2 * 9 / 12


def test_second_hand_parts_are_left_out_and_counted() -> None:
    stats = SufficientStats.from_spells(make_spells(0.0, [900.0, 900.0], [1, 1], quality=[3, 0]))
    assert stats.left_out_used == 1.0
    assert stats.failures[0].sum() == 1.0
