"""`weakspot engine-changes`: engines that were changed, and parts that follow an engine with them."""

from __future__ import annotations

from datetime import datetime
from typing import TYPE_CHECKING
from uuid import UUID

import click

if TYPE_CHECKING:
    from sqlalchemy.orm import Session

    from service.cli_context import Context
    from service.models import Machine

SHOP = click.option("--shop", required=True, help="Shop whose machine it is.")
MACHINE = click.option("--machine", required=True, help="The shop's reference of the machine.")
BY = click.option("--by", required=True, help="Who says so.")


@click.group("engine-changes")
def engine_changes_group() -> None:
    """Another engine in a frame: parts that follow an engine are of unknown age from then on."""


@engine_changes_group.command("list")
@SHOP
@MACHINE
@click.option("--json", "json_output", is_flag=True, help="Print as JSON.")
@click.pass_obj
def list_changes(context: Context, shop: str, machine: str, json_output: bool) -> None:
    """List a machine's engine changes, those taken back among them."""
    from service.cli_context import as_json
    from service.facts import engine_changes_of
    from service.schemas.facts import EngineChangeReply

    with context.ready().read() as session:
        found = EngineChangeReply(many=True).dump(engine_changes_of(session, _machine(session, shop, machine).id))
    if json_output:
        as_json(found)
        return
    for change in found:
        family = f", family {change['family']}" if change["family"] else ""
        back = f" (taken back by {change['undone_by']})" if change["undone_at"] else ""
        click.echo(f"{change['id']}  {change['changed_on']}{family}: {change['why']}, {change['said_by']}{back}")
    if not found:
        click.echo("none")


@engine_changes_group.command("add")
@SHOP
@MACHINE
@click.option("--on", "day", required=True, type=click.DateTime(["%Y-%m-%d"]), help="Day it went in.")
@click.option("--family", help="Of the engine that went in; without it, the same as before.")
@click.option("--why", required=True, help="Why, or how it is known.")
@BY
@click.pass_obj
def add(context: Context, shop: str, machine: str, day: datetime, family: str | None, why: str, by: str) -> None:
    """Say that another engine went in."""
    from service.facts import Said, add_engine_change

    asked = {"changed_on": day.date(), "family": family, "why": why}
    with context.ready().write() as session:
        row = add_engine_change(session, _machine(session, shop, machine), asked, Said(by, context.now))
        click.echo(f"{row.public_id}: parts that follow the engine are of unknown age from {row.changed_on} on.")


@engine_changes_group.command("undo")
@click.argument("change_id", type=click.UUID)
@SHOP
@MACHINE
@BY
@click.pass_obj
def undo(context: Context, change_id: UUID, shop: str, machine: str, by: str) -> None:
    """Take an engine change back; weakspot engine-changes list shows the id."""
    from service.facts import Said, undo_engine_change

    with context.ready().write() as session:
        undo_engine_change(session, _machine(session, shop, machine), change_id, Said(by, context.now))
    click.echo("Taken back; the parts have the ages they had before.")


def _machine(session: Session, shop: str, reference: str) -> Machine:
    from service.errors import NotFound
    from service.queries import machines_of, shop_named

    found: Machine | None = session.scalar(machines_of(shop_named(session, shop).id, reference=reference))
    if found is None:
        raise NotFound(f"{shop} has no machine {reference!r} on record")
    return found
