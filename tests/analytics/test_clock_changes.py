"""Clocks changed by build date, on invented machines: what is flagged, and how often by chance alone."""

from __future__ import annotations

from dataclasses import replace
from datetime import date

import numpy as np
import pytest
from scipy.stats import binom

from analytics.clock_changes import CLOCKS, ClocksWatched, clock_looks
from analytics.drift import FALSE_SHARE, MORE, alerts
from analytics.spells import Cell

CELLS = tuple(Cell("make", "family", f"model {k}") for k in range(6))
YEAR = 365.25


def watched(seed: int, machines: int = 1500) -> ClocksWatched:
    """Shops of different models and habits; a clock fails more often the older the machine."""
    rng = np.random.default_rng(seed)
    shop = rng.integers(0, 5, machines)
    cell = (shop + rng.integers(0, 3, machines)) % 6
    year = 2008 + (cell + rng.integers(0, 8, machines)) % 10
    new_day = np.array([date(y, 1, 1).toordinal() for y in year.tolist()]) + rng.uniform(0, 365, machines)
    start = np.maximum(date(2014, 1, 1).toordinal() - new_day, 0) + rng.uniform(0, 3 * YEAR, machines)
    end = start + rng.uniform(0.2, 6.0, machines) * YEAR
    written = np.array([0.0, 0.1, 0.5, 1.0, 1.0])[shop]  # what a shop writes down
    luck = -np.log(rng.random(machines)) / np.maximum(written, 1e-9)
    age = np.sqrt(start**2 + (60 * YEAR) ** 2 * luck)
    return ClocksWatched(cell, shop, new_day, start, np.minimum(age, end), age < end)


def test_lists_where_no_build_differs_are_empty_but_for_the_stated_share() -> None:
    """60 worlds, though shops, models and ages differ; the bound is the 99.9 % point of the binomial law."""
    held = [alerts(clock_looks(watched(seed), CELLS, "clock")) for seed in range(60)]
    assert sum(bool(a) for a in held) <= binom.ppf(0.999, 60, FALSE_SHARE)


def test_a_few_clocks_of_one_build_are_found() -> None:
    """Four of fifty machines, and hardly any elsewhere: too few for any approximation, and enough."""
    plain = watched(3)
    batch = np.flatnonzero((plain.cell == 2) & (np.abs(plain.new_day - date(2012, 7, 1).toordinal()) < 180))
    changed = np.zeros(len(plain.cell), dtype=bool)
    changed[batch[:4]] = True
    found = alerts(clock_looks(replace(plain, changed=changed), CELLS, "clock"))
    assert [(a.cell, a.period, a.seen, a.scale, a.finding) for a in found] == [(CELLS[2], "2012", 4.0, CLOCKS, MORE)]
    assert found[0].expected < 1.5 and found[0].ratio.low > 1


def test_chances_are_those_of_the_binomial_law() -> None:
    """One shop, one age: given seven changes, the number on a build is binomial in its share of the time."""
    machines = 40
    one = np.zeros(machines, dtype=int)
    new_day = np.where(np.arange(machines) < 10, date(2015, 3, 1).toordinal(), date(2016, 3, 1).toordinal())
    changed = np.arange(machines) % 6 == 0
    even = ClocksWatched(one, one, new_day.astype(float), np.full(machines, 10.0), np.full(machines, 400.0), changed)
    look = next(x for x in clock_looks(even, CELLS, "clock") if x.period == "2015")
    share, seen, all_seen = 0.25, int(changed[:10].sum()), int(changed.sum())
    tails = binom.sf(seen - 1, all_seen, share), binom.cdf(seen, all_seen, share)
    assert look.p_value == pytest.approx(min(2 * min(tails), 1.0)) and look.expected == pytest.approx(all_seen * share)


def test_nothing_to_look_at() -> None:
    plain = watched(1, 50)
    assert clock_looks(replace(plain, changed=np.zeros(50, dtype=bool)), CELLS, "clock") == []
    assert clock_looks(replace(plain, new_day=np.full(50, np.nan)), CELLS, "clock") == []
