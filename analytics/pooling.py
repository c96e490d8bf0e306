"""The pooled life model of one component: a hierarchical Weibull with its whole uncertainty.

    u = (w x / 5000 km + (1 - w) a) / 10 years          H(u) = theta u**shape,  theta = life**-shape
    log life = mu + make + family + model (+ build stratum + position in model) (+ position + pattern + own pattern)

Effects are normal; the spreads have half-normal priors; mu and the shape start from the catalogue prior. For given
(w, shape, spreads) the effects have a Gaussian variational posterior (`pooling_tree`); (w, shape, spreads) are
integrated by importance sampling: the evidence on a grid of (w, shape), then quasi-random points from it with
the spreads, then once more with the spreads' proposal fitted to the first round. The result is `SLOTS` equally
weighted nodes, each with Gaussian effects. Nothing is plugged in.

What is left over: each model's own shape differs a little (`shape_deviation`), and every cell has a floor of
doubt (`FLOOR_SD`, log hazard) for what the model leaves out (riders, shops, a straight line of use).
"""

from __future__ import annotations

from collections.abc import Callable, Mapping

import numpy as np
from numpy.typing import NDArray

from analytics.component_fit import ComponentFit
from analytics.component_work import ComponentWork
from analytics.life_model_types import LifePrior
from analytics.refitting import KeptFit
from analytics.restoration import log_prior_of_shares
from analytics.spells import Spells
from analytics.spread_prior import SpreadPrior, pooled_spread_prior
from analytics.sufficient_stats import SufficientStats

Floats = NDArray[np.float64]


def fit_component(
    spells: Spells,
    prior: LifePrior,
    *,
    seed: int = 0,
    component: str = "",
    spread_prior: SpreadPrior | None = None,
) -> ComponentFit:
    """Fit the pooled life model of one component; works with no spells at all (then the catalogue prior).

    Parameters
    ----------
    spells : Spells
        Life records of one component.
    prior : LifePrior
        Catalogue prior of its life.
    seed : int
        Seed of the quasi-random points.
    component : str
        Name the fit is kept under.
    spread_prior : SpreadPrior or None
        What the other components say of the spreads: `pooled_spread_prior([f.own_spreads for f in fits])`.

    Returns
    -------
    ComponentFit

    Raises
    ------
    InvalidObservations
        If a spell contradicts the conventions of `Spells`.
    """
    found = ComponentWork.of_spells(spells, prior, seed, component)
    return found.finish(spread_prior or SpreadPrior())


def fit_components(
    spells: Mapping[str, Spells],
    priors: Mapping[str, LifePrior],
    *,
    seed: int = 0,
    progress: Callable[[str], None] | None = None,
    keep: Callable[[str, KeptFit], None] | None = None,
) -> tuple[dict[str, ComponentFit], SpreadPrior]:
    """Fit all components of a catalogue together, the spreads of each learning from those of all.

    Parameters
    ----------
    spells, priors : mappings by component
    progress : callable or None
        Told the name of each component when it is done.
    keep : callable or None
        Given what a refit of each component starts from (`analytics.refitting`).

    Returns
    -------
    fits by component, and the prior of the spreads to pass to `fit_component` when one of them is refitted alone.
    """
    explored = {name: ComponentWork.of_spells(own, priors[name], seed, name) for name, own in spells.items()}
    outside = pooled_spread_prior([e.own_spreads for e in explored.values()])
    fits = {}
    for name, found in explored.items():
        points = found.points.both_rounds(outside)
        fits[name] = found.finish_from(points)
        if keep is not None:
            keep(name, KeptFit.of(found, points, spells[name]))
        if progress is not None:
            progress(name)
    return fits, outside


def fit_from_stats(
    stats: SufficientStats,
    prior: LifePrior,
    unknown: Spells | None = None,
    *,
    seed: int = 0,
    component: str = "",
    spread_prior: SpreadPrior | None = None,
    clock_prior: Floats | None = None,
) -> ComponentFit:
    """`fit_component` from additive statistics.

    `unknown` are spells among which those of unknown start are used (they are not additive; None leaves them out);
    `clock_prior` (w,) overrides the prior of the clock weights.
    """
    found = ComponentWork.of_stats(
        stats,
        prior,
        unknown,
        seed,
        component=component,
        restoration=np.exp(log_prior_of_shares()),
        clock_prior=clock_prior,
    )
    return found.finish(spread_prior or SpreadPrior())
