"""One-group fits and curves side by side with lifelines on the same rows, in one run on one thread.

Run: python -m tests.bench.one_group [largest number of rows]
Rows: Weibull(2.2, 60,000 km) lives, about half entered late, most still good at exit, whole km, weights 1 to 3.
Each time is the best of several runs, input checks included; a ratio is lifelines' time over ours. Both fits must
reach the same log-likelihood to 1e-6, and both curves the same values, or the run stops.
"""

from __future__ import annotations

import os

os.environ.setdefault("OPENBLAS_NUM_THREADS", "1")  # before numpy: its threads would not be like for like

import sys
import time
from collections.abc import Callable
from typing import Any

import lifelines
import numpy as np

from analytics.curves import kaplan_meier
from analytics.weibull import fit_weibull

FIT_GOALS = {100_000: 50.0, 1_000_000: 150.0}
CURVE_GOAL = 5.0


def rows(n: int, seed: int = 1) -> tuple[np.ndarray, np.ndarray, np.ndarray, np.ndarray]:
    """Entry, exit, failed, weight of n spells."""
    rng = np.random.default_rng(seed)
    entry = np.where(rng.random(n) < 0.53, rng.uniform(2_000, 60_000, n), 0.0)
    # A life given survival to entry, by inversion.
    life = 60_000 * ((entry / 60_000) ** 2.2 + rng.exponential(size=n)) ** (1 / 2.2)
    end = entry + rng.uniform(1_000, 35_000, n)
    exit_ = np.ceil(np.minimum(life, end)) + 1
    return np.floor(entry), exit_, life < end, rng.integers(1, 4, n).astype(float)


def best(call: Callable[[], Any], repeats: int) -> tuple[float, Any]:
    """Shortest time in ms and the result."""
    times, result = [], None
    for _ in range(repeats):
        start = time.perf_counter()
        result = call()
        times.append(time.perf_counter() - start)
    return 1e3 * min(times), result


def line(what: str, n: int, ours: float, theirs: float, goal: float | None) -> None:
    """Print one comparison."""
    verdict = "" if goal is None else f"   to reach {goal:.0f}x: {'yes' if theirs / ours >= goal else 'NO'}"
    print(f"{what:<38}{n:>9} rows {ours:>9.2f} ms  lifelines {theirs:>9.1f} ms  {theirs / ours:>6.1f}x{verdict}")


def main(largest: int = 1_000_000) -> None:
    """Run every size up to `largest`."""
    for n in (size for size in (1_000, 10_000, 100_000, 1_000_000) if size <= largest):
        entry, exit_, failed, weight = rows(n)
        ours, fit = best(lambda: fit_weibull(entry, exit_, failed, weight), 7)  # noqa: B023
        theirs, fitter = best(
            lambda: lifelines.WeibullFitter().fit(exit_, failed, entry=entry, weights=weight),  # noqa: B023
            2 if n >= 100_000 else 5,
        )
        if abs(fit.log_likelihood - fitter.log_likelihood_) > 1e-6:
            raise SystemExit(f"log-likelihoods differ at {n} rows: {fit.log_likelihood} {fitter.log_likelihood_}")
        line("Weibull, whole km", n, ours, theirs, FIT_GOALS.get(n))
        miles = entry / 1.609344, exit_ / 1.609344
        ours, _ = best(lambda: fit_weibull(*miles, failed, weight), 3)  # noqa: B023
        line("Weibull, fractional ages", n, ours, theirs, None)
    ours, curve = best(lambda: kaplan_meier(entry, exit_, failed, weight), 7)
    theirs, fitter = best(lambda: lifelines.KaplanMeierFitter().fit(exit_, failed, entry=entry, weights=weight), 3)
    ages = np.array([10_000.0, 40_000.0, 80_000.0])
    if not np.allclose(curve.at(ages), fitter.survival_function_at_times(ages).to_numpy(), rtol=1e-9):
        raise SystemExit("curves differ")
    line("Kaplan-Meier, late entry, whole km", n, ours, theirs, CURVE_GOAL if n == 1_000_000 else None)
    ours, _ = best(lambda: kaplan_meier(*miles, failed, weight), 3)
    theirs, _ = best(lambda: lifelines.KaplanMeierFitter().fit(miles[1], failed, entry=miles[0], weights=weight), 3)
    line("Kaplan-Meier, fractional ages", n, ours, theirs, None)


if __name__ == "__main__":
    main(int(sys.argv[1]) if len(sys.argv) > 1 else 1_000_000)
