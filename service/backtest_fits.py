"""The life model and its two baselines, fitted on what was known on a past day."""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, replace
from typing import Any

import numpy as np

from analytics.chances_over import Span, chances_over
from analytics.life_model_types import PartState
from analytics.pooling import fit_component
from analytics.risk_draws import RiskTable
from analytics.spells import Cell, Floats, Quality, Spells
from service.estimates import prior_of

ONE_CELL = Cell("all", "all", "all")


@dataclass(frozen=True)
class Models:
    """Three answers to the same question."""

    model: RiskTable
    pooled: RiskTable
    prior: RiskTable

    def ask(self, states: Sequence[PartState], cell: Cell, spans: Sequence[Span]) -> Floats:
        """Chances (3, spans, parts): by the life model, one pooled curve a component, and the catalogue prior."""
        plain = [
            replace(s, position=None, stratum=-1, renewal_stratum=None, quality=int(Quality.UNKNOWN)) for s in states
        ]
        return np.array(
            [
                chances_over(self.model, states, cell, spans),
                chances_over(self.pooled, plain, ONE_CELL, spans),
                chances_over(self.prior, plain, ONE_CELL, spans),
            ]
        )


def fit_models(
    records: Mapping[str, Spells],
    documents: Mapping[str, Mapping[str, Any]],
    progress: Callable[[int, int, str], None],
) -> Models:
    """Fit each component of the catalogue three times: pooled by model, as one curve, and from the prior alone."""
    kinds: tuple[list[Any], ...] = ([], [], [])
    for done, (slug, document) in enumerate(documents.items()):
        progress(done, len(documents), slug)
        prior = prior_of(dict(document))
        spells = records.get(slug, Spells.empty())
        for fits, rows in zip(kinds, (spells, one_curve(spells), Spells.empty()), strict=True):
            fits.append(fit_component(rows, prior, component=slug))
    return Models(*(RiskTable.from_fits(fits) for fits in kinds))


def one_curve(spells: Spells) -> Spells:
    """The same life records with make, family, model, position, build and quality of the part forgotten."""
    nowhere = np.full(len(spells), -1, dtype=np.int64)
    used = spells.quality == Quality.USED  # a second-hand part's age is unknown in any model
    return replace(
        spells,
        cell=np.zeros(len(spells), dtype=np.int64),
        cells=(ONE_CELL,),
        position=nowhere,
        positions=(),
        stratum=nowhere,
        quality=np.where(used, spells.quality, int(Quality.UNKNOWN)),
    )
