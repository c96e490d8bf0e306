"""What the pages of lifetimes show, kept for as long as the release and the shop's own lines stay the same."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

from sqlalchemy import func, select
from sqlalchemy.orm import Session

from analytics.spells import Cell
from service.component_risk import component_risk
from service.estimates import pool_is_open
from service.inspections.serving import snapshot_for
from service.kept import Kept, database_key
from service.model_comparisons import model_comparisons
from service.models import Machine, MachineMake, MachineModel, PoolCell, Shop
from service.own_repeats import own_repeats
from service.queries import line_versions
from service.shop_habits import groups_of

LEVEL = 0.9

_lives: Kept[dict[str, Any]] = Kept(256)
_comparisons: Kept[dict[str, Any]] = Kept(128)
_groups: Kept[dict[str, Any]] = Kept(128)


def _basis(session: Session, shop_id: int, *, pool_open: bool) -> tuple[Any, ...]:
    """Everything the answers of a shop rest on, besides the question."""
    version = snapshot_for(session, shop_id, pool_open=pool_open).version
    cells = session.scalar(select(func.max(PoolCell.id)))
    shared = pool_open, pool_is_open(session, pool_open=pool_open)
    return (*database_key(session), shop_id, version, cells, shared, line_versions(session, shop_id, None))


def life_document(
    session: Session, shop_id: int, component: str, asked: Mapping[str, Any], *, pool_open: bool
) -> dict[str, Any]:
    """Curves of a component on one model, with the shop's own repeats; `asked` is the checked `RiskQuery`.

    Raises
    ------
    NotFound, InvalidInput
        As `component_risk`.
    """
    basis = _basis(session, shop_id, pool_open=pool_open)

    def make() -> dict[str, Any]:
        found = component_risk(session, shop_id, component, asked, pool_open=pool_open)
        machine = found["machine"]
        cell = Cell(machine["make"], machine["family"] or "", machine["model"])
        return {**found, "repeats": own_repeats(session, shop_id, component, cell, asked)}

    return _lives.get((basis, component, tuple(sorted(asked.items()))), make)


def comparison_document(session: Session, shop_id: int, component: str, *, pool_open: bool) -> dict[str, Any]:
    """Models against each other for a component, with what is wrong with the records as a whole.

    Raises
    ------
    NotFound
        There is no such component.
    """
    basis = _basis(session, shop_id, pool_open=pool_open)

    def make() -> dict[str, Any]:
        snapshot = snapshot_for(session, shop_id, pool_open=pool_open)
        found = model_comparisons(session, shop_id, component, pool_open=pool_open)
        return {**found, "flags": list(snapshot.log_flags), "order_only": snapshot.order_only}

    return _comparisons.get((basis, component), make)


def group_document(session: Session, shop_id: int, component: str, *, pool_open: bool) -> dict[str, Any]:
    """Groups of machines for a component, of all models: by use, region and shop.

    Raises
    ------
    NotFound
        There is no such component.
    """
    basis = _basis(session, shop_id, pool_open=pool_open)
    lines = session.execute(select(func.coalesce(func.sum(Machine.version), 0), func.count(Machine.id))).one()
    said = tuple(session.execute(select(Shop.id, Shop.region, Shop.machine_use).order_by(Shop.id)).all())
    asked = {"make": None, "model": None, "stratum": None, "level": LEVEL}

    def make() -> dict[str, Any]:
        return groups_of(session, shop_id, component, asked=asked, pool_open=pool_open)

    return _groups.get((basis, component, tuple(lines), said), make)


def models_on_record(session: Session) -> list[tuple[str, str]]:
    """Make and model of everything on record, by name."""
    rows = session.execute(
        select(MachineMake.name, MachineModel.name)
        .join(MachineModel, MachineModel.make_id == MachineMake.id)
        .order_by(MachineMake.name, MachineModel.name)
        .limit(2000)
    )
    return [(make, model) for make, model in rows]
