"""What a diagnosis is told and what it answers: priors, evidence, posterior with its reasons.

Log odds are natural logarithms. A likelihood ratio above 1 raises the odds that a part is bad.
"""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass

from analytics.errors import AnalyticsError
from analytics.outcomes import Shares, Verdict
from analytics.planning_types import CheckTarget, JointChances

Part = tuple[str, str | None]

__all__ = [
    "CheckTarget",
    "Diagnosis",
    "Evidence",
    "EvidenceRules",
    "Finding",
    "HistoryFact",
    "InvalidEvidence",
    "JointChances",
    "Move",
    "NonRunner",
    "NotCounted",
    "Part",
    "PartDiagnosis",
    "PriorChance",
    "Shares",
    "Symptom",
    "Verdict",
]


MOST_TIED = 10


class InvalidEvidence(AnalyticsError):
    """Evidence that no posterior can be worked from."""


def _ratios(where: str, ratios: Mapping[str, float]) -> None:
    for component, ratio in ratios.items():
        if not (math.isfinite(ratio) and ratio > 0):
            raise InvalidEvidence(f"{where}: ratio of {component} must be a number above 0, not {ratio}")


@dataclass(frozen=True)
class PriorChance:
    """Chance that a part is bad now, before any evidence: life model and, for a non-runner, idle damage.

    Chances of exactly 0 and 1 are read as 1e-12 from it, so that evidence can still speak.
    """

    component: str
    position: str | None
    chance_bad: float

    def __post_init__(self) -> None:
        if not (math.isfinite(self.chance_bad) and 0 <= self.chance_bad <= 1):
            where = f"prior of {self.component}"
            raise InvalidEvidence(f"{where}: chance_bad must lie between 0 and 1, not {self.chance_bad}")

    @property
    def part(self) -> Part:
        """(component, position)."""
        return self.component, self.position


@dataclass(frozen=True)
class Symptom:
    """A symptom seen, or only `reported` by somebody.

    Attributes
    ----------
    ratios : mapping from component to likelihood ratio
        Components not named: 1.
    group : str or None
        Rows of one group describe one physical fact.
    positions : frozenset of str or None
        Positions the symptom names; None where it names none. Parts of a named component at another position get
        `elsewhere`, parts without a position the ratio.
    """

    id: str
    ratios: Mapping[str, float]
    group: str | None = None
    reported: bool = False
    positions: frozenset[str] | None = None
    elsewhere: float = 1.0

    def __post_init__(self) -> None:
        _ratios(f"symptom {self.id}", {**self.ratios, "elsewhere": self.elsewhere})


@dataclass(frozen=True)
class HistoryFact:
    """A fact of the machine's history.

    `duplicates_covariate` names the covariate of the life model that says the same; the row is off where the model
    carries it. `not_when_age_known` are components whose ratio is off where the part's age is known.
    """

    id: str
    ratios: Mapping[str, float]
    group: str | None = None
    duplicates_covariate: str | None = None
    not_when_age_known: frozenset[str] = frozenset()

    def __post_init__(self) -> None:
        _ratios(f"history fact {self.id}", self.ratios)


@dataclass(frozen=True)
class Finding:
    """What a check or quick variant found.

    Attributes
    ----------
    check, parent : str
        The option done (a quick variant stays one) and the full check it belongs to; readings of one parent are
        not independent.
    verdict : Verdict
        One for all targets; a check whose targets read differently gives one Finding each.
    targets : tuple of CheckTarget
    set_level : bool
        True where the verdict speaks for the whole set. Of several bad members the one with the greatest share of
        fails decides.
    group : str or None
        Evidence group, as for symptoms.
    prerequisites_met : bool
        False makes it inconclusive.
    weak_pass : bool
        The catalogue's mark that a pass does not clear the part.
    """

    check: str
    parent: str
    verdict: Verdict
    targets: tuple[CheckTarget, ...]
    set_level: bool = False
    group: str | None = None
    prerequisites_met: bool = True
    weak_pass: bool = False

    def __post_init__(self) -> None:
        if not self.targets:
            raise InvalidEvidence(f"finding {self.check}: targets is empty; name at least one component")
        if self.set_level and len({t.given_good for t in self.targets}) > 1:
            raise InvalidEvidence(f"finding {self.check}: targets of a set-level check must share given_good")

    @property
    def id(self) -> str:
        """The option done."""
        return self.check


@dataclass(frozen=True)
class NonRunner:
    """The machine does not do something, so at least one of these parts is bad; several may be."""

    id: str
    members: frozenset[Part]


Evidence = Symptom | HistoryFact | Finding | NonRunner


@dataclass(frozen=True)
class EvidenceRules:
    """How ratios may be combined (invented priors; the catalogue carries them). Each cap c allows 1/c to c."""

    cap_symptom_or_history: float = 30.0
    cap_measured_check: float = 100.0
    cap_product_per_component: float = 200.0
    reported_exponent: float = 0.5
    weak_pass_above: float = 1 / 3

    def __post_init__(self) -> None:
        for name in ("cap_symptom_or_history", "cap_measured_check", "cap_product_per_component"):
            if getattr(self, name) < 1:
                raise InvalidEvidence(f"{name} must be 1 or more, not {getattr(self, name)}")
        if not 0 <= self.reported_exponent <= 1:
            raise InvalidEvidence(f"reported_exponent must lie between 0 and 1, not {self.reported_exponent}")


@dataclass(frozen=True)
class Move:
    """What one piece of evidence did to one part. `through_set` is True where it speaks of another part of a set
    and only makes this one more or less needed as an explanation."""

    evidence: str
    log_odds: float
    through_set: bool
    note: str | None = None


@dataclass(frozen=True)
class NotCounted:
    """Evidence that names the part but was not counted, and why."""

    evidence: str
    reason: str


@dataclass(frozen=True)
class PartDiagnosis:
    """Posterior of one part: prior log odds plus the log odds of all moves are the posterior log odds."""

    component: str
    position: str | None
    prior: float
    posterior: float
    prior_log_odds: float
    posterior_log_odds: float
    moves: tuple[Move, ...] = ()
    not_counted: tuple[NotCounted, ...] = ()


@dataclass(frozen=True)
class Diagnosis:
    """Every part, likeliest first.

    `joint` holds the chances of all states of parts that the evidence has tied (sets that must explain something),
    for the planner; a set of more than `MOST_TIED` parts is left out, its parts then go as if independent.
    """

    parts: tuple[PartDiagnosis, ...] = ()
    joint: tuple[JointChances, ...] = ()

    def of(self, component: str, position: str | None = None) -> PartDiagnosis:
        """The part, or KeyError."""
        for part in self.parts:
            if (part.component, part.position) == (component, position):
                return part
        raise KeyError((component, position))
