"""What the number on a part would say: which part is fitted, and how likely that one is bad now or fails in a season.

A number is no verdict on the part. It tells the parts apart that the chances without it are a mixture of: the one the
machine was built with, the maker's later one, a part of another maker's.
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
# What may fail later is not renewed today: it is put to the price. A claim that turns out wrong costs this share of the
# repair, as a bargain spoilt. Invented prior.
CLAIM_SHARE = 0.4
SEASON = "coming season"  # stands for the position of a part whose future is at stake, not its state
LEAST_SHARE = 1e-6

Part = tuple[str, str | None]


@dataclass(frozen=True)
class Marked:
    """One number a part may bear: how likely it is to be read, and the part's chances if it is."""

    weight: float
    bad_now: Probability
    in_season: Probability

    def to_dict(self) -> dict[str, Any]:
        """As an inspection keeps it."""
        return {
            "weight": self.weight,
            "chance_bad_now": chance_reply(self.bad_now),
            "chance_in_season": chance_reply(self.in_season),
        }

    @classmethod
    def from_dict(cls, kept: Mapping[str, Any]) -> Marked:
        """From what an inspection kept."""
        return cls(kept["weight"], Probability(**kept["chance_bad_now"]), Probability(**kept["chance_in_season"]))


Marks = Mapping[str, Marked]


def chance_reply(chance: Probability) -> dict[str, float]:
    """A chance with its interval, as answered and kept."""
    return {"value": chance.value, "low": chance.low, "high": chance.high, "level": chance.level}


def season_target(component: str, marks: Marks) -> CheckTarget:
    """How often each number is read of a part that will fail within the season, and of one that will not (Bayes).

    Superseded, pattern and current stand in the order of fail, marginal and pass: three outcomes, no verdicts.
    """
    ordered = [marks.get(mark) for mark in (SUPERSEDED, PATTERN, CURRENT)]
    bad = [0.0 if m is None else m.weight * m.in_season.value for m in ordered]
    good = [0.0 if m is None else m.weight * (1 - m.in_season.value) for m in ordered]
    return CheckTarget(component, SEASON, _shares(bad), _shares(good))


def _shares(weights: Sequence[float]) -> Shares:
    kept = [max(weight, LEAST_SHARE) for weight in weights]
    return Shares(*(weight / sum(kept) for weight in kept))


def season_risk(risk: ComponentRisk, marks: Marks) -> ComponentRisk:
    """What is at stake on a part in the coming season: the chance and the loss that it fails, the price of a claim."""
    chance = sum(m.weight * m.in_season.value for m in marks.values())
    # A future is no safety defect: the class keeps it out of what every plan must look at.
    return replace(
        risk,
        position=SEASON,
        chance_bad_now=chance,
        cost_to_act=risk.cost_to_act * CLAIM_SHARE,
        safety_class="C",
        at_stake="fails within the season",
    )


def with_season(risks: Sequence[ComponentRisk], marks: Mapping[str, Marks]) -> list[ComponentRisk]:
    """The risks, and beside them what a number would tell of the season."""
    return [*risks, *(season_risk(risk, marks[risk.component]) for risk in risks if risk.component in marks)]


def reads_mark(option: CheckOption) -> bool:
    """True for an option that reads numbers."""
    return all(target.position == SEASON for target in option.targets)
