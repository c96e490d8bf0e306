"""What a table of risks takes of each fit: which node every draw is of, and how far its life may depart from a Weibull.

Worked out once a fit and kept with it, so that a table in which one fit is another costs little.
"""

from __future__ import annotations

import threading
from collections.abc import Hashable
from dataclasses import dataclass, field
from typing import ClassVar
from weakref import WeakSet

import numpy as np
from numpy.typing import NDArray
from scipy.special import gammaincinv

from analytics.baseline import MISFIT_P, PRIOR_COUNT, Bend
from analytics.component_fit import SLOTS, ComponentFit, clock_index
from analytics.life_draws import PartDraws

Floats = NDArray[np.float64]
Ints = NDArray[np.int64]

PER_SLOT = 5
DRAWS = SLOTS * PER_SLOT
MOST_KEPT = 5_000  # parts whose draws are kept, some 20 kB each: those of a hundred machines that differ in all parts
FLOOR_SD = 0.04  # of log hazard: riders, shops, models that wear by another clock; set in simulation
DOUBTFUL_P = 0.1  # from here on the failures by age bend the Weibull, as far as they are many
TAIL_SD, MISFIT_TAIL_SD = 0.12, 0.45  # of the power of the hazard below the earliest failures
_OPEN_TAIL = 0.3  # cumulative hazard below which a component without enough failures is in such doubt
MISFIT_FLOOR_SD = 0.3  # the same where the life is not Weibull: models then depart each in their own way


class KeptDraws:
    """Draws of lives of one fit by what was asked. When all fits of the process keep too many, all give theirs up."""

    _everywhere: ClassVar[WeakSet[KeptDraws]] = WeakSet()
    _count: ClassVar[int] = 0  # kept since they were given up last; those of fits that are gone count on
    _lock: ClassVar[threading.Lock] = threading.Lock()

    def __init__(self) -> None:
        self._held: dict[Hashable, PartDraws] = {}
        with self._lock:
            self._everywhere.add(self)

    def __len__(self) -> int:
        return len(self._held)

    def get(self, asked: Hashable) -> PartDraws | None:
        """What was kept, or None."""
        return self._held.get(asked)

    def put(self, asked: Hashable, draws: PartDraws) -> PartDraws:
        """Keep the draws of a part, and return them."""
        with self._lock:
            if KeptDraws._count >= MOST_KEPT:
                for kept in list(self._everywhere):
                    kept._held.clear()
                KeptDraws._count = 0
            KeptDraws._count += 1
            self._held[asked] = draws
        return draws


@dataclass(frozen=True)
class FitPiece:
    """What a table takes of one fit, worked out once however many tables it comes to stand in."""

    node: Ints  # (DRAWS,), as are clock and shape
    clock: Ints
    shape: Floats
    superseded: NDArray[np.bool_]  # (rows,), as is any_position: of parts of any position together
    any_position: NDArray[np.bool_]
    pattern_share: Floats
    bent: Bend | None
    floor: float
    tail: tuple[float, float]  # edge, sd
    kept: KeptDraws = field(default_factory=KeptDraws, compare=False)

    @classmethod
    def of(cls, fit: ComponentFit) -> FitPiece:
        """The piece of a fit; kept with it."""
        held: FitPiece | None = fit.__dict__.get("_piece")
        if held is None:
            held = cls._made(fit)
            object.__setattr__(fit, "_piece", held)
        return held

    @classmethod
    def _made(cls, fit: ComponentFit) -> FitPiece:
        node = np.repeat(np.repeat(np.arange(len(fit.copies)), fit.copies), PER_SLOT)
        bent = None
        if fit.weibull_p < DOUBTFUL_P:
            bent = Bend.of(fit.bin_edges, _gains(fit), float(fit.shape @ fit.copies / SLOTS))
        return cls(
            node=node,
            clock=clock_index(fit.clock_weight)[node],
            shape=fit.shape[node].astype(float),
            superseded=np.array([key[3] >= 0 for key in fit.row_keys]),
            any_position=np.array([key[4] == "*" for key in fit.row_keys]),
            pattern_share=fit.pattern_share if len(fit.pattern_share) else np.zeros(len(fit.row_keys)),
            bent=bent,
            floor=_ramp(fit.weibull_p, (DOUBTFUL_P, MISFIT_P), (FLOOR_SD, MISFIT_FLOOR_SD)),
            tail=(
                float(fit.bin_edges[1]) if len(fit.bin_edges) > 2 else _OPEN_TAIL,
                _ramp(fit.weibull_p, (0.5, 0.005), (TAIL_SD, MISFIT_TAIL_SD)),
            ),
        )


def _ramp(p_value: float, between: tuple[float, float], values: tuple[float, float]) -> float:
    """A doubt that grows, on the log scale of the p-value, from where a misfit is possible to where it is plain."""
    possible, plain = between
    along = np.clip(np.log(possible / max(p_value, 1e-300)) / np.log(possible / plain), 0.0, 1.0)
    return float(values[0] + along * (values[1] - values[0]))


def _gains(fit: ComponentFit) -> Floats:
    """Draws of the hazard in each bin against the Weibull's, (bins, DRAWS)."""
    rng = np.random.default_rng(len(fit.bin_observed))
    uniform = (np.array([rng.permutation(DRAWS) for _ in fit.bin_observed]) + 0.5) / DRAWS
    shape = (fit.bin_observed + PRIOR_COUNT)[:, None]
    return gammaincinv(shape, uniform) / (fit.bin_expected + PRIOR_COUNT)[:, None]
