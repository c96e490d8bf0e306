"""How many renewals of unknown reason were failures, cell by cell.

Where the reason was left out without regard to what it was, a cell's renewals of known reason tell the share p of
failures among the others. p of a cell is beta-distributed around the component's share with k renewals' worth of
weight; k is averaged over its beta-binomial evidence from all cells, so that cells alike share and cells that differ
(a weak part fails more often than it is renewed while good) keep their own.

The split of D = p N failures from all N renewals of a cell is itself uncertain: with n reasons known,

    Var(log D) = 1 / N + (1 - p) / (p (n + k))

in place of 1 / D; the cell counts as `1 / Var` failures, at most D (delta method; Louis, 1982, on missing information).

Reference: Griffiths (1973), Biometrics 29, 637-648, on the beta-binomial.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy.special import betaln, gammaln

Floats = NDArray[np.float64]

PRIOR_RENEWALS, PRIOR_FAILED_SHARE = 4.0, 0.7  # invented: the reason is most often left out when it seems plain
_WEIGHTS = np.array([2.0, 4.0, 8.0, 16.0, 32.0, 64.0])  # k; even odds of each before the data
_RATE_WEIGHTS = np.array([1.0, 2.0, 4.0, 8.0, 16.0, 32.0])


@dataclass(frozen=True)
class FailedShare:
    """Chance that a renewal of unknown reason was a failure: `share` and the renewals' worth behind it, (cells,)."""

    share: Floats
    known: Floats

    def held(self, explained: Floats, unexplained: Floats) -> Floats:
        """Part of each cell's information that not knowing the reasons leaves, (cells,), in (0, 1].

        Parameters
        ----------
        explained : (cells,)
            Failures of known reason.
        unexplained : (cells,)
            Renewals of unknown reason.
        """
        good = np.maximum(self.known - explained, 0.0)
        failed = explained + self.share * unexplained
        renewals = np.maximum(explained + good + unexplained, 1e-9)
        spread = 1.0 / renewals + (1.0 - self.share) / (self.share * np.maximum(self.known, 1e-9))
        kept = np.minimum(1.0 / (spread * np.maximum(failed, 1e-9)), 1.0)
        return np.where(unexplained > 1e-9, kept, 1.0)


def component_share(failed: float, good: float) -> float:
    """Share of failures among a component's renewals of known reason, shrunk to the invented prior."""
    return float((failed + PRIOR_RENEWALS * PRIOR_FAILED_SHARE) / (failed + good + PRIOR_RENEWALS))


def share_by_cell(failed: Floats, good: Floats, centre: float) -> FailedShare:
    """Share of failures of each cell from its renewals of known reason, shrunk to the component's.

    Parameters
    ----------
    failed, good : (cells,)
        Renewals of known reason. What rounding leaves of some that were taken out again counts as none.
    centre : float
        The component's share, in (0, 1).
    """
    failed, good = (np.where(v > 1e-6, v, 0.0) for v in (failed, good))
    a, b = _WEIGHTS[:, None] * centre, _WEIGHTS[:, None] * (1.0 - centre)
    log_evidence = (betaln(failed + a, good + b) - betaln(a, b)).sum(axis=1)
    chance = np.exp(log_evidence - log_evidence.max())
    chance = (chance / chance.sum())[:, None]
    share = (chance * (failed + a) / (failed + good + _WEIGHTS[:, None])).sum(axis=0)
    return FailedShare(share, failed + good + float((chance[:, 0] * _WEIGHTS).sum()))


def rates_by_cell(good: Floats, exposure: Floats) -> tuple[Floats, Floats]:
    """Rate at which parts that had not failed were renewed, over all cells and in each, shrunk to the former.

    Parameters
    ----------
    good : (cells,)
        Renewals of parts that were still good.
    exposure : (w, cells)
        Operational units of ten years at each clock weight.

    Returns
    -------
    component : (w,)
        One unit of ten years without a renewal stands in for the prior.
    cells : (w, cells)
        Gamma-Poisson means; how many renewals the component's rate weighs is averaged over its evidence.
    """
    component = good.sum() / (exposure.sum(axis=1) + 1.0)
    if not good.sum() > 0:
        return component, np.zeros_like(exposure)
    a = _RATE_WEIGHTS[:, None, None]
    b = a / component[:, None]
    log_evidence = gammaln(good + a) - gammaln(a) + a * np.log(b) - (good + a) * np.log(b + exposure)
    total = log_evidence.sum(axis=2)
    chance = np.exp(total - total.max(axis=0))
    chance = (chance / chance.sum(axis=0))[..., None]
    return component, (chance * (good + a) / (exposure + b)).sum(axis=0)
