"""Do prediction intervals of a fleet's failures next quarter hold as often as they say, on worlds of known truth?

    python -m tests.worlds.forecasts --worlds 200

Each world: some components fitted to 800 machines' records, a fleet of 400 other machines of the same models, each
with riders of its own and kept by one of the shops, and its true chance of failures in the next quarter. The share of
true outcomes inside the interval is worked by simulation of the truth. Counts of single components are small whole
numbers, whose intervals hold more than they say: those are judged by the randomised transform (Czado, Gneiting & Held
2009), which is uniform where forecasts are right.
"""

from __future__ import annotations

import argparse
from dataclasses import dataclass

import numpy as np

from analytics.count_forecast import CountForecast
from analytics.fleet import outlook
from analytics.fleet_parts import fleet_of
from analytics.fleet_types import FleetMachine
from analytics.life_model_types import PartState
from analytics.operational_time import REFERENCE_KM_PER_YEAR
from analytics.risk_draws import RiskTable
from analytics.spells import DAYS_PER_YEAR, Floats
from tests.worlds.evaluate import fit_world, part_ages
from tests.worlds.simulate import Fleet, World, WorldSettings, make_fleet, make_world

QUARTER_YEARS = 0.25
OUTCOMES = 400
LEVELS = (0.8, 0.95)


@dataclass(frozen=True)
class Coverage:
    """Share of true outcomes inside the intervals of `LEVELS`, of all failures and of single components."""

    total: tuple[float, float]
    components: tuple[float, float]
    bias: float


def one_world(seed: int, components: int = 8, machines: int = 400) -> Coverage:
    world = make_world(seed, WorldSettings(components=components))
    table = RiskTable.from_fits(fit_world(world))
    rng = np.random.default_rng([seed, 11])
    fleet = make_fleet(rng, machines, world.seen_models)
    starts = np.array([part_ages(t, fleet, rng) for t in world.truths])
    found = outlook(fleet_of(table, _machines(world, fleet, starts)), QUARTER_YEARS * DAYS_PER_YEAR, steps=3)
    true = np.array([_outcomes(world, fleet, i, starts[i], rng) for i in range(components)])  # (c, outcomes)
    at = [found.components.index(t.name) for t in world.truths]
    total = true.sum(axis=0)
    return Coverage(
        tuple(float(np.mean(_inside(found.total, total, level))) for level in LEVELS),  # type: ignore[arg-type]
        tuple(
            float(np.mean([_by_transform(found.forecasts[k], true[i], level, rng) for i, k in enumerate(at)]))
            for level in LEVELS
        ),  # type: ignore[arg-type]
        found.total.expected / float(total.mean()),
    )


def _machines(world: World, fleet: Fleet, starts: Floats) -> list[FleetMachine]:
    out = []
    for m in range(len(fleet.model)):
        years, km_year = float(fleet.exit_years[m]), float(fleet.km_per_year[m])
        ages = years - starts[:, m]
        states = [
            PartState(t.name, years * km_year, years * DAYS_PER_YEAR, a * km_year, a * DAYS_PER_YEAR)
            for t, a in zip(world.truths, ages.tolist(), strict=True)
        ]
        out.append(FleetMachine(world.cells[int(fleet.model[m])], km_year / DAYS_PER_YEAR, states))
    return out


def _outcomes(world: World, fleet: Fleet, i: int, start: Floats, rng: np.random.Generator) -> Floats:
    """Numbers of failures of one component in the quarter, a replacement's own included, (outcomes,)."""
    truth = world.truths[i]
    unit = truth.clock_weight * fleet.km_per_year / REFERENCE_KM_PER_YEAR + (1 - truth.clock_weight)
    spread = world.settings.rider_frailty
    own = np.exp(spread * fleet.rider - 0.5 * spread**2 + truth.shop[fleet.shop])
    now, ahead = (fleet.exit_years - start) * unit, QUARTER_YEARS * unit

    def hazard(age: Floats) -> Floats:
        return own * truth.cumulative_hazard(fleet.model, age)

    first = -np.expm1(hazard(now) - hazard(now + ahead))
    again = -np.expm1(-hazard(0.5 * ahead))  # a replacement fitted in the middle of the quarter
    failed = rng.random((OUTCOMES, len(first))) < first
    return (failed + (failed & (rng.random(failed.shape) < again))).sum(axis=1).astype(float)


def _inside(forecast: CountForecast, seen: Floats, level: float) -> Floats:
    low, high = forecast.between(level)
    return np.asarray((seen >= low) & (seen <= high), dtype=float)


def _by_transform(forecast: CountForecast, seen: Floats, level: float, rng: np.random.Generator) -> Floats:
    last = len(forecast.cumulative) - 1
    k = np.minimum(seen.astype(int), last)
    below = np.where(k > 0, forecast.cumulative[np.maximum(k - 1, 0)], 0.0)
    u = below + rng.random(len(k)) * (forecast.cumulative[k] - below)
    return np.abs(u - 0.5) <= level / 2


def coverage(worlds: int, first: int = 0) -> tuple[Floats, Floats]:
    """Mean coverage and its standard error over worlds: total 80, total 95, components 80, components 95, bias."""
    rows = np.array([[*c.total, *c.components, c.bias] for c in (one_world(first + s) for s in range(worlds))])
    return rows.mean(axis=0), rows.std(axis=0, ddof=1) / np.sqrt(worlds)


def main() -> None:
    parser = argparse.ArgumentParser(description=(__doc__ or "").splitlines()[0])
    parser.add_argument("--worlds", type=int, default=200)
    parser.add_argument("--first", type=int, default=0)
    args = parser.parse_args()
    mean, error = coverage(args.worlds, args.first)
    for name, m, e in zip(("total 80", "total 95", "components 80", "components 95", "bias"), mean, error, strict=True):
        print(f"{name} {100 * m:.1f} +/- {100 * e:.1f}")


if __name__ == "__main__":
    main()
