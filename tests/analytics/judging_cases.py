"""Plain readings and limits that the judging tests share."""

from __future__ import annotations

from analytics.judging_types import Limit, Measured, Reading
from analytics.outcomes import Verdict

PASS, MARGINAL, FAIL, INCONCLUSIVE = Verdict.PASS, Verdict.MARGINAL, Verdict.FAIL, Verdict.INCONCLUSIVE


def limit(unit="V", direction="two_sided", **fields):
    return Limit(
        **{"id": "L", "quantity": "q", "unit": unit, "scope": "class default", "direction": direction} | fields
    )


def reading(*values, unit="V", **fields):
    measured = tuple(v if isinstance(v, Measured) else Measured(v) for v in values)
    return Reading(measured, unit, **fields)


def open_above(top):
    return Measured(top, over_range=True)
