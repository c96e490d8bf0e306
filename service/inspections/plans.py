"""Plan an inspection: catalogue checks and this machine's risks in, an ordered list that fits the minutes out."""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from dataclasses import dataclass
from datetime import date
from typing import Any

from sqlalchemy.orm import Session

from analytics.life_model_types import Horizon
from analytics.outcomes import Shares
from analytics.planning import PermissionStep, plan_checks, step_of_permission
from analytics.planning_types import AccessGroup, CheckOption, CheckTarget, Circumstances, ComponentRisk, Plan
from analytics.spells import DAYS_PER_YEAR
from service.catalogue_types import Catalogue
from service.check_types import Check, OutcomeShares, QuickVariant
from service.inspections.part_states import is_absent
from service.inspections.plan_texts import caution_texts, left_out_texts, limit_texts, safety_texts, title_of
from service.inspections.ranking import Ranking, rank_described, rank_recorded
from service.inspections.serving import Snapshot
from service.settings import Settings

# What missing a bad part costs beside its repair, in hours of labour, by safety class: an accident, being stranded,
# a nuisance. Acting on a finding costs the repair, true or not. Invented priors.
MISSED_HOURS = {"A": 25.0, "B": 6.5, "C": 1.0}
# Checks that lean on another one's result: a weak battery slips a healthy starter clutch.
_AFTER = {"T02": ("T01",), "T11": ("T02",)}
_STAGE = {"running": "running", "cranking": "running", "warm": "hot", "cold": "engine_off", "off": "engine_off",
          "any": "engine_off"}  # fmt: skip
SEASON = Horizon(days=DAYS_PER_YEAR)
ENDS_VISIT = frozenset({"T34"})  # a machine that is not the one on its papers needs no further check


@dataclass(frozen=True)
class InspectionPlan:
    """A plan with the texts a person needs beside it."""

    ranking: Ranking
    circumstances: Circumstances
    plan: Plan
    step: PermissionStep | None
    catalogue: Catalogue
    currency: str

    def to_dict(self) -> dict[str, Any]:
        """The plan as JSON: cautions stand before steps in every line."""
        return {
            "minutes": self.circumstances.minutes,
            "minutes_used": self.plan.minutes_used,
            "kit": self.circumstances.kit,
            "permission": self.circumstances.permission,
            "currency": self.currency,
            "lines": [self._line(number) for number in range(len(self.plan.lines))],
            "left_out": left_out_texts(self.plan, self.catalogue),
            "safety": safety_texts(self.plan, self.catalogue),
            "one_permission_more": self._step(),
            "estimate": {"version": self.ranking.version, "data_through": self.ranking.data_through},
            "notes": [*self.ranking.notes, SCREENING_NOTE],
        }

    def _line(self, number: int) -> dict[str, Any]:
        line = self.plan.lines[number]
        entry = self.catalogue.check_by_id[line.check.id]
        full = self.catalogue.check_by_id[line.check.parent]
        assert isinstance(full, Check)
        quick = isinstance(entry, QuickVariant)
        group = self.catalogue.access_group_by_code[line.check.access_group]
        return {
            "order": number + 1,
            "check": entry.id,
            "title": title_of(entry.id, self.catalogue),
            "full_check": full.title,
            "quick_variant": quick,
            "minutes": line.minutes,
            "access": {"group": group.code, "what": group.what, "minutes": line.access_minutes},
            "stage": line.check.stage,
            "why": line.reason,
            "worth": round(line.worth, 2),
            "worth_per_minute": round(line.worth_per_minute, 2),
            "cautions": caution_texts(entry.cautions, self.catalogue),
            # The full check's conditions (a lift, a tester) are what a quick look does without.
            "before": [] if quick else list(full.before),
            "steps": [_sentence(entry.title)] if quick else list(full.steps),
            "expected": full.expected,
            "judging": full.judging,
            "limits": limit_texts(full.id, self.catalogue),
            "trap": full.trap,
            "a_pass_does_not_clear_it": full.weak_pass or quick,
            "components": [target.component for target in line.targets],
            "mark": "times, accuracies and worth: invented prior, not data",
        }

    def _step(self) -> dict[str, Any] | None:
        if self.step is None or not self.step.checks:
            return None
        return {
            "permission": self.step.permission,
            "added_worth": round(self.step.added_worth, 2),
            "checks": [{"check": check, "title": title_of(check, self.catalogue)} for check in self.step.checks],
        }


def _sentence(text: str) -> str:
    return text[:1].upper() + text[1:] + "."


SCREENING_NOTE = (
    "A screening look, not an examination: on any fail or doubt at brakes, steering, tyres, wheels or frame do not"
    " ride; have it examined by a licensed person and follow local rules."
)


def plan_described(
    session: Session, shop_id: int, asked: Mapping[str, Any], *, today: date, settings: Settings
) -> InspectionPlan:
    """Plan the inspection of a described machine (checked by `PlanAsked`)."""
    ranking, snapshot = rank_described(session, shop_id, asked, today=today, pool_open=settings.pool_open)
    return make_plan(ranking, snapshot, circumstances_of(asked), settings)


def plan_recorded(
    session: Session, shop_id: int, public_id: Any, asked: Mapping[str, Any], *, as_of: date, settings: Settings
) -> InspectionPlan:
    """Plan the inspection of a machine on record."""
    ranking, snapshot = rank_recorded(
        session, shop_id, public_id, as_of=as_of, horizon=SEASON, level=0.9, pool_open=settings.pool_open
    )
    return make_plan(ranking, snapshot, circumstances_of(asked), settings)


def circumstances_of(asked: Mapping[str, Any]) -> Circumstances:
    """Minutes, tools and leave from a checked request."""
    return Circumstances(
        minutes=asked["minutes"], kit=asked["kit"], permission=asked["permission"], engine_cold=asked["engine_cold"]
    )


def make_plan(ranking: Ranking, snapshot: Snapshot, circumstances: Circumstances, settings: Settings) -> InspectionPlan:
    """The most valuable inspection of this machine inside the minutes."""
    catalogue, layout = snapshot.catalogue, snapshot.layout(ranking.machine.cell)
    absent = {c.slug for c in catalogue.components if is_absent(c.slug, layout, ranking.machine.new_day)}
    options = [o for entry in _entries(catalogue) if (o := _option(entry, catalogue, absent)) is not None]
    groups = [AccessGroup(g.code, g.hours * 60.0, tuple(g.includes)) for g in catalogue.access_groups]
    risks = _risks(ranking, catalogue, settings.hourly_rate)
    plan = plan_checks(options, groups, risks, circumstances)
    step = step_of_permission(options, groups, risks, circumstances, plan)
    return InspectionPlan(ranking, circumstances, plan, step, catalogue, settings.currency)


def _entries(catalogue: Catalogue) -> Iterable[Check | QuickVariant]:
    return [*catalogue.checks, *catalogue.quick_variants]


def _option(entry: Check | QuickVariant, catalogue: Catalogue, absent: set[str]) -> CheckOption | None:
    parent = entry.parent if isinstance(entry, QuickVariant) else entry.id
    full = catalogue.check_by_id[parent]
    assert isinstance(full, Check)
    targets: dict[str, CheckTarget] = {}
    for target in entry.targets:
        if target.component not in absent and target.when != "hot":
            targets.setdefault(
                target.component,
                CheckTarget(target.component, None, _shares(target.given_bad), _shares(target.given_good)),
            )
    if not targets:
        return None
    classes = {catalogue.component_by_slug[slug].safety_class for slug in targets}
    return CheckOption(
        id=entry.id,
        parent=parent,
        minutes=float(entry.minutes),
        access_group=entry.access_group,
        kit=entry.kit,
        permission=entry.permission,
        stage=_stage(entry, full),
        safety_class_a="A" in classes,
        targets=tuple(targets.values()),
        set_level=full.set_level and not isinstance(entry, QuickVariant) and len(targets) > 1,
        needs_cold_engine=entry.needs_engine == "cold",
        ends_visit=parent in ENDS_VISIT,
        after=_AFTER.get(parent, ()),
    )


def _stage(entry: Check | QuickVariant, full: Check) -> str:
    if full.before_key:
        return "before_key"
    if entry.cold_start:
        return "cold_start"
    if full.id == "T12" or any("Key on" in step for step in full.steps[:1]):
        return "key_on"
    return _STAGE[entry.needs_engine]


def _shares(shares: OutcomeShares) -> Shares:
    return Shares(shares.fail, shares.marginal, shares.pass_)


def _risks(ranking: Ranking, catalogue: Catalogue, hourly_rate: float) -> list[ComponentRisk]:
    """Risk a component: that at least one of its positions is bad now."""
    good: dict[str, float] = {}
    for part in ranking.parts:
        good[part.component] = good.get(part.component, 1.0) * (1.0 - part.chance_bad_now.value)
    risks = []
    for slug, all_good in good.items():
        component = catalogue.component_by_slug[slug]
        repair = (component.job_hours + component.part_labour_hours) * hourly_rate
        risks.append(
            ComponentRisk(
                slug,
                None,
                chance_bad_now=min(max(1.0 - all_good, 0.0), 1.0),
                loss_if_missed=repair + MISSED_HOURS[component.safety_class] * hourly_rate,
                cost_to_act=repair,
                safety_class=component.safety_class,
            )
        )
    return risks
