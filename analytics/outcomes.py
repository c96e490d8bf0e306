"""What a check can say, and how often it says so of a bad part and of a good one.

The shares behind a check are inputs: the catalogue ships invented priors, outcomes of strip-downs replace them.
"""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from enum import StrEnum

from analytics.errors import AnalyticsError


class InvalidShares(AnalyticsError):
    """The shares of a check's outcomes are no probabilities."""


class Verdict(StrEnum):
    """How a reading was judged; an unmet prerequisite gives INCONCLUSIVE, never FAIL."""

    PASS = "pass"
    MARGINAL = "marginal"
    FAIL = "fail"
    INCONCLUSIVE = "inconclusive"


CONCLUSIVE = (Verdict.FAIL, Verdict.MARGINAL, Verdict.PASS)


@dataclass(frozen=True)
class Shares:
    """Chances of the three conclusive outcomes in one state of the part; they sum to 1.

    Raises
    ------
    InvalidShares
        If a share lies outside 0..1 or the three do not sum to 1 within 1e-6.
    """

    fail: float
    marginal: float
    passed: float

    def __post_init__(self) -> None:
        for name in ("fail", "marginal", "passed"):
            share = getattr(self, name)
            if not (math.isfinite(share) and 0 <= share <= 1):
                raise InvalidShares(f"share '{name}' must be a chance between 0 and 1, not {share}")
        total = self.fail + self.marginal + self.passed
        if abs(total - 1) > 1e-6:
            raise InvalidShares(f"shares of fail, marginal and pass must sum to 1, not {total:g}")

    @classmethod
    def of(cls, shares: Mapping[str, float] | Sequence[float]) -> Shares:
        """From a mapping with keys fail, marginal, pass, or from three numbers in that order."""
        if isinstance(shares, Mapping):
            missing = [v.value for v in CONCLUSIVE if v.value not in shares]
            if missing:
                raise InvalidShares(f"share '{missing[0]}' is missing; give fail, marginal and pass")
            return cls(shares["fail"], shares["marginal"], shares["pass"])
        if len(shares) != 3:
            raise InvalidShares(f"give three shares (fail, marginal, pass), not {len(shares)}")
        return cls(*shares)

    def as_tuple(self) -> tuple[float, float, float]:
        """(fail, marginal, pass)."""
        return self.fail, self.marginal, self.passed

    def share(self, verdict: Verdict) -> float:
        """Chance of a conclusive verdict; 1 for INCONCLUSIVE, which says nothing about the part."""
        if verdict is Verdict.INCONCLUSIVE:
            return 1.0
        return self.as_tuple()[CONCLUSIVE.index(verdict)]


def likelihood_ratio(verdict: Verdict, given_bad: Shares, given_good: Shares) -> float:
    """P(verdict | bad) / P(verdict | good); 1 for INCONCLUSIVE, infinite where a good part never reads so."""
    bad, good = given_bad.share(verdict), given_good.share(verdict)
    if good == 0:
        return math.inf if bad > 0 else 1.0
    return bad / good
