"""What a check found, checked against the machine and judged: readings by the limits, the rest by whoever looked.

A missing reading never becomes a pass; an unmet prerequisite makes anything inconclusive; silence without supply is
not charged to the silent part.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Any

from analytics.judging import STRICTEST_FIRST
from analytics.outcomes import Verdict
from analytics.planning_types import PERMISSIONS
from service.catalogue_types import Catalogue
from service.check_types import Check, QuickVariant
from service.errors import InvalidInput
from service.inspections.check_options import full_check, targets_when
from service.inspections.evidence import NAMES_THE_PART, TOO_HIGH, Found
from service.inspections.inspected import Places
from service.inspections.part_marks import MEANS, PART_MARKS, VERDICT_OF
from service.inspections.plan_texts import caution_texts, title_of
from service.inspections.readings import Judged, judge_reading

# Checks felt by hand as a rule: their limits are for a gauge most people do not carry.
BY_HAND = frozenset({"T25", "T30"})
# A silent part without supply: relay, fuse, interlock or harness, not the part.
NEEDS_SUPPLY = frozenset({"T12", "T17", "T20"})
NEEDS_FULL_BATTERY, NOT_FULL = frozenset({"T03", "T22"}), "battery not full"
# Check -> (earlier check, its outcomes that void this one, why).
LEANS_ON: dict[str, tuple[str, tuple[Verdict, ...], str]] = {
    "T02": ("T01", (Verdict.FAIL,), "battery below 12.2 V at rest: charge it first"),
    "T03": ("T01", (Verdict.FAIL, Verdict.MARGINAL), NOT_FULL),
    "T10": ("T01", (Verdict.FAIL,), "battery not proved"),
    "T11": ("T02", (Verdict.FAIL,), "a weak battery slips a healthy starter clutch"),
    "T22": ("T01", (Verdict.FAIL,), NOT_FULL),
}
FULL_VOLTS = 12.6  # class default of T01
NO_SUPPLY = "no supply at the plug: relay, fuse, interlock or harness is to be looked at, the part is not charged"
SUPPLY_UNKNOWN = "supply at the plug not noted: measure it before the part is condemned"


@dataclass(frozen=True)
class Measured:
    """A measurement with its outcome and how it came about."""

    found: Found
    entries: tuple[dict[str, Any], ...]
    judged_by: str | None
    unmet: tuple[str, ...]
    notes: tuple[str, ...]


@dataclass(frozen=True)
class Yard:
    """What a measurement is judged against: catalogue, region, leave, and what was found and told before."""

    catalogue: Catalogue
    places: Places | None = None
    region: str | None = None
    permission: str | None = None
    ambient_celsius: float | None = None
    earlier: Sequence[Found] = ()
    facts: Sequence[Mapping[str, Any]] = ()


def measure(asked: Mapping[str, Any], yard: Yard, pointer: str = "") -> Measured:
    """Judge a checked `MeasurementAsked`.

    Raises
    ------
    InvalidInput
        With the place in the request: unknown check, part or position the machine lacks, check beyond the leave,
        unit of the wrong dimension, value that cannot be, nothing read and nothing concluded.
    """
    catalogue = yard.catalogue
    entry = _entry(asked["check"], yard, pointer)
    full = full_check(entry.id, catalogue)
    component = _component(asked, entry, full, yard, pointer)
    if full.mark_of:
        return _number_read(asked, full, component, yard, pointer)
    if asked["part_mark"] is not None:
        raise InvalidInput(f"{entry.id} reads no part number; leave part_mark out", pointer=f"{pointer}/part_mark")
    _check_engine_state(asked, entry, pointer)
    unmet = (*_told_unmet(asked, full, catalogue, pointer), *_unmet(asked, full, yard))
    ambient = asked["conditions"]["ambient_celsius"]
    judged = [
        judge_reading(
            full.id,
            component or _only(full),
            reading,
            region=yard.region,
            ambient_celsius=yard.ambient_celsius if ambient is None else ambient,
            unmet=unmet,
            catalogue=catalogue,
            pointer=f"{pointer}/readings/{number}",
        )
        for number, reading in enumerate(asked["readings"])
    ]
    outcome, judged_by = _outcome(asked, judged, entry, full, component, yard, unmet, pointer)
    notes = []
    if outcome is Verdict.FAIL and full.id in NEEDS_SUPPLY:
        supply = asked["conditions"]["supply_present"]
        notes = [] if supply else [SUPPLY_UNKNOWN if supply is None else NO_SUPPLY]
        outcome = Verdict.INCONCLUSIVE if supply is False else outcome
    entries = tuple(e for j in judged for e in j.entries)
    above = is_above(entries)
    if above and outcome is Verdict.FAIL and full.id in TOO_HIGH:
        notes.append("too high: " + catalogue.symptom_by_id[TOO_HIGH[full.id]].title)
    found = Found(entry.id, component, asked["position"], outcome, asked["engine_state"], above)
    return Measured(found, entries, judged_by, unmet, tuple(notes))


def _number_read(asked: Mapping[str, Any], full: Check, component: str | None, yard: Yard, pointer: str) -> Measured:
    """A part number: which part it is. It judges nothing, and one that cannot be read says nothing."""
    unmet = _told_unmet(asked, full, yard.catalogue, pointer)
    mark, where = asked["part_mark"], f"{pointer}/part_mark"
    if asked["readings"]:
        raise InvalidInput(
            f"{full.id} takes no readings; say in part_mark which number it is", pointer=f"{pointer}/readings"
        )
    if mark is None:
        if asked["outcome"] not in (None, Verdict.INCONCLUSIVE.value) or (asked["outcome"] is None and not unmet):
            raise InvalidInput(
                f"say which number was read: {', '.join(PART_MARKS)}; or outcome inconclusive where none was",
                pointer=where,
            )
        found = Found(full.id, component, asked["position"], Verdict.INCONCLUSIVE)
        return Measured(found, (), None, tuple(unmet), ())
    slug = component or full.components[0]
    open_marks = {} if yard.places is None else yard.places.marks(slug)
    if open_marks and mark not in open_marks:
        words = " or ".join(open_marks)
        raise InvalidInput(f"no {mark} number is known of {slug} on this machine; write {words}", pointer=where)
    notes = [f"{mark}: {MEANS[mark]}"]
    if yard.places is not None and not open_marks:
        notes.append("its records say already which part it is: nothing is changed by it")
    found = Found(full.id, slug, asked["position"], VERDICT_OF[mark], part_mark=mark)
    return Measured(found, (), None, (), tuple(notes))


def is_above(entries: Sequence[Mapping[str, Any]]) -> bool:
    """True where a reading failed for lying above what passes."""
    return any(entry["verdict"] == Verdict.FAIL.value and entry["side"] == "above" for entry in entries)


def _entry(key: str, yard: Yard, pointer: str) -> Check | QuickVariant:
    entry = yard.catalogue.check_by_id.get(key)
    where = f"{pointer}/check"
    if entry is None:
        raise InvalidInput(f"there is no check {key!r}; GET /api/v1/checks lists them", pointer=where)
    if yard.permission is not None and PERMISSIONS.index(entry.permission) > PERMISSIONS.index(yard.permission):
        raise InvalidInput(
            f"{key} needs leave {_words(entry.permission)}, this inspection has leave {_words(yard.permission)}:"
            " ask the owner, or start an inspection with more leave",
            pointer=where,
        )
    if yard.places is not None and not set(entry.components) & yard.places.components():
        raise InvalidInput(f"this machine has none of the parts that {key} looks at", pointer=where)
    return entry


def _words(permission: str) -> str:
    return f"'{permission.replace('_', ' ')}'"


def _component(
    asked: Mapping[str, Any], entry: Check | QuickVariant, full: Check, yard: Yard, pointer: str
) -> str | None:
    """The part the measurement is about; None for all the check looks at."""
    component, position = asked["component"], asked["position"]
    targets = list(entry.components)
    of_set = full.set_level and not isinstance(entry, QuickVariant)
    if component is None and position is not None:
        if len(targets) > 1:
            raise InvalidInput(
                f"name the component the position belongs to: {', '.join(targets)}", pointer=f"{pointer}/component"
            )
        component = targets[0]
    if component is None:
        return None
    if yard.places is not None:
        yard.places.check(component, position, pointer)
    if component not in targets:
        raise InvalidInput(
            f"{entry.id} looks at {', '.join(targets)}, not at {component}", pointer=f"{pointer}/component"
        )
    if of_set and full.id not in NAMES_THE_PART:
        raise InvalidInput(
            f"{entry.id} speaks for the {full.set_name} as a whole: leave component out", pointer=f"{pointer}/component"
        )
    return component


def _only(full: Check) -> str | None:
    """The one component of a check that looks at one."""
    slugs = {t.component for t in full.targets}
    return next(iter(slugs)) if len(slugs) == 1 else None


def _check_engine_state(asked: Mapping[str, Any], entry: Check | QuickVariant, pointer: str) -> None:
    differs = any(t.when for t in entry.targets)
    if differs and asked["engine_state"] is None:
        raise InvalidInput(
            f"say whether {entry.id} was done hot or cold: a cold pass says much less",
            pointer=f"{pointer}/engine_state",
        )


def _told_unmet(asked: Mapping[str, Any], full: Check, catalogue: Catalogue, pointer: str) -> list[str]:
    """Prerequisites the person says were not met, as the check words them or as an earlier reply named them."""
    known = [*full.before, *(row.title for row in catalogue.history_facts if full.id in row.voids_checks)]
    if full.id in LEANS_ON:
        known.append(LEANS_ON[full.id][2])
    if full.id in NEEDS_FULL_BATTERY:
        known.append(NOT_FULL)
    spelled = {_bare(text): text for text in known}
    for number, text in enumerate(asked["prerequisites_unmet"]):
        if _bare(text) not in spelled:
            raise InvalidInput(
                f"{text!r} is no prerequisite of {full.id}; name one of: {' | '.join(spelled.values())}",
                pointer=f"{pointer}/prerequisites_unmet/{number}",
            )
    return list(dict.fromkeys(spelled[_bare(text)] for text in asked["prerequisites_unmet"]))


def _bare(text: str) -> str:
    return text.casefold().strip(" .")


def _unmet(asked: Mapping[str, Any], full: Check, yard: Yard) -> list[str]:
    """Prerequisites that what is known already shows to be unmet."""
    found = []
    conditions = asked["conditions"]
    for fact in yard.facts:
        row = yard.catalogue.history_fact_by_id[fact["id"]]
        if fact["present"] and full.id in row.voids_checks:
            found.append(row.title)
    if full.id in LEANS_ON and conditions["battery_full"] is not True:
        earlier, voiding, why = LEANS_ON[full.id]
        last = [f for f in yard.earlier if full_check(f.check, yard.catalogue).id == earlier]
        if last and last[-1].outcome in voiding:
            found.append(why)
    if full.id in NEEDS_FULL_BATTERY:
        volts = conditions["battery_volts"]
        if conditions["battery_full"] is False or (volts is not None and volts < FULL_VOLTS):
            found.append(NOT_FULL)
    return list(dict.fromkeys(found))


def void_now(earlier: Sequence[Found], facts: Sequence[Mapping[str, Any]], catalogue: Catalogue) -> dict[str, str]:
    """Full checks that what is known already makes inconclusive, whatever they would read, and why."""
    found = {
        check: f"void on this visit: {row.title}"
        for fact in facts
        if fact["present"]
        for row in [catalogue.history_fact_by_id[fact["id"]]]
        for check in row.voids_checks
    }
    for check, (before, voiding, why) in LEANS_ON.items():
        last = [f for f in earlier if full_check(f.check, catalogue).id == before]
        if last and last[-1].outcome in voiding:
            found[check] = f"{before} came out {last[-1].outcome.value}: {why}"
    return found


def _outcome(
    asked: Mapping[str, Any],
    judged: Sequence[Judged],
    entry: Check | QuickVariant,
    full: Check,
    component: str | None,
    yard: Yard,
    unmet: Sequence[str],
    pointer: str,
) -> tuple[Verdict, str | None]:
    """The stricter of what the limits say and what the person concluded."""
    said = None if asked["outcome"] is None else Verdict(asked["outcome"])
    where = f"{pointer}/outcome"
    if said is None and not judged:
        raise InvalidInput("give readings, or the outcome of looking and feeling", pointer=where)
    if unmet:
        return Verdict.INCONCLUSIVE, None
    if said is Verdict.PASS and not judged and _wants_reading(entry, full, component, yard.catalogue):
        raise InvalidInput(
            f"{entry.id} is judged by a reading: give it, a missing reading is never a pass", pointer=where
        )
    verdicts = [(j.verdict, j.limit_id) for j in judged if not j.left_open] or [(j.verdict, None) for j in judged]
    if said is not None:
        verdicts.append((said, None))
    return min(verdicts, key=lambda v: STRICTEST_FIRST.index(v[0]))


def _wants_reading(entry: Check | QuickVariant, full: Check, component: str | None, catalogue: Catalogue) -> bool:
    """True where a limit on file would judge a reading of these parts."""
    if isinstance(entry, QuickVariant) or full.id in BY_HAND:
        return False
    limits = [limit for limit in catalogue.limits_of(full.id) if limit.scope != "published example"]
    return any(limit.component in (None, component) or component is None for limit in limits)


def judged_reply(measured: Measured, catalogue: Catalogue) -> dict[str, Any]:
    """A measurement as answered: cautions first, then what to ask, then the verdict and what it says of each part."""
    found = measured.found
    entry = catalogue.check_by_id[found.check]
    full = full_check(found.check, catalogue)
    return {
        "check": found.check,
        "title": title_of(found.check, catalogue),
        "outcome": found.outcome.value,
        "cautions": caution_texts(entry.cautions, catalogue),
        "ask_first": [] if isinstance(entry, QuickVariant) else list(full.before),
        "prerequisites_unmet": list(measured.unmet),
        "judged_by": measured.judged_by,
        "part_mark": found.part_mark,
        "judgements": list(measured.entries),
        "says": _says(found, entry, full, catalogue),
        "notes": list(measured.notes),
        "trap": full.trap,
    }


def _says(found: Found, entry: Check | QuickVariant, full: Check, catalogue: Catalogue) -> list[dict[str, Any]]:
    if found.above and found.outcome is Verdict.FAIL and full.id in TOO_HIGH:
        row = catalogue.symptom_by_id[TOO_HIGH[full.id]]
        return [{"component": r.component, "likelihood_ratio": r.ratio, "note": row.title} for r in row.ratios]
    said = []
    for target in targets_when(entry.targets, found.engine_state):
        if found.component not in (None, target.component):
            continue
        ratios = target.likelihood_ratios
        by_outcome = {Verdict.FAIL: ratios.fail, Verdict.MARGINAL: ratios.marginal, Verdict.PASS: ratios.pass_}
        said.append(
            {
                "component": target.component,
                "likelihood_ratio": by_outcome.get(found.outcome, 1.0),
                "note": _note(found.outcome, target.weak_pass, ratios.pass_, full),
            }
        )
    return said


def _note(outcome: Verdict, weak_pass: bool, ratio_of_pass: float, full: Check) -> str | None:
    if outcome is Verdict.PASS and (weak_pass or ratio_of_pass > 1 / 3):
        return "a pass here does not clear it"
    if outcome is Verdict.FAIL and full.set_level:
        return f"points at the {full.set_name}, not at one part of it"
    return None
