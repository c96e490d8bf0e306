"""What happened to parts of unknown start, at each age they may have had: likelihood and its derivatives, row by row.

See `analytics.unknown_spells` for the equations.
"""

from __future__ import annotations

from dataclasses import dataclass, fields, replace

import numpy as np
from numpy.typing import NDArray

from analytics.operational_time import SMALLEST_U, operational_units, unit_rate
from analytics.unknown_start import AGES, age_table, age_weights

Floats = NDArray[np.float64]
Ints = NDArray[np.int64]

_STEP = 0.25  # of log theta, for numerical derivatives
_LATTICE = 32  # ages told apart where the factory part has a life of its own


@dataclass(frozen=True)
class UnknownSpells:
    """Rows of unknown start: cell in layout order, machine clocks at entry, at the last known good time and at exit.

    later_cell : the cell of a replacement, another than `cell` where the part was superseded since the machine's build.
    """

    cell: Ints
    later_cell: Ints
    entry: tuple[Floats, Floats]  # km, days
    lower: tuple[Floats, Floats]
    exit: tuple[Floats, Floats]
    failed: Floats  # chance that it ended in a failure: 1, 0, or between for a reason nobody wrote
    between: NDArray[np.bool_]
    not_original: NDArray[np.bool_]
    weight: Floats
    pattern: Floats  # chance that a replacement was pattern-made

    def __len__(self) -> int:
        return len(self.cell)

    def subset(self, mask: NDArray[np.bool_] | Ints) -> UnknownSpells:
        """The rows picked by a mask or by their numbers."""

        def pick(value: tuple[Floats, ...] | NDArray) -> tuple[Floats, ...] | NDArray:
            return tuple(v[mask] for v in value) if isinstance(value, tuple) else value[mask]

        return UnknownSpells(**{f.name: pick(getattr(self, f.name)) for f in fields(self)})  # type: ignore[arg-type]

    def repeated(self, times: int, cells: int) -> UnknownSpells:
        """The rows several times over, each time in other cells: `cells` further on."""
        again = self.subset(np.tile(np.arange(len(self)), times))
        further = np.repeat(cells * np.arange(times), len(self))
        return replace(again, cell=again.cell + further, later_cell=again.later_cell + further)


@dataclass(frozen=True)
class CellLives:
    """Life of the ordinary parts of each cell, renewals of good ones per operational unit, and pattern parts' life.

    All (cells,); `pattern` is log theta and shape of pattern parts, None where there is none to tell it by.
    """

    log_theta: Floats
    shape: Floats
    renewal_rate: Floats
    pattern: tuple[Floats, Floats] | None


@dataclass(frozen=True)
class MachineAges:
    """Operational machine ages of the rows at one clock weight."""

    entry: Floats
    lower: Floats
    exit: Floats
    log_rate: Floats

    @classmethod
    def of(cls, rows: UnknownSpells, w: float) -> MachineAges:
        entry, lower, exit_ = (
            np.maximum(operational_units(*clocks, w), SMALLEST_U) for clocks in (rows.entry, rows.lower, rows.exit)
        )
        rate = rows.exit[0] / np.maximum(rows.exit[1], 1.0)
        return cls(
            entry, np.maximum(lower, entry), np.maximum(exit_, entry), np.log(unit_rate(np.maximum(rate, 0.1), w))
        )

    def repeated(self, times: int) -> MachineAges:
        """The rows several times over."""
        return MachineAges(*(np.tile(getattr(self, f.name), times) for f in fields(self)))

    def given(
        self, rows: UnknownSpells, ages: Floats, prior: Floats, eta: Floats, life: CellLives
    ) -> tuple[Floats, Floats, Floats]:
        """Weight of each age given what happened, dH at each age, (ages, n), and the log-likelihood (n,).

        The original is the last age; `eta` is log theta of an ordinary part of each age. The weights add up to less
        than 1 where the part may have been pattern-made. Ages come first because they are few: sums over a short last
        axis are slow.
        """
        log_prior = np.log(np.maximum(prior, 1e-300))
        log_likelihood, passed, at_entry = self._passage(rows, ages, eta, life.shape[rows.cell])
        log_likelihood += log_prior
        if life.pattern is None or not rows.pattern.any():
            top = log_likelihood.max(axis=0)
            given = np.exp(log_likelihood - top)
            total = given.sum(axis=0)
            return given / total, passed, top + np.log(total)
        made = np.repeat(rows.pattern[None], len(ages), axis=0)
        made[-1] = 0.0
        other, shape = (of_cell[rows.later_cell] for of_cell in life.pattern)
        pattern, _, before = self._passage(rows, ages, other, shape)
        # the prior holds that an ordinary part would have come to this age
        log_made = log_prior + np.clip(at_entry - before, -50.0, 50.0) + np.log(made + 1e-300)
        log_likelihood = np.concatenate([log_likelihood + np.log1p(-made), pattern + log_made])
        working = (prior * (1.0 - made)).sum(axis=0) + np.exp(log_made).sum(axis=0)
        top = log_likelihood.max(axis=0)
        given = np.exp(log_likelihood - top)
        total = given.sum(axis=0)
        return given[: len(ages)] / total, passed, top + np.log(total) - np.log(working)

    def _passage(self, rows: UnknownSpells, ages: Floats, eta: Floats, shape: Floats) -> tuple[Floats, Floats, Floats]:
        """Log-likelihood of what happened at each age, dH, and H at entry, (ages, n)."""

        def hazard(eta: Floats, shape: Floats, log_age: Floats) -> Floats:
            return np.exp(np.minimum(eta + shape * log_age, 50.0))

        at_entry = hazard(eta, shape, np.log(ages))
        log_gone = np.log(ages + (self.exit - self.entry))
        passed = hazard(eta, shape, log_gone) - at_entry
        log_event = eta + np.log(shape) + (shape - 1.0) * log_gone + self.log_rate
        at = np.flatnonzero(rows.between)
        if len(at):
            lower = np.log(ages[:, at] + (self.lower - self.entry)[at])
            to_lower, to_exit = hazard(eta[..., at], shape[at], lower) - at_entry[:, at], passed[:, at]
            passed[:, at] = 0.5 * (to_lower + to_exit)
            log_event[:, at] = np.log(np.maximum(to_exit - to_lower, 1e-9))
        return rows.failed * log_event - passed, passed, at_entry


_Terms = list[tuple[Ints, tuple[Floats, Floats, Floats, Floats]]]


def one_kind(rows: UnknownSpells, path: MachineAges, life: CellLives) -> _Terms:
    """D, mean and variance of dH and log-likelihood of each row, all for its one cell."""
    eta, shape, rate = (of_cell[rows.cell] for of_cell in (life.log_theta, life.shape, life.renewal_rate))
    log_life = -eta / shape
    lives = np.exp(np.clip(np.log(path.entry) - log_life, -12.0, 12.0))
    original, fraction = age_table().look_up(shape, lives, rate * np.exp(log_life))
    original = np.where(rows.not_original, 0.0, original)
    # laid out anew, or all that follows would keep the order of what was transposed
    ages = np.ascontiguousarray(np.concatenate([fraction.T, np.ones((1, len(eta)))])) * path.entry
    prior = np.concatenate([np.repeat((1.0 - original)[None] / AGES, AGES, axis=0), original[None]])
    given, passed, value = path.given(rows, ages, prior, eta, life)
    return [(rows.cell, (*_sums(rows, given, passed), value))]


def _sums(rows: UnknownSpells, given: Floats, passed: Floats) -> tuple[Floats, Floats, Floats]:
    """D, E[dH] and the variance of D - dH over the ages, and over whether the part was of this cell."""
    away = rows.failed - passed
    weighed = given * away
    variance = (weighed * away).sum(axis=0) - weighed.sum(axis=0) ** 2
    return rows.failed * given.sum(axis=0), (given * passed).sum(axis=0), np.maximum(variance, 0.0)


def two_kinds(rows: UnknownSpells, path: MachineAges, life: CellLives) -> _Terms:
    """The same for a factory part of one cell and replacements of another; the likelihood is booked with the first."""
    first, later = life.log_theta[rows.cell], life.log_theta[rows.later_cell]
    same, rates = life.shape[rows.cell], (life.renewal_rate[rows.cell], life.renewal_rate[rows.later_cell])

    def at(moved: float) -> tuple[Floats, Floats, Floats]:
        own = first + moved
        original, ages, weights = age_weights((own, same), (later, same), path.entry, rates, _LATTICE)
        original = np.where(rows.not_original, 0.0, original)
        prior = np.ascontiguousarray(np.concatenate([weights.T, original[None]]))
        ages = np.ascontiguousarray(np.concatenate([ages.T, path.entry[None]]))
        etas = np.repeat(later[None], len(ages), axis=0)
        etas[-1] = own
        return path.given(rows, ages, prior, etas, life)

    (given, passed, value), up, down = at(0.0), at(_STEP)[2], at(-_STEP)[2]
    # which of the two is on the machine depends on the factory part's life as well: its derivatives are taken of the
    # whole likelihood, ages included, or its interval would be far too narrow
    score, information = (up - down) / (2 * _STEP), -(up - 2 * value + down) / _STEP**2
    failed = rows.failed * given[-1]
    out: _Terms = [(rows.cell, (failed, failed - score, failed - score - information, value))]
    out.append((rows.later_cell, (*_sums(rows, given[:-1], passed[:-1]), np.zeros_like(value))))
    return out
