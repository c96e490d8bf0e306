"""What the analytics note about ages, which they count in plain km or days, with the unit said."""

from __future__ import annotations

import re

from service.said import Distance, Number, say

_OPENING = re.compile(r"Nobody was watched before age ([\d.e+]+): (.+)")
_EMPTIED = re.compile(r"All ([\d.e+]+) at risk failed at age ([\d.e+]+) though (.+)", re.DOTALL)
DAYS_PER_YEAR = 365.25


def with_unit(note: str, clock: str) -> str:
    """A note on a curve, as it can be shown: ages with the unit of `clock`, km or years."""
    found = _OPENING.fullmatch(note)
    if found is not None:
        return say("Nobody was watched before %(age)s: %(rest)s", age=_age(found[1], clock), rest=say(found[2]))
    found = _EMPTIED.fullmatch(note)
    if found is not None:
        many, age = Number(float(found[1])), _age(found[2], clock)
        return say("All %(many)s at risk failed at %(age)s though %(rest)s", many=many, age=age, rest=say(found[3]))
    return note


def _age(text: str, clock: str) -> object:
    age = float(text)
    return Distance(age) if clock == "km" else say("%(n)s years", n=Number(age / DAYS_PER_YEAR, 1))
