"""What is flagged, and what is not, on demo worlds: planted weaknesses, legends, and models with hardly a machine.

The long form is 100 worlds of the demo's size, the short one two.
"""

from __future__ import annotations

from collections import Counter

from tests.worlds.flag_rates import FALSE_LEADS, WEAKNESSES, flagged


def test_weaknesses_are_flagged_and_false_leads_are_not(torture: bool) -> None:
    worlds = 100 if torture else 2
    counts = Counter(name for seed in range(1, worlds + 1) for name in flagged(seed))
    print(dict(counts))
    assert all(counts[name] >= 0.9 * worlds for name in WEAKNESSES)
    assert all(counts[name] <= 0.05 * worlds for name in FALSE_LEADS)
