"""The fitted life model of one component: what prediction reads, and its plain document.

A fit is a set of equally weighted hyperparameter nodes (clock weight, shape, spreads), and for each row - a leaf of
the pooling tree, or a fall-back for what has no data - the normal of its log hazard scale at each node. Arrays are
kept in single or half precision so that the stored document and the fit in memory are the same numbers.
"""

from __future__ import annotations

import base64
from collections.abc import Mapping
from dataclasses import dataclass, field, fields
from typing import Any

import numpy as np
from numpy.typing import NDArray

from analytics.baseline import MISFIT_P
from analytics.life_model_types import LifePrior
from analytics.operational_time import CLOCK_WEIGHTS
from analytics.restoration import SHARES, log_prior_of_shares
from analytics.spells import Cell
from analytics.spread_prior import WeightedSpreads

Floats = NDArray[np.float64]
Array = NDArray[Any]

SLOTS = 48  # equally weighted copies of the nodes
FORMAT = 1
PATTERN_SHAPE_SD = 0.3  # of the log ratio of a pattern part's shape to the ordinary one, before data; invented

RowKey = tuple[str, str, str, int, str]  # make, family, model, stratum, position
ANY_STRATUM = -2


@dataclass(frozen=True)
class ComponentFit:
    """Posterior of one component's life.

    Attributes
    ----------
    clock_weight, shape : (nodes,)
        w and Weibull shape of each node.
    copies : (nodes,) int
        How many of the `SLOTS` equal shares each node stands for.
    log_spreads : (nodes, k)
        Log of the spreads of log life named in `spread_names`.
    row_keys : tuple
        Which part of the tree each row speaks for; "*" stands for any.
    mean, variance, rate : (rows, nodes)
        log(theta), on u = t / 10 years, is normal; rate is the expected failures behind it (0 for a fall-back).
    position_mean, position_variance : (positions, nodes)
        Effect of a position over all models, for rows that are not of one position.
    pattern_mean, pattern_variance : (nodes,)
        Mean effect of pattern-made parts on log(theta) over all models.
    own_pattern : (rows,) int;  own_pattern_mean, own_pattern_variance : (groups, nodes)
        The same of the row's own pattern parts: group 0 where there are none on record.
    centre : (w,); score, curvature, slope : (w, rows)
        Each row's own shape (`shape_deviation`), with tau_squared (rows,), how far shapes differ.
    clock_odds, clock_shift : (w, w, rows)
        Chance that a row's parts wear by clock w' where the node has w, and what that adds to log(theta)
        (`own_clock`); empty where all keep to the component's.
    evidence : (rows, 6)
        failures, parts, machines, shops, exposure_km, exposure_years.
    prior_weight : (rows,)
    renewal_rate : (w, rows)
        Renewals of parts that had not failed, per operational unit of ten years.
    failed_share : float;  row_failed_share : (rows,)
        Chance that a renewal of unknown reason was a failure, over all cells and in each row's own.
    bin_edges, bin_observed, bin_expected : (bins + 1,), (bins,), (bins,)
        Failures by bins of the fitted cumulative hazard (`baseline`); empty where that was not looked at.
    weibull_p : float
        Chance of bins as uneven as these if the life is Weibull.
    explored_log_spreads, explored_weight : (points, k), (points,)
        The component's own word on its spreads, before those of others came in (`own_spreads`).
    clock_evidence : (shares,)
        Its log evidence of how many models have a clock of their own (`own_clock`).
    pattern_shape, pattern_log_u0 : (2,), (w,)
        A pattern-made part's shape over the ordinary one: mean and standard deviation of its logarithm, and the log u
        at which the pattern effect is the log hazard ratio (`pattern_shape`).
    pattern_share : (rows,)
        Share of pattern parts among replacements whose make is on record (`pattern_mix`).
    restoration : (shares,)
        Posterior of the share of its age that a repair takes off a part (`restoration.SHARES`).
    """

    component: str
    prior: LifePrior
    spread_names: tuple[str, ...]
    position_names: tuple[str, ...]
    has_strata: bool
    row_keys: tuple[RowKey, ...]
    clock_weight: Array
    shape: Array
    copies: Array
    log_spreads: Array
    mean: Array
    variance: Array
    rate: Array
    position_mean: Array
    position_variance: Array
    pattern_mean: Array
    pattern_variance: Array
    own_pattern: Array
    own_pattern_mean: Array
    own_pattern_variance: Array
    centre: Array
    score: Array
    curvature: Array
    slope: Array
    tau_squared: Array
    clock_odds: Array
    clock_shift: Array
    evidence: Array
    prior_weight: Array
    renewal_rate: Array
    failed_share: float
    row_failed_share: Array
    left_out_used: float
    unknown_start: float
    bin_edges: Array = field(default_factory=lambda: np.zeros(0))
    bin_observed: Array = field(default_factory=lambda: np.zeros(0))
    bin_expected: Array = field(default_factory=lambda: np.zeros(0))
    weibull_p: float = 1.0
    explored_log_spreads: Array = field(default_factory=lambda: np.zeros((0, 0)))
    explored_weight: Array = field(default_factory=lambda: np.zeros(0))
    clock_evidence: Array = field(default_factory=lambda: np.zeros(0))
    pattern_shape: Array = field(default_factory=lambda: np.array([0.0, PATTERN_SHAPE_SD]))
    pattern_log_u0: Array = field(default_factory=lambda: np.zeros(len(CLOCK_WEIGHTS)))
    pattern_share: Array = field(default_factory=lambda: np.zeros(0))
    restoration: Array = field(default_factory=lambda: np.exp(log_prior_of_shares()))

    @property
    def restored_share(self) -> float:
        """Mean share of its age that a repair takes off the part."""
        return float(self.restoration @ SHARES / self.restoration.sum())

    def rows_for(self, cell: Cell, stratum: int, position: str | None) -> tuple[int, str]:
        """Row that speaks for a cell and how close it is: "model", "family", "make" or "component"."""
        index = self.index()
        strata = [stratum] if self.has_strata else [-1]
        places = [position or ""] if self.position_names else [""]
        families = [cell.family] if cell.family else []
        families += [f for f in index["families"].get((cell.make, cell.model), []) if f not in families]
        for family in families:
            for s in (*strata, ANY_STRATUM):
                for p in (*places, "*"):
                    at = index["rows"].get((cell.make, family, cell.model, s, p))
                    if at is not None:
                        return at, "model"
        for key, level in (
            ((cell.make, cell.family or "*", "*", ANY_STRATUM, "*"), "family"),
            ((cell.make, "*", "*", ANY_STRATUM, "*"), "make"),
        ):
            at = index["rows"].get(key)
            if at is not None:
                return at, level if key[1] != "*" else "make"
        return index["rows"][("*", "*", "*", ANY_STRATUM, "*")], "component"

    def strata_of(self, cell: Cell) -> tuple[int, ...]:
        """Build strata of a model on record; empty where it has none."""
        found: tuple[int, ...] = self.index()["strata"].get((cell.make, cell.model), ())
        return found

    def models_with_strata(self) -> frozenset[tuple[str, str]]:
        """Make and model of those on record whose part was superseded."""
        return frozenset(self.index()["strata"])

    def index(self) -> dict[str, dict[Any, Any]]:
        """Row of each key, the families a (make, model) is known under, and its build strata; built once."""
        held = self.__dict__.get("_index")
        if held is None:
            families: dict[tuple[str, str], list[str]] = {}
            strata: dict[tuple[str, str], tuple[int, ...]] = {}
            for make, family, model, stratum, _ in self.row_keys:
                if model != "*" and family not in families.setdefault((make, model), []):
                    families[make, model].append(family)
                if stratum >= 0:
                    strata[make, model] = tuple(sorted({*strata.get((make, model), ()), stratum}))
            rows = {key: at for at, key in enumerate(self.row_keys)}
            held = {"rows": rows, "families": families, "strata": strata}
            object.__setattr__(self, "_index", held)
        return held

    @property
    def failures(self) -> float:
        """Failures on record, all machines together."""
        return float(self.evidence[self.index()["rows"]["*", "*", "*", ANY_STRATUM, "*"], 0])

    @property
    def own_spreads(self) -> WeightedSpreads:
        """What `pooled_spread_prior` takes from each fit."""
        return WeightedSpreads(self.spread_names, self.explored_log_spreads, self.explored_weight, self.clock_evidence)

    @property
    def is_weibull(self) -> bool:
        """False where the failures by age depart from a Weibull life beyond chance."""
        return self.weibull_p >= MISFIT_P

    @property
    def clock(self) -> str:
        """The clock that wears the part: "km", "age" or "both"."""
        w = self.mean_clock_weight
        return "km" if w > 0.75 else "age" if w < 0.25 else "both"

    @property
    def mean_clock_weight(self) -> float:
        return float(self.copies @ self.clock_weight / self.copies.sum())

    def to_document(self) -> dict[str, Any]:
        """Plain dictionary (JSON-able); arrays as base64 of little-endian numbers."""
        out: dict[str, Any] = {"format": FORMAT}
        for f in fields(self):
            value = getattr(self, f.name)
            if isinstance(value, np.ndarray):
                value = _pack(value)
            elif isinstance(value, LifePrior):
                value = {g.name: getattr(value, g.name) for g in fields(value)}
            elif isinstance(value, tuple):
                value = [list(v) if isinstance(v, tuple) else v for v in value]
            out[f.name] = value
        return out

    @classmethod
    def from_document(cls, document: Mapping[str, Any]) -> ComponentFit:
        """The fit a document was made from."""
        if document.get("format") != FORMAT:
            raise ValueError(f"a stored fit of format {document.get('format')!r} cannot be read; refit the component")
        values: dict[str, Any] = {}
        for f in fields(cls):
            value = document[f.name]
            if isinstance(value, Mapping) and "base64" in value:
                value = _unpack(value)
            elif f.name == "prior":
                value = LifePrior(**value)
            elif isinstance(value, list):
                value = tuple(tuple(v) if isinstance(v, list) else v for v in value)
            values[f.name] = value
        return cls(**values)


def clock_index(clock_weight: Array) -> NDArray[np.int64]:
    """Index of each node's clock weight in `CLOCK_WEIGHTS`."""
    return np.searchsorted(CLOCK_WEIGHTS, np.asarray(clock_weight) - 1e-9)


def _pack(values: Array) -> dict[str, Any]:
    kind = "<i8" if values.dtype.kind in "iu" else f"<f{values.dtype.itemsize}"
    data = base64.b64encode(np.ascontiguousarray(values, dtype=kind).tobytes()).decode("ascii")
    return {"dtype": kind, "shape": list(values.shape), "base64": data}


def _unpack(packed: Mapping[str, Any]) -> Array:
    values = np.frombuffer(base64.b64decode(packed["base64"]), dtype=packed["dtype"]).reshape(packed["shape"])
    return values.astype(values.dtype.newbyteorder("="))
