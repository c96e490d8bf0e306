"""When to renew one component of a model on purpose, from the estimates a shop is served."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import asdict
from typing import Any

from sqlalchemy import select
from sqlalchemy.orm import Session

from analytics.new_life import fitted_life, watched_to
from analytics.renewal_policy import RenewalCosts, renewal_policy
from analytics.renewal_shared import renew_while_apart
from analytics.spells import DAYS_PER_YEAR, Cell
from service.errors import InvalidInput, NotFound
from service.estimates import pool_is_open
from service.inspections.serving import find_cell, snapshot_for
from service.lifetimes import read_dataset
from service.models import Machine, MachineMake, MachineModel


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
    costs = RenewalCosts(
        asked["planned"],
        asked["failure"],
        asked["planned_downtime_days"],
        asked["failure_downtime_days"],
        asked["downtime_per_day"],
    )
    changes = snapshot.part_changes.get((cell.make, cell.model), {}).get(component, ())
    life = fitted_life(
        snapshot.risks,
        component,
        cell,
        clock=asked["clock"],
        km_per_day=asked["km_per_year"] / DAYS_PER_YEAR,
        stratum=len(changes) if changes else -1,  # what is fitted from now on is of the newest kind
        position=asked["position"],
    )
    policy = renewal_policy(
        life,
        costs,
        alternatives=asked["alternatives"],
        level=asked["level"],
        watched_to=_watched(session, shop_id, component, cell, asked["clock"], pool_open),
    )
    reply = {k: v for k, v in asdict(policy).items() if k != "evidence"}
    reply |= {"component": component, "name": snapshot.documents[component]["name"], "notes": notes}
    reply["while_apart_from"] = None
    if asked["while_apart"] is not None:
        if asked["while_apart"] > costs.all_planned:
            raise InvalidInput("while_apart costs more than a planned renewal; it leaves out the way in")
        reply["while_apart_from"] = renew_while_apart(life, costs, asked["while_apart"]).renew_from
    evidence = policy.evidence
    reply["evidence"] = None if evidence is None else asdict(evidence)
    reply["estimate"] = {"version": snapshot.version}
    return reply


def _watched(session: Session, shop_id: int, component: str, cell: Cell, clock: str, pool_open: bool) -> float | None:
    """Age to which parts of this model were watched, in the records the shop may see."""
    wanted = (
        select(Machine.id)
        .join(MachineModel, Machine.model_id == MachineModel.id)
        .join(MachineMake, MachineModel.make_id == MachineMake.id)
        .where(MachineModel.name == cell.model, MachineMake.name == cell.make)
    )
    if not pool_is_open(session, pool_open=pool_open):
        wanted = wanted.where(Machine.shop_id == shop_id)
    ids = session.scalars(wanted).all()
    if not ids:
        return None
    dataset = read_dataset(session, machine_ids=ids)
    if not dataset.line_ids:
        return None
    spells = dataset.life_records().get(component)
    return None if spells is None else watched_to(spells, clock)
