"""Scheduled renewals coming due: each part's day by its best age and its machine's own use; as rows or a calendar."""

from __future__ import annotations

import csv
import io
import uuid
from collections.abc import Iterator, Mapping, Sequence
from datetime import UTC, date, datetime, timedelta
from typing import Any

import numpy as np
from sqlalchemy.orm import Session

from analytics.fleet_types import FleetGroup
from analytics.pull_worth import best_policies, days_until_due
from analytics.spells import Floats
from service.fleet_costs import FleetCosts, fleet_costs
from service.fleet_now import FleetOnRecord, fleet_on_record, kept_answer
from service.imports.guard import put_mark
from service.pull_lists import SAFETY_NOTE
from service.said import Part, Said, joined, say
from service.settings import Settings

COLUMNS = ("due", "overdue", "machine", "component", "name", "position", "safety_class", "hours", "interval_km",
           "interval_days", "age_known")  # fmt: skip
_NAMESPACE = uuid.UUID("6f2f8c1e-0c4b-5a53-9d53-7d0c0a8f3c11")  # makes the same part the same calendar entry each time
UNKNOWN_AGE = "age not known: the day is the mean over the ages it may have"


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
    for group in known.fleet.groups:
        slug = group.lives.component
        if slug in costs.scheduled:
            use = known.fleet.km_per_day[group.machine]
            _, age_days = best_policies(group, use, costs.by_component[slug])
            paying |= {slug} if np.isfinite(age_days).any() else set()
            rows += _due(known, group, costs.hours[slug], age_days, known.as_of, days)
    rows.sort(key=_order)
    carried = {group.lives.component for group in known.fleet.groups}
    never = sorted(costs.scheduled & carried - paying)
    notes = [SAFETY_NOTE, *costs.notes, *known.notes]
    if never:
        notes.insert(0, _pays_nowhere(never))
    return {
        "as_of": known.as_of.isoformat(),
        "days": days,
        "due": rows,
        "hours": round(sum(r["hours"] for r in rows), 2),
        "currency": costs.currency,
        "estimate": {"version": known.snapshot.version},
        "notes": notes,
    }


def _pays_nowhere(components: Sequence[str]) -> Said:
    parts = (say("%(part)s", part=Part(slug, slug.replace("_", " "))) for slug in components)
    return say("Renewing on purpose does not pay on these machines: %(parts)s.", parts=joined(*parts, by=", "))


def _order(row: Mapping[str, Any]) -> tuple[Any, ...]:
    """By day; of the overdue those of known age first, then safety class A, then those longest past their best age."""
    late = (not row["age_known"], row["safety_class"], -row["days_past"]) if row["overdue"] else ()
    return (not row["overdue"], "" if row["overdue"] else row["due"], *late, row["machine"], row["component"],
            row["position"] or "")  # fmt: skip


def _due(
    known: FleetOnRecord, group: FleetGroup, hours: float, age_days: Floats, as_of: date, days: int
) -> Iterator[dict[str, Any]]:
    slug = group.lives.component
    use = known.fleet.km_per_day[group.machine]
    left = days_until_due(group, use, age_days)
    document = known.snapshot.documents[slug]
    for i in np.flatnonzero(left <= days).tolist():
        yield {
            "due": (as_of + timedelta(days=max(int(left[i]), 0))).isoformat(),
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
        }


def as_csv(rows: Sequence[Mapping[str, Any]]) -> str:
    """Due work as a table; texts a spreadsheet would take for a formula are made harmless."""
    out = io.StringIO()
    table = csv.writer(out, lineterminator="\r\n")
    table.writerow(COLUMNS)
    for row in rows:
        table.writerow([put_mark(v) if isinstance(v := row[c], str) else v for c in COLUMNS])
    return out.getvalue()


def as_calendar(rows: Sequence[Mapping[str, Any]], shop: str, *, now: datetime) -> bytes:
    """Due work as an iCalendar file (RFC 5545): a whole-day entry a part, the same identity each time it is made."""
    from icalendar import Calendar, Event

    calendar = Calendar()
    calendar.add("prodid", "-//Weakspot//due work//EN")
    calendar.add("version", "2.0")
    for row in rows:
        place = f", {row['position']}" if row["position"] else ""
        event = Event()
        identity = "\n".join([shop, row["machine"], row["component"], row["position"] or ""])
        event.add("uid", f"{uuid.uuid5(_NAMESPACE, identity)}@weakspot")
        event.add("dtstamp", now.astimezone(UTC))
        event.add("dtstart", date.fromisoformat(row["due"]))
        event.add("transp", "TRANSPARENT")  # due work does not block the day
        event.add("summary", f"{row['machine']}: renew {row['name']}{place}")
        event.add("description", _description(row))
        calendar.add_component(event)
    return bytes(calendar.to_ical())


def _description(row: Mapping[str, Any]) -> str:
    lines = [
        f"Best age {row['interval_km']:,.0f} km or {row['interval_days']:,} days at this machine's use.",
        f"Safety class {row['safety_class']}; about {row['hours']:g} hours.",
    ]
    if row["overdue"]:
        lines.append("Past its best age already.")
    if not row["age_known"]:
        lines.append(UNKNOWN_AGE.capitalize() + ".")
    return "\n".join(lines)
