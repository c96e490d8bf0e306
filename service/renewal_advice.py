"""When to renew parts of a model on purpose, alone, by two clocks or all behind one cover, from a shop's estimates."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import asdict
from typing import Any

import numpy as np
from sqlalchemy.orm import Session

from analytics.new_life import NewLife, Watched, fitted_life, watched
from analytics.renewal_policy import RenewalCosts, renewal_policy
from analytics.renewal_shared import BlockPart, block_policy, renew_while_apart
from analytics.renewal_two_clocks import two_clock_policy
from analytics.spells import DAYS_PER_YEAR, Cell
from service.errors import InvalidInput, NotFound
from service.estimates import pool_is_open
from service.inspections.part_states import LEAST_DAYS_FOR_A_RATE, positions_on_record
from service.inspections.serving import Snapshot, find_cell, snapshot_for
from service.layout_files import missing_parts
from service.life_lines import lines_to_fit

LEAST_MACHINES = 3
MOST_USES = 15


def renewal_advice(
    session: Session, shop_id: int, component: str, asked: Mapping[str, Any], *, pool_open: bool
) -> dict[str, Any]:
    """The cheapest interval, the range that costs nearly as little, and what other intervals cost.

    `asked` is the checked `RenewalQuery`.
    """
    snapshot = snapshot_for(session, shop_id, pool_open=pool_open)
    if component not in snapshot.documents:
        raise NotFound(f"{component!r} is not a component of the catalogue")
    cell, notes = find_cell(session, asked["make"], asked["model"], None)
    if component in snapshot.outdated:
        notes.append(snapshot.refit_note)
    costs = RenewalCosts(
        asked["planned"],
        asked["failure"],
        asked["planned_downtime_days"],
        asked["failure_downtime_days"],
        asked["downtime_per_day"],
    )
    _refuse_missing(snapshot, component, cell, asked["position"])
    life = _life(snapshot, component, cell, asked)
    policy = renewal_policy(
        life,
        costs,
        alternatives=asked["alternatives"],
        level=asked["level"],
        seen=_watched(session, shop_id, component, cell, asked["clock"], pool_open),
    )
    reply = {k: v for k, v in asdict(policy).items() if k != "evidence"}
    reply |= {"component": component, "name": snapshot.documents[component]["name"], "notes": notes}
    reply |= _while_apart(life, costs, asked)
    reply["both_clocks"] = None
    if asked["both_clocks"]:
        reply["both_clocks"] = _both_clocks(session, shop_id, snapshot, component, cell, costs, asked)
    evidence = policy.evidence
    reply["evidence"] = None if evidence is None else asdict(evidence)
    reply["estimate"] = {"version": snapshot.version}
    return reply


def _refuse_missing(snapshot: Snapshot, component: str, cell: Cell, position: str | None, at: str = "") -> None:
    """A part that no such machine has, or a place where it has none."""
    if component in missing_parts(snapshot.layout(cell), None):
        name = snapshot.documents[component]["name"]
        raise InvalidInput(f"a {cell.make} {cell.model} has no {component} ({name})", pointer=f"{at}/component")
    if position is None:
        return
    places = positions_on_record(component, snapshot, cell)
    if snapshot.documents[component]["position_rule"] == "single":
        raise InvalidInput(f"{component} has one place only: leave position out", pointer=f"{at}/position")
    if places and position not in places:
        raise InvalidInput(
            f"not a position of {component} on record for this model; known: {', '.join(places)}",
            pointer=f"{at}/position",
        )


def _life(snapshot: Snapshot, component: str, cell: Cell, asked: Mapping[str, Any], **other: Any) -> NewLife:
    """Life of a part fitted from now on, which is of the newest kind, at the use and on the clock asked about."""
    changes = snapshot.part_changes.get((cell.make, cell.model), {}).get(component, ())
    stratum = len(changes) if changes else -1
    wanted = {"clock": asked["clock"], "km_per_day": asked["km_per_year"] / DAYS_PER_YEAR, **other}
    return fitted_life(snapshot.risks, component, cell, stratum=stratum, position=asked["position"], **wanted)


def _while_apart(life: NewLife, costs: RenewalCosts, asked: Mapping[str, Any]) -> dict[str, Any]:
    """From which age on to renew where the way in is open anyway, and what that is worth at the age asked about."""
    found: dict[str, Any] = {"while_apart_from": None, "while_apart_worth": None}
    if asked["while_apart"] is None:
        if asked["age"] is not None:
            raise InvalidInput("age says nothing without while_apart, the cost while it is apart", pointer="/age")
        return found
    if asked["while_apart"] > costs.all_planned:
        raise InvalidInput(
            "the cost while it is apart is above that of a planned renewal, though it leaves out the way in",
            pointer="/while_apart",
        )
    apart = renew_while_apart(life, costs, asked["while_apart"], age=asked["age"], level=asked["level"])
    worth = None if apart.worth is None else asdict(apart.worth)
    return {"while_apart_from": apart.renew_from, "while_apart_worth": worth}


def _both_clocks(
    session: Session,
    shop_id: int,
    snapshot: Snapshot,
    component: str,
    cell: Cell,
    costs: RenewalCosts,
    asked: Mapping[str, Any],
) -> dict[str, Any]:
    """One rule for machines of different use, whichever clock comes first, beside each clock alone."""
    uses = asked["uses"] or _uses(session, shop_id, cell)
    if len(uses) < LEAST_MACHINES:
        raise InvalidInput(
            f"two clocks are one on machines of one use, and fewer than {LEAST_MACHINES} {cell.make} {cell.model} of"
            " this shop tell theirs: give uses, the distance a year of each machine in km",
            pointer="/uses",
        )
    shown = uses
    if len(uses) > MOST_USES:  # as good as all of them
        shown = np.quantile(np.array(uses), (np.arange(MOST_USES) + 0.5) / MOST_USES).tolist()
    lives = [_life(snapshot, component, cell, asked, clock="days", km_per_day=u / DAYS_PER_YEAR) for u in shown]
    found = two_clock_policy(lives, costs, level=asked["level"])
    return asdict(found) | {"machines": len(uses), "km_per_year": [min(uses), max(uses)]}


def _uses(session: Session, shop_id: int, cell: Cell) -> list[float]:
    """Distance a year of the shop's machines of a model, of those watched long enough to tell."""
    lines = lines_to_fit(session, shop_ids=[shop_id])
    fleet = lines.kept.fleet
    of = np.searchsorted(np.array(lines.machine_ids, dtype=np.int64), fleet.machine)
    mine = np.array(
        [
            (lines.names.cells[c].make, lines.names.cells[c].model) == (cell.make, cell.model)
            for c in lines.machines.cell[of]
        ],
        dtype=bool,
    )
    told = mine & ~fleet.gone & (fleet.end_days >= LEAST_DAYS_FOR_A_RATE) & (fleet.end_km > 0)
    return (fleet.end_km[told] / fleet.end_days[told] * DAYS_PER_YEAR).tolist()


def block_advice(session: Session, shop_id: int, asked: Mapping[str, Any], *, pool_open: bool) -> dict[str, Any]:
    """Whether to renew all parts behind one cover together, and how often. `asked` is the checked `BlockAsked`."""
    snapshot = snapshot_for(session, shop_id, pool_open=pool_open)
    cell, notes = find_cell(session, asked["make"], asked["model"], None)
    if snapshot.outdated & {part["component"] for part in asked["parts"]}:
        notes.append(snapshot.refit_note)
    parts = []
    for number, part in enumerate(asked["parts"]):
        if part["component"] not in snapshot.documents:
            raise InvalidInput(
                f"{part['component']!r} is not a component of the catalogue; GET /api/v1/components lists them",
                pointer=f"/parts/{number}/component",
            )
        _refuse_missing(snapshot, part["component"], cell, part["position"], f"/parts/{number}")
        life = _life(snapshot, part["component"], cell, {**asked, "position": part["position"]})
        parts.append(BlockPart(life, part["together"], part["failure"]))
    found = block_policy(parts, asked["access_cost"])
    names = [snapshot.documents[part["component"]]["name"] for part in asked["parts"]]
    failures = found.failures_per_block or (None,) * len(parts)
    return {
        "clock": found.clock,
        "interval": found.interval,
        "reason": found.reason,
        "cost_rate": found.cost_rate,
        "one_by_one": found.one_by_one,
        "saving": 0.0 if found.interval is None else 1.0 - found.cost_rate / found.one_by_one,
        "parts": [
            {"component": part["component"], "position": part["position"], "name": name, "failures_per_block": count}
            for part, name, count in zip(asked["parts"], names, failures, strict=True)
        ],
        "estimate": {"version": snapshot.version},
        "notes": notes,
    }


def _watched(session: Session, shop_id: int, component: str, cell: Cell, clock: str, pool_open: bool) -> Watched | None:
    """How old parts of this model grew under watch, in the records the shop may see."""
    shops = None if pool_is_open(session, pool_open=pool_open) else [shop_id]
    lines = lines_to_fit(session, shop_ids=shops)
    spells = lines.life_records([component]).get(component)
    if spells is None:
        return None
    of_model = np.array([(c.make, c.model) == (cell.make, cell.model) for c in spells.cells], dtype=bool)
    mine = spells.subset(of_model[spells.cell])
    return watched(mine, clock) if len(mine) else None
