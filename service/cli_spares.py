"""`weakspot spares`: how many of a part to hold while it takes its time to come."""

from __future__ import annotations

from collections.abc import Mapping
from datetime import datetime
from typing import TYPE_CHECKING, Any

import click

from service.cli_options import known_at_option

if TYPE_CHECKING:
    from service.cli_context import Context


@click.command("spares")
@click.argument("component")
@click.option("--shop", required=True, help="Whose machines.")
@click.option("--lead-time-days", type=click.FloatRange(1, 1000), default=28.0, show_default=True,
              help="How long the part takes to come.")  # fmt: skip
@click.option("--cover", type=click.FloatRange(0.5, 0.999), default=0.95, show_default=True,
              help="How often nobody is to wait: 0.95 is 19 times in 20.")  # fmt: skip
@click.option("--interval-km", type=click.FloatRange(100, 1e6), help="Renewed on purpose at this age, in km.")
@click.option("--interval-days", type=click.FloatRange(7, 20_000), help="The same, in days.")
@click.option("--as-of", type=click.DateTime(["%Y-%m-%d"]), help="Day to look ahead from; today without it.")
@known_at_option
@click.option("--json", "json_output", is_flag=True, help="Print the result as JSON.")
@click.pass_obj
def spares_on_the_shelf(
    context: Context,
    component: str,
    shop: str,
    as_of: datetime | None,
    known_at: datetime | None,
    json_output: bool,
    **asked: Any,
) -> None:
    """Say how many of COMPONENT to hold, failures and planned renewals of the machines in use added up."""
    from service.cli_context import as_json
    from service.cli_files import shop_named
    from service.outlooks import spares_to_hold

    with context.reading(known_at) as session:
        found = spares_to_hold(
            session,
            shop_named(session, shop),
            component,
            as_of=context.day_of(as_of, known_at),
            pool_open=context.settings.pool_open,
            **asked,
        )
    if json_output:
        as_json(found)
    else:
        _show(found)


def _show(found: Mapping[str, Any]) -> None:
    from service.cli_text import console, per_cent

    out = console()
    out.print(
        f"{found['name']}: hold {found['stock']}. That covers {per_cent(found['covers'])} of cases over"
        f" {found['lead_time_days']:g} days; asked for were {per_cent(found['cover'])}."
    )
    out.print(
        f"Expected need {found['expected']:.1f}, between {found['low']} and {found['high']} in"
        f" {per_cent(found['level'])} of cases."
    )
    if found["found_bad"]:
        out.print(f"Found bad and not yet put right, besides: {found['found_bad']}.")
    for note in found["notes"]:
        out.print(note)
