"""`weakspot renew-block` and `log-marks`: parts behind one cover, and how a shop's log is kept."""

from __future__ import annotations

import re
from collections.abc import Mapping
from datetime import datetime
from typing import TYPE_CHECKING, Any

import click

from service.cli_options import clock_options, known_at_option

if TYPE_CHECKING:
    from service.cli_context import Context

PART = r"([a-z0-9_]+)(?:@([a-z0-9_]+))?=(\d+(?:\.\d+)?)/(\d+(?:\.\d+)?)"


def _parts(_context: Any, _option: Any, texts: tuple[str, ...]) -> list[dict[str, Any]]:
    """Parts as the API's body has them."""
    parts = []
    for text in texts:
        found = re.fullmatch(PART, text)
        if found is None:
            raise click.BadParameter(f"{text!r} is no part: write it like spark_plug=20/200 or fork_seal@left=40/300")
        slug, position, together, failure = found.groups()
        parts.append({"component": slug, "position": position, "together": float(together), "failure": float(failure)})
    return parts


@click.command("renew-block")
@click.option("--shop", required=True, help="Whose estimates.")
@click.option("--make", required=True, help="Make.")
@click.option("--model", required=True, help="Model.")
@click.option("--access-cost", type=click.FloatRange(0), required=True, help="Cost of the way in, paid once.")
@click.option(
    "--part",
    "parts",
    multiple=True,
    required=True,
    callback=_parts,
    metavar="COMPONENT[@POSITION]=TOGETHER/FAILURE",
    help="What renewing it with the others costs, and what its failure does, both without the way in. Give each part.",
)
@clock_options
@known_at_option
@click.option("--json", "json_output", is_flag=True, help="Print the result as JSON.")
@click.pass_obj
def renew_block(context: Context, shop: str, json_output: bool, **asked: Any) -> None:
    """Say whether to renew all parts behind one cover together, and how often."""
    from service.cli_context import as_json
    from service.cli_files import shop_named
    from service.renewal_advice import block_advice

    with context.reading(asked["known_at"]) as session:
        found = block_advice(session, shop_named(session, shop), asked, pool_open=context.settings.pool_open)
    if json_output:
        as_json(found)
    else:
        _show_block(found)


def _show_block(found: Mapping[str, Any]) -> None:
    from rich.table import Table

    from service.ages import rough
    from service.cli_text import console, per_cent

    out = console()
    if found["interval"] is None:
        out.print(f"Not together: {found['reason']}.")
    else:
        out.print(
            f"Renew all of it about every {rough(found['interval']):,.0f} {found['clock']}:"
            f" {per_cent(found['saving'])} cheaper than each part by itself."
        )
    table = Table("part", "failures between renewals", box=None, pad_edge=False)
    for row in found["parts"]:
        place = f", {row['position']}" if row["position"] else ""
        count = row["failures_per_block"]
        table.add_row(row["name"] + place, "" if count is None else f"{count:.2f}")
    out.print(table)
    for note in found["notes"]:
        out.print(note)


@click.command("log-marks")
@click.option("--shop", required=True, help="Whose log.")
@known_at_option
@click.option("--json", "json_output", is_flag=True, help="Print the result as JSON.")
@click.pass_obj
def show_log_marks(context: Context, shop: str, known_at: datetime | None, json_output: bool) -> None:
    """Say how a shop's log looks, beside all shops' together, and what speaks against trusting its chances."""
    from service.cli_context import as_json
    from service.cli_files import shop_named
    from service.shop_habits import log_marks

    with context.reading(known_at) as session:
        found = log_marks(session, shop_named(session, shop), pool_open=context.settings.pool_open)
    if json_output:
        as_json(found)
    else:
        _show_marks(found)


def _known(value: float | None, form: str) -> str:
    return "not known" if value is None else format(value, form)


def _share(value: float | None) -> str:
    from service.cli_text import per_cent

    return "not known" if value is None else per_cent(value)


def _show_marks(found: Mapping[str, Any]) -> None:
    from rich.table import Table

    from service.cli_text import console

    out = console()
    rows = [row for row in (found["shop"], found["all_shops"]) if row is not None]
    if not rows:
        out.print("The log was not looked at yet: `weakspot fit` does.")
        return
    table = Table("", *(row["shop"] for row in rows), box=None, pad_edge=False)
    for words, text in (
        ("machines", lambda r: f"{r['machines']:,}"),
        ("parts still running", lambda r: _share(r["censored_share"])),
        ("machines without an event", lambda r: _known(r["quiet_observed"], ".0f")),
        ("expected of a full log", lambda r: _known(r["quiet_expected"], ".0f")),
        ("failures over expected, first half year", lambda r: _known(r["first_half_year"], ".2f")),
        ("in between", lambda r: _known(r["middle"], ".2f")),
        ("last half year", lambda r: _known(r["last_half_year"], ".2f")),
        ("histories that end on an event", lambda r: _share(r["ends_on_event"])),
    ):
        table.add_row(words, *(text(row) for row in rows))
    out.print(table)
    for row in rows:
        for flag in row["flags"]:
            out.print(f"{row['shop']}: {flag}")
        if row["too_few_to_tell"]:
            out.print(f"{row['shop']}: too few machines to tell whether all work was logged.")
    if not any(row["flags"] for row in rows):
        out.print("Nothing speaks against the log.")
