"""How old is a part whose start nobody wrote down? The renewal mixture.

Since the machine was new (operational age 0) parts have followed each other; each dies by its own Weibull life, or is
renewed while good at a constant rate. Met working at machine age T, the part now fitted is the original with
probability S(T), or was fitted a ago with density m(T - a) S(a), m being the renewal density. Both add up to 1.

With one life for all parts the answer depends on (shape, T / life, rate * life) alone: `AgeTable` holds, for a grid
of these, the probability of the original and equally likely values of a / T of a later part. `age_weights` alone
solves the general case, where the factory part has a life of its own (a superseded part).

References: Cox (1962), Renewal Theory; Vardi (1982, 1989); Xie (1989) on the discretised renewal equation.
"""

from __future__ import annotations

from dataclasses import dataclass
from functools import lru_cache

import numpy as np
from numpy.typing import NDArray
from scipy.sparse import csr_array

Floats = NDArray[np.float64]

AGES = 8  # equally likely ages that stand for the age of a part that is not the original
_SHAPES = np.exp(np.linspace(np.log(0.35), np.log(9.0), 20))
_LIVES = np.exp(np.linspace(np.log(0.03), np.log(9.0), 30))  # T / life; older machines behave like the last
_RATES = np.array([0.0, 0.3, 1.0, 3.0, 10.0])  # good renewals in one life
_LOG_SHAPES, _LOG_LIVES, _LOG_RATES = np.log(_SHAPES), np.log(_LIVES), np.log1p(_RATES)
# from a flat index to those of the eight corners of its box
_CORNERS = np.array([(i * len(_LIVES) + j) * len(_RATES) + k for i in (0, 1) for j in (0, 1) for k in (0, 1)])
_STEPS = 160


def renewal_masses(first: Floats, later: Floats) -> Floats:
    """Expected renewals in each step of a lattice; `first`, `later` are (n, steps) life probabilities by step."""
    steps = first.shape[1]
    first, reverse = np.ascontiguousarray(first.T), np.ascontiguousarray(later.T[::-1])  # a step's own values in a row
    masses = first.copy()
    for k in range(1, steps):
        # a renewal at step j < k followed by a life of k - j steps
        masses[k] += np.einsum("jn,jn->n", masses[:k], reverse[steps - 1 - k : steps - 1])
    return masses.T


def age_weights(
    first_hazard: tuple[Floats, Floats],
    later_hazard: tuple[Floats, Floats],
    age: Floats,
    rates: tuple[Floats, Floats],
    steps: int,
) -> tuple[Floats, Floats, Floats]:
    """Probability of the original part, and of each age of a later one, for a machine met working.

    Parameters
    ----------
    first_hazard, later_hazard : pairs of (n,) arrays
        (log theta, shape) of the factory part and of replacements: H(u) = theta u**shape.
    age : (n,)
        Operational age T of the machine.
    rates : pair of (n,) arrays
        Renewals of good parts per operational unit, of the factory part and of replacements.
    steps : int
        Lattice steps from 0 to T.

    Returns
    -------
    original : (n,)
    ages, weights : (n, steps)
        Weights of the ages of a later part; original + weights.sum(1) = 1.
    """
    step = age / steps
    edges = (np.arange(steps + 1) * step[:, None]) + 0.5 * step[:, None]
    edges = np.concatenate([np.zeros((len(age), 1)), edges[:, :-1]], axis=1)  # 0, half a step, 1.5 steps, ...

    def alive(hazard: tuple[Floats, Floats], rate: Floats, u: Floats) -> Floats:
        log_u = np.log(np.maximum(u, 1e-12))
        total = np.exp(np.minimum(hazard[0][:, None] + hazard[1][:, None] * log_u, 50.0))
        return np.exp(-np.where(u > 0, total, 0.0) - rate[:, None] * u)

    first, later = alive(first_hazard, rates[0], edges), alive(later_hazard, rates[1], edges)
    # life of about k steps: from (k - 1/2) to (k + 1/2) steps; lives under half a step are put on the first one
    first_mass, later_mass = -np.diff(first, axis=1), -np.diff(later, axis=1)
    shifted = renewal_masses(first_mass, np.concatenate([np.zeros_like(later_mass[:, :1]), later_mass[:, 1:]], axis=1))
    masses = shifted / np.maximum(1.0 - later_mass[:, :1], 1e-9)
    ages = age[:, None] - (np.arange(steps) + 0.25 * (np.arange(steps) == 0)) * step[:, None]
    weights = masses * alive(later_hazard, rates[1], ages)
    original = alive(first_hazard, rates[0], age[:, None])[:, 0]
    total = np.maximum(weights.sum(axis=1) + original, 1e-300)
    return original / total, ages, weights / total[:, None]


@dataclass(frozen=True)
class AgeTable:
    """flat: (shapes * lives * rates, 1 + AGES): probability of the original, then log of a / T."""

    flat: Floats

    def look_up(self, shape: Floats, lives: Floats, renewals: Floats) -> tuple[Floats, Floats]:
        """Probability of the original, (n,), and ages of a later part as shares of the machine's age, (n, AGES).

        `lives` = T / life; `renewals` = rate * life.
        """
        i, fi = _on_even(_LOG_SHAPES, np.log(shape))
        j, fj = _on_even(_LOG_LIVES, np.log(np.clip(lives, _LIVES[0], _LIVES[-1])))
        k, fk = _place(_LOG_RATES, np.log1p(renewals))
        corner = ((i * len(_LIVES) + j) * len(_RATES) + k)[:, None] + _CORNERS
        sides = [(1.0 - f, f) for f in (fi, fj, fk)]
        flat_sides = [a * b for a in sides[1] for b in sides[2]]
        weight = np.stack([a * b for a in sides[0] for b in flat_sides], axis=1)
        # eight of the table's rows to each row: a sparse product gathers and adds them in one go
        mix = csr_array((weight.ravel(), corner.ravel(), 8 * np.arange(len(shape) + 1)), (len(shape), len(self.flat)))
        found = mix @ self.flat
        original = found[:, 0]
        # past the last entry the age no longer depends on T; before the first nearly every part is the original
        fraction = np.exp(found[:, 1:]) * np.minimum(1.0, _LIVES[-1] / lives)[:, None]
        surely = np.exp(-(lives**shape) - renewals * lives)
        return np.where(lives < _LIVES[0], surely, original), fraction


def _on_even(grid: Floats, value: Floats) -> tuple[NDArray[np.int64], Floats]:
    """`_place` on a grid of even steps, where nothing needs to be searched."""
    steps = (value - grid[0]) * (1.0 / (grid[1] - grid[0]))
    steps = np.minimum(np.maximum(steps, 0.0), len(grid) - 1.0)
    at = np.minimum(steps.astype(np.int64), len(grid) - 2)
    return at, steps - at


def _place(grid: Floats, value: Floats) -> tuple[NDArray[np.int64], Floats]:
    at = np.minimum(np.maximum(np.searchsorted(grid, value) - 1, 0), len(grid) - 2)
    low = grid.take(at)
    return at, np.minimum(np.maximum((value - low) / (grid.take(at + 1) - low), 0.0), 1.0)


@lru_cache(maxsize=1)
def age_table() -> AgeTable:
    """The table for one life, solved once a process (about a fifth of a second)."""
    shape, lives, rate = (a.ravel() for a in np.meshgrid(_SHAPES, _LIVES, _RATES, indexing="ij"))
    hazard = (np.zeros_like(shape), shape)
    original, ages, weights = age_weights(hazard, hazard, lives, (rate, rate), _STEPS)
    share = np.cumsum(weights[:, ::-1], axis=1)  # youngest first
    share = share / np.maximum(share[:, -1:], 1e-300)
    fraction = (ages / lives[:, None])[:, ::-1]
    wanted = (np.arange(AGES) + 0.5) / AGES
    quantiles = np.array([np.interp(wanted, s, f) for s, f in zip(share, fraction, strict=True)])
    return AgeTable(np.concatenate([original[:, None], np.log(np.maximum(quantiles, 1e-6))], axis=1))
