"""One machine, described or on record: what is fitted on it now, as far as anybody knows."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from datetime import date
from typing import Any

import numpy as np

from analytics.histories import Lines, Placed, place_machine
from analytics.life_model_types import PartState
from analytics.odometer import TYPICAL_KM_PER_DAY, distance_bounds
from analytics.part_issues import build_span, doubtful_issue, issue_odds, stratum_of
from analytics.spells import DAYS_PER_YEAR, Cell, Quality
from analytics.unit_life import Event, PartNow, live
from service.build_days import NOTHING, build_days
from service.errors import InvalidInput
from service.imports.dates import read_date
from service.inspections.serving import Snapshot
from service.layout_files import missing_parts
from service.said import Distance, say
from service.vocabulary import KM_PER_MILE

# A rate taken from less than this says more about the delivery ride than about the rider.
LEAST_DAYS_FOR_A_RATE = 60.0
USUAL = Distance(TYPICAL_KM_PER_DAY * DAYS_PER_YEAR)  # in a year


@dataclass(frozen=True)
class KnownMachine:
    """A machine on its clocks at the day of the question, with its lines in order of time."""

    cell: Cell
    new_day: float
    now_km: float
    now_days: float
    km_per_day: float
    placed: Placed
    components: Sequence[str]  # slugs behind the component indices of `placed`
    positions: Sequence[str]
    notes: tuple[str, ...]
    on_record: bool = True  # the fits have seen it; what a described machine's parts have lasted is news to them
    not_of_model: frozenset[str] = frozenset()  # parts of an engine of another family
    built: tuple[float, float] = NOTHING  # first and last possible day of build; nan: `new_day` is all there is


def to_km(distance: Mapping[str, Any]) -> float:
    """Kilometres of a distance with its unit."""
    return float(distance["value"]) * (KM_PER_MILE if distance["unit"] == "mi" else 1.0)


def middle_day(text: str | None) -> float:
    """Ordinal of the middle of a partial date; nan for none."""
    return float("nan") if text is None else float(read_date(text).middle.toordinal())


def from_description(
    asked: Mapping[str, Any], cell: Cell, as_of: date, notes: Sequence[str], layout: Mapping[str, Any]
) -> KnownMachine:
    """A machine that need not be on record, from the checked request; `layout` as the catalogue has its model."""
    notes = list(notes)
    machine = asked["machine"]
    today = float(as_of.toordinal())
    new_day = new_day_of(machine)
    km = None if machine["odometer"] is None else to_km(machine["odometer"])
    if np.isnan(new_day):
        new_day = today - (km or 0.0) / TYPICAL_KM_PER_DAY
        notes.append(say("Age unknown: taken as if the machine had run %(distance)s a year.", distance=USUAL))
    if new_day > today:
        raise InvalidInput("the machine is newer than the day that is asked about", pointer="/as_of")
    if km is None:
        km = (today - new_day) * TYPICAL_KM_PER_DAY
        notes.append(say("Odometer unknown: taken as %(distance)s a year of age.", distance=USUAL))
    lines, components, positions = _history_lines(asked["history"], today, km)
    placed = place_machine(lines, slice(0, len(lines.machine)), new_day)
    assert placed is not None  # the line of the question itself is a card line
    rate = _rate(km, today - new_day, asked["usage"])
    built = build_days(machine["built"], machine["first_registered"], machine["model_year"], layout)
    return KnownMachine(
        cell, new_day, km, today - new_day, rate, placed, components, positions, tuple(notes), False, built=built
    )


def new_day_of(machine: Mapping[str, Any]) -> float:
    """Start of a described machine's calendar clock; nan where nothing is given."""
    for name in ("built", "first_registered"):
        if machine[name] is not None:
            return middle_day(machine[name])
    return middle_day(None if machine["model_year"] is None else f"{machine['model_year']:04d}")


def _rate(km: float, days: float, usage: Mapping[str, Any] | None) -> float:
    if usage is not None:
        return to_km(usage) / DAYS_PER_YEAR
    return km / days if days >= LEAST_DAYS_FOR_A_RATE and km > 0 else TYPICAL_KM_PER_DAY


def _history_lines(
    history: Sequence[Mapping[str, Any]], today: float, km: float
) -> tuple[Lines, tuple[str, ...], tuple[str, ...]]:
    """The told history, closed by one line of today: here the machine is seen to work at `km`."""
    components = tuple(sorted({item["component"] for item in history}))
    positions = tuple(sorted({item["position"] for item in history if item["position"]}))
    component_of = {slug: k for k, slug in enumerate(components)}
    position_of = {name: k for k, name in enumerate(positions)}
    days, readings = [], []
    for number, item in enumerate(history):
        day = middle_day(item["date"])
        reading = float("nan") if item["odometer"] is None else to_km(item["odometer"])
        if day > today:
            raise InvalidInput("the date lies after the day that is asked about", pointer=f"/history/{number}/date")
        if reading > km:
            raise InvalidInput("the odometer is above the machine's own", pointer=f"/history/{number}/odometer")
        days.append(day)
        readings.append(reading)
    count = len(history) + 1
    lines = Lines(
        machine=np.zeros(count, dtype=np.int64),
        card=np.arange(count, dtype=np.int64),
        day=np.array([*days, today]),
        reading_km=np.array([*readings, km]),
        component=np.array([*(component_of[i["component"]] for i in history), -1], dtype=np.int64),
        position=np.array([*(position_of.get(i["position"], -1) for i in history), -1], dtype=np.int64),
        action=[*(i["action"] for i in history), "seen"],
        reason=["unknown"] * count,
        source=["papers"] * len(history) + ["card"],
        quality=np.array([*(int(Quality[i["quality"].upper()]) for i in history), 0], dtype=np.int64),
        in_doubt=np.zeros(count, dtype=bool),
    )
    return lines, components, positions


def parts_now(machine: KnownMachine, snapshot: Snapshot) -> list[tuple[str, str | None, PartNow]]:
    """Every part the machine carries, by component and position, with what is known of it."""
    events: dict[str, list[tuple[str | None, Event]]] = {}
    for component, position, event in machine.placed.events:
        if component >= 0:
            label = machine.positions[position] if position >= 0 else None
            events.setdefault(machine.components[component], []).append((label, event))
    found: list[tuple[str, str | None, PartNow]] = []
    for slug, document in snapshot.documents.items():
        mine = events.get(slug, [])
        told = any(not event.in_doubt for _, event in mine)  # somebody fitted one that the model does not come with
        if not told and is_absent(slug, snapshot.layout(machine.cell), machine.new_day):
            continue
        if slug in machine.not_of_model:
            continue
        for label in _positions(slug, snapshot, machine.cell, [p for p, _ in mine if p]):
            chain = [event for p, event in mine if p is None or p == label]
            history = live(chain, machine.placed.watch, shown_by_running=document["shown_by_running"])
            found.append((slug, label, history.now))
    return found


def run_bounds(state: PartState, machine: KnownMachine) -> tuple[float, float] | None:
    """Least and most km a part of known age has run, where a clock was changed unread since it went in."""
    clocks = machine.placed.clocks
    if state.part_km is None or all(segment.offset_known for segment in clocks.segments):
        return None
    start = machine.now_km - state.part_km
    bounds = distance_bounds(clocks.segments, clocks.km, start, machine.now_km)
    return None if bounds == (state.part_km, state.part_km) else bounds


def is_absent(slug: str, layout: Mapping[str, Any], new_day: float) -> bool:
    """True where the model, or its build year, lacks the part."""
    year = date.fromordinal(int(new_day)).year if new_day == new_day and new_day >= 1 else None
    return slug in missing_parts(layout, year)


def _positions(slug: str, snapshot: Snapshot, cell: Cell, named: Sequence[str]) -> list[str | None]:
    """Positions of a part on this model: as the records use them, else one part without a position."""
    labels = sorted({*positions_on_record(slug, snapshot, cell), *named})
    return list(labels) if labels else [None]


def positions_on_record(slug: str, snapshot: Snapshot, cell: Cell) -> list[str]:
    """Positions that the records tell apart for a part on this model; empty where they do not."""
    in_use = snapshot.positions.get(slug)
    if in_use is None:
        return []
    family = f"{cell.make}/{cell.family or cell.model}"
    rule = snapshot.documents[slug]["position_rule"]
    labels: list[str] = in_use["by_family"].get(family) or (in_use["all"] if rule == "fixed" else [])
    if not labels and rule == "per_cylinder":
        labels = list(snapshot.layout(cell).get("cylinders", ()))
    return sorted(labels)


def part_state(slug: str, position: str | None, now: PartNow, machine: KnownMachine, snapshot: Snapshot) -> PartState:
    """One part as the risk model wants it."""
    changes = snapshot.part_changes.get((machine.cell.make, machine.cell.model), {}).get(slug)
    known = now.start_km == now.start_km and now.start_days == now.start_days
    stratum, renewal = -1, None
    issues: tuple[float, ...] = ()
    if changes is not None:
        stratum = stratum_of(changes, machine.new_day + (now.start_days if known else 0.0))
        renewal = stratum_of(changes, machine.new_day + machine.now_days)
        if now.after_campaign:
            stratum = renewal = len(changes)
        elif not known or now.start_days <= 0.0:  # the factory part, or it is not known which
            stratum, issues = _issue_at_build(changes, machine)
    checked = now.last_good_km == now.last_good_km and now.last_good_days == now.last_good_days
    age = _age(now, machine) if known else (None, None)
    mended = _age_at_repair(now, age)
    return PartState(
        component=slug,
        machine_km=machine.now_km,
        machine_days=machine.now_days,
        part_km=age[0],
        part_days=age[1],
        not_original=now.not_original and not known,
        used=now.quality == Quality.USED and not known,
        position=position,
        stratum=stratum,
        issues=issues,
        renewal_stratum=renewal,
        quality=now.quality,
        watched_km=min(now.watched_from_km, machine.now_km),
        watched_days=min(now.watched_from_days, machine.now_days),
        last_good_km=min(now.last_good_km, machine.now_km) if checked else None,
        last_good_days=min(now.last_good_days, machine.now_days) if checked else None,
        repair_km=mended[0],
        repair_days=mended[1],
    )


def _issue_at_build(changes: Sequence[float], machine: KnownMachine) -> tuple[int, tuple[float, ...]]:
    """Stratum of a factory part; -1 and the odds of each where its machine may be of either side of a change."""
    seen = machine.new_day + machine.placed.watch.start_days
    new_day, first, last, seen_on = (np.array([day]) for day in (machine.new_day, *machine.built, seen))
    odds = issue_odds(changes, *build_span(new_day, (first, last), seen_on))[0]
    issues = doubtful_issue(odds)
    return (-1, issues) if issues else (int(odds.argmax()), ())


def _age(now: PartNow, machine: KnownMachine) -> tuple[float, float]:
    return max(machine.now_km - now.start_km, 0.0), max(machine.now_days - now.start_days, 0.0)


def _age_at_repair(
    now: PartNow, age: tuple[float, float] | tuple[None, None]
) -> tuple[float, float] | tuple[None, None]:
    """The part's own age when it was last repaired; none where it never was or its start is unknown."""
    if age[0] is None or age[1] is None or not (now.repair_km == now.repair_km and now.repair_days == now.repair_days):
        return None, None
    return (
        min(max(now.repair_km - now.start_km, 0.0), age[0]),
        min(max(now.repair_days - now.start_days, 0.0), age[1]),
    )
