"""What the number on a part would say: which part is fitted, how likely it is bad now, fails in a season, or later.

A number is no verdict on the part. It tells the parts apart that the chances without it are a mixture of: the one the
machine was built with, the maker's later one, a part of another maker's.

What one does about it is to renew the part on purpose, or leave it. The new part serves longer than the coming season,
so renewing is held against what the part on the machine would cost in all the years it is kept:

    leave it:  chance that it fails while kept x (repair + what being stranded costs)
    renew it:  repair + chance that the new one fails while kept x the same

(age replacement over a finite time; Barlow and Proschan, Mathematical Theory of Reliability, 1965; from memory).
What the new part is still worth afterwards is left out: the worth of reading a number is on the low side.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from typing import Any

from analytics.life_model_types import Probability
from analytics.outcomes import Shares, Verdict
from analytics.planning_types import CheckOption, CheckTarget, ComponentRisk
from service.vocabulary import PART_MARKS

SUPERSEDED, CURRENT, PATTERN = PART_MARKS
MEANS = {
    SUPERSEDED: "a number that a later one took the place of: the part the machine was built with",
    CURRENT: "the maker's number in force",
    PATTERN: "not the maker's number: a pattern part, and so not the one the machine was built with",
}
# Beside the two verdicts a number is no fail of anything.
VERDICT_OF = {SUPERSEDED: Verdict.MARGINAL, CURRENT: Verdict.PASS, PATTERN: Verdict.MARGINAL}
PATTERN_SHARE = 0.25  # of parts renewed without a word of whose they were; invented prior
KEPT_YEARS = 4  # how long a machine is kept; invented prior
WHILE_KEPT = "while kept"  # stands for the position of a part whose future is at stake, not its state

Part = tuple[str, str | None]


@dataclass(frozen=True)
class Marked:
    """One number a part may bear: how likely it is to be read, and the part's chances if it is.

    `while_kept` is the chance that it fails within `KEPT_YEARS`, `new_while_kept` that of a new one in its place.
    """

    weight: float
    bad_now: Probability
    in_season: Probability
    while_kept: float
    new_while_kept: float

    def to_dict(self) -> dict[str, Any]:
        """As an inspection keeps it."""
        return {
            "weight": self.weight,
            "chance_bad_now": chance_reply(self.bad_now),
            "chance_in_season": chance_reply(self.in_season),
            "chance_while_kept": self.while_kept,
            "chance_of_a_new_one_while_kept": self.new_while_kept,
        }

    @classmethod
    def from_dict(cls, kept: Mapping[str, Any]) -> Marked:
        """From what an inspection kept."""
        season = Probability(**kept["chance_in_season"])
        return cls(
            kept["weight"],
            Probability(**kept["chance_bad_now"]),
            season,
            # Inspections begun before these were kept look no further than the season.
            kept.get("chance_while_kept", season.value),
            kept.get("chance_of_a_new_one_while_kept", 0.0),
        )


Marks = Mapping[str, Marked]


def chance_reply(chance: Probability) -> dict[str, float]:
    """A chance with its interval, as answered and kept."""
    return {"value": chance.value, "low": chance.low, "high": chance.high, "level": chance.level}


def kept_target(component: str, marks: Marks) -> CheckTarget:
    """How often each number is read of a part that will fail while the machine is kept, and of one that will not.

    Bayes' rule. Superseded, pattern and current stand in the order of fail, marginal and pass: three outcomes, no
    verdicts.
    """
    ordered = [marks.get(mark) for mark in (SUPERSEDED, PATTERN, CURRENT)]
    bad = [0.0 if m is None else m.weight * m.while_kept for m in ordered]
    good = [0.0 if m is None else m.weight * (1 - m.while_kept) for m in ordered]
    return CheckTarget(component, WHILE_KEPT, _shares(bad), _shares(good))


def _shares(weights: Sequence[float]) -> Shares:
    total = sum(weights)
    if total <= 0:  # no part fails, or every one does: nothing is read of the other kind
        return Shares(1 / 3, 1 / 3, 1 / 3)
    return Shares(*(weight / total for weight in weights))


def kept_risk(risk: ComponentRisk, marks: Marks) -> ComponentRisk:
    """What is at stake on a part while the machine is kept: its failure, against renewing it today."""
    chance = sum(m.weight * m.while_kept for m in marks.values())
    new_one = max(m.new_while_kept for m in marks.values())  # one part is fitted whichever comes off
    # A future is no safety defect: the class keeps it out of what every plan must look at.
    return replace(
        risk,
        position=WHILE_KEPT,
        chance_bad_now=chance,
        cost_to_act=risk.cost_to_act + new_one * risk.loss_if_missed,
        safety_class="C",
        within_years=KEPT_YEARS,
    )


def with_years_kept(risks: Sequence[ComponentRisk], marks: Mapping[str, Marks]) -> list[ComponentRisk]:
    """The risks, and beside them what a number would tell of the years ahead."""
    return [*risks, *(kept_risk(risk, marks[risk.component]) for risk in risks if risk.component in marks)]


def reads_mark(option: CheckOption) -> bool:
    """True for an option that reads numbers."""
    return all(target.position == WHILE_KEPT for target in option.targets)
