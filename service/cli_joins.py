"""`weakspot joins`: machines that count together with the same ones of another shop."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any
from uuid import UUID

import click

if TYPE_CHECKING:
    from service.cli_context import Context
    from service.facts import Said

SHOP = click.option("--shop", required=True, help="Shop that says so.")
BY = click.option("--by", required=True, help="Who says so.")
JSON = click.option("--json", "json_output", is_flag=True, help="Print as JSON.")


@click.group("joins")
def joins_group() -> None:
    """Machines that two shops have on record and agreed to count as one."""


@joins_group.command("list")
@SHOP
@JSON
@click.pass_obj
def list_joins(context: Context, shop: str, json_output: bool) -> None:
    """List the shop's machines that count together with one of another shop, with the trail."""
    from service.cli_context import as_json
    from service.machine_joins import joins_of
    from service.queries import shop_named

    with context.ready().read() as session:
        found = joins_of(session, shop_named(session, shop).id)
    if json_output:
        as_json(found)
        return
    for join in found:
        click.echo(f"{join['id']}  {join['reference']}  {_standing(join)}")
    if not found:
        click.echo("none")


def _standing(join: dict[str, Any]) -> str:
    if join["undone_at"] is None:
        return f"together since {join['made_at'].date()} ({join['basis']})"
    offered = f"; offered again {join['offered_again']}" if join["offered_again"] else ""
    return f"apart since {join['undone_at'].date()}: {join['undone_why'] or 'no reason given'}{offered}"


@joins_group.command("agree")
@SHOP
@BY
@click.option("--end", is_flag=True, help="Take the consent back; every join of the shop is undone.")
@click.option("--why", default="", help="Why it is taken back.")
@click.pass_obj
def agree(context: Context, shop: str, by: str, end: bool, why: str) -> None:
    """Consent that machines count together with the same ones of shops that consent too."""
    from service.machine_joins import agree_to_join, end_agreement
    from service.queries import shop_named

    with context.ready().write() as session:
        shop_id = shop_named(session, shop).id
        if end:
            click.echo(f"{end_agreement(session, shop_id, why, _said(context, by))} machines count apart again.")
        else:
            click.echo(f"{agree_to_join(session, shop_id, _said(context, by))} machines count together from now on.")


@joins_group.command("undo")
@click.argument("join_id", type=click.UUID)
@SHOP
@BY
@click.option("--why", required=True, help="Why they are not one machine.")
@click.pass_obj
def undo(context: Context, join_id: UUID, shop: str, by: str, why: str) -> None:
    """Count two machines apart again; weakspot joins list shows the id."""
    from service.machine_joins import undo_join
    from service.queries import shop_named

    with context.ready().write() as session:
        undo_join(session, shop_named(session, shop).id, join_id, why, _said(context, by))
    click.echo("They count apart; the join stays on record.")


@joins_group.command("again")
@click.argument("join_id", type=click.UUID)
@SHOP
@BY
@click.pass_obj
def again(context: Context, join_id: UUID, shop: str, by: str) -> None:
    """Count two machines together once more; an offer, unless this shop took them apart."""
    from service.machine_joins import join_again
    from service.queries import shop_named

    with context.ready().write() as session:
        made = join_again(session, shop_named(session, shop).id, join_id, _said(context, by))
    click.echo("They count together again." if made else "Offered; it waits for the shop that took them apart.")


def _said(context: Context, by: str) -> Said:
    from service.facts import Said

    return Said(by, context.now)
