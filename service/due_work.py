"""Scheduled renewals coming due: each part's day by its best age and its machine's own use.

What is past its best age already is gathered by machine as well, those first where waiting costs most: a list of the
parts alone would be as long as the shop's records, and say nothing of what to do first. Machines not seen for a year
come last: parts of theirs look oldest, but what was renewed elsewhere since is not known.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from dataclasses import replace
from datetime import date, timedelta
from typing import Any

import numpy as np
from sqlalchemy.orm import Session

from analytics.fleet_path import chance_within
from analytics.fleet_types import FleetGroup
from analytics.pull_worth import best_policies, days_until_due, worth_now
from analytics.spells import Floats
from service.fleet_costs import FleetCosts, fleet_costs
from service.fleet_now import FleetOnRecord, fleet_on_record, kept_answer
from service.pull_lists import SAFETY_NOTE
from service.said import Number, Part, Said, joined, say
from service.settings import Settings

WAITING_DAYS = 30.0  # what waiting costs is said for so long
LONG_UNSEEN_DAYS = 365
WHY_OVERDUE = say(
    "Past its best age: older than the age at which renewing on purpose costs least, by the prices and what a failure"
    " costs here and by the machine's own use; that is no interval of a maker's."
)


def due_work(
    session: Session, shop_id: int, *, as_of: date, days: int, settings: Settings, asked: Mapping[str, Any]
) -> dict[str, Any]:
    """Parts of scheduled components due within so many days, the overdue first."""
    known = fleet_on_record(session, shop_id, as_of=as_of, pool_open=settings.pool_open)
    costs = fleet_costs(session, shop_id, known.snapshot.plain_catalogue, settings, asked)
    return kept_answer(known, ("due", days, costs.key), lambda: _all_due(known, costs, days))


def _all_due(known: FleetOnRecord, costs: FleetCosts, days: int) -> dict[str, Any]:
    rows: list[dict[str, Any]] = []
    paying: set[str] = set()
    waiting = _waiting_costs(known, costs)
    for group in known.fleet.groups:
        slug = group.lives.component
        if slug in costs.scheduled:
            use = known.fleet.km_per_day[group.machine]
            _, age_days = best_policies(group, use, costs.by_component[slug])
            paying |= {slug} if np.isfinite(age_days).any() else set()
            rows += _due(known, group, (costs.hours[slug], waiting), age_days, days)
    rows.sort(key=_order)
    since = (known.as_of - timedelta(days=LONG_UNSEEN_DAYS)).isoformat()
    machines = _by_machine([row for row in rows if row["overdue"]], since)
    carried = {group.lives.component for group in known.fleet.groups}
    never = sorted(costs.scheduled & carried - paying)
    notes = [*_on_overdue(machines), SAFETY_NOTE, *costs.notes, *known.notes]
    if never:
        notes.insert(0, _pays_nowhere(never))
    return {
        "as_of": known.as_of.isoformat(),
        "days": days,
        "due": rows,
        "overdue": sum(row["overdue"] for row in rows),
        "overdue_machines": machines,
        "hours": round(sum(r["hours"] for r in rows), 2),
        "currency": costs.currency,
        "estimate": {"version": known.snapshot.version},
        "notes": notes,
    }


def _waiting_costs(known: FleetOnRecord, costs: FleetCosts) -> Floats:
    """What leaving each part for `WAITING_DAYS` costs more than renewing it now, (parts,)."""
    scheduled = {slug: cost for slug, cost in costs.by_component.items() if slug in costs.scheduled}
    fleet = replace(known.fleet, groups=tuple(g for g in known.fleet.groups if g.lives.component in scheduled))
    chance = chance_within(fleet, WAITING_DAYS)
    return np.maximum(worth_now(fleet, chance, WAITING_DAYS, scheduled), 0.0)


def _by_machine(overdue: Sequence[Mapping[str, Any]], since: str) -> list[dict[str, Any]]:
    """What is past its best age, a row a machine: those seen since a day before others, the dearest wait first."""
    of: dict[str, list[Mapping[str, Any]]] = {}
    for row in overdue:
        of.setdefault(row["machine"], []).append(row)
    found = [
        {
            "machine": machine,
            "parts": [
                {name: row[name] for name in ("component", "name", "position", "safety_class", "age_known")}
                for row in sorted(rows, key=lambda row: -row["waiting_costs"])
            ],
            "hours": round(sum(row["hours"] for row in rows), 2),
            "waiting_costs": round(sum(row["waiting_costs"] for row in rows), 2),
            "days_past": max(row["days_past"] for row in rows),
            "last_seen": rows[0]["last_seen"],
            "long_unseen": rows[0]["last_seen"] < since,
        }
        for machine, rows in of.items()
    ]
    return sorted(found, key=lambda row: (row["long_unseen"], -row["waiting_costs"], row["machine"]))


def _on_overdue(machines: Sequence[Mapping[str, Any]]) -> list[str]:
    if not machines:
        return []
    unseen = sum(row["long_unseen"] for row in machines)
    if not unseen:
        return [WHY_OVERDUE]
    told = say(
        "Of the %(all)s machines past a best age, %(unseen)s were last seen more than a year before and come last: what"
        " was renewed elsewhere since is not on record here.",
        all=Number(len(machines)),
        unseen=Number(unseen),
    )
    return [WHY_OVERDUE, told]


def _pays_nowhere(components: Sequence[str]) -> Said:
    parts = (say("%(part)s", part=Part(slug, slug.replace("_", " "))) for slug in components)
    return say("Renewing on purpose does not pay on these machines: %(parts)s.", parts=joined(*parts, by=", "))


def _order(row: Mapping[str, Any]) -> tuple[Any, ...]:
    """By day; of the overdue those of known age first, then safety class A, then those longest past their best age."""
    late = (not row["age_known"], row["safety_class"], -row["days_past"]) if row["overdue"] else ()
    return (not row["overdue"], "" if row["overdue"] else row["due"], *late, row["machine"], row["component"],
            row["position"] or "")  # fmt: skip


def _due(
    known: FleetOnRecord, group: FleetGroup, cost: tuple[float, Floats], age_days: Floats, days: int
) -> Iterator[dict[str, Any]]:
    """`cost`: hours of the job, and what waiting costs by part."""
    (hours, waiting), slug = cost, group.lives.component
    use = known.fleet.km_per_day[group.machine]
    left = days_until_due(group, use, age_days)
    document = known.snapshot.documents[slug]
    for i in np.flatnonzero(left <= days).tolist():
        yield {
            "due": (known.as_of + timedelta(days=max(int(left[i]), 0))).isoformat(),
            "overdue": bool(left[i] < 0),
            "days_past": max(round(float(-left[i])), 0),
            "machine": known.references[int(group.machine[i])],
            "component": slug,
            "name": document["name"],
            "position": group.lives.keys[int(group.key[i])].position,
            "safety_class": document["safety_class"],
            "hours": hours,
            "interval_km": round(float(age_days[i] * use[i]), -2),
            "interval_days": round(float(age_days[i])),
            "age_known": group.drawn is None,
            "waiting_costs": round(float(waiting[group.part[i]]), 2),
            "last_seen": known.last_seen[int(group.machine[i])].isoformat(),
        }
