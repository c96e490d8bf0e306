"""What a planner is told and what it answers: checks, access, risks, circumstances, plan.

Minutes are minutes; worth, loss and cost are money in one currency, chosen by the caller.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from analytics.errors import AnalyticsError
from analytics.outcomes import Shares

STAGES = ("before_key", "key_on", "cold_start", "engine_off", "running", "hot")
KITS = ("pocket", "home", "shop", "bench")  # each carries the tools of the ones before it
PERMISSIONS = ("look_only", "seat_off", "may_strip", "may_ride")  # each allows what the ones before it allow


class InvalidPlanInput(AnalyticsError):
    """A check, access group, risk or circumstance that no plan can be made from."""


def _one_of(field: str, value: str, allowed: tuple[str, ...]) -> None:
    if value not in allowed:
        raise InvalidPlanInput(f"{field} must be one of {', '.join(allowed)}, not '{value}'")


def _at_least_zero(field: str, value: float) -> None:
    if not (math.isfinite(value) and value >= 0):
        raise InvalidPlanInput(f"{field} must be a number of 0 or more, not {value}")


@dataclass(frozen=True)
class CheckTarget:
    """A component (at a position, or None) a check speaks for, and how often it says what of it."""

    component: str
    position: str | None
    given_bad: Shares
    given_good: Shares

    @property
    def part(self) -> tuple[str, str | None]:
        """(component, position)."""
        return self.component, self.position


@dataclass(frozen=True)
class CheckOption:
    """One way of doing one check; a full check and its quick variants share `parent`.

    Attributes
    ----------
    id, parent : str
        At most one option of a parent is chosen.
    minutes : float
        Time of the check itself, access excluded; above 0.
    access_group : str
        Id of an `AccessGroup`.
    kit, permission, stage : str
        The smallest kit and least permission that allow it (`KITS`, `PERMISSIONS`); when it is done (`STAGES`).
    safety_class_a : bool
        True where it looks at brakes, steering, tyres, wheels, frame or fire: it stays in whatever its worth.
    targets : tuple of CheckTarget
        At least one.
    set_level : bool
        True where one outcome speaks for the whole set of targets (a charging voltage); all targets then share
        `given_good`.
    needs_cold_engine : bool
        True where a warm engine voids it; always so at a cold start.
    ends_visit : bool
        True where a fail ends the visit (identity): it goes first.
    after : tuple of str
        Parents that come earlier in the same stage where they are in the plan (battery before starter clutch).
    needs : tuple of str
        Parents this one leans on: it is chosen only with each of them that is possible. One that is done, or that
        kit, permission or engine rule out, binds nothing.
    void : str or None
        Why it cannot be judged now, in words (the battery it leans on is flat); it is left out then.
    """

    id: str
    parent: str
    minutes: float
    access_group: str
    kit: str
    permission: str
    stage: str
    safety_class_a: bool
    targets: tuple[CheckTarget, ...]
    set_level: bool = False
    needs_cold_engine: bool = False
    ends_visit: bool = False
    after: tuple[str, ...] = ()
    needs: tuple[str, ...] = ()
    void: str | None = None

    def __post_init__(self) -> None:
        where = f"check {self.id}"
        if self.parent in self.needs:
            raise InvalidPlanInput(f"{where}: needs names the check itself")
        _one_of(f"{where}: kit", self.kit, KITS)
        _one_of(f"{where}: permission", self.permission, PERMISSIONS)
        _one_of(f"{where}: stage", self.stage, STAGES)
        _at_least_zero(f"{where}: minutes", self.minutes)
        if self.minutes == 0:
            raise InvalidPlanInput(f"{where}: minutes must be above 0; a check that takes no time needs no plan")
        if not self.targets:
            raise InvalidPlanInput(f"{where}: targets is empty; name at least one component")
        if len({t.part for t in self.targets}) < len(self.targets):
            raise InvalidPlanInput(f"{where}: targets name the same component and position twice")
        if self.set_level and len({t.given_good for t in self.targets}) > 1:
            raise InvalidPlanInput(f"{where}: targets of a set-level check must share given_good")

    @property
    def cold(self) -> bool:
        """True where a warm engine voids the check."""
        return self.needs_cold_engine or self.stage == "cold_start"


@dataclass(frozen=True)
class AccessGroup:
    """What comes off once for all its checks; `includes` are groups that lie open with it."""

    id: str
    minutes: float
    includes: tuple[str, ...] = ()

    def __post_init__(self) -> None:
        _at_least_zero(f"access group {self.id}: minutes", self.minutes)


@dataclass(frozen=True)
class ComponentRisk:
    """What is at stake on one part before the next check.

    `chance_bad_now` lies in 0..1, `loss_if_missed` is the money lost if it is bad and nothing is done,
    `cost_to_act` what acting costs whether it is bad or not (renewal, or the bargain spoilt by a wrong claim).
    With `within_years` the chance is that of a failure within so many years, not of being bad now.
    """

    component: str
    position: str | None
    chance_bad_now: float
    loss_if_missed: float
    cost_to_act: float
    safety_class: str
    within_years: float | None = None

    def __post_init__(self) -> None:
        where = f"risk of {self.component}"
        _at_least_zero(f"{where}: chance_bad_now", self.chance_bad_now)
        if self.chance_bad_now > 1:
            raise InvalidPlanInput(f"{where}: chance_bad_now must lie between 0 and 1, not {self.chance_bad_now}")
        _at_least_zero(f"{where}: loss_if_missed", self.loss_if_missed)
        _at_least_zero(f"{where}: cost_to_act", self.cost_to_act)
        _one_of(f"{where}: safety_class", self.safety_class, ("A", "B", "C"))

    @property
    def part(self) -> tuple[str, str | None]:
        """(component, position)."""
        return self.component, self.position


@dataclass(frozen=True, eq=False)  # arrays have no single truth of being equal
class JointChances:
    """Parts that are not bad independently of each other: a set of which some must explain what was seen.

    `states` of shape (m, n) says which of the n `parts` are bad, `chances` of shape (m,) how likely that is.
    """

    parts: tuple[tuple[str, str | None], ...]
    states: NDArray[np.bool_]
    chances: NDArray[np.float64]

    def __post_init__(self) -> None:
        if self.states.shape != (len(self.chances), len(self.parts)):
            raise InvalidPlanInput(f"states must be of shape {(len(self.chances), len(self.parts))}")
        if (self.chances < -1e-12).any() or abs(float(self.chances.sum()) - 1) > 1e-6:
            raise InvalidPlanInput("chances of the states must be 0 or more and sum to 1")

    @property
    def marginals(self) -> NDArray[np.float64]:
        """Chance of each part, shape (n,)."""
        return np.asarray(self.chances @ self.states)


@dataclass(frozen=True)
class Circumstances:
    """What this person has today.

    `open_groups` are access groups already open (a re-plan with the seat off), `key_has_been_on` voids checks
    before the key, `engine_runs` False takes out what needs a running engine.
    """

    minutes: float
    kit: str
    permission: str
    engine_cold: bool
    key_has_been_on: bool = False
    engine_runs: bool = True
    open_groups: frozenset[str] = frozenset()

    def __post_init__(self) -> None:
        _at_least_zero("minutes", self.minutes)
        _one_of("kit", self.kit, KITS)
        _one_of("permission", self.permission, PERMISSIONS)


@dataclass(frozen=True)
class PlanLine:
    """One line of a plan.

    `access_minutes` stand on the first line that needs a group. `worth` is what the check alone avoids,
    `worth_per_minute` that over its own minutes, `added_worth` what it adds to the lines above it: the added
    worths sum to `Plan.worth`. `reasons` say why it stands where it does, `most_at_stake` is the part it is there for
    before all. `without` are checks it leans on that are not in the plan, each with the reason.
    """

    check: CheckOption
    minutes: float
    access_minutes: float
    worth: float
    worth_per_minute: float
    added_worth: float
    reasons: tuple[str, ...]
    most_at_stake: ComponentRisk | None
    targets: tuple[CheckTarget, ...]
    without: tuple[tuple[str, str], ...] = ()


@dataclass(frozen=True)
class LeftOut:
    """A check that is not in the plan: `code` is no_time, kit, permission, engine_warm, key_on, will_not_run, void,
    variant_chosen or no_gain; `reason` says it in words; `worth` is what it alone would avoid."""

    check: CheckOption
    code: str
    reason: str
    worth: float


@dataclass(frozen=True)
class Plan:
    """The best use of the minutes.

    Attributes
    ----------
    lines : tuple of PlanLine
        In the order to do them.
    minutes_used : float
        Checks and access; never above the minutes given.
    worth : float
        Expected loss avoided by all lines together.
    left_out : tuple of LeftOut
        Every option that is not a line.
    unmet_safety : tuple of LeftOut
        Safety checks of which no variant is in the plan, each with the reason of its quickest variant.
    safety_not_covered : tuple of (component, position)
        Safety class A parts that no line looks at, however many lines there are.
    """

    lines: tuple[PlanLine, ...]
    minutes_used: float
    worth: float
    left_out: tuple[LeftOut, ...]
    unmet_safety: tuple[LeftOut, ...]
    safety_not_covered: tuple[tuple[str, str | None], ...]
