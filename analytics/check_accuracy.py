"""How good is a check really? Learnt from parts that were opened, on top of an invented prior.

What is wanted is P(outcome | part bad) and P(outcome | part good). What a workshop sees is biased: parts are opened
after fails and hardly ever after passes, so counting among opened parts alone makes a check look more sensitive and
less specific than it is (verification bias). It is put right as Begg and Greenes do (Biometrics 39, 1983, 207-215):
whether a part is opened may depend on the outcome of the check, but given the outcome not on whether the part is bad.
Then opened parts tell P(bad | outcome), all findings together tell P(outcome), and Bayes' rule gives the rest. Where
passes are opened because something else spoke against the part, the assumption fails, and a bad part will look as if
it passed more often than it does.

Priors: both rows of three shares are Dirichlet, the invented shares times `PRIOR_STRENGTH` pseudo-observations; the
share of bad parts among those checked is beta, the model's mean chance times `CHANCE_STRENGTH`. With every part opened
the posterior is the conjugate one, (prior + counts) / (their sum), exactly. Otherwise the state of each unopened part
is drawn along with the shares (Gibbs sampling, seeded). No pass opened means that how bad parts pass cannot be seen:
those shares then stay near the prior by themselves, whatever the number of fails confirmed.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray
from scipy.special import betaincinv

from analytics.errors import AnalyticsError
from analytics.outcomes import CONCLUSIVE, Shares, Verdict

PRIOR_STRENGTH = 20.0  # pseudo-observations behind each row of invented shares (own choice)
CHANCE_STRENGTH = 10.0  # pseudo-observations behind the model's chance that a checked part is bad (own choice)
CHAINS, WARM_UP, KEPT = 200, 150, 100

Floats = NDArray[np.float64]
Shares3 = tuple[float, float, float]  # of fail, marginal, pass


class InvalidCounts(AnalyticsError):
    """Counts of outcomes nothing can be learnt from."""


@dataclass(frozen=True)
class Opened:
    """Findings with one outcome: parts opened and found bad, opened and found good, and never opened."""

    bad: int = 0
    good: int = 0
    unopened: int = 0

    def __post_init__(self) -> None:
        for name in ("bad", "good", "unopened"):
            if getattr(self, name) < 0:
                raise InvalidCounts(f"{name} must be 0 or more, not {getattr(self, name)}")


@dataclass(frozen=True)
class LearntShares:
    """Three shares with their interval; `prior_weight` is the part of the figure that is still the invented prior."""

    shares: Shares
    low: Shares3
    high: Shares3
    prior_weight: float


@dataclass(frozen=True)
class LearntAccuracy:
    """What is now believed of one check on one part.

    Attributes
    ----------
    given_bad, given_good : LearntShares
    opened, unopened : int
        Findings behind it; only opened ones say whether the check was right.
    opened_passes : int
        Without any, how often a bad part passes is prior alone.
    level : float
        Of the intervals.
    """

    given_bad: LearntShares
    given_good: LearntShares
    opened: int
    unopened: int
    opened_passes: int
    level: float

    @property
    def words(self) -> str:
        """Where the figure comes from, to stand beside it."""
        if self.opened == 0:
            return "invented prior"
        outcomes = "1 outcome" if self.opened == 1 else f"{self.opened} outcomes"
        blind = "; no pass was ever opened, so how often a bad part passes is prior" if not self.opened_passes else ""
        return f"learnt from {outcomes} on an invented prior{blind}"


def learn_accuracy(
    prior_bad: Shares,
    prior_good: Shares,
    counts: Mapping[Verdict, Opened],
    *,
    chance_before: float,
    seed: int,
    prior_strength: float = PRIOR_STRENGTH,
    level: float = 0.9,
) -> LearntAccuracy:
    """Posterior of a check's shares.

    Parameters
    ----------
    prior_bad, prior_good : Shares
        The invented ones.
    counts : mapping from Verdict to Opened
        Inconclusive findings say nothing and are passed over.
    chance_before : float
        Mean chance, before the check, that the parts it was done on were bad; between 0 and 1, bounds excluded.
    seed : int
        Used only where parts were not opened.
    prior_strength : float
        Pseudo-observations behind each row of shares; above 0.
    level : float
        Of the intervals.

    Raises
    ------
    InvalidCounts
        If a count is negative, or chance_before, prior_strength or level is out of range.

    Notes
    -----
    Nothing opened: the prior comes back unchanged, since outcomes alone cannot say whether the check was right.
    """
    if not 0 < chance_before < 1:
        raise InvalidCounts(f"chance_before must lie between 0 and 1, bounds excluded, not {chance_before}")
    if not (prior_strength > 0 and 0 < level < 1):
        raise InvalidCounts(f"prior_strength must be above 0 and level between 0 and 1: {prior_strength}, {level}")
    rows = [counts.get(verdict, Opened()) for verdict in CONCLUSIVE]
    bad = np.array([r.bad for r in rows], dtype=float)
    good = np.array([r.good for r in rows], dtype=float)
    unopened = np.array([r.unopened for r in rows], dtype=np.int64)
    alpha = prior_strength * np.array([prior_bad.as_tuple(), prior_good.as_tuple()])
    opened = int(bad.sum() + good.sum())
    if opened == 0 or not unopened.any():
        found = _conjugate(alpha, np.stack([bad, good]), level)
    else:
        start = CHANCE_STRENGTH * np.array([chance_before, 1 - chance_before])
        found = _sampled(alpha, np.stack([bad, good]), unopened, start, np.random.default_rng(seed), level)
    never = sum(r.unopened for r in rows)
    return LearntAccuracy(found[0], found[1], opened, never, rows[2].bad + rows[2].good, level)


def _conjugate(alpha: Floats, counts: Floats, level: float) -> tuple[LearntShares, LearntShares]:
    """Dirichlet posterior; each share alone is beta."""
    found = []
    for prior, seen in zip(alpha, counts, strict=True):
        a = prior + seen
        total = a.sum()
        tails = betaincinv(a, total - a, [[(1 - level) / 2], [(1 + level) / 2]])
        found.append(_learnt(a / total, tails, prior.sum() / total))
    return found[0], found[1]


def _sampled(
    alpha: Floats, counts: Floats, unopened: NDArray[np.int64], start: Floats, rng: np.random.Generator, level: float
) -> tuple[LearntShares, LearntShares]:
    """Gibbs sampling: states of the unopened parts given the shares, shares given the states; many short chains.

    Chains start from the prior, so that they need the warm-up to forget it. Means are of the conditional means.
    """
    shares = _draw(np.repeat(alpha[:, None, :], CHAINS, axis=1), rng)  # (2, chains, 3)
    share_bad = rng.beta(float(start[0]), float(start[1]), CHAINS)
    means, drawn, weights = [], [], []
    for sweep in range(WARM_UP + KEPT):
        weight_bad = share_bad[:, None] * shares[0]
        weight_good = (1 - share_bad)[:, None] * shares[1]
        hidden_bad = rng.binomial(unopened, weight_bad / (weight_bad + weight_good))
        hidden = np.stack([hidden_bad, unopened - hidden_bad])
        a = (alpha + counts)[:, None, :] + hidden
        shares = _draw(a, rng)
        seen = counts.sum(axis=1)[:, None] + hidden.sum(axis=2)
        share_bad = np.clip(rng.beta(start[0] + seen[0], start[1] + seen[1]), 1e-12, 1 - 1e-12)
        if sweep >= WARM_UP:
            total = a.sum(axis=2, keepdims=True)
            means.append((a / total).mean(axis=1))
            weights.append((alpha.sum(axis=1)[:, None, None] / total).mean(axis=(1, 2)))
            drawn.append(shares)
    mean, weight = np.mean(means, axis=0), np.mean(weights, axis=0)
    tails = np.quantile(np.concatenate(drawn, axis=1), [(1 - level) / 2, (1 + level) / 2], axis=1)
    return _learnt(mean[0], tails[:, 0], float(weight[0])), _learnt(mean[1], tails[:, 1], float(weight[1]))


def _draw(alpha: Floats, rng: np.random.Generator) -> Floats:
    """Dirichlet draws along the last axis; none so near 0 that all shares of an outcome vanish together."""
    gammas = np.maximum(rng.standard_gamma(alpha), 1e-100)
    return np.asarray(gammas / gammas.sum(axis=-1, keepdims=True))


def _learnt(mean: Floats, tails: Any, prior_weight: float) -> LearntShares:
    fail, marginal, passed = (float(x) for x in mean / mean.sum())
    low, high = ((float(t[0]), float(t[1]), float(t[2])) for t in tails)
    return LearntShares(Shares(fail, marginal, passed), low, high, float(prior_weight))
