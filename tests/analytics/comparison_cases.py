"""Invented records of one component on several models, with known ratios of hazard."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace
from typing import NamedTuple

import numpy as np

from analytics.life_model_types import LifePrior
from analytics.pooling import fit_component
from analytics.risk_draws import RiskTable
from analytics.spells import Cell, Outcome, Removal, Spells
from tests.analytics.pooling_cases import make_spells

PRIOR = LifePrior(2.0, 50_000.0)


class ModelCase(NamedTuple):
    machines: int = 150
    ratio: float = 1.0
    km_per_day: float = 14.0
    stratum: int = -1


def records(
    models: Sequence[ModelCase], seed: int, *, shape: float = 2.0, scale_km: float = 50_000.0, renew_at: float = np.inf
) -> Spells:
    """First parts, watched from new for 2 to 8 years; shop 1 renews on purpose at `renew_at` km.

    Equal cells are one model; the parts of machines are watched by shops 0 to 3 in turn.
    """
    rng = np.random.default_rng(seed)
    columns: dict[str, list] = {k: [] for k in ("days", "failed", "cell", "rate", "stratum", "due", "shop")}
    for cell, case in enumerate(models):
        use = case.km_per_day * np.exp(rng.normal(0.0, 0.6, case.machines))
        life = scale_km * case.ratio ** (-1 / shape) * rng.weibull(shape, case.machines) / use
        watched = rng.uniform(2, 8, case.machines) * 365.25
        shop = np.arange(case.machines) % 4
        due = np.where(shop == 1, renew_at / use, np.inf)
        end = np.minimum(watched, due)
        for name, values in (
            ("days", np.minimum(life, end)),
            ("failed", life <= end),
            ("cell", np.full(case.machines, cell)),
            ("rate", use),
            ("stratum", np.full(case.machines, case.stratum)),
            ("due", (due < watched) & (due < life)),
            ("shop", shop),
        ):
            columns[name].append(values)
    c = {name: np.concatenate(values) for name, values in columns.items()}
    outcome = np.where(c["failed"], Outcome.FAILED, Outcome.CENSORED)
    removal = np.where(c["failed"], Removal.FAILED, np.where(c["due"], Removal.SCHEDULED, Removal.STILL_FITTED))
    cells = tuple(Cell("make", f"family {i}", f"model {i}") for i in range(len(models)))
    spells = make_spells(
        0.0 * c["days"], c["days"], outcome, cell=c["cell"], cells=cells, removal=removal, shop=c["shop"],
        stratum=c["stratum"],
    )  # fmt: skip
    return replace(spells, exit_km=c["days"] * c["rate"], shops=("shop 0", "shop 1", "shop 2", "shop 3"))


def table_of(spells: Spells) -> RiskTable:
    return RiskTable.from_fits([fit_component(spells, PRIOR, component="regulator")])
