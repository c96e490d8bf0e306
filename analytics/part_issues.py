"""Which issue of a superseded part is on a machine: told by the day it was fitted, a factory part's by its build.

What a campaign put on, and what followed it there, is of the newest issue. A model year or a registration does not tell
on which side of a change in mid-build a machine was made: a factory part is then of each issue it can be, with the
share of the possible days that speaks for it.
"""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np

from analytics.spells import Bools, Floats, Ints

# Of a model whose parts list names no change: a part that a campaign put on is a later issue, no day tells it apart.
BY_CAMPAIGN_ALONE = (float("inf"),)
STEPS = 16  # odds are told in sixteenths, so that machines of like doubt share what is worked out for them


def stratum_of(changes: Sequence[float], fitted_day: float) -> int:
    """Number of part changes that lie on or before the day a part was fitted."""
    return sum(fitted_day >= day for day in changes)


def strata_of(changes: Sequence[float], fitted_day: Floats) -> Ints:
    """The same for many parts, (n,)."""
    return np.asarray((fitted_day[:, None] >= np.array(changes)[None, :]).sum(axis=1), dtype=np.int64)


def issue_odds(changes: Sequence[float], first: Floats, last: Floats) -> Floats:
    """Chance of each issue for machines built on any day of a span, every day being as likely.

    Parameters
    ----------
    changes : sequence of float
        Ordinals of the days from which each later issue was fitted, rising.
    first, last : (n,) float
        First and last possible day of the build.

    Returns
    -------
    (n, len(changes) + 1) float
        Rows add up to 1; in whole sixteenths.
    """
    days, first, last = np.array(changes, dtype=float)[None, :], first[:, None], last[:, None]
    spread = np.clip((last + 1.0 - days) / (last - first + 1.0), 0.0, 1.0)
    from_each = np.where(first == last, first >= days, np.round(spread * STEPS) / STEPS)
    edges = np.hstack([np.ones((len(first), 1)), from_each, np.zeros((len(first), 1))])
    return np.asarray(edges[:, :-1] - edges[:, 1:])


def build_span(new_day: Floats, told: tuple[Floats, Floats], seen: Floats) -> tuple[Floats, Floats]:
    """First and last possible day of build, (n,), never after the first sight; `new_day` where nothing is told."""
    first, last = told[0], np.minimum(told[1], np.floor(seen))
    doubtful: Bools = first <= last  # False for nan, and where what was told and what was seen exclude one another
    return np.where(doubtful, first, new_day), np.where(doubtful, last, new_day)


def doubtful_issue(odds: Floats) -> tuple[float, ...]:
    """The odds of one part, (issues,), as `PartState.issues` has them; empty where they leave no doubt."""
    return () if odds.max() == 1.0 else tuple(odds.tolist())


def told_issues(told: Sequence[tuple[float, ...]]) -> tuple[tuple[tuple[float, ...], ...], Ints]:
    """Different ones among the `PartState.issues` of parts, the first empty, and which each part has."""
    known = {issues: k for k, issues in enumerate(dict.fromkeys([(), *told]))}
    return tuple(known), np.array([known[issues] for issues in told], dtype=np.int64)
