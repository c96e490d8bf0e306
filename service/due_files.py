"""Due work as files: a table, and a calendar."""

from __future__ import annotations

import csv
import io
import uuid
from collections.abc import Mapping, Sequence
from datetime import UTC, date, datetime
from typing import TYPE_CHECKING, Any

from service.ages import rough
from service.imports.guard import put_mark

if TYPE_CHECKING:
    from icalendar import Event

COLUMNS = ("due", "overdue", "machine", "component", "name", "position", "safety_class", "hours", "interval_km",
           "interval_days", "age_known", "days_past", "waiting_costs", "last_seen")  # fmt: skip
MOST_ON_A_DAY = 20  # machines past a best age that get an entry of their own on the day asked about
_NAMESPACE = uuid.UUID("6f2f8c1e-0c4b-5a53-9d53-7d0c0a8f3c11")  # makes the same part the same calendar entry each time
UNKNOWN_AGE = "age not known: the day is the mean over the ages it may have"


def as_csv(rows: Sequence[Mapping[str, Any]]) -> str:
    """Due work as a table; texts a spreadsheet would take for a formula are made harmless."""
    out = io.StringIO()
    table = csv.writer(out, lineterminator="\r\n")
    table.writerow(COLUMNS)
    for row in rows:
        table.writerow([put_mark(v) if isinstance(v := row[c], str) else v for c in COLUMNS])
    return out.getvalue()


def as_calendar(found: Mapping[str, Any], shop: str, *, now: datetime) -> bytes:
    """Due work as an iCalendar file (RFC 5545), each entry of the same identity each time it is made.

    Parts not yet due have a whole-day entry each. What is past its best age already belongs to no day: on the day asked
    about stands an entry a machine for the first of them, and one for all the others, with their parts.
    """
    from icalendar import Calendar

    calendar = Calendar()
    calendar.add("prodid", "-//Weakspot//due work//EN")
    calendar.add("version", "2.0")
    stamp = now.astimezone(UTC)
    today, overdue = date.fromisoformat(found["as_of"]), found["overdue_machines"]
    for row in overdue[:MOST_ON_A_DAY]:
        text = f"{row['machine']}: {_counted(row)} past best age"
        calendar.add_component(_entry([shop, row["machine"], "overdue"], today, text, _overdue_lines(row), stamp))
    rest = overdue[MOST_ON_A_DAY:]
    if rest:
        parts = sum(len(row["parts"]) for row in rest)
        text = f"{len(rest)} more machines with {parts:,} renewals past best age"
        lines = ["Where waiting costs less than on the machines with an entry of their own, or not seen for a year:"]
        lines += [f"{row['machine']}: {_named(row)}" for row in rest]
        calendar.add_component(_entry([shop, "overdue"], today, text, lines, stamp))
    for row in found["due"]:
        if not row["overdue"]:
            place = f", {row['position']}" if row["position"] else ""
            identity = [shop, row["machine"], row["component"], row["position"] or ""]
            text = f"{row['machine']}: renew {row['name']}{place}"
            calendar.add_component(_entry(identity, date.fromisoformat(row["due"]), text, _lines(row), stamp))
    return bytes(calendar.to_ical())


def _entry(identity: Sequence[str], day: date, summary: str, lines: Sequence[str], stamp: datetime) -> Event:
    from icalendar import Event

    event = Event()
    event.add("uid", f"{uuid.uuid5(_NAMESPACE, chr(10).join(identity))}@weakspot")
    event.add("dtstamp", stamp)
    event.add("dtstart", day)
    event.add("transp", "TRANSPARENT")  # due work does not block the day
    event.add("summary", summary)
    event.add("description", "\n".join(lines))
    return event


def _counted(row: Mapping[str, Any]) -> str:
    count = len(row["parts"])
    return f"{count} renewal{'s' if count > 1 else ''}"


def _named(row: Mapping[str, Any]) -> str:
    return "; ".join(p["name"] + (f", {p['position']}" if p["position"] else "") for p in row["parts"])


def _overdue_lines(row: Mapping[str, Any]) -> list[str]:
    return [
        _named(row) + ".",
        f"About {row['hours']:g} hours. Waiting a month costs about {row['waiting_costs']:.0f}.",
        f"Last seen {row['last_seen']}.",
    ]


def _lines(row: Mapping[str, Any]) -> list[str]:
    lines = [
        f"Best age about {rough(row['interval_km']):,.0f} km or {rough(row['interval_days']):,.0f} days at this"
        " machine's use.",
        f"Safety class {row['safety_class']}; about {row['hours']:g} hours.",
    ]
    if not row["age_known"]:
        lines.append(UNKNOWN_AGE.capitalize() + ".")
    return lines
