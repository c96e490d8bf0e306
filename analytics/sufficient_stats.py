"""Additive statistics of life records: all that the pooled fit needs from spells of known start.

For a Weibull life on u = operational age, with theta = life**-shape, the log-likelihood of late-entered, right- and
interval-censored spells of one cell is

    D log(theta) - theta * E(shape, w) + G(shape, w)
    E = sum(u_exit**shape - u_entry**shape)                      a failure in (u_L, u_R] ends at (u_L**s + u_R**s) / 2
    G = sum over exact failures of log(shape) + (shape - 1) log(u) + log(du/da)
        + sum over failures found late of log(u_R**shape - u_L**shape)

so E, the counts and the sums of logs on a grid of shapes and clock weights are all that is kept. They are sums:
a spell is put in or taken out exactly, and the state does not grow with the number of spells.
"""

from __future__ import annotations

from dataclasses import dataclass, field, replace

import numpy as np
from numpy.typing import NDArray

from analytics.exposure_sums import SHAPE_KNOTS, Ages, exposure_sums, log_width
from analytics.operational_time import (
    CLOCK_WEIGHTS,
    REFERENCE_KM_PER_YEAR,
    SMALLEST_U,
    operational_units,
    unit_rate,
)
from analytics.pooling_cells import CellKey, cell_key, distinct_cells
from analytics.renewal_reasons import FailedShare, component_share, rates_by_cell, share_by_cell
from analytics.seen import Seen
from analytics.spells import DAYS_PER_YEAR, Outcome, Quality, Removal, Spells

Floats = NDArray[np.float64]

_LEAST_KM_PER_YEAR = 50.0  # a failure on a machine that stood still must not make log(du/da) infinite
_KNOWN_REASON_FAILED = (Removal.FAILED, Removal.FOUND_FAILED, Removal.WORN_TO_LIMIT)
_KNOWN_REASON_GOOD = (
    Removal.SCHEDULED,
    Removal.WHILE_APART,
    Removal.DAMAGE,
    Removal.SECONDARY,
    Removal.UPGRADE,
    Removal.CAMPAIGN,
    Removal.MISDIAGNOSIS,
    Removal.OWNER_WISH,
)
# by removal: does it say that the part failed, that it was good
_SAYS = np.array([[removal in kind for removal in Removal] for kind in (_KNOWN_REASON_FAILED, _KNOWN_REASON_GOOD)])


@dataclass
class SufficientStats:
    """Sums over spells by cell. Arrays have the cell as last axis; `failures`, `log_u` and `log_rate` have first
    axis 0 for failures of known reason, 1 for renewals whose reason nobody wrote; of `reasons` 0 failed, 1 good."""

    keys: list[CellKey] = field(default_factory=list)
    index: dict[CellKey, int] = field(default_factory=dict)
    exposure: Floats = field(default_factory=lambda: np.zeros((len(CLOCK_WEIGHTS), len(SHAPE_KNOTS), 0)))
    interval_log: Floats = field(default_factory=lambda: np.zeros((len(CLOCK_WEIGHTS), len(SHAPE_KNOTS), 0)))
    log_u: Floats = field(default_factory=lambda: np.zeros((2, len(CLOCK_WEIGHTS), 0)))
    log_rate: Floats = field(default_factory=lambda: np.zeros((2, len(CLOCK_WEIGHTS), 0)))
    failures: Floats = field(default_factory=lambda: np.zeros((2, 0)))
    interval_failures: Floats = field(default_factory=lambda: np.zeros(0))
    unknown_failures: Floats = field(default_factory=lambda: np.zeros(0))  # of parts of unknown start
    parts: Floats = field(default_factory=lambda: np.zeros(0))
    exposure_km: Floats = field(default_factory=lambda: np.zeros(0))
    exposure_years: Floats = field(default_factory=lambda: np.zeros(0))
    reasons: Floats = field(default_factory=lambda: np.zeros((2, 0)))  # renewals of known reason: failed, good
    unexplained: Floats = field(default_factory=lambda: np.zeros(0))  # renewals of unknown reason, of any start
    used_reasons: Floats = field(default_factory=lambda: np.zeros(2))  # the same of second-hand parts, in no cell
    left_out_used: float = 0.0
    unknown_start: float = 0.0
    seen_machines: Seen = field(default_factory=Seen)
    seen_shops: Seen = field(default_factory=Seen)
    _shares: FailedShare | None = field(default=None, init=False, repr=False, compare=False)  # until sums change

    _BY_CELL = (
        "exposure",
        "interval_log",
        "log_u",
        "log_rate",
        "failures",
        "interval_failures",
        "unknown_failures",
        "parts",
        "exposure_km",
        "exposure_years",
        "reasons",
        "unexplained",
    )

    def __len__(self) -> int:
        return len(self.keys)

    @classmethod
    def from_spells(cls, spells: Spells) -> SufficientStats:
        """Statistics of all spells of one component."""
        stats = cls()
        stats.update(spells)
        return stats

    def row(self, key: CellKey) -> int:
        """Row of a cell, made if new."""
        if key not in self.index:
            self._shares = None
            self.index[key] = len(self.keys)
            self.keys.append(key)
            if len(self.keys) > self.parts.shape[0]:
                grow = max(8, len(self.keys))
                for name in self._BY_CELL:
                    old = getattr(self, name)
                    setattr(self, name, np.concatenate([old, np.zeros((*old.shape[:-1], grow))], axis=-1))
        return self.index[key]

    @property
    def failed_share(self) -> float:
        """Chance that a renewal of unknown reason was a failure: share among known reasons, shrunk."""
        return component_share(*self.renewals.tolist())

    @property
    def renewals(self) -> Floats:
        """Renewals of known reason over all cells: failed, good."""
        return self.reasons.sum(axis=1) + self.used_reasons

    def failed_shares(self) -> FailedShare:
        """The same chance for each cell, (rows,)."""
        if self._shares is None:
            self._shares = share_by_cell(self.reasons[0], self.reasons[1], self.failed_share)
        return self._shares

    def add(self, spells: Spells, at: int = 0) -> None:
        """Put in the spell at one index of `spells`."""
        self._one(spells, at, +1.0)

    def remove(self, spells: Spells, at: int = 0) -> None:
        """Take out a spell that was put in before."""
        self._one(spells, at, -1.0)

    def _one(self, spells: Spells, at: int, sign: float) -> None:
        self._shares = None
        weight = sign * float(spells.weight[at])
        outcome, removal = int(spells.outcome[at]), int(spells.removal[at])
        if spells.quality[at] == Quality.USED:
            self.used_reasons += weight * _reason(removal)
            self.left_out_used += weight
            return
        start_km, start_days = float(spells.start_km[at]), float(spells.start_days[at])
        row = self.row(cell_key(spells, at))
        end_km, end_days = float(spells.exit_km[at]), float(spells.exit_days[at])
        entry_km, entry_days = float(spells.entry_km[at]), float(spells.entry_days[at])
        self.reasons[:, row] += weight * _reason(removal)
        self.unexplained[row] += weight * (outcome == Outcome.RENEWED_REASON_UNKNOWN)
        self.parts[row] += weight
        self.exposure_km[row] += weight * (end_km - entry_km)
        self.exposure_years[row] += weight * (end_days - entry_days) / DAYS_PER_YEAR
        self.seen_machines.tally(row, int(spells.machine[at]), int(sign))
        self.seen_shops.tally(row, int(spells.shop[at]), int(sign))
        between = outcome == Outcome.FAILED_BETWEEN
        if np.isnan(start_km) or np.isnan(start_days):
            self.unknown_start += weight
            self.unknown_failures[row] += weight * (between or outcome == Outcome.FAILED)
            return
        lower_km = float(spells.lower_km[at]) if between else entry_km
        lower_days = float(spells.lower_days[at]) if between else entry_days
        km = np.array([[entry_km], [end_km], [lower_km]]) - start_km
        days = np.array([[entry_days], [end_days], [lower_days]]) - start_days
        log_u = np.log(np.maximum(operational_units(km, days, CLOCK_WEIGHTS), SMALLEST_U))
        entry, end, lower = np.exp(log_u[:, :, None] * SHAPE_KNOTS)
        if between:
            self.interval_failures[row] += weight
            self.interval_log[:, :, row] += weight * log_width(lower, end)
            end = 0.5 * (lower + end)
        elif outcome in (Outcome.FAILED, Outcome.RENEWED_REASON_UNKNOWN):
            kind = int(outcome == Outcome.RENEWED_REASON_UNKNOWN)
            self.failures[kind, row] += weight
            self.log_u[kind, :, row] += weight * log_u[1]
            self.log_rate[kind, :, row] += weight * np.log(_rates(km[1, 0], days[1, 0]))
        self.exposure[:, :, row] += weight * (end - entry)

    def update(self, spells: Spells) -> None:
        """Put in all spells at once; the same sums as `add` one by one."""
        self._shares = None
        newest = newest_strata(spells)
        used = spells.quality == Quality.USED
        if used.any():
            self.used_reasons += _SAYS[:, spells.removal[used]] @ spells.weight[used]
            self.left_out_used += float(spells.weight[used].sum())
            spells = spells.subset(~used)
        if not len(spells):
            return
        known = spells.known_start
        self.unknown_start += float(spells.weight[~known].sum())
        # replacements of a superseded factory part need a cell of their own even where none is on record yet
        self.rows_of(of_replacements(spells.subset(~known), newest))
        rows = self.rows_of(spells)
        self._bulk_counts(spells, rows)
        if not known.all():
            at = np.flatnonzero(known)
            spells, rows = spells.subset(at), rows[at]
        km = np.stack([spells.entry_km, spells.exit_km]) - spells.start_km
        days = np.stack([spells.entry_days, spells.exit_days]) - spells.start_days
        between = spells.outcome == Outcome.FAILED_BETWEEN
        size = self.parts.shape[0]
        lower = spells.lower_km - spells.start_km, spells.lower_days - spells.start_days
        exposure, widths = exposure_sums(rows, spells.weight, Ages(km, days, between, *lower), size)
        self.exposure += exposure
        self.interval_log += widths
        self.interval_failures += np.bincount(rows, spells.weight * between, size)
        for kind, outcome in enumerate((Outcome.FAILED, Outcome.RENEWED_REASON_UNKNOWN)):
            self.add_failures(rows, spells.weight, km[1], days[1], spells.outcome == outcome, kind)

    def rows_of(self, spells: Spells) -> NDArray[np.int64]:
        """Row of each spell's cell."""
        first, which = distinct_cells(spells)
        return np.array([self.row(cell_key(spells, at)) for at in first.tolist()], dtype=np.int64)[which]

    def _bulk_counts(self, spells: Spells, rows: NDArray[np.int64]) -> None:
        size, weight = self.parts.shape[0], spells.weight
        self.parts += np.bincount(rows, weight, size)
        self.unexplained += np.bincount(rows, weight * (spells.outcome == Outcome.RENEWED_REASON_UNKNOWN), size)
        for kind, says in enumerate(_SAYS):
            self.reasons[kind] += np.bincount(rows, weight * says[spells.removal], size)
        self.exposure_km += np.bincount(rows, weight * (spells.exit_km - spells.entry_km), size)
        self.exposure_years += np.bincount(rows, weight * (spells.exit_days - spells.entry_days), size) / DAYS_PER_YEAR
        failed = (spells.outcome == Outcome.FAILED) | (spells.outcome == Outcome.FAILED_BETWEEN)
        self.unknown_failures += np.bincount(rows, weight * (failed & ~spells.known_start), size)
        self.seen_machines.put_in(rows, spells.machine)
        self.seen_shops.put_in(rows, spells.shop)

    def add_failures(
        self,
        rows: NDArray[np.int64],
        weight: Floats,
        km: Floats,
        days: Floats,
        failed: NDArray[np.bool_],
        kind: int,
    ) -> None:
        """Add the sums over exact failures (`kind` 0) or renewals of unknown reason (`kind` 1)."""
        at = np.flatnonzero(failed)
        if not len(at):
            return
        rows, weight, km, days = rows[at], weight[at], km[at], days[at]
        size = self.parts.shape[0]
        self.failures[kind] += np.bincount(rows, weight, size)
        rates = _rates(km[:, None], days[:, None])
        for i, clock_weight in enumerate(CLOCK_WEIGHTS):
            u = np.maximum(operational_units(km, days, clock_weight), SMALLEST_U)
            self.log_u[kind, i] += np.bincount(rows, weight * np.log(u), size)
            self.log_rate[kind, i] += np.bincount(rows, weight * np.log(rates[:, i]), size)

    def renewal_rates(self) -> tuple[Floats, Floats]:
        """Renewals of parts that were still good, per operational unit: of the component (w,), of each cell (w, rows).

        They make the parts met younger.
        """
        good = self.reasons[1] + (1.0 - self.failed_shares().share) * self.unexplained
        exposure = operational_units(
            self.exposure_km[:, None], self.exposure_years[:, None] * DAYS_PER_YEAR, CLOCK_WEIGHTS
        ).T
        return rates_by_cell(np.maximum(good, 0.0), np.maximum(exposure, 0.0))


def newest_strata(spells: Spells) -> NDArray[np.int64]:
    """Newest build stratum of each of `spells.cells`."""
    newest = np.full(len(spells.cells), -1)
    told = spells.stratum >= 0  # of few components: finding the largest by cell is slow
    np.maximum.at(newest, spells.cell[told], spells.stratum[told])
    return newest


def of_replacements(spells: Spells, newest: NDArray[np.int64]) -> Spells:
    """The spells as if their parts were of the newest stratum: what replaces a superseded factory part."""
    return replace(spells, stratum=newest[spells.cell])


def _reason(removal: int) -> Floats:
    return _SAYS[:, removal].astype(float)


def _rates(km: Floats | float, days: Floats | float) -> Floats:
    """du/da of each clock weight on the straight path from new to failure; last axis the clock weights."""
    years = np.maximum(np.asarray(days, dtype=float), 1.0) / DAYS_PER_YEAR
    km_per_year = np.maximum(np.asarray(km, dtype=float) / years, _LEAST_KM_PER_YEAR)
    return unit_rate(np.minimum(km_per_year, 40 * REFERENCE_KM_PER_YEAR) / DAYS_PER_YEAR, CLOCK_WEIGHTS)
