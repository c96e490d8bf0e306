"""The variational fit against full Markov chain Monte Carlo on small instances. For developers; pytest does not run it.

    python -m tests.worlds.mcmc_check [--seeds 1-4] [--machines 60] [--steps 8000]

One component a seed, its clock known: the exact posterior is sampled by Hamiltonian steps on the effects
(non-centred; Neal, 2011) in turn with adaptive Metropolis steps on shape and spreads (Haario, Saksman and Tamminen,
2001; tuned in the warm-up only), four chains from spread starts. Printed beside `analytics.pooling`: the mean of each
cell's chance to fail in a year and the width of its 95 % interval, as ratios, and R-hat (Gelman and Rubin, 1992).
Shape deviations and the floor of doubt are left out on both sides: they are no part of what is approximated.
"""

from __future__ import annotations

import argparse
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from analytics.component_fit import ComponentFit
from analytics.draw_choices import log_exact
from analytics.exposure_sums import SHAPE_KNOTS
from analytics.life_model_types import LifePrior
from analytics.operational_time import CLOCK_WEIGHTS, YEARS_PER_UNIT
from analytics.pooling import fit_from_stats
from analytics.pooling_layout import Layout, build_layout
from analytics.spread_prior import SPREAD_SCALES
from analytics.sufficient_stats import SufficientStats
from tests.worlds.simulate import World, WorldSettings, make_world

Floats = NDArray[np.float64]

LEVELS = ("make", "family", "model")
AGE_YEARS, AHEAD_YEARS = 6.0, 1.0
CHAINS, LEAPS = 4, 10
_NODES, _WEIGHTS = np.polynomial.hermite_e.hermegauss(15)


@dataclass(frozen=True)
class Target:
    """The exact posterior at one clock weight."""

    layout: Layout
    prior: LifePrior
    clock: int

    @property
    def sizes(self) -> tuple[int, ...]:
        return tuple(len(keys) for keys in self.layout.node_keys)

    def effects(self, z: Floats, spreads: Floats) -> Floats:
        """Log life over ten years of each cell from the standardised overall life and effects z."""
        effect = np.log(self.prior.life_years / YEARS_PER_UNIT) + np.log(self.prior.scale_factor) * z[:1]
        at = 1
        for level, size in enumerate(self.sizes):
            effect = effect[self.layout.tree.parent[level]] + spreads[level] * z[at : at + size]
            at += size
        return effect[self.layout.tree.leaf]

    def gradient(self, by_cell: Floats, spreads: Floats) -> Floats:
        """Of a function of the cells' log lives, with respect to z."""
        below, parts = np.bincount(self.layout.tree.leaf, by_cell, self.sizes[-1]), []
        for level in reversed(range(len(LEVELS))):
            parts.insert(0, spreads[level] * below)
            above = self.sizes[level - 1] if level else 1
            below = np.bincount(self.layout.tree.parent[level], below, above)
        return np.concatenate([np.log(self.prior.scale_factor) * below, *parts])

    def given(self, hyper: Floats) -> tuple[Floats, float]:
        """Exposure of the cells, and what of the log posterior depends on (log shape, log spreads) alone."""
        shape, clock = np.exp(hyper[:1]), np.array([self.clock])
        _, exposure, density = self.layout.terms(clock, shape)
        rest = float(density.sum())
        rest -= 0.5 * (np.log(shape[0] / self.prior.shape) / self.prior.shape_spread) ** 2
        for log_spread, name in zip(hyper[1:], LEVELS, strict=True):
            rest += log_spread - 0.5 * np.exp(2 * log_spread) / SPREAD_SCALES[name] ** 2
        return exposure[0], rest


class Chain:
    """The state of one chain: hyper = (log shape, log spreads), z = (overall life, effects)."""

    def __init__(self, target: Target, rng: np.random.Generator) -> None:
        self.target, self.rng = target, rng
        scales = [np.log(0.5 * SPREAD_SCALES[name]) for name in LEVELS]
        self.hyper = np.array([np.log(target.prior.shape), *scales]) + 0.2 * rng.normal(size=1 + len(LEVELS))
        self.z = 0.5 * rng.normal(size=1 + sum(target.sizes))
        self.step, self.scale, self.factor = 0.1, 0.3, 0.3 * np.eye(1 + len(LEVELS))

    def likelihood(self, hyper: Floats, z: Floats, exposure: Floats) -> tuple[float, Floats]:
        """D eta - E exp(eta) over the cells, and its gradient in z."""
        shape, spreads = np.exp(hyper[0]), np.exp(hyper[1:])
        eta = -shape * self.target.effects(z, spreads)
        rate = exposure * np.exp(np.minimum(eta, 50.0))
        value = float(self.target.layout.deaths @ eta - rate.sum())
        return value, self.target.gradient(-shape * (self.target.layout.deaths - rate), spreads)

    def move_effects(self, adapt: float) -> None:
        """One Hamiltonian trajectory on z."""
        exposure, _ = self.target.given(self.hyper)
        z, momentum = self.z, self.rng.normal(size=len(self.z))
        value, slope = self.likelihood(self.hyper, z, exposure)
        before = value - 0.5 * (z @ z + momentum @ momentum)
        step = self.step * self.rng.uniform(0.7, 1.3)
        momentum = momentum + 0.5 * step * (slope - z)
        for k in range(LEAPS):
            z = z + step * momentum
            value, slope = self.likelihood(self.hyper, z, exposure)
            momentum = momentum + (step if k < LEAPS - 1 else 0.5 * step) * (slope - z)
        gain = value - 0.5 * (z @ z + momentum @ momentum) - before
        chance_of_it = float(np.exp(min(gain, 0.0))) if np.isfinite(gain) else 0.0
        if self.rng.random() < chance_of_it:
            self.z = z
        self.step *= np.exp(adapt * (chance_of_it - 0.8))

    def move_hyper(self, adapt: float) -> None:
        """One Metropolis step on shape and spreads, the standardised effects held."""
        proposal = self.hyper + self.scale * (self.factor @ self.rng.normal(size=len(self.hyper)))
        accepted = False
        if SHAPE_KNOTS[0] < np.exp(proposal[0]) < SHAPE_KNOTS[-1]:
            gain = self._posterior(proposal) - self._posterior(self.hyper)
            accepted = bool(np.log(self.rng.random()) < gain)
        if accepted:
            self.hyper = proposal
        self.scale *= np.exp(adapt * (float(accepted) - 0.3))

    def _posterior(self, hyper: Floats) -> float:
        exposure, rest = self.target.given(hyper)
        return rest + self.likelihood(hyper, self.z, exposure)[0]

    def run(self, steps: int) -> Floats:
        """Chances of the cells, (kept, cells); the first half is warm-up, every fourth step of the rest is kept."""
        past, kept = [], []
        for step in range(steps):
            warm = step < steps // 2
            adapt = 1.0 / np.sqrt(1.0 + step) if warm else 0.0
            self.move_effects(adapt)
            for _ in range(3):
                self.move_hyper(adapt)
            if warm:
                past.append(self.hyper)
                if step % 500 == 499:
                    recent = np.array(past[len(past) // 2 :])
                    self.factor = np.linalg.cholesky(np.cov(recent.T) + 1e-6 * np.eye(len(self.hyper)))
            elif step % 4 == 0:
                shape = np.exp(self.hyper[0])
                kept.append(chance(-shape * self.target.effects(self.z, np.exp(self.hyper[1:])), shape))
        return np.array(kept)


def chance(log_theta: Floats, shape: Floats | float) -> Floats:
    """Of failing within a year at `AGE_YEARS` of typical use."""
    u0, u1 = AGE_YEARS / YEARS_PER_UNIT, (AGE_YEARS + AHEAD_YEARS) / YEARS_PER_UNIT
    return -np.expm1(-np.exp(np.minimum(log_theta, 50.0)) * (u1**shape - u0**shape))


def of_fit(fit: ComponentFit, layout: Layout) -> tuple[Floats, Floats]:
    """Mean and width of the 95 % interval of each cell's chance, from the nodes and their normals."""
    at = {key: i for i, key in enumerate(fit.row_keys)}
    rows = [at[key.make, key.family, key.model, -1, ""] for key in layout.keys]
    variance = fit.variance[rows].astype(float)[..., None]
    away = np.sqrt(variance) * _NODES
    values = chance(fit.mean[rows].astype(float)[..., None] + away, fit.shape.astype(float)[:, None])
    exact = log_exact(fit.rate[rows].astype(float)[..., None], variance, away)
    weight = fit.copies[:, None] * _WEIGHTS * np.exp(exact - exact.max(axis=(1, 2), keepdims=True))
    weight /= weight.sum(axis=(1, 2), keepdims=True)
    mean = (weight * values).sum(axis=(1, 2))
    return mean, np.array([_width(v.ravel(), w.ravel()) for v, w in zip(values, weight, strict=True)])


def _width(values: Floats, weight: Floats) -> float:
    order = np.argsort(values)
    middle = np.cumsum(weight[order]) - 0.5 * weight[order]
    low, high = np.interp([0.025, 0.975], middle, values[order])
    return float(high - low)


def r_hat(chains: Floats) -> float:
    """Largest over the parameters; chains (chains, kept, parameters)."""
    n = chains.shape[1]
    within = chains.var(axis=1, ddof=1).mean(axis=0)
    between = chains.mean(axis=1).var(axis=0, ddof=1)
    return float(np.sqrt((n - 1) / n + between / within).max())


def compare(world: World, component: int, steps: int, seed: int) -> tuple[Floats, Floats, float]:
    """Ratios of means and widths by cell, variational over sampled, and R-hat of the chances."""
    spells, truth = world.spells[component], world.truths[component]
    stats = SufficientStats.from_spells(spells.subset(spells.known_start))
    clock = int(np.argmin(np.abs(CLOCK_WEIGHTS - truth.clock_weight)))
    known_clock = np.where(np.arange(len(CLOCK_WEIGHTS)) == clock, 1.0, 0.0)
    fit = fit_from_stats(stats, truth.prior, seed=seed, component=truth.name, clock_prior=known_clock)
    target = Target(build_layout(stats), truth.prior, clock)
    drawn = np.array([Chain(target, np.random.default_rng([seed, k])).run(steps) for k in range(CHAINS)])
    mean, width = of_fit(fit, target.layout)
    flat = drawn.reshape(-1, drawn.shape[2])
    low, high = np.quantile(flat, [0.025, 0.975], axis=0)
    return mean / flat.mean(axis=0), width / (high - low), r_hat(drawn)


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0] if __doc__ else None)
    parser.add_argument("--seeds", default="1-4", help="first-last")
    parser.add_argument("--machines", type=int, default=60)
    parser.add_argument("--steps", type=int, default=8000)
    args = parser.parse_args()
    first, last = (int(x) for x in args.seeds.split("-"))
    means, widths = [], []
    for seed in range(first, last + 1):
        world = make_world(
            seed, WorldSettings(machines=args.machines, components=1, rider_frailty=0.0, shop_frailty=0.0)
        )
        mean, width, spread = compare(world, 0, args.steps, seed)
        means.append(mean)
        widths.append(width)
        print(
            f"seed {seed}: {len(mean)} cells, mean ratio {mean.mean():.3f} ({mean.min():.3f} to {mean.max():.3f}), "
            f"width ratio {width.mean():.3f} ({width.min():.3f} to {width.max():.3f}), R-hat {spread:.3f}",
            flush=True,
        )
    print(f"all: mean ratio {np.concatenate(means).mean():.3f}, width ratio {np.concatenate(widths).mean():.3f}")


if __name__ == "__main__":
    main()
