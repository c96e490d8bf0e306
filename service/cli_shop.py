"""`weakspot shop-settings`: how a shop reads distances and texts, where it is, what its machines are used for."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

import click

from service.vocabulary import MACHINE_USES, UNITS

if TYPE_CHECKING:
    from service.cli_context import Context


@click.command("shop-settings")
@click.option("--shop", required=True, help="Shop whose settings are meant.")
@click.option("--unit", type=click.Choice([*UNITS, ""]), help="Distances in; empty: as the installation has it.")
@click.option("--locale", help="Figures and days as in, such as de_CH; empty: as the installation has it.")
@click.option("--region", help="Where the shop is, for comparisons by region; empty: not said.")
@click.option("--machine-use", type=click.Choice([*MACHINE_USES, ""]), help="What most machines are used for.")
@click.option("--json", "json_output", is_flag=True, help="Print the settings as JSON.")
@click.pass_obj
def shop_settings(context: Context, shop: str, json_output: bool, **given: Any) -> None:
    """Show, or set, what a shop says of itself."""
    from service.cli_ask import checked
    from service.cli_context import as_json
    from service.cli_files import shop_named
    from service.models import Shop
    from service.people.access_log import COMMAND_LINE, Actor
    from service.people.desk import change_shop
    from service.schemas.people import ShopAsked

    wanted = checked(ShopAsked(), {name: value or None for name, value in given.items() if value is not None})
    with context.ready().write() as session:
        shop_id = shop_named(session, shop)
        if wanted:
            row = change_shop(session, Actor(None, COMMAND_LINE), shop_id, wanted, now=context.now)
        else:
            row = session.get_one(Shop, shop_id)
        found = {name: getattr(row, name) for name in ("name", "unit", "locale", "region", "machine_use")}
    if json_output:
        as_json(found)
        return
    for name, value in found.items():
        click.echo(f"{name.replace('_', ' ')}: {value or 'not said'}")
