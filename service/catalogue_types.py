"""What the trade catalogue holds, one frozen record a kind of entry. Field names carry their units.

`mark` says where a figure comes from when no published source stands behind it ("invented prior",
"common practice, no source", "from memory"); whoever shows the figure shows the mark beside it.
"""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass
from functools import cached_property

from service.check_types import (
    Check,
    ConsequenceEntry,
    Consumable,
    Kit,
    Limit,
    Permission,
    QuickVariant,
    SpecialStep,
    VisitPlan,
    WorkOrder,
)


@dataclass(frozen=True)
class Life:
    """Weibull prior: shape, and the characteristic life on each clock that wears the part."""

    shape: float
    scale_km: int | None
    scale_years: float | None
    mark: str


@dataclass(frozen=True)
class PFInterval:
    """How long before failure a good check can see it coming."""

    km: float | None
    months: float | None
    kind: str
    note: str | None
    mark: str


@dataclass(frozen=True)
class Component:
    """A kind of part.

    `shown_by_running`: a machine seen to work shows that this part works; `follows_engine`: it comes and goes with one.
    """

    slug: str
    name: str
    system: str
    position_rule: str
    positions: tuple[str, ...]
    life: Life
    life_driver: str
    policy: str
    safety_class: str
    safety_note: str | None
    pf: PFInterval
    shown_by_running: bool
    follows_engine: bool
    modes: tuple[str, ...]
    takes_with: tuple[str, ...]
    job_hours: float
    part_labour_hours: float
    access_group: str
    work_mark: str


@dataclass(frozen=True)
class AccessGroup:
    """What has to come off; hours count once when several jobs share the group."""

    code: str
    what: str
    hours: float
    mark: str
    includes: tuple[str, ...]
    one_of: tuple[str, ...]


@dataclass(frozen=True)
class Caution:
    """A warning that stands before the steps of every check that names it."""

    id: str
    title: str
    text: str
    sources: tuple[str, ...]
    mark: str | None


@dataclass(frozen=True)
class Source:
    """Where a published figure was read."""

    id: str
    what: str
    where: str


@dataclass(frozen=True)
class Ratio:
    """Factor on the odds that a component is bad."""

    component: str
    ratio: float


@dataclass(frozen=True)
class Symptom:
    """Something the machine does. Symptoms of one group describe one physical fact."""

    id: str
    title: str
    group: str
    ratios: tuple[Ratio, ...]
    note: str | None
    stop_riding: bool
    by_position: bool
    cautions: tuple[str, ...]
    mark: str


@dataclass(frozen=True)
class MildForm:
    """A lesser form of a fact; its ratios take the place of the fact's own."""

    title: str
    ratios: tuple[Ratio, ...]


@dataclass(frozen=True)
class HistoryFact:
    """Something the papers, the seller or the machine tell about its past."""

    id: str
    title: str
    group: str | None
    ratios: tuple[Ratio, ...]
    note: str | None
    mild: MildForm | None
    duplicates_covariate: str | None
    not_when_age_known: tuple[str, ...]
    voids_checks: tuple[str, ...]
    mark: str


@dataclass(frozen=True)
class Synonym:
    """A word for a part as people say or write it."""

    text: str
    component: str
    position: str | None
    ambiguous_with: tuple[str, ...]
    other_meanings: tuple[str, ...]
    language: str

    @property
    def ambiguous(self) -> bool:
        """True where the word must not be mapped without context."""
        return bool(self.ambiguous_with or self.other_meanings)


@dataclass(frozen=True)
class SetLevelAlso:
    """Chance that a set-level check fails when a part outside its set is bad."""

    check: str
    component: str
    given_bad_fail: float


@dataclass(frozen=True)
class EvidenceRules:
    """Caps and exponents for combining ratios."""

    id: str
    cap_symptom_or_history: float
    cap_measured_check: float
    cap_product_per_component: float
    reported_exponent: float
    live_cylinder_ratio: float
    fault_lamp_off_ratio: float
    no_history_ratio_scheduled: float
    set_level_also: tuple[SetLevelAlso, ...]
    mark: str


@dataclass(frozen=True)
class Catalogue:
    """The whole catalogue of one release."""

    version: str
    components: tuple[Component, ...]
    access_groups: tuple[AccessGroup, ...]
    cautions: tuple[Caution, ...]
    sources: tuple[Source, ...]
    checks: tuple[Check, ...]
    quick_variants: tuple[QuickVariant, ...]
    limits: tuple[Limit, ...]
    symptoms: tuple[Symptom, ...]
    history_facts: tuple[HistoryFact, ...]
    synonyms: tuple[Synonym, ...]
    evidence_rules: tuple[EvidenceRules, ...]
    kits: tuple[Kit, ...]
    permissions: tuple[Permission, ...]
    special_steps: tuple[SpecialStep, ...]
    visit_plans: tuple[VisitPlan, ...]
    work_orders: tuple[WorkOrder, ...]
    consumables: tuple[Consumable, ...]
    consequences: tuple[ConsequenceEntry, ...]

    @cached_property
    def component_by_slug(self) -> dict[str, Component]:
        return {entry.slug: entry for entry in self.components}

    @cached_property
    def check_by_id(self) -> dict[str, Check | QuickVariant]:
        """Checks and quick variants together: their ids never collide."""
        return {entry.id: entry for entry in self.checks} | {entry.id: entry for entry in self.quick_variants}

    @cached_property
    def caution_by_id(self) -> dict[str, Caution]:
        return {entry.id: entry for entry in self.cautions}

    @cached_property
    def source_by_id(self) -> dict[str, Source]:
        return {entry.id: entry for entry in self.sources}

    @cached_property
    def access_group_by_code(self) -> dict[str, AccessGroup]:
        return {entry.code: entry for entry in self.access_groups}

    @cached_property
    def symptom_by_id(self) -> dict[str, Symptom]:
        return {entry.id: entry for entry in self.symptoms}

    @cached_property
    def history_fact_by_id(self) -> dict[str, HistoryFact]:
        return {entry.id: entry for entry in self.history_facts}

    @cached_property
    def work_order_by_id(self) -> dict[str, WorkOrder]:
        return {entry.id: entry for entry in self.work_orders}

    @property
    def rules(self) -> EvidenceRules:
        """The one set of rules for combining evidence."""
        return self.evidence_rules[0]

    @cached_property
    def safety_components_without_check(self) -> tuple[str, ...]:
        """Class A components no check speaks of: a plan has to say that it leaves them to eye and hand."""
        covered = {target.component for check in self.checks for target in check.targets}
        return tuple(c.slug for c in self.components if c.safety_class == "A" and c.slug not in covered)

    def limits_of(self, check_id: str) -> tuple[Limit, ...]:
        """Limits of a check (a quick variant has none of its own: ask for its parent)."""
        return tuple(limit for limit in self.limits if limit.check == check_id)

    def kits_within(self, kit_id: str) -> tuple[str, ...]:
        """The kit and every smaller one it contains."""
        return _chain(self.kits, kit_id, "kit")

    def permissions_within(self, permission_id: str) -> tuple[str, ...]:
        """The permission and every lesser one it contains."""
        return _chain(self.permissions, permission_id, "permission")


def _chain(entries: Iterable[Kit | Permission], start: str, kind: str) -> tuple[str, ...]:
    includes = {entry.id: entry.includes for entry in entries}
    if start not in includes:
        raise ValueError(f"there is no {kind} {start!r}; choose one of {', '.join(includes)}")
    chain: list[str] = []
    step: str | None = start
    while step is not None and step not in chain:
        chain.append(step)
        step = includes.get(step)
    return tuple(chain)
