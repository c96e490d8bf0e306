"""How well calibrated the life model is on worlds of known truth.

    python -m tests.worlds.evaluate --machines 800 --seeds 101-112 [--preset milder] [--lives lognormal]

For 300 test machines a world, every part's chance to fail in the next 5,000 km or 12 months is compared with the true
conditional chance of its cell at the average rider and shop. Printed: ECE against the truth, calibration slope,
coverage of the 80 and 95 % intervals, true risk lost in the top three against hindsight (regret), share of the
pooled curve's information loss that is saved.
"""

from __future__ import annotations

import argparse
import time
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from analytics.component_fit import ComponentFit
from analytics.life_model_types import Horizon, PartState
from analytics.operational_time import REFERENCE_KM_PER_YEAR
from analytics.pooling import fit_components
from analytics.risk import RiskTable, assess
from analytics.spells import DAYS_PER_YEAR
from analytics.unknown_start import renewal_masses
from tests.worlds.simulate import (
    MODELS,
    PRESETS,
    Fleet,
    TrueLife,
    World,
    WorldSettings,
    make_fleet,
    make_world,
    pooled,
)

Floats = NDArray[np.float64]

HORIZON = Horizon(5000.0, 365.25)
_STEPS = 400


@dataclass(frozen=True)
class Answers:
    """One row a test part."""

    truth: Floats
    value: Floats
    low80: Floats
    high80: Floats
    low95: Floats
    high95: Floats
    machine: NDArray[np.int64]
    failures: Floats
    known_as: NDArray[np.str_]
    unknown_start: NDArray[np.bool_]


def part_ages(truth: TrueLife, fleet: Fleet, rng: np.random.Generator) -> Floats:
    """Calendar start (years) of the part on each machine when it is looked at."""
    rate = truth.clock_weight * fleet.km_per_year / REFERENCE_KM_PER_YEAR + (1 - truth.clock_weight)
    start, machine = np.zeros(len(rate)), np.arange(len(rate))
    while len(machine):
        life = truth.draw_life(fleet.model[machine], 0.0 * rate[machine], rng) / rate[machine]
        again = start[machine] + life < fleet.exit_years[machine]
        machine, life = machine[again], life[again]
        start[machine] += life
    return start


def true_chance(truth: TrueLife, model: NDArray[np.int64], age: Floats, ahead: Floats) -> Floats:
    """Conditional chance for an average rider and shop."""
    return -np.expm1(truth.cumulative_hazard(model, age) - truth.cumulative_hazard(model, age + ahead))


def true_chance_unknown(truth: TrueLife, model: NDArray[np.int64], now: Floats, ahead: Floats) -> Floats:
    """The same where the start is unknown: averaged over the renewal process."""
    step = now / _STEPS
    edges = np.maximum(np.arange(-0.5, _STEPS, 1.0), 0.0)[None] * step[:, None]
    alive = np.exp(-np.array([truth.cumulative_hazard(model, edges[:, k]) for k in range(edges.shape[1])])).T
    mass = -np.diff(alive, axis=1)
    masses = renewal_masses(mass, np.concatenate([np.zeros_like(mass[:, :1]), mass[:, 1:]], axis=1))
    ages = now[:, None] - np.arange(_STEPS) * step[:, None]
    live = np.exp(-np.array([truth.cumulative_hazard(model, ages[:, k]) for k in range(_STEPS)])).T
    weight = np.concatenate([masses * live, np.exp(-truth.cumulative_hazard(model, now))[:, None]], axis=1)
    ages = np.concatenate([ages, now[:, None]], axis=1)
    chance = np.array([true_chance(truth, model, ages[:, k], ahead) for k in range(_STEPS + 1)]).T
    return (weight * chance).sum(axis=1) / weight.sum(axis=1)


def ask(world: World, fits: list[ComponentFit], seed: int, count: int = 300) -> Answers:
    """Put the test machines to the model."""
    rng = np.random.default_rng(seed + 50_000)
    fleet = make_fleet(rng, count, np.arange(MODELS))
    fleet = Fleet(rng.integers(MODELS, size=count), *list(fleet.__dict__.values())[1:])
    ahead_days = np.minimum(365.25, 5000.0 / fleet.km_per_year * DAYS_PER_YEAR)
    starts = np.array([part_ages(t, fleet, rng) for t in world.truths])
    hide = rng.random(starts.shape) < 0.1
    truths = np.empty(starts.shape)
    for i, truth in enumerate(world.truths):
        unit = truth.clock_weight * fleet.km_per_year / REFERENCE_KM_PER_YEAR + (1 - truth.clock_weight)
        hide[i] &= truth.scheduled_at is None
        ahead = unit * ahead_days / DAYS_PER_YEAR
        truths[i] = true_chance(truth, fleet.model, (fleet.exit_years - starts[i]) * unit, ahead)
        at = np.flatnonzero(hide[i])
        truths[i, at] = true_chance_unknown(truth, fleet.model[at], fleet.exit_years[at] * unit[at], ahead[at])
    table = RiskTable.from_fits(fits)
    rows = []
    for m in range(count):
        km_year, years = fleet.km_per_year[m], fleet.exit_years[m]
        states = [
            PartState(
                t.name,
                years * km_year,
                years * DAYS_PER_YEAR,
                None if hide[i, m] else (years - starts[i, m]) * km_year,
                None if hide[i, m] else (years - starts[i, m]) * DAYS_PER_YEAR,
            )
            for i, t in enumerate(world.truths)
        ]
        cell, rate = world.cells[fleet.model[m]], km_year / DAYS_PER_YEAR
        narrow = assess(table, states, cell, HORIZON, rate, level=0.8, on_record=False)
        wide = assess(table, states, cell, HORIZON, rate, level=0.95, on_record=False)
        for i, (a, b) in enumerate(zip(narrow, wide, strict=True)):
            p, q = a.chance_in_horizon, b.chance_in_horizon
            e = a.evidence
            rows.append((truths[i, m], p.value, p.low, p.high, q.low, q.high, m, e.failures, e.known_as, hide[i, m]))
    columns = list(zip(*rows, strict=True))
    return Answers(*[np.array(c) for c in columns])


def divergence(truth: Floats, value: Floats) -> Floats:
    """Excess log score over the truth, a part."""
    p, q = np.clip(truth, 1e-12, 1 - 1e-12), np.clip(value, 1e-9, 1 - 1e-9)
    return p * np.log(p / q) + (1 - p) * np.log((1 - p) / (1 - q))


def slope(truth: Floats, value: Floats) -> float:
    """Calibration slope: logistic regression of the true chances on the logit of the answers."""
    x = np.log(np.clip(value, 1e-9, 1 - 1e-9) / (1 - np.clip(value, 1e-9, 1 - 1e-9)))
    beta = np.array([0.0, 1.0])
    for _ in range(25):
        p = 1 / (1 + np.exp(-(beta[0] + beta[1] * x)))
        w = p * (1 - p)
        design = np.stack([np.ones_like(x), x])
        beta = beta + np.linalg.solve((design * w) @ design.T, design @ (truth - p))
    return float(beta[1])


def ece(truth: Floats, value: Floats) -> float:
    """Mean absolute gap of answer and truth over deciles of the answer, percentage points."""
    order = np.array_split(np.argsort(value), 10)
    return 100 * float(sum(len(o) * abs(value[o].mean() - truth[o].mean()) for o in order) / len(value))


def regret(answers: Answers, value: Floats | None = None) -> float:
    """True risk lost in the three parts put first, against the best three in hindsight, per cent."""
    value = answers.value if value is None else value
    lost = best = 0.0
    for m in np.unique(answers.machine):
        mine = answers.machine == m
        truth, said = answers.truth[mine], value[mine]
        top = np.sort(truth)[-3:].sum()
        best += top
        lost += top - truth[np.argsort(-said)[:3]].sum()
    return 100 * lost / best


def measures(a: Answers, base: Answers) -> dict[str, float]:
    """The figures of one world."""
    own, plain = divergence(a.truth, a.value).mean(), divergence(base.truth, base.value).mean()
    return {
        "ece": ece(a.truth, a.value),
        "slope": slope(a.truth, a.value),
        "c80": inside(a.truth, a.low80, a.high80),
        "c95": inside(a.truth, a.low95, a.high95),
        "regret": regret(a),
        "regret_pooled": regret(base),
        "kl": 1e3 * own,
        "saved": 100 * (1 - own / plain),
        "oe": float(a.truth.sum() / a.value.sum()),
    }


def inside(truth: Floats, low: Floats, high: Floats) -> float:
    return float(((truth >= low) & (truth <= high)).mean())


STRATA = {
    "unseen family": lambda a: np.isin(a.known_as, ["make", "component"]),
    "unseen model": lambda a: a.known_as == "family",
    "no failures": lambda a: (a.known_as == "model") & (a.failures < 0.5),
    "1-5": lambda a: (a.known_as == "model") & (a.failures >= 0.5) & (a.failures < 5.5),
    "6-20": lambda a: (a.known_as == "model") & (a.failures >= 5.5) & (a.failures < 20.5),
    "over 20": lambda a: (a.known_as == "model") & (a.failures >= 20.5),
    "unknown start": lambda a: a.unknown_start,
}


def strata(a: Answers) -> dict[str, tuple[float, float, float]]:
    out = {}
    for name, pick in STRATA.items():
        mine = pick(a)
        if mine.sum() >= 50:
            t = a.truth[mine]
            out[name] = (
                float(mine.mean()),
                inside(t, a.low80[mine], a.high80[mine]),
                inside(t, a.low95[mine], a.high95[mine]),
            )
    return out


def run(seed: int, settings: WorldSettings) -> tuple[dict[str, float], dict[str, tuple[float, float, float]]]:
    """Make, fit and ask one world."""
    world = make_world(seed, settings)
    begin = time.perf_counter()
    fits = fit_world(world)
    took = time.perf_counter() - begin
    plain = fit_world(world, one_cell=True)
    answers = ask(world, fits, seed)
    base = ask_pooled(world, plain, seed)
    figures = measures(answers, base) | {"spells": float(sum(map(len, world.spells))), "seconds": took}
    return figures, strata(answers)


def fit_world(world: World, one_cell: bool = False) -> list[ComponentFit]:
    spells = {t.name: pooled(s) if one_cell else s for s, t in zip(world.spells, world.truths, strict=True)}
    fits, _ = fit_components(spells, {t.name: t.prior for t in world.truths})
    return list(fits.values())


def ask_pooled(world: World, fits: list[ComponentFit], seed: int, count: int = 300) -> Answers:
    one = World(world.settings, (pooled(world.spells[0]).cells[0],) * MODELS, world.fleet, world.truths, world.spells)
    return ask(one, fits, seed, count)


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("--machines", type=int, default=800)
    parser.add_argument("--seeds", default="1-3", help="first-last")
    parser.add_argument("--lives", default="weibull", choices=["weibull", "lognormal", "infant"])
    parser.add_argument("--preset", default="usual", choices=PRESETS, help="how far makes, families, models differ")
    parser.add_argument("--spread", type=float, default=1.0, help="factor on those differences")
    args = parser.parse_args()
    first, last = (int(x) for x in args.seeds.split("-"))
    plain = replace(PRESETS[args.preset], machines=args.machines, lives=args.lives)
    settings = replace(
        plain,
        spread_make=args.spread * plain.spread_make,
        spread_family=args.spread * plain.spread_family,
        spread_model=args.spread * plain.spread_model,
    )
    results = []
    for seed in range(first, last + 1):
        results.append(run(seed, settings))
        print(seed, " ".join(f"{k} {v:.3f}" for k, v in results[-1][0].items()), flush=True)
    for key in results[0][0]:
        values = [r[0][key] for r in results]
        print(f"{key:14s} {np.mean(values):9.3f} (sd {np.std(values):.3f})")
    for name in STRATA:
        got = np.array([r[1][name] for r in results if name in r[1]])
        if len(got):
            print(f"{name:14s} share {got[:, 0].mean():.3f}  c80 {got[:, 1].mean():.3f}  c95 {got[:, 2].mean():.3f}")


if __name__ == "__main__":
    main()
