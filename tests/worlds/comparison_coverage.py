"""How often intervals of model comparisons hold the planted ratio, on demo worlds.

    python -m tests.worlds.comparison_coverage --worlds 20 --first 1

The truth of a model is the mean cumulative hazard of its machines at the age compared at, heat, salt and load among it,
and of its class that of the other models weighed as the comparison weighs them. Parts that stick while machines stand
are left out: that is in no law of wear. Machines whose regulator changed with a campaign are told by build date.
"""

from __future__ import annotations

import argparse
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from scipy.special import ndtri

from analytics.comparisons import Compared, Comparison, compare_models, compare_within, typical_age
from analytics.spells import Floats
from seed.world import build_world
from seed.world_couplings import STICKING, Component
from seed.world_effects import Facts, facts_of
from seed.world_params import REGULATOR_CHANGE, components
from tests.worlds.demo_records import learn_world

LEVELS = (0.8, 0.9, 0.95)
COMPONENTS = tuple(slug for slug in components() if slug not in STICKING)


@dataclass(frozen=True)
class Held:
    """One comparison: how far the learnt log ratio is from the planted one, in its own standard deviations."""

    seed: int
    component: str
    kind: str
    error: float
    sd: float

    @property
    def away(self) -> float:
        return self.error / self.sd


def compared(seed: int, slugs: Sequence[str] = COMPONENTS, scale: float = 1.0) -> list[Held]:
    """All comparisons of one world whose truth is planted."""
    world = build_world(seed, scale, components=slugs, defects=False)
    table, facts = learn_world(world, slugs).table, facts_of(world.machines)
    out = []
    for slug in slugs:
        km, days = typical_age(table.fits[table.fit_of(slug)])
        models = compare_models(table, slug, km=km, days=days)
        sides = [c.one for c in models if c.one is not None]
        for one in [*models, *compare_within(table, slug, km=km, days=days)]:
            truth = _true_log_ratio(world.components[slug], facts, one, sides)
            if np.isfinite(truth):
                sd = np.log(one.ratio.high / one.ratio.low) / 2 / ndtri(0.5 + one.ratio.level / 2)
                out.append(Held(seed, slug, one.kind, float(np.log(one.ratio.value) - truth), float(sd)))
    return out


def _true_log_ratio(component: Component, facts: Facts, made: Comparison, sides: Sequence[Compared]) -> float:
    if made.one is None:
        return float("nan")  # pattern parts: over all models
    at = made.at_km, made.at_days
    if made.other is not None:
        against = _true_hazard(component, facts, made.other, *at)
    else:
        others = [s for s in sides if s.cell != made.one.cell and s.exposure_km > 0]
        like = [s for s in others if s.position == made.one.position] or others
        hazard = np.array([_true_hazard(component, facts, s, *at) for s in like])
        against = float(np.average(hazard, weights=[s.exposure_km for s in like]))
    return float(np.log(_true_hazard(component, facts, made.one, *at) / against))


def _true_hazard(component: Component, facts: Facts, of: Compared, km: float, days: float) -> float:
    units, law = component.parts.units, component.law
    mine = facts.model[units.machine] == of.cell.model
    if of.stratum >= 0:
        mine &= (facts.built[units.machine] >= REGULATOR_CHANGE) == bool(of.stratum)
    if of.position:
        mine &= component.parts.label(np.arange(len(units))) == of.position
    used = (km / law.scale_km[mine]) ** law.shape[mine] + (days / law.scale_days[mine]) ** law.shape[mine]
    return float(np.mean(law.multiplier[mine] * np.exp(0.5 * law.sigma[mine] ** 2) * used))


def coverage(held: Sequence[Held]) -> Floats:
    """Share of the truths inside the intervals of `LEVELS`."""
    away = np.array([abs(h.away) for h in held])
    return np.array([float(np.mean(away < ndtri(0.5 + level / 2))) for level in LEVELS])


def main() -> None:
    parser = argparse.ArgumentParser(description=(__doc__ or "").splitlines()[0])
    parser.add_argument("--worlds", type=int, default=20)
    parser.add_argument("--first", type=int, default=1, help="seed of the first world")
    args = parser.parse_args()
    every: list[Held] = []
    rows = []
    for seed in range(args.first, args.first + args.worlds):
        held = compared(seed)
        every += held
        rows.append(coverage([h for h in held if h.kind == "model"]))
        print(seed, len(held), *(f"{share:.3f}" for share in rows[-1]), flush=True)
    for kind in ("model", "stratum", "position"):
        shares = coverage([h for h in every if h.kind == kind])
        print(
            kind, ", ".join(f"{100 * share:.1f} % at {level:.0%}" for share, level in zip(shares, LEVELS, strict=True))
        )
    error = np.std(rows, axis=0, ddof=1) / np.sqrt(len(rows)) if len(rows) > 1 else np.full(len(LEVELS), np.nan)
    print("standard errors of the models' shares, over worlds:", ", ".join(f"{100 * e:.1f} %" for e in error))
    for slug in COMPONENTS:
        mine = [h for h in every if h.component == slug and h.kind == "model"]
        if mine:
            error_sd, said = (np.sqrt(np.mean([getattr(h, of) ** 2 for h in mine])) for of in ("error", "sd"))
            print(f"  {slug}: {coverage(mine)[1]:.3f} at 90 %, error {error_sd:.3f}, said {said:.3f}")


if __name__ == "__main__":
    main()
