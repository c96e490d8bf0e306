"""What a renewal interval chosen from the records of 800 machines really costs, against the best there is.

Lives are Weibull of known shape and scale, so the cost of any interval is exact (Barlow & Proschan 1965, 4.2).
"""

from __future__ import annotations

import numpy as np

from analytics.new_life import fitted_life, known_life
from analytics.renewal_policy import RenewalCosts, renewal_policy
from tests.analytics.comparison_cases import ModelCase, records, table_of

COSTS = RenewalCosts(100, 500)


def excess(seed: int, shape: float) -> float:
    """Realised cost above the optimum of the truth, a share."""
    spells = records([ModelCase(machines=800)], seed, shape=shape)
    life = fitted_life(table_of(spells), "regulator", spells.cells[0], clock="km", km_per_day=14.0)
    chosen = renewal_policy(life, COSTS).interval
    truth = known_life(shape, 50_000.0)
    asked = () if chosen is None else (chosen,)
    found = renewal_policy(truth, COSTS, alternatives=asked)
    return found.alternatives[0].excess  # of the chosen interval, or of running to failure


def test_realised_cost_is_near_the_best(torture: bool) -> None:
    worlds = 100 if torture else 10
    for shape in (2.0, 3.0, 5.0):
        lost = np.array([excess(seed, shape) for seed in range(worlds)])
        print(shape, f"mean {lost.mean():.3%}, worst {lost.max():.3%}")
        assert lost.mean() < 0.01 and np.quantile(lost, 0.9) < 0.03
