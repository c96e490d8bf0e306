"""Judged parts for the tests of the backtest: small ones by hand, large ones drawn from known chances."""

from __future__ import annotations

from dataclasses import fields, replace

import numpy as np
from numpy.typing import ArrayLike

from analytics.backtest_types import Forecasts, Judged


def judged(chance: ArrayLike, failed: ArrayLike, **columns: ArrayLike) -> Judged:
    """Parts watched to the horizon, each on a machine of its own in one shop, with some columns changed."""
    p = np.asarray(chance, dtype=float)
    n = len(p)
    own = {name: np.asarray(value) for name, value in columns.items()}
    model = Forecasts(p, own.pop("watched", p))
    same = {name: Forecasts(own.pop(name, p), own.pop(f"{name}_watched", p)) for name in ("pooled", "prior")}
    plain = {
        "part": np.arange(n),
        "machine": np.arange(n),
        "shop": np.zeros(n, dtype=np.int64),
        "component": np.zeros(n, dtype=np.int64),
        "weight": np.ones(n),
        "failed": np.asarray(failed, dtype=bool),
        "complete": np.ones(n, dtype=bool),
        "followed": np.ones(n),
        "late": np.zeros(n, dtype=bool),
    }
    return Judged(**(plain | own), model=model, **same, components=("stator",))


def two_groups(low_failed: int) -> Judged:
    """200 parts given 10 %, of which some fail, and 20 given 50 %, of which 10 fail."""
    chance = np.repeat([0.1, 0.5], [200, 20])
    failed = np.r_[np.arange(200) < low_failed, np.arange(20) < 10]
    return judged(chance, failed, machine=np.arange(220) // 2)


def drawn(seed: int, machines: int = 200, each: int = 20) -> Judged:
    """Outcomes drawn from the chances given: the model is right; the baselines know less."""
    rng = np.random.default_rng(seed)
    n = machines * each
    machine = np.repeat(np.arange(machines), each)
    chance = rng.beta(0.5, 6.0, n)
    blurred = 1 / (1 + np.exp(-(np.log(chance / (1 - chance)) + rng.normal(0.0, 1.0, n))))
    return judged(
        chance, rng.random(n) < chance, machine=machine, shop=machine % 12,
        pooled=blurred, pooled_watched=blurred, prior=np.full(n, 0.2), prior_watched=np.full(n, 0.2),
    )  # fmt: skip


def reordered(one: Judged, order: np.ndarray) -> Judged:
    """The same rows in another order."""
    columns = {f.name: getattr(one, f.name) for f in fields(one)}
    moved = {name: value[order] for name, value in columns.items() if isinstance(value, np.ndarray)}
    forecasts = {
        name: Forecasts(value.horizon[order], value.watched[order])
        for name, value in columns.items()
        if isinstance(value, Forecasts)
    }
    return replace(one, **moved, **forecasts)
