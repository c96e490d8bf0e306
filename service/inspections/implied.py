"""Facts of a machine's history that nobody has to tell, because its own lines say them."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

from analytics.spells import Quality
from analytics.unit_life import Event
from service.catalogue_types import Catalogue
from service.inspections.part_states import KnownMachine

REGULATOR = "regulator_rectifier"
LATELY_RENEWED, REPEATED = "H01", "H02"
LATELY_KM = 10_000.0
MANY = 2  # from here on renewals are a repeat
# A part renewed for one of these reasons had not failed: it says nothing of what may have killed it.
NOT_FOR_A_FAULT = frozenset({"scheduled", "while_apart", "upgrade", "campaign", "owner_wish", "misdiagnosis", "damage"})
NAMES = {2: "Two", 3: "Three", 4: "Four", 5: "Five"}
ORDINALS = {2: "a third", 3: "a fourth", 4: "a fifth", 5: "a sixth"}


@dataclass(frozen=True)
class Implied:
    """Facts as requests tell them, and what should be said about them."""

    facts: tuple[dict[str, Any], ...] = ()
    notes: tuple[str, ...] = ()


def implied_by(machine: KnownMachine, catalogue: Catalogue) -> Implied:
    """What the lines of a machine, told or on record, imply.

    Renewals of the regulator that were for a fault, or nobody knows for what: two or more are H02, one within the last
    10,000 km is H01. Where H02 holds, H01 is left out: both say that something made it fail, H02 says more.
    """
    renewals = _renewals(machine)
    if len(renewals) >= MANY and REPEATED in catalogue.history_fact_by_id:
        says = _not_another(len(renewals))
        return Implied((_fact(REPEATED, says),), (says,))
    # A second-hand part is of unknown age: that it went in lately makes it none the younger.
    lately = [event for event in renewals if machine.now_km - event.km <= LATELY_KM and event.quality != Quality.USED]
    if lately and LATELY_RENEWED in catalogue.history_fact_by_id:
        return Implied((_fact(LATELY_RENEWED),))
    return Implied()


def _renewals(machine: KnownMachine) -> list[Event]:
    found = []
    for component, _, event in machine.placed.events:
        named = component >= 0 and machine.components[component] == REGULATOR
        if named and event.action == "renewed" and not event.in_doubt and event.reason not in NOT_FOR_A_FAULT:
            found.append(event)
    return found


def _fact(key: str, says: str | None = None) -> dict[str, Any]:
    return {"id": key, "idle_months": None, "present": True, "mild": False, "implied": True, "says": says}


def _not_another(count: int) -> str:
    renewed, another = NAMES.get(count, str(count)), ORDINALS.get(count, "one more")
    return (
        f"{renewed} renewals of the regulator are on record: do not fit {another} before the cause is found. Repeat"
        " failures point at the connector, the stator's insulation, the earth or a heavy load, not at the victim."
    )
