"""Checks, their limits and ready-made plans as frozen records; field names carry their units.

Marks as in `service.catalogue_types`.
"""

from __future__ import annotations

from dataclasses import dataclass


@dataclass(frozen=True)
class OutcomeShares:
    """Chances of the three outcomes of a check; they add up to 1."""

    fail: float
    marginal: float
    pass_: float


@dataclass(frozen=True)
class Target:
    """What a check says about one component."""

    component: str
    when: str | None
    given_bad: OutcomeShares
    given_good: OutcomeShares
    weak_pass: bool
    mark: str

    @property
    def likelihood_ratios(self) -> OutcomeShares:
        """Factor on the odds "bad" that each outcome brings."""
        bad, good = self.given_bad, self.given_good
        return OutcomeShares(bad.fail / good.fail, bad.marginal / good.marginal, bad.pass_ / good.pass_)


@dataclass(frozen=True)
class AccessAlternative:
    """Another access group for a part or a variant of the check."""

    access_group: str
    purpose: str


@dataclass(frozen=True)
class Check:
    """An inspection or test procedure. `minutes` exclude access; `before` are prerequisites.

    `needs_checks` are checks to be done before it; `mark_of` components whose part number it reads, which says which
    part is fitted and not how it does.
    """

    id: str
    title: str
    minutes: float
    access_group: str
    access_alternative: AccessAlternative | None
    kit: str
    permission: str
    needs_engine: str
    before_key: bool
    cold_start: bool
    evidence_group: str | None
    cautions: tuple[str, ...]
    tools: tuple[str, ...]
    before: tuple[str, ...]
    steps: tuple[str, ...]
    expected: str
    judging: str
    trap: str
    sources: tuple[str, ...]
    set_level: bool
    set_name: str | None
    weak_pass: bool
    needs_checks: tuple[str, ...]
    mark_of: tuple[str, ...]
    targets: tuple[Target, ...]

    @property
    def components(self) -> tuple[str, ...]:
        """What it looks at, in the order of its targets."""
        return tuple(dict.fromkeys([*(t.component for t in self.targets), *self.mark_of]))


@dataclass(frozen=True)
class QuickVariant:
    """The parent check with less reach; results are stored as the variant."""

    id: str
    parent: str
    title: str
    minutes: float
    access_group: str
    kit: str
    permission: str
    needs_engine: str
    cold_start: bool
    cautions: tuple[str, ...]
    targets: tuple[Target, ...]

    @property
    def components(self) -> tuple[str, ...]:
        """What it looks at, in the order of its targets."""
        return tuple(dict.fromkeys(t.component for t in self.targets))


@dataclass(frozen=True)
class TemperaturePoint:
    """A limit's value at one temperature."""

    celsius: float
    value: float


@dataclass(frozen=True)
class Limit:
    """Bounds of a reading: inside pass, else inside marginal, else `beyond`. None: no bound on that side."""

    id: str
    check: str
    component: str | None
    quantity: str
    unit: str
    scope: str
    class_default: bool
    basis: str
    direction: str
    pass_low: float | None
    pass_high: float | None
    marginal_low: float | None
    marginal_high: float | None
    pass_includes_bounds: bool
    marginal_includes_bounds: bool
    beyond: str
    condition: str | None
    temperature_points: tuple[TemperaturePoint, ...]
    temperature_note: str | None
    region: str | None
    as_of: str | None
    machine: str | None
    sources: tuple[str, ...]
    mark: str | None
    note: str | None


@dataclass(frozen=True)
class Kit:
    """A choice of tools; it contains those of the kit it includes."""

    id: str
    name: str
    tools: tuple[str, ...]
    includes: str | None


@dataclass(frozen=True)
class Permission:
    """What the owner allows; it contains the permission it includes."""

    id: str
    name: str
    meaning: str
    includes: str | None


@dataclass(frozen=True)
class SpecialStep:
    """A step of a visit that is not a check."""

    id: str
    title: str
    minutes: float
    access_group: str | None
    permission: str
    needs_engine: str
    mark: str


@dataclass(frozen=True)
class PlanItem:
    """A check or a special step with its minutes."""

    check: str | None
    special: str | None
    minutes: float


@dataclass(frozen=True)
class PlanStep:
    """Things done together, and why here."""

    items: tuple[PlanItem, ...]
    why: str


@dataclass(frozen=True)
class VisitPlan:
    """A ready-made list that fits a visit."""

    id: str
    title: str
    minutes: float
    kit: str
    permission: str
    say_before: str
    steps: tuple[PlanStep, ...]
    mark: str


@dataclass(frozen=True)
class WorkStep:
    """One step of a fixed order of work; `fuelling` names the machines it is for, None all."""

    order: int
    title: str
    why: str
    fuelling: str | None
    checks: tuple[str, ...]
    cautions: tuple[str, ...]


@dataclass(frozen=True)
class NotBefore:
    """What must not be done until a step is done."""

    what: str
    until_step: int
    why: str


@dataclass(frozen=True)
class OrderNow:
    """Something to buy before the work starts, whatever the checks say."""

    what: str
    fuelling: str | None


@dataclass(frozen=True)
class OrderAfter:
    """A part to buy only after its checks failed."""

    component: str
    checks: tuple[str, ...]
    why: str


@dataclass(frozen=True)
class WorkOrder:
    """Steps whose order matters more than their minutes, what not to do too early, and what to buy when."""

    id: str
    title: str
    first: str
    steps: tuple[WorkStep, ...]
    not_before: tuple[NotBefore, ...]
    order_now: tuple[OrderNow, ...]
    order_after: tuple[OrderAfter, ...]
    mark: str


@dataclass(frozen=True)
class Consumable:
    """What to have at hand before an access group is opened or a part is renewed."""

    id: str
    component: str | None
    access_group: str | None
    items: tuple[str, ...]
    cautions: tuple[str, ...]
    mark: str


@dataclass(frozen=True)
class ConsequenceEntry:
    """When `first` fails in use, `takes` goes with it with this chance."""

    first: str
    takes: str
    chance: float
    how: str
    mark: str
