"""Would the share of its time that a machine stood tell more of its parts' lives? On machines held out of the fit.

    python -m tests.worlds.idle_trial --seeds 700-705

Tried: log hazard + gamma_c x, with x the share of time stood as lay-ups are inferred (a fifth of the machines' are
missed), gamma_c of each component from the machines fitted, normal around the mean of all with a spread taken from
all (empirical Bayes). Truth: none; every third component counts half its idle time once more as age (seals and
hydraulics); or each of these sticks, its hazard times exp(2.5 x). All invented. Printed: gain in held-out
log-likelihood over the model without x, a thousand spells and in all, by kind of component.
"""

from __future__ import annotations

import argparse
from dataclasses import replace

import numpy as np
from numpy.typing import NDArray

from analytics.component_fit import ComponentFit
from analytics.operational_time import SMALLEST_U, operational_units
from analytics.pooling import fit_components
from analytics.spells import Outcome, Spells
from tests.worlds.simulate import World, WorldSettings, make_world, watch

Floats = NDArray[np.float64]

TRUTHS = ("none", "ages", "sticks")
_SPREADS = np.array([0.0, 0.05, 0.1, 0.2, 0.4, 0.8, 1.6])


def idle_world(seed: int, machines: int, truth: str) -> tuple[World, Floats, NDArray[np.bool_]]:
    """A world, the share of time each machine stood, and which components mind."""
    world = make_world(seed, WorldSettings(machines=machines, components=24))
    rng = np.random.default_rng(seed + 90_000)
    idle = np.where(rng.random(machines) < 0.4, rng.beta(2.0, 4.0, machines), 0.0)
    minds = np.arange(24) % 3 == 0 if truth != "none" else np.zeros(24, dtype=bool)
    spells = list(world.spells)
    for c in np.flatnonzero(minds):
        life, fleet, ageing = world.truths[c], world.fleet, 1.0 + 0.5 * idle
        if truth == "sticks":
            # riders' log hazards are added as s.rider_frailty * rider
            fleet, ageing = (
                replace(fleet, rider=fleet.rider + 2.5 * idle / world.settings.rider_frailty),
                1.0 + 0 * idle,
            )
        spells[c] = watch(life, fleet, world.cells, world.settings, rng, ageing)
    seen = np.where(rng.random(machines) < 0.8, idle, 0.0)
    return replace(world, spells=tuple(spells)), seen, minds


def passed(s: Spells, fit: ComponentFit) -> tuple[Floats, Floats, Floats]:
    """H gained to exit and to the last good time, and the log hazard (a year) at exit, at the posterior mean."""
    rows = np.array([fit.rows_for(s.cells[c], -1, None)[0] for c in range(len(s.cells))])[s.cell]
    share = fit.copies / fit.copies.sum()
    gained, lower, hazard = np.zeros(len(s)), np.zeros(len(s)), np.zeros(len(s))
    for node, weight in enumerate(share):
        w, shape = float(fit.clock_weight[node]), float(fit.shape[node])
        theta = np.exp(fit.mean[rows, node].astype(float) + 0.5 * fit.variance[rows, node].astype(float))

        def at(km: Floats, days: Floats, w: float = w, s: Spells = s) -> Floats:
            return np.maximum(operational_units(km - s.start_km, days - s.start_days, w), SMALLEST_U)

        entry, good, end = at(s.entry_km, s.entry_days), at(s.lower_km, s.lower_days), at(s.exit_km, s.exit_days)
        gained += weight * theta * (end**shape - entry**shape)
        lower += weight * theta * (good**shape - entry**shape)
        hazard += weight * theta * shape * end ** (shape - 1.0)
    return gained, np.minimum(lower, gained), np.log(hazard)


def score(s: Spells, told: tuple[Floats, Floats, Floats], log_factor: Floats) -> Floats:
    """Log-likelihood of each spell, its hazard times exp(log_factor)."""
    factor = np.exp(log_factor)
    gained, lower, log_hazard = told[0] * factor, told[1] * factor, told[2] + log_factor
    between = -lower + np.log(-np.expm1(-np.maximum(gained - lower, 1e-9)))
    exact = np.where(s.outcome == Outcome.FAILED, log_hazard, 0.0) - gained
    return np.where(s.outcome == Outcome.FAILED_BETWEEN, between, exact)


def gammas(rows: list[tuple[Floats, Floats, Floats]]) -> Floats:
    """Posterior mean of gamma of each component from (failed, expected, x), spread and mean from all."""
    found = []
    for failed, expected, x in rows:
        gamma = 0.0
        level = (failed.sum() + 5.0) / (expected.sum() + 5.0)
        for _ in range(20):
            rate = level * expected * np.exp(gamma * x)
            middle = (rate * x).sum() / max(rate.sum(), 1e-9)
            information = (rate * (x - middle) ** 2).sum() + 0.1
            gamma = float(np.clip(gamma + ((failed - rate) * (x - middle)).sum() / information, -4.0, 4.0))
            level = failed.sum() / max((expected * np.exp(gamma * x)).sum(), 1e-9)
        found.append((gamma, 1.0 / information))
    own, variance = np.array(found).T
    variance = 1.6 * variance  # failures of one machine come together
    best = (-np.inf, own)
    for spread in _SPREADS:
        total = variance + spread**2
        mean = (own / total).sum() / (1.0 / total).sum() / (1.0 + 0.0)
        mean *= 1.0 / (1.0 + 1.0 / ((1.0 / total).sum() * 0.2**2))  # the mean itself from 0 by about 0.2
        value = float(-0.5 * (np.log(total) + (own - mean) ** 2 / total).sum() - spread / 0.5)
        if value > best[0]:
            best = (value, mean + spread**2 / total * (own - mean))
    return best[1]


def trial(seed: int, machines: int, truth: str) -> tuple[Floats, NDArray[np.bool_], Floats, Floats]:
    """Gain in held-out log-likelihood and spells held out by component, which mind, and gamma."""
    world, idle, minds = idle_world(seed, machines, truth)
    held = np.random.default_rng(seed).random(machines) < 0.3
    kept = {t.name: s.subset(~held[s.machine]) for s, t in zip(world.spells, world.truths, strict=True)}
    fits, _ = fit_components(kept, {t.name: t.prior for t in world.truths})
    rows = []
    for name, own in kept.items():
        s = own.subset(own.known_start)
        failed = np.isin(s.outcome, (Outcome.FAILED, Outcome.FAILED_BETWEEN)).astype(float)
        rows.append((failed, passed(s, fits[name])[0], idle[s.machine]))
    gamma, gain, count = gammas(rows), [], []
    for g, s, t, row in zip(gamma, world.spells, world.truths, rows, strict=True):
        mine = s.subset(held[s.machine] & s.known_start)
        told = passed(mine, fits[t.name])
        # the mean hazard stays where the fit has it
        centre = np.log((row[1] * np.exp(g * row[2])).sum() / row[1].sum())
        with_idle = score(mine, told, g * idle[mine.machine] - centre)
        gain.append((with_idle - score(mine, told, np.zeros(len(mine)))).sum())
        count.append(len(mine))
    return np.array(gain), minds, np.array(count), gamma


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("--seeds", default="700-705", help="first-last")
    parser.add_argument("--machines", type=int, default=800)
    args = parser.parse_args()
    first, last = (int(x) for x in args.seeds.split("-"))
    for truth in TRUTHS:
        worlds = []
        for seed in range(first, last + 1):
            gain, minds, count, gamma = trial(seed, args.machines, truth)
            worlds.append(gain.sum() / count.sum() * 1e3)
            kinds = [f"{k} {gain[m].sum():+.1f} (gamma {gamma[m].mean():+.2f})" for k, m in
                     (("minding", minds), ("others", ~minds)) if m.any()]  # fmt: skip
            print(truth, seed, "; ".join(kinds), f"of {count.sum()} spells", flush=True)
        print(f"{truth}: {np.mean(worlds):+.2f} a thousand spells (se {np.std(worlds) / len(worlds) ** 0.5:.2f})")


if __name__ == "__main__":
    main()
