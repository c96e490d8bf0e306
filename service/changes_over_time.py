"""What changes over time: batches by build date, drift along the calendar, campaigns; an alert list."""

from __future__ import annotations

import threading
from typing import Any

import numpy as np
from sqlalchemy.orm import Session

from analytics.clock_changes import ClocksWatched, clock_looks
from analytics.drift import FALSE_SHARE, Look, alerts, looks
from analytics.line_columns import Action
from service.errors import NotFound
from service.inspections.serving import Snapshot, snapshot_for
from service.life_lines import FitLines
from service.past import reads_the_past
from service.records_seen import records_seen

RATE = (
    f"Where nothing changed, at most {100 * FALSE_SHARE:.0f} % of such lists hold any alert; where something did, at"
    f" most {100 * FALSE_SHARE:.0f} % of the entries are expected to be false."
)
NOT_FITTED = "No change is looked for in"
CLOCK_GOES = "odometer continuity"  # what the catalogue says goes with a part that holds the clock
_KEPT = 8
_cache: dict[tuple[Any, ...], list[Look]] = {}
_lock = threading.Lock()


def changes_over_time(
    session: Session, shop_id: int, *, component: str | None, months: int, pool_open: bool
) -> dict[str, Any]:
    """Alerts over all components (or of one, still held against all), and every look at the one asked about.

    Only components fitted to the records are looked at.
    """
    snapshot = snapshot_for(session, shop_id, pool_open=pool_open)
    if component is not None and component not in snapshot.documents:
        raise NotFound(f"{component!r} is not a component of the catalogue")
    seen = records_seen(session, shop_id, pool_open=pool_open)
    # In-memory databases share one address: their engines tell them apart.
    bind = session.get_bind().engine
    kept = seen.lines.kept
    state = (int(kept.version.sum()), len(kept.machine), seen.lines.line_count)
    records = None if seen.everyone else shop_id
    key = (str(bind.url), id(bind.pool), reads_the_past(session), snapshot.version, records, state, months)
    with _lock:
        found = _cache.get(key)
    if found is None:
        found = _all_looks(seen.lines, snapshot, months)
        with _lock:
            if len(_cache) >= _KEPT:
                _cache.pop(next(iter(_cache)))
            _cache[key] = found
    raised = [a for a in alerts(found) if component in (None, a.component)]
    mine = [look for look in found if look.component == component]
    return {
        "component": component,
        "months": months,
        "records": "all members of the pool" if seen.everyone else "this shop's own",
        "alerts": [_look(a, snapshot) for a in raised],
        "looks": [_look(look, snapshot) for look in mine],
        "looks_made": sum(look.p_value == look.p_value for look in found),
        "false_alarm_rate": FALSE_SHARE,
        "rate_in_words": RATE,
        "notes": _notes(snapshot),
        "estimate": {"version": snapshot.version},
    }


def _all_looks(lines: FitLines, snapshot: Snapshot, months: int) -> list[Look]:
    new_day = np.asarray(lines.machines.new_day, dtype=float)
    found: list[Look] = []
    for slug, spells in lines.life_records().items():
        # held against the invented prior alone, any true life would look like a change
        if slug in snapshot.fitted:
            found += looks(snapshot.risks, slug, spells, new_day, months=months)
    # of those that every model has, the part that takes the odometer's reading along
    clock = [slug for slug, document in snapshot.documents.items() if CLOCK_GOES in document["takes_with"]]
    return found + clock_looks(_clocks(lines), lines.names.cells, clock[0]) if clock else found


def _notes(snapshot: Snapshot) -> list[str]:
    if snapshot.outdated:
        return [snapshot.refit_note, f"{NOT_FITTED} {len(snapshot.outdated)} components."]
    unfitted = len(snapshot.documents) - len(snapshot.fitted)
    return [f"{NOT_FITTED} {unfitted} components, which were not fitted yet: `weakspot fit` does."] if unfitted else []


def _clocks(lines: FitLines) -> ClocksWatched:
    """Each machine's time on record to its first clock change that is not in doubt, or to its end."""
    fleet = lines.on_clocks()
    change = (fleet.action == Action.CLOCK_CHANGED) & ~fleet.in_doubt & fleet.from_card & ~np.isnan(fleet.days)
    change &= (fleet.days >= fleet.start_days[fleet.owner]) & (fleet.days <= fleet.end_days[fleet.owner])
    first = np.full(len(fleet.machine), np.inf)
    np.minimum.at(first, fleet.owner[change], fleet.days[change])
    # a machine whose build nobody knows was given a day to place its lines; that says nothing of its build
    new_day = np.asarray(lines.machines.new_day, dtype=float)[fleet.machine]
    return ClocksWatched(
        lines.machines.cell[fleet.machine],
        lines.machines.shop[fleet.machine],
        new_day,
        fleet.start_days,
        np.minimum(first, fleet.end_days),
        np.isfinite(first),
    )


def _look(look: Look, snapshot: Snapshot) -> dict[str, Any]:
    judged = look.p_value == look.p_value
    return {
        "component": look.component,
        "name": snapshot.documents[look.component]["name"],
        "safety_class": snapshot.documents[look.component]["safety_class"],
        "scale": look.scale,
        "make": None if look.cell is None else look.cell.make,
        "model": None if look.cell is None else look.cell.model,
        "period": look.period,
        "seen": round(look.seen, 1),
        "expected": round(look.expected, 1),
        "ratio": _finite(look.ratio.value),
        "low": _finite(look.ratio.low),
        "high": _finite(look.ratio.high),
        "level": look.ratio.level,
        "p_value": look.p_value if judged else None,
        "finding": look.finding,
    }


def _finite(value: float) -> float | None:
    return value if np.isfinite(value) else None


def in_words(row: dict[str, Any]) -> str:
    """One alert as a sentence."""
    of = row["model"] or "all models"
    if row["period"] == "trend" and row["ratio"] is None:
        return f"{row['name']}, {of}: {row['finding']} for a trend by {row['scale']}"
    if row["period"] == "trend":
        return f"{row['name']}, {of}: {row['finding']} by {row['scale']}, {row['ratio']:.2f} times each year"
    return (
        f"{row['name']}, {of}, {row['scale']} {row['period']}: {row['finding']}, {row['seen']:.0f} seen,"
        f" {row['expected']:.1f} expected"
    )
