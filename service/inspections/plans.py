"""Plan an inspection: catalogue checks and this machine's risks in, an ordered list that fits the minutes out."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, replace
from datetime import date
from typing import Any

from sqlalchemy.orm import Session

from analytics.life_model_types import Horizon
from analytics.planning import PermissionStep, plan_and_step
from analytics.planning_types import Circumstances, Plan
from analytics.spells import DAYS_PER_YEAR
from service.catalogue_types import Catalogue
from service.inspections.choices import choices_for
from service.inspections.evidence import Observed, Weighed, weigh
from service.inspections.explained import safety_reply
from service.inspections.implied import implied_by
from service.inspections.inspected import places_of
from service.inspections.observed import does_not_run, observed_in
from service.inspections.plan_texts import left_out_texts, line_text, safety_texts, step_text
from service.inspections.ranking import Ranking, rank_described, rank_recorded
from service.inspections.serving import Snapshot
from service.settings import Settings

SEASON = Horizon(days=DAYS_PER_YEAR)


@dataclass(frozen=True)
class InspectionPlan:
    """A plan with the texts a person needs beside it."""

    ranking: Ranking
    circumstances: Circumstances
    plan: Plan
    step: PermissionStep | None
    catalogue: Catalogue
    currency: str
    safety_defects: tuple[dict[str, Any], ...] = ()
    looked_at: frozenset[str] = frozenset()  # components judged already

    def to_dict(self) -> dict[str, Any]:
        """The plan as JSON: cautions stand before steps in every line."""
        return {
            "minutes": self.circumstances.minutes,
            "minutes_used": self.plan.minutes_used,
            "kit": self.circumstances.kit,
            "permission": self.circumstances.permission,
            "currency": self.currency,
            "safety_defects": list(self.safety_defects),
            "lines": [line_text(line, n, self.catalogue) for n, line in enumerate(self.plan.lines, 1)],
            "left_out": left_out_texts(self.plan, self.catalogue),
            "safety": safety_texts(self.plan, self.catalogue, self.looked_at),
            "one_permission_more": step_text(self.step, self.catalogue),
            "estimate": {"version": self.ranking.version, "data_through": self.ranking.data_through},
            "notes": [*self.ranking.notes, *implied_by(self.ranking.machine, self.catalogue).notes, SCREENING_NOTE],
        }


SCREENING_NOTE = (
    "A screening look, not an examination: on any fail or doubt at brakes, steering, tyres, wheels or frame do not"
    " ride; have it examined by a licensed person and follow local rules."
)


def plan_described(
    session: Session, shop_id: int, asked: Mapping[str, Any], *, today: date, settings: Settings
) -> InspectionPlan:
    """Plan the inspection of a described machine (checked by `PlanAsked`)."""
    ranking, snapshot = rank_described(session, shop_id, asked, today=today, pool_open=settings.pool_open)
    return plan_of_ranking(ranking, snapshot, asked, settings)


def plan_of_ranking(
    ranking: Ranking, snapshot: Snapshot, asked: Mapping[str, Any], settings: Settings
) -> InspectionPlan:
    """Plan the inspection of a described machine whose ranking is there already."""
    places = places_of(ranking, snapshot)
    observed = observed_in(asked, places)
    return make_plan(ranking, snapshot, circumstances_of(asked), settings, weigh(places, observed))


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


def make_plan(
    ranking: Ranking,
    snapshot: Snapshot,
    circumstances: Circumstances,
    settings: Settings,
    weighed: Weighed | None = None,
) -> InspectionPlan:
    """The most valuable inspection of this machine inside the minutes, after the evidence in `weighed` if any."""
    catalogue = snapshot.catalogue
    if weighed is None:
        places = places_of(ranking, snapshot)
        weighed = weigh(places, Observed(facts=places.implied.facts))
    observed = weighed.observed
    if does_not_run(observed, catalogue):
        circumstances = replace(circumstances, engine_runs=False)
    left = choices_for(weighed, catalogue, settings.hourly_rate)
    plan, step = plan_and_step(left.options, left.groups, left.risks, circumstances, left.joint)
    defects = safety_reply(observed.findings, observed.symptoms, catalogue)
    return InspectionPlan(
        ranking, circumstances, plan, step, catalogue, settings.currency, tuple(defects), frozenset(left.looked_at)
    )
