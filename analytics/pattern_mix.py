"""A part of unknown start may have been pattern-made: the renewal mixture over the make as well as the age.

Of the replacements whose make is on record a share q is pattern-made (`pattern_shares`, by model, shrunk to the
component's). A part now a old, met working, is then

    ordinary       m(T - a) (1 - q) S(a)
    pattern-made   m(T - a) q S'(a)

with S' the pattern part's own survival (`pattern_shape`). The fit counts spells of unknown start the same way
(`unknown_spells`). m is that of ordinary parts: where pattern parts die much sooner, renewals are a little denser.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from analytics.spells import Quality, Spells

Floats = NDArray[np.float64]
Ints = NDArray[np.int64]
Life = tuple[Floats, Floats]  # log theta and shape, (parts, draws, 1 or ages)

_PRIOR_TOLD = 5.0  # replacements of known make that stand for "no pattern parts" before data; invented
_SMALL = 1e-9


def pattern_shares(spells: Spells) -> tuple[Floats, float]:
    """Share of pattern parts among replacements of a make on record, by `spells.cells`, and over all of them."""
    fitted = spells.not_original & np.isin(spells.quality, (Quality.ORIGINAL, Quality.PATTERN))
    made = fitted & (spells.quality == Quality.PATTERN)
    size = len(spells.cells)
    told = np.bincount(spells.cell[fitted], spells.weight[fitted], size)
    pattern = np.bincount(spells.cell[made], spells.weight[made], size)
    everywhere = float(pattern.sum() / (told.sum() + _PRIOR_TOLD))
    return (pattern + _PRIOR_TOLD * everywhere) / (told + _PRIOR_TOLD), everywhere


def shares_by_row(spells: Spells, row_keys: Sequence[tuple[str, str, str, int, str]]) -> Floats:
    """The same by the rows of a fit (`ComponentFit.row_keys`)."""
    by_cell, everywhere = pattern_shares(spells)
    of = {(c.make, c.family, c.model): float(s) for c, s in zip(spells.cells, by_cell, strict=True)}
    return np.array([of.get(key[:3], everywhere) for key in row_keys])


@dataclass(frozen=True)
class PatternDraws:
    """What sets a pattern part apart from the ordinary one of the same row.

    Attributes
    ----------
    share : (parts,)
        Chance that a replacement was pattern-made; 0 where the part's make is known.
    effect : (parts, draws)
        Log hazard ratio at the age whose log is `log_u0`, (parts, draws).
    shape_ratio : (parts,)
        Its shape over the ordinary one.
    """

    share: Floats
    effect: Floats
    shape_ratio: Floats
    log_u0: Floats

    @classmethod
    def none(cls, parts: int, draws: int) -> PatternDraws:
        """No pattern parts, to be filled in."""
        return cls(np.zeros(parts), np.zeros((parts, draws)), np.ones(parts), np.zeros((parts, draws)))

    def of(self, at: Ints | slice) -> PatternDraws:
        """Those of some parts."""
        return PatternDraws(self.share[at], self.effect[at], self.shape_ratio[at], self.log_u0[at])


def mixed(ages: Floats, weight: Floats, ordinary: Life, pattern: PatternDraws) -> tuple[Floats, Floats, Life]:
    """Split each later age of a mixture, (parts, draws, ages + 1) with the original last, by make.

    Returns
    -------
    ages, weight, (log theta, shape), each (parts, draws, 2 ages + 1): ordinary, pattern-made, the original.
    """
    q = pattern.share[:, None, None]
    full = weight.shape
    log_theta, shape = (np.broadcast_to(a, full)[..., :-1] for a in ordinary)
    own = shape * pattern.shape_ratio[:, None, None]
    made = log_theta + pattern.effect[..., None] + (shape - own) * pattern.log_u0[..., None]
    log_age = np.log(np.maximum(ages[..., :-1], _SMALL))
    # the weights hold that an ordinary part would have come to this age
    reached = np.exp(np.minimum(log_theta + shape * log_age, 50.0)) - np.exp(np.minimum(made + own * log_age, 50.0))
    later = weight[..., :-1]
    weights = (later * (1.0 - q), later * q * np.exp(np.clip(reached, -50.0, 50.0)), weight[..., -1:])
    ends = [np.broadcast_to(a, full)[..., -1:] for a in ordinary]
    life = (np.concatenate([log_theta, made, ends[0]], axis=-1), np.concatenate([shape, own, ends[1]], axis=-1))
    return np.concatenate([ages[..., :-1], ages], axis=-1), np.concatenate(weights, axis=-1), life
