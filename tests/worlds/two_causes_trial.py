"""Would two causes, each on its own clock, tell more of parts' lives than one mixed clock? On machines held out.

    python -m tests.worlds.two_causes_trial --seeds 720-725

Tried: H = (x / L_x)^b_x + (a / L_a)^b_a, distance and age competing, in place of H = (u / L)^b on the mixed clock
u = w x + (1 - w) a (x in typical years of 5,000 km). Both forms take the cells' log lives from the pooled fit, have
the catalogue prior of life and shape, and are fitted by their posterior modes to seven tenths of the machines; the
mixed clock is averaged over w. Truth: every component on a mixed clock, or every second one with two causes of about
the same life. All invented. Printed: gain of two causes over the mixed clock in held-out log-likelihood, a thousand
spells, by kind of component, and the same where each component's form is chosen by its fit (BIC; Schwarz, 1978).
"""

from __future__ import annotations

import argparse
from collections.abc import Callable
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray
from scipy.optimize import minimize
from scipy.special import logsumexp

from analytics.component_fit import ComponentFit
from analytics.life_model_types import LifePrior
from analytics.operational_time import CLOCK_WEIGHTS, REFERENCE_KM_PER_YEAR
from analytics.pooling import fit_components
from analytics.spells import DAYS_PER_YEAR, Outcome, Spells
from tests.worlds.simulate import TrueLife, World, WorldSettings, make_world, watch

Floats = NDArray[np.float64]
Bools = NDArray[np.bool_]

TRUTHS = ("mixed clock", "two causes")
_TINY = 1e-4  # years; a part that failed when it was fitted


@dataclass(frozen=True)
class TwoCauses(TrueLife):
    """A life cut short by distance or by age, whichever comes first; what is a model elsewhere is a machine here."""

    km_per_year: Floats

    def draw_life(self, model: NDArray[np.int64], log_frailty: Floats, rng: np.random.Generator) -> Floats:
        """Calendar lives (years) of new parts."""
        shape = self.shape[model]
        scale = self.life[model] * 2.0 ** (1.0 / shape)  # two causes together: about the life of one
        km, age = (scale * (rng.exponential(size=len(model)) * np.exp(-log_frailty)) ** (1.0 / shape) for _ in range(2))
        return np.minimum(km * REFERENCE_KM_PER_YEAR / self.km_per_year[model], age)


def world_of(seed: int, machines: int, truth: str) -> tuple[World, Bools]:
    """A world, and which of its components have two causes."""
    world = make_world(seed, WorldSettings(machines=machines, components=16))
    two = np.arange(16) % 2 == 0 if truth == TRUTHS[1] else np.zeros(16, dtype=bool)
    rng, spells, model = np.random.default_rng(seed + 70_000), list(world.spells), world.fleet.model
    by_machine = replace(world.fleet, model=np.arange(machines))
    for c in np.flatnonzero(two):
        one = world.truths[c]
        values = {**one.__dict__, "clock_weight": 0.0, "shape": one.shape[model], "life": one.life[model]}
        life = TwoCauses(**values, km_per_year=world.fleet.km_per_year)
        found = watch(life, by_machine, tuple(world.cells[m] for m in model), world.settings, rng)
        spells[c] = replace(found, cell=model[found.machine], cells=world.cells)
    return replace(world, spells=tuple(spells)), two


@dataclass(frozen=True)
class Ages:
    """Typical years of distance and years of age, over the cell's life, at entry, last good time and exit; rates."""

    km: tuple[Floats, Floats, Floats]
    age: tuple[Floats, Floats, Floats]
    km_rate: Floats  # of scaled distance a year
    age_rate: Floats
    outcome: NDArray[np.int64]

    @classmethod
    def of(cls, s: Spells, log_life: Floats) -> Ages:
        over = np.exp(-log_life)[s.cell]
        km = [over * np.maximum((x - s.start_km) / REFERENCE_KM_PER_YEAR, _TINY) for x in _times(s, "km")]
        age = [over * np.maximum((x - s.start_days) / DAYS_PER_YEAR, _TINY) for x in _times(s, "days")]
        use = s.exit_km / np.maximum(s.exit_days, 1.0) * DAYS_PER_YEAR / REFERENCE_KM_PER_YEAR
        return cls((km[0], km[1], km[2]), (age[0], age[1], age[2]), over * np.maximum(use, 0.01), over, s.outcome)

    def score(self, passed: list[Floats], hazard: Floats) -> float:
        """Log-likelihood, from H at the three times and the hazard (a year) at exit."""
        entry, good, end = passed
        exact = self.outcome == Outcome.FAILED
        between = self.outcome == Outcome.FAILED_BETWEEN
        total = -np.where(between, good, end) + entry + np.where(exact, np.log(hazard), 0.0)
        return float((total + np.where(between, np.log(-np.expm1(-np.maximum(end - good, 1e-12))), 0.0)).sum())


def _times(s: Spells, clock: str) -> tuple[Floats, Floats, Floats]:
    return tuple(getattr(s, f"{at}_{clock}") for at in ("entry", "lower", "exit"))


def mixed(ages: Ages, w: float, log_life: float, log_shape: float) -> float:
    """Log-likelihood on one mixed clock."""
    shape = np.exp(log_shape)
    u = [(w * x + (1 - w) * a) / np.exp(log_life) for x, a in zip(ages.km, ages.age, strict=True)]
    rate = (w * ages.km_rate + (1 - w) * ages.age_rate) / np.exp(log_life)
    return ages.score([v**shape for v in u], shape * u[2] ** (shape - 1.0) * rate)


def two_causes(ages: Ages, theta: Floats) -> float:
    """Log-likelihood of two causes; theta: log life and log shape of each."""
    (km_life, age_life), (km_shape, age_shape) = np.exp(theta[:2]), np.exp(theta[2:])
    x, a = [v / km_life for v in ages.km], [v / age_life for v in ages.age]
    hazard = km_shape * x[2] ** (km_shape - 1) * ages.km_rate / km_life
    hazard = hazard + age_shape * a[2] ** (age_shape - 1) * ages.age_rate / age_life
    return ages.score([p**km_shape + q**age_shape for p, q in zip(x, a, strict=True)], hazard)


def _best(score: Callable[[Floats], float], start: Floats, centre: Floats, sd: Floats) -> tuple[Floats, float]:
    """Posterior mode under a normal prior, and the log-likelihood there."""

    def loss(theta: Floats) -> float:
        return -score(theta) + 0.5 * float((((theta - centre) / sd) ** 2).sum())

    bounds = [(c - 4.0 * s, c + 4.0 * s) for c, s in zip(centre, sd, strict=True)]
    found = minimize(loss, start, method="L-BFGS-B", bounds=bounds)
    return found.x, score(found.x)


def compared(train: Ages, held: Ages, prior: LifePrior) -> tuple[float, float]:
    """Gain of two causes over the mixed clock on held-out machines, and whether the fit would choose them (1 or 0)."""
    shape, spread = np.log(prior.shape), prior.shape_spread
    fits = []
    for w in CLOCK_WEIGHTS:
        centre, sd = np.array([0.0, shape]), np.array([1.0, spread])
        fits.append(_best(lambda t, w=w: mixed(train, w, *t), centre, centre, sd))
    odds = np.log(prior.clock_probabilities()) + np.array([value for _, value in fits])
    own = [mixed(held, w, *theta) for w, (theta, _) in zip(CLOCK_WEIGHTS, fits, strict=True)]
    told = float(logsumexp(odds - logsumexp(odds) + np.array(own)))
    centre = np.array([np.log(2.0) / prior.shape] * 2 + [shape] * 2)
    sd = np.array([1.0, 1.0, spread, spread])
    starts = centre + np.array([[0.0, 0.0, 0.0, 0.0], [0.0, 1.5, 0.0, 0.0], [1.5, 0.0, 0.0, 0.0]])
    theta, value = max((_best(lambda t: two_causes(train, t), s, centre, sd) for s in starts), key=lambda f: f[1])
    failures = float((train.outcome != Outcome.CENSORED).sum())
    chosen = value - 0.5 * np.log(max(failures, 2.0)) > max(
        v for _, v in fits
    )  # one parameter more than w, life, shape
    return two_causes(held, theta) - told, float(chosen)


def _log_life(fit: ComponentFit, s: Spells) -> Floats:
    """Log life (years) of each of the spells' cells, posterior mean over clocks."""
    rows = [fit.rows_for(cell, -1, None)[0] for cell in s.cells]
    return np.asarray((-fit.mean[rows].astype(float) / fit.shape) @ (fit.copies / fit.copies.sum()) + np.log(10.0))


def trial(seed: int, machines: int, truth: str) -> tuple[Floats, Bools, int]:
    """Gains (components, 2): always two causes, and where chosen; which have them; spells held out."""
    world, two = world_of(seed, machines, truth)
    held = np.random.default_rng(seed).random(machines) < 0.3
    known = {t.name: s.subset(s.known_start) for s, t in zip(world.spells, world.truths, strict=True)}
    kept = {name: s.subset(~held[s.machine]) for name, s in known.items()}
    fits, _ = fit_components(kept, {t.name: t.prior for t in world.truths})
    gains, count = [], 0
    for t in world.truths:
        log_life, rest = _log_life(fits[t.name], known[t.name]), known[t.name].subset(held[known[t.name].machine])
        gain, chosen = compared(Ages.of(kept[t.name], log_life), Ages.of(rest, log_life), t.prior)
        gains.append((gain, gain * chosen))
        count += len(rest)
    return np.array(gains), two, count


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("--seeds", default="720-725", help="first-last")
    parser.add_argument("--machines", type=int, default=800)
    args = parser.parse_args()
    first, last = (int(x) for x in args.seeds.split("-"))
    for truth in TRUTHS:
        worlds = []
        for seed in range(first, last + 1):
            gain, two, count = trial(seed, args.machines, truth)
            worlds.append(gain.sum(axis=0) / count * 1e3)
            kinds = [f"{k} {gain[m, 0].sum():+.1f}, where chosen {gain[m, 1].sum():+.1f}" for k, m in
                     (("of two causes", two), ("of one", ~two)) if m.any()]  # fmt: skip
            print(truth, seed, "; ".join(kinds), f"of {count} spells", flush=True)
        mean, se = np.mean(worlds, axis=0), np.std(worlds, axis=0) / len(worlds) ** 0.5
        print(f"{truth}: always {mean[0]:+.2f} (se {se[0]:.2f}), where chosen {mean[1]:+.2f} ({se[1]:.2f}) a thousand")


if __name__ == "__main__":
    main()
