"""Draws from the posterior of each part's life, side by side, and those of one part as they are kept."""

from __future__ import annotations

from dataclasses import dataclass, replace
from functools import lru_cache
from typing import TYPE_CHECKING

import numpy as np
from numpy.typing import NDArray

from analytics.baseline import Bend
from analytics.life_model_types import Evidence
from analytics.pattern_mix import PatternDraws

if TYPE_CHECKING:
    from analytics.age_surface import PartGrid

Floats = NDArray[np.float64]
Ints = NDArray[np.int64]


@dataclass(frozen=True)
class Tail:
    """Where the earliest failures are, (parts,), how doubtful it is below, and the draws of that doubt (DRAWS,)."""

    edge: Floats
    sd: Floats
    normal: Floats


@dataclass(frozen=True)
class LifeDraws:
    """Posterior draws of each part's life: log theta, shape, clock weight; all (parts, DRAWS), and their weights.

    renewal_rate : (parts, DRAWS) good renewals per operational unit.
    fit, row : (parts,) which fit and which of its rows; evidence is what stands behind that.
    """

    log_theta: Floats
    shape: Floats
    clock_weight: Floats
    weight: Floats
    renewal_rate: Floats
    fit: Ints
    row: Ints
    evidence: tuple[Evidence, ...] = ()
    bent: tuple[Bend | None, ...] = ()  # of a life that is not Weibull, by part
    tail: Tail | None = None
    restored_share: Floats | None = None  # (parts,): what a repair takes off the age
    pattern: PatternDraws | None = None  # where replacements may be pattern-made
    kept: tuple[PartDraws, ...] = ()  # where the draws of each part are kept


@dataclass(eq=False)
class PartDraws:
    """What `LifeDraws` says of one part, whatever its age: kept with its fit, since every machine of a model asks it.

    Another object is another part, so that what many of them have in common can be kept by them.

    values : (5, DRAWS): log theta, shape, clock weight, weight, renewal rate.
    pattern : share, shape ratio and (2, DRAWS) effect and log u0 of pattern parts, where the part may be one.
    """

    values: Floats
    row: int
    evidence: Evidence
    pattern: tuple[float, float, Floats] | None
    grid: PartGrid | None = None  # once its age was not known

    @classmethod
    def of(cls, draws: LifeDraws, i: int) -> PartDraws:
        """The i-th part's."""
        columns = (draws.log_theta, draws.shape, draws.clock_weight, draws.weight, draws.renewal_rate)
        own = draws.pattern
        pattern = None
        if own is not None and own.share[i] > 0.0:
            pattern = float(own.share[i]), float(own.shape_ratio[i]), np.stack([own.effect[i], own.log_u0[i]])
        return cls(np.stack([c[i] for c in columns]), int(draws.row[i]), draws.evidence[i], pattern)


@lru_cache(maxsize=8)  # half a MB each: the parts of machines of a few models that are asked about in turn
def kept_lives(parts: tuple[PartDraws, ...]) -> LifeDraws:
    """The draws of many parts side by side, but for what every part of a fit has in common; not to be written to."""
    values = np.stack([p.values for p in parts], axis=1)
    values.setflags(write=False)
    pattern, parts_made = None, [i for i, p in enumerate(parts) if p.pattern is not None]
    if parts_made:
        share = np.zeros(len(parts))
        pattern = replace(PatternDraws.none(len(parts), values.shape[-1]), share=share)
        for i in parts_made:
            of_part = parts[i].pattern
            assert of_part is not None
            share[i], pattern.shape_ratio[i], (pattern.effect[i], pattern.log_u0[i]) = of_part
    row = np.array([p.row for p in parts], dtype=np.int64)
    log_theta, shape, clock_weight, weight, renewal_rate = values
    unsaid = np.zeros(len(parts), dtype=np.int64)
    return LifeDraws(
        log_theta,
        shape,
        clock_weight,
        weight,
        renewal_rate,
        unsaid,
        row,
        tuple(p.evidence for p in parts),
        pattern=pattern,
        kept=parts,
    )
