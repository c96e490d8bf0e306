"""Which machines to bring in this week: what was found bad, and scheduled parts dearer to run on than to renew."""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from dataclasses import replace
from datetime import date
from typing import Any, NamedTuple

import numpy as np
from sqlalchemy.orm import Session

from analytics.fleet_path import chance_within
from analytics.pull_list import PullJob, PullList, pull_list
from analytics.pull_worth import worth_now
from service.fleet_costs import FleetCosts, fleet_costs
from service.fleet_now import FleetOnRecord, fleet_on_record, kept_answer
from service.settings import Settings

LEFT_SAFETY = "safety class A and past its best age, but the hours are full: check it before the machine is used again"
SAFETY_NOTE = "Safety class A is checked on every machine that comes in, whatever its chance."


def week_list(
    session: Session,
    shop_id: int,
    *,
    as_of: date,
    hours: float,
    days_ahead: float,
    hours_to_bring_in: float,
    settings: Settings,
    asked: Mapping[str, Any],
) -> dict[str, Any]:
    """The jobs worth most within the workshop's hours, exactly; what was left out and why.

    `days_ahead` is how long a machine not brought in now runs on; `asked` holds the downtime and what a day costs.
    """
    known = fleet_on_record(session, shop_id, as_of=as_of, pool_open=settings.pool_open)
    costs = fleet_costs(session, shop_id, known.snapshot.plain_catalogue, settings, asked)
    question = ("pull list", hours, days_ahead, hours_to_bring_in, costs.key)
    return kept_answer(known, question, lambda: _list(known, costs, hours, days_ahead, hours_to_bring_in))


def _list(
    known: FleetOnRecord, costs: FleetCosts, hours: float, days_ahead: float, hours_to_bring_in: float
) -> dict[str, Any]:
    jobs: dict[str, tuple[PullJob, str, str | None, float | None]] = {}
    standing = [bad for bad in known.bad if bad.stands(known.as_of)]
    for reference, slug, position, *_ in standing:
        job = PullJob(_job_id(reference, slug, position), reference, costs.hours[slug], 0.0, must=True)
        jobs[job.id] = (job, slug, position, None)
    for part in _worthwhile(known, costs, days_ahead):
        job = PullJob(part.id, part.machine, costs.hours[part.component], part.worth)
        jobs.setdefault(job.id, (job, part.component, part.position, part.chance))
    bring = {job.machine: hours_to_bring_in for job, *_ in jobs.values()}
    found = pull_list([job for job, *_ in jobs.values()], hours, hours_to_bring_in=bring)
    return _reply(found, jobs, known, costs) | {"as_of": known.as_of.isoformat(), "days_ahead": days_ahead}


def _job_id(reference: str, slug: str, position: str | None) -> str:
    return f"{reference}\n{slug}\n{position or ''}"


class _PartAhead(NamedTuple):
    """A part that works now, cheaper to renew than to run on."""

    machine: str
    component: str
    position: str | None
    chance: float
    worth: float

    @property
    def id(self) -> str:
        return _job_id(self.machine, self.component, self.position)


def _worthwhile(known: FleetOnRecord, costs: FleetCosts, days_ahead: float) -> Iterator[_PartAhead]:
    """Parts of scheduled components cheaper to renew now than to run on."""
    fleet = known.fleet
    scheduled = {slug: cost for slug, cost in costs.by_component.items() if slug in costs.scheduled}
    fleet = replace(fleet, groups=tuple(g for g in fleet.groups if g.lives.component in scheduled))
    chance = chance_within(fleet, days_ahead)
    worth = worth_now(fleet, chance, days_ahead, scheduled)
    for group in fleet.groups:
        for i in np.flatnonzero(worth[group.part] > 0).tolist():
            part = int(group.part[i])
            position = group.lives.keys[int(group.key[i])].position
            reference = known.references[int(group.machine[i])]
            yield _PartAhead(reference, group.lives.component, position, float(chance[part]), float(worth[part]))


def _reply(
    found: PullList,
    jobs: Mapping[str, tuple[PullJob, str, str | None, float | None]],
    known: FleetOnRecord,
    costs: FleetCosts,
) -> dict[str, Any]:
    documents = known.snapshot.documents

    def is_safety(job: PullJob) -> bool:
        return bool(documents[jobs[job.id][1]]["safety_class"] == "A")

    def line(job: PullJob, reason: str) -> dict[str, Any]:
        _, slug, position, chance = jobs[job.id]
        return {
            "machine": job.machine,
            "component": slug,
            "name": documents[slug]["name"],
            "position": position,
            "safety_class": documents[slug]["safety_class"],
            "hours": job.hours,
            "chance": chance,
            "worth": round(job.worth, 2),
            "must": job.must,
            "reason": reason,
        }

    return {
        "jobs": [
            *(line(jobs[must][0], "found bad and not yet put right") for must in jobs if jobs[must][0].must),
            *(line(job, "dearer to run on") for job in found.jobs if not job.must),
        ],
        "machines": list(found.machines),
        "hours": found.hours,
        "over_by": found.over_by,
        "worth": round(found.worth, 2),
        "currency": costs.currency,
        "left_out": [
            line(job, LEFT_SAFETY if is_safety(job) else reason)
            for job, reason in sorted(found.left_out, key=lambda left: (-left[0].worth, left[0].id))
        ],
        "found_bad_before": known.found_bad()["found_bad_before"],
        "estimate": {"version": known.snapshot.version},
        "notes": [SAFETY_NOTE, *costs.notes, *known.notes],
    }
