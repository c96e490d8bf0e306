"""The catalogue's checks as the planner wants them, and what is at stake on each part."""

from __future__ import annotations

from collections.abc import Collection, Iterable, Mapping, Sequence
from dataclasses import dataclass, field, replace

from analytics.outcomes import Shares, Verdict
from analytics.planning_types import AccessGroup, CheckOption, CheckTarget, ComponentRisk
from analytics.repeat_reading import after_quick_look
from service.catalogue_types import Catalogue
from service.check_types import Check, OutcomeShares, QuickVariant, Target
from service.inspections.part_marks import Marks, kept_target

# What missing a bad part costs beside its repair, in hours of labour, by safety class: an accident, being stranded,
# a nuisance. Invented priors. Acting on a finding is the repair, at its full price: rightly, it would have come anyway;
# wrongly, it bought nothing. A lower price for acting would count the repair of a bad part as money saved.
MISSED_HOURS = {"A": 25.0, "B": 6.5, "C": 1.0}
_STAGE = {"running": "running", "cranking": "running", "warm": "hot", "cold": "engine_off", "off": "engine_off",
          "any": "engine_off"}  # fmt: skip
ENDS_VISIT = frozenset({"T34"})  # a machine that is not the one on its papers needs no further check


@dataclass(frozen=True)
class Judged:
    """Components one check has judged: itself, or in its quick variant (that variant and what it said)."""

    in_full: frozenset[str] = frozenset()
    quickly: Mapping[str, tuple[str, Verdict]] = field(default_factory=dict)


def full_check(key: str, catalogue: Catalogue) -> Check:
    """The check itself, or the one a quick variant shortens."""
    entry = catalogue.check_by_id[key]
    full = catalogue.check_by_id[entry.parent] if isinstance(entry, QuickVariant) else entry
    assert isinstance(full, Check)
    return full


def check_options(
    catalogue: Catalogue,
    present: Collection[str],
    *,
    hot: bool = False,
    done: Mapping[str, Judged] | None = None,
    marks: Mapping[str, Marks] | None = None,
    void: Mapping[str, str] | None = None,
) -> list[CheckOption]:
    """Checks and quick variants that look at something this machine has.

    Parameters
    ----------
    catalogue : Catalogue
    present : collection of str
        Slugs of the components on the machine.
    hot : bool
        True where a fault comes with heat: checks that differ between cold and hot are then meant hot.
    done : mapping of check id to Judged, optional
        What full checks and their variants have looked at already. A full check stays open after its quick variant,
        for what it can still say.
    marks : mapping of component slug to what its part number may say, optional
        Components of which nobody has read it yet.
    void : mapping of check id to words, optional
        Full checks that cannot be judged now, and why.
    """
    entries: Iterable[Check | QuickVariant] = [*catalogue.checks, *catalogue.quick_variants]
    found = (_option(entry, catalogue, present, hot, done or {}, marks or {}, void or {}) for entry in entries)
    return [option for option in found if option is not None]


def _option(
    entry: Check | QuickVariant,
    catalogue: Catalogue,
    present: Collection[str],
    hot: bool,
    done: Mapping[str, Judged],
    marks: Mapping[str, Marks],
    void: Mapping[str, str],
) -> CheckOption | None:
    full = full_check(entry.id, catalogue)
    judged = done.get(full.id, Judged())
    state = "hot" if hot else "cold"
    targets = {
        slug: target
        for slug, target in _by_component(entry.targets, state).items()
        if slug in present and slug not in judged.in_full
    }
    classes = {catalogue.component_by_slug[slug].safety_class for slug in targets if slug not in judged.quickly}
    targets = _after_quick_looks(targets, judged, isinstance(entry, QuickVariant), catalogue, state)
    if isinstance(entry, Check):
        targets |= {slug: kept_target(slug, marks[slug]) for slug in entry.mark_of if slug in marks}
    if not targets:
        return None
    set_level = full.set_level and not isinstance(entry, QuickVariant) and len(targets) > 1
    return CheckOption(
        id=entry.id,
        parent=full.id,
        minutes=float(entry.minutes),
        access_group=entry.access_group,
        kit=entry.kit,
        permission=entry.permission,
        stage="hot" if hot and any(t.when for t in entry.targets) else stage_of(entry, full),
        safety_class_a="A" in classes,
        targets=tuple(sharing_good(list(targets.values())) if set_level else targets.values()),
        set_level=set_level,
        needs_cold_engine=entry.needs_engine == "cold",
        ends_visit=full.id in ENDS_VISIT,
        after=full.needs_checks,
        # A quick look does without what the full check has to have ready.
        needs=() if isinstance(entry, QuickVariant) else full.needs_checks,
        void=void.get(full.id),
    )


def _by_component(targets: Iterable[Target], state: str) -> dict[str, CheckTarget]:
    found: dict[str, CheckTarget] = {}
    for target in targets_when(targets, state):
        found.setdefault(target.component, check_target(target, None))
    return found


def _after_quick_looks(
    targets: Mapping[str, CheckTarget], judged: Judged, quick: bool, catalogue: Catalogue, state: str
) -> dict[str, CheckTarget]:
    """What is left to say: nothing for the quick look again, for the full check what readings of one fact leave."""
    left = {}
    for slug, target in targets.items():
        if slug not in judged.quickly:
            left[slug] = target
        elif not quick:
            variant, said = judged.quickly[slug]
            before = _by_component(catalogue.check_by_id[variant].targets, state)[slug]
            after = after_quick_look(target, before, said)
            if after is not None:
                left[slug] = after
    return left


def targets_when(targets: Iterable[Target], state: str | None) -> list[Target]:
    """Targets that hold in an engine state; those that do not depend on it always do."""
    return [target for target in targets if target.when is None or target.when == state]


def check_target(target: Target, position: str | None) -> CheckTarget:
    """A target at a position."""
    return CheckTarget(target.component, position, shares(target.given_bad), shares(target.given_good))


def sharing_good(targets: Sequence[CheckTarget]) -> list[CheckTarget]:
    """Targets of a set-level check: a good set reads one way, whichever member taught it (`learning`)."""
    return [replace(target, given_good=targets[0].given_good) for target in targets]


def stage_of(entry: Check | QuickVariant, full: Check) -> str:
    """When in a visit a check belongs."""
    if full.before_key:
        return "before_key"
    if entry.cold_start:
        return "cold_start"
    if full.id == "T12" or any("Key on" in step for step in full.steps[:1]):
        return "key_on"
    return _STAGE[entry.needs_engine]


def shares(written: OutcomeShares) -> Shares:
    """Shares of the three outcomes."""
    return Shares(written.fail, written.marginal, written.pass_)


def access_groups(catalogue: Catalogue) -> list[AccessGroup]:
    """What comes off, in minutes."""
    return [AccessGroup(g.code, g.hours * 60.0, tuple(g.includes)) for g in catalogue.access_groups]


def component_risks(chances: Mapping[str, float], catalogue: Catalogue, hourly_rate: float) -> list[ComponentRisk]:
    """What is at stake on each component, given the chance that at least one of its positions is bad now."""
    risks = []
    for slug, chance in chances.items():
        component = catalogue.component_by_slug[slug]
        repair = (component.job_hours + component.part_labour_hours) * hourly_rate
        risks.append(
            ComponentRisk(
                slug,
                None,
                chance_bad_now=min(max(chance, 0.0), 1.0),
                loss_if_missed=repair + MISSED_HOURS[component.safety_class] * hourly_rate,
                cost_to_act=repair,
                safety_class=component.safety_class,
            )
        )
    return risks
