"""Do parts of one group of machines fail more than the others, at equal distance and age?

Question answered: of how a machine is used, where it runs, who keeps it, does any of it make this part fail more than
its model's life says? Each part is held against its own model's pooled life over what it was really watched, so that
a group of other models, or of higher distance, is no group of worse parts.
The ratio of a group is shrunk by a gamma prior worth `PRIOR_FAILURES` at 1.

Source: observed over expected, Breslow & Day 1987; gamma-Poisson posterior, Gelman et al., Bayesian Data Analysis, 2.6.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from scipy.special import gammainc, gammaincinv

from analytics.comparisons import AS_OTHERS, BETTER, CLEARED, ENOUGH_FAILURES, MATTERS, NOT_ENOUGH, SURE, UNCLEAR, WEAK
from analytics.errors import InvalidObservations
from analytics.failures_seen import spell_failures
from analytics.life_model_types import Probability
from analytics.risk_draws import RiskTable
from analytics.spells import DAYS_PER_YEAR, Ints, Quality, Spells

PRIOR_FAILURES = 4.0  # own choice, as in `shop_policy`
LEVEL_SD = 0.1  # of log rate: groups differ for reasons nobody planned
USES = ("light use, below 3,000 km a year", "usual use, 3,000 to 10,000 km a year", "hard use, above 10,000 km a year")
_USE_EDGES = (3_000.0, 10_000.0)


@dataclass(frozen=True)
class GroupCompared:
    """One group against all others; `expected` at the level of the others, `finding` as in `analytics.comparisons`."""

    group: str
    machines: int
    parts: float
    failures: float
    expected: float
    ratio: Probability
    chance_weak: float
    finding: str


def use_group(spells: Spells) -> Ints:
    """Which of `USES` each spell's machine is in, by its mean distance a year, (n,)."""
    rate = spells.exit_km / np.maximum(spells.exit_days, 1.0) * DAYS_PER_YEAR
    return np.searchsorted(np.array(_USE_EDGES), rate, side="right")


def compare_groups(
    table: RiskTable, component: str, spells: Spells, group: Ints, names: Sequence[str], *, level: float = 0.9
) -> list[GroupCompared]:
    """Every group against the others.

    Parameters
    ----------
    table : RiskTable
        Holding the component's fit.
    component : str
    spells : Spells
    group : (n,) int
        Index into `names`; spells of -1 are left out, as are parts of unknown start and used ones.
    names : sequence of str
    level : float

    Raises
    ------
    UnknownComponent
        There is no fit of that name.
    InvalidObservations
        A group without a name, or a level outside (0, 1).
    """
    if len(group) != len(spells) or (len(group) and int(group.max()) >= len(names)):
        raise InvalidObservations("group: give an index into names for every spell")
    if not 0 < level < 1:
        raise InvalidObservations(f"level must lie between 0 and 1, not {level!r}")
    table.fit_of(component)
    keep = spells.known_start & (spells.quality != Quality.USED) & (group >= 0)
    mine, of = spells.subset(keep), group[keep]
    counted = spell_failures(table, component, mine)
    out = []
    for g in np.unique(of).tolist():
        at = of == g
        rest_seen, rest = float(counted.seen[~at].sum()), float(counted.expected[~at].sum())
        if rest <= 0:
            continue
        seen = float(counted.seen[at].sum())
        expected = float(counted.expected[at].sum()) * (rest_seen + PRIOR_FAILURES) / (rest + PRIOR_FAILURES)
        machines, parts = len(np.unique(mine.machine[at])), float(mine.weight[at].sum())
        out.append(_compared(names[g], (machines, parts, seen, expected), 1.0 / (rest_seen + PRIOR_FAILURES), level))
    return out


def _compared(name: str, counts: tuple[int, float, float, float], rest: float, level: float) -> GroupCompared:
    machines, parts, seen, expected = counts
    # the others' level and what nobody planned, added to the Poisson doubt by widening the gamma
    widen = 1.0 + (seen + PRIOR_FAILURES) * (rest + LEVEL_SD**2)
    size = (seen + PRIOR_FAILURES) / widen
    per = (expected + PRIOR_FAILURES) / widen
    low, high = (float(gammaincinv(size, p)) / per for p in (0.5 - level / 2, 0.5 + level / 2))
    weak = 1.0 - float(gammainc(size, MATTERS * per))
    better = float(gammainc(size, per / MATTERS))
    return GroupCompared(
        name, machines, parts, seen, expected, Probability(size / per, low, high, level), weak,
        _finding(max(seen, expected), weak, better),
    )  # fmt: skip


def _finding(weight: float, weak: float, better: float) -> str:
    if weight < ENOUGH_FAILURES:
        return NOT_ENOUGH
    if weak > SURE:
        return WEAK
    if better > SURE:
        return BETTER
    return AS_OTHERS if max(weak, better) < CLEARED else UNCLEAR
