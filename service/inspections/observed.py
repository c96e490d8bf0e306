"""Symptoms, facts and measurements of a request, checked against the catalogue and the machine."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import replace
from typing import Any

from service.catalogue_types import Catalogue
from service.errors import InvalidInput
from service.inspections.evidence import IDLE, INVOICES, LAMP, NON_RUNNING_GROUPS, Found, Observed
from service.inspections.inspected import Places
from service.inspections.measured import Yard, measure


def observed_in(asked: Mapping[str, Any], places: Places) -> Observed:
    """Everything observed in a stateless question; later measurements may lean on earlier ones.

    Raises
    ------
    InvalidInput
        Naming the symptom, fact or measurement that cannot be used.
    """
    symptoms, facts = told_in(asked, places)
    yard = Yard(places.catalogue, places, facts=facts)
    found: list[Found] = []
    for number, item in enumerate(asked.get("measurements", ())):
        found.append(measure(item, replace(yard, earlier=tuple(found)), f"/measurements/{number}").found)
    return Observed(symptoms, facts, found)


def told_in(
    asked: Mapping[str, Any], places: Places
) -> tuple[Sequence[Mapping[str, Any]], Sequence[Mapping[str, Any]]]:
    """Symptoms and facts of a request, checked, and the facts that the machine's own lines imply."""
    symptoms, facts = asked.get("symptoms", ()), asked.get("facts", ())
    for number, item in enumerate(symptoms):
        _check_symptom(item, places, f"/symptoms/{number}")
    for number, item in enumerate(facts):
        _check_fact(item, places.catalogue, f"/facts/{number}")
    _refuse_twice(symptoms, "symptoms")
    _refuse_twice(facts, "facts")
    _refuse_two_spans(facts, places.catalogue)
    told = {item["id"] for item in facts}
    return list(symptoms), [*facts, *(fact for fact in places.implied.facts if fact["id"] not in told)]


def _check_symptom(item: Mapping[str, Any], places: Places, pointer: str) -> None:
    row = places.catalogue.symptom_by_id.get(item["id"])
    if row is None:
        raise InvalidInput(
            f"there is no symptom {item['id']!r}; GET /api/v1/symptoms lists them", pointer=f"{pointer}/id"
        )
    if not item["present"] and row.id != LAMP:
        raise InvalidInput(
            f"the absence of {row.id} says nothing; leave it out (only {LAMP} may be absent)",
            pointer=f"{pointer}/present",
        )
    if item["names_component"] is not None:
        _check_code(item, places, pointer)
    raised = [r.component for r in row.ratios if r.ratio > 1 and r.component in places.components()]
    for number, position in enumerate(item["positions"] or ()):
        known = [places.positions(slug) for slug in raised]
        if not any(there is None or position in there for there in known):
            names = sorted({name for there in known for name in there or ()}) or ["none"]
            raise InvalidInput(
                f"{row.id} names no place {position!r} on this machine; places are {', '.join(names)}",
                pointer=f"{pointer}/positions/{number}",
            )


def _check_code(item: Mapping[str, Any], places: Places, pointer: str) -> None:
    where = f"{pointer}/names_component"
    if item["id"] != LAMP or not item["present"]:
        raise InvalidInput(f"only the stored code of a lit lamp ({LAMP}) names a circuit", pointer=where)
    if item["names_component"] not in places.components():
        raise InvalidInput(f"this machine has no {item['names_component']!r}", pointer=where)


def _check_fact(item: Mapping[str, Any], catalogue: Catalogue, pointer: str) -> None:
    row = catalogue.history_fact_by_id.get(item["id"])
    if row is None:
        raise InvalidInput(f"there is no fact {item['id']!r}; GET /api/v1/facts lists them", pointer=f"{pointer}/id")
    if not item["present"] and row.id != INVOICES:
        raise InvalidInput(
            f"the absence of {row.id} says nothing; leave it out (only {INVOICES} may be absent)",
            pointer=f"{pointer}/present",
        )
    if item["mild"] and (row.mild is None or not item["present"]):
        raise InvalidInput(f"{row.id} has no mild form; leave mild out", pointer=f"{pointer}/mild")
    if item["idle_months"] is not None and row.group != IDLE:
        raise InvalidInput(
            f"{row.id} is not about standing idle; leave idle_months out", pointer=f"{pointer}/idle_months"
        )


def _refuse_twice(items: Sequence[Mapping[str, Any]], name: str) -> None:
    seen: set[str] = set()
    for number, item in enumerate(items):
        if item["id"] in seen:
            raise InvalidInput(f"{item['id']} is given twice; give it once", pointer=f"/{name}/{number}/id")
        seen.add(item["id"])


def _refuse_two_spans(facts: Sequence[Mapping[str, Any]], catalogue: Catalogue) -> None:
    """One lay-up, one span: a machine did not stand 1-3 and 9-24 months at once."""
    spans = [n for n, item in enumerate(facts) if catalogue.history_fact_by_id[item["id"]].group == IDLE]
    if len(spans) > 1:
        raise InvalidInput("two facts say how long it stood; give the longest", pointer=f"/facts/{spans[1]}/id")


def does_not_run(observed: Observed, catalogue: Catalogue) -> bool:
    """True where a symptom says that the engine does not run now."""
    return any(
        item["present"] and catalogue.symptom_by_id[item["id"]].group in NON_RUNNING_GROUPS and item["id"] != "S02"
        for item in observed.symptoms
    )
