"""What the fits in force were worked out from, in memory: one new line costs a refit, not a fit from scratch.

Kept by the process that fitted, as far as it is room for. It is never the truth: where it is not there, or not of the
estimate in force, the component is fitted from its spells.
"""

from __future__ import annotations

import threading
from collections import OrderedDict
from dataclasses import dataclass

from analytics.component_fit import ComponentFit
from analytics.life_model_types import LifePrior
from analytics.refitting import KeptFit, fit_to_keep, refit
from analytics.spells import Spells
from analytics.spread_prior import SpreadPrior
from service.db import Database

MOST_SPELLS = 600_000  # of all that is kept; some 200 bytes each
Key = tuple[str, int, int | None, str]  # database, its engine, whose records, component


@dataclass(frozen=True)
class _Entry:
    estimate_id: int
    prior: LifePrior
    spread_prior: SpreadPrior
    kept: KeptFit


_entries: OrderedDict[Key, _Entry] = OrderedDict()
_lock = threading.Lock()


@dataclass(frozen=True)
class Workshop:
    """Fits of one set of shops, with what is kept of them."""

    database: Database
    shop_id: int | None
    spread_prior: SpreadPrior

    def fit(self, slug: str, spells: Spells, prior: LifePrior, in_force: int | None) -> tuple[ComponentFit, KeptFit]:
        """Fit one component; `in_force` is the estimate that the new one takes the place of."""
        with _lock:
            entry = _entries.pop(self._key(slug), None)
        if entry is not None and (entry.estimate_id, entry.prior, entry.spread_prior) == (
            in_force, prior, self.spread_prior,
        ):  # fmt: skip
            again = refit(entry.kept, spells)
            if again is not None:
                return again
        return fit_to_keep(spells, prior, component=slug, spread_prior=self.spread_prior)

    def keep(self, slug: str, estimate_id: int, prior: LifePrior, kept: KeptFit) -> None:
        """Keep what a published estimate was worked out from."""
        with _lock:
            _entries.pop(self._key(slug), None)
            _entries[self._key(slug)] = _Entry(estimate_id, prior, self.spread_prior, kept)
            spells = sum(len(entry.kept.spells) for entry in _entries.values())
            while spells > MOST_SPELLS and len(_entries) > 1:
                spells -= len(_entries.popitem(last=False)[1].kept.spells)

    def _key(self, slug: str) -> Key:
        # In-memory databases share one address: their engines tell them apart.
        return str(self.database.engine.url), id(self.database.engine.pool), self.shop_id, slug


def forget() -> None:
    """Drop what is kept in memory."""
    with _lock:
        _entries.clear()
