"""The simulated bill against every combination of jobs, enumerated by code in this file."""

from __future__ import annotations

import time
from itertools import product

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from tests.analytics.pricing_cases import GROUPS, WORK, bill, part


def enumerated(parts):
    """Every combination of likely jobs: (money, chance) with covers opened once, by trying all."""
    hours = {g.id: g.hours for g in GROUPS}
    cases = []
    for states in product([0, 1], repeat=len(parts)):
        on = [p for p, s in zip(parts, states, strict=True) if s]
        chance = np.prod([p.chance_bad_now if s else 1 - p.chance_bad_now for p, s in zip(parts, states, strict=True)])
        opened = {p.access_group for p in on}
        if "HEAD" in opened:  # the one cover of these with another inside
            opened -= {"TANK"}
        labour = sum(p.job_hours - hours[p.access_group] for p in on) + sum(hours[g] for g in opened)
        cases.append((60 * labour + float(sum(p.part_cost for p in on)), chance))
    return sorted(cases)


@settings(max_examples=12, deadline=None, derandomize=True)
@given(st.lists(st.sampled_from(sorted(WORK)), min_size=1, max_size=6, unique=True), st.data())
def test_simulation_agrees_with_exact_enumeration(names, data):
    """Mean within 5 standard errors; the points lie where the exact distribution has 10, 50, 90 % (2 % either way)."""
    parts = [part(name, now=data.draw(st.integers(4, 16)) / 20) for name in names]
    found = bill(parts).likely
    cases = enumerated(parts)
    money, chance = np.array(cases).T
    mean = float(money @ chance)
    error = float(np.sqrt(chance @ (money - mean) ** 2) / 20_000**0.5)
    assert float(found.expected) == pytest.approx(mean, abs=5 * error + 0.01)
    for level, point in ((0.1, found.low), (0.5, found.median), (0.9, found.high)):
        below, upto = chance[money < float(point) - 0.01].sum(), chance[money <= float(point) + 0.01].sum()
        assert below - 0.02 <= level <= upto + 0.02


def test_a_whole_machine_is_priced_quickly():
    parts = [part(c, now=0.3, season=0.1, position=str(i)) for i in range(8) for c in WORK]
    start = time.process_time()
    bill(parts)
    assert time.process_time() - start < 1
