"""`weakspot ahead`: what will fail in a shop's fleet, and what to hold for it."""

from __future__ import annotations

import csv
from collections.abc import Mapping, Sequence
from datetime import datetime
from pathlib import Path
from typing import TYPE_CHECKING, Any

import click

from service.cli_options import downtime_options, known_at_option

if TYPE_CHECKING:
    from service.cli_context import Context

MOST_NAMED = 8


@click.command("ahead")
@click.option("--shop", required=True, help="Whose machines.")
@click.option("--months", type=click.IntRange(1, 36), default=3, show_default=True, help="How far ahead.")
@click.option("--as-of", type=click.DateTime(["%Y-%m-%d"]), help="Day to look ahead from; today without it.")
@click.option("--level", type=click.FloatRange(0.5, 0.99), default=0.8, show_default=True, help="Of the intervals.")
@click.option("--top", type=click.IntRange(1), default=15, show_default=True, help="Lines to print of each table.")
@click.option("--csv", "table", type=click.Path(dir_okay=False, path_type=Path), help="Write components by month here.")
@click.option(
    "--interval",
    multiple=True,
    metavar="COMPONENT=AGE",
    help="Renewed on purpose, like cvt_belt=15000km or brake_fluid=730days. Repeatable.",
)
@downtime_options
@known_at_option
@click.option("--json", "json_output", is_flag=True, help="Print the result as JSON.")
@click.pass_obj
def look_ahead(
    context: Context,
    shop: str,
    months: int,
    as_of: datetime | None,
    known_at: datetime | None,
    top: int,
    table: Path | None,
    json_output: bool,
    **given: Any,
) -> None:
    """Say how many failures to expect: by component, by machine, by month, with intervals."""
    from service.cli_context import as_json
    from service.cli_files import shop_named
    from service.intervals import priced_outlook

    asked = {**given, "months": months, "as_of": context.day_of(as_of, known_at)}
    with context.reading(known_at) as session:
        found = priced_outlook(session, shop_named(session, shop), settings=context.settings, asked=asked)
    if table is not None:
        _write(table, found)
    if json_output:
        as_json(found)
    else:
        _show(found, top)


def _write(path: Path, found: Mapping[str, Any]) -> None:
    months = [f"month_{k + 1}" for k in range(found["months"])]
    with path.open("w", newline="", encoding="utf-8") as file:
        rows = csv.writer(file)
        rows.writerow(["component", "expected", "low", "high", *months])
        for row in found["components"]:
            numbers = [f"{row['expected']:.3f}", row["low"], row["high"], *(f"{m:.3f}" for m in row["by_month"])]
            rows.writerow([row["component"], *numbers])


def _show(found: Mapping[str, Any], top: int) -> None:
    from rich.table import Table

    from service.cli_text import console, per_cent

    out = console()
    out.print(
        f"Expect {found['expected']:,.0f} failures ({found['low']:,} to {found['high']:,}) in {found['months']} months"
        f" from {found['as_of']}: {found['machines']} machines, {found['parts']:,} parts."
    )
    table = Table("component", "class", "expected", "between", box=None, pad_edge=False)
    for row in found["components"][:top]:
        table.add_row(row["name"], row["safety_class"], f"{row['expected']:.1f}", f"{row['low']} to {row['high']}")
    out.print(table)
    machines = Table("machine", "failures expected", "likeliest", box=None, pad_edge=False)
    for row in found["by_machine"][:top]:
        machines.add_row(row["machine"], f"{row['expected']:.2f}", row["likeliest"])
    out.print(machines)
    for row in found["found_bad"]:
        place = f", {row['position']}" if row["position"] else ""
        day = f", {row['found']}" if row["found"] else ""
        out.print(f"Found bad and not yet put right: {row['machine']}, {row['component']}{place}{day}")
    show_found_before(out, found["found_bad_before"])
    _show_money(out, found)
    for note in found["notes"]:
        out.print(note)
    out.print(
        f"Intervals hold {per_cent(found['level'])} of cases; estimate {found['estimate']['version']}."
        " Safety class A is checked whatever its chance."
    )


def show_found_before(out: Any, rows: Sequence[Mapping[str, Any]]) -> None:
    """Say how much was found bad long ago without a word since."""
    if rows:
        machines = list(dict.fromkeys(row["machine"] for row in rows))
        more = f" and {len(machines) - MOST_NAMED} more" if len(machines) > MOST_NAMED else ""
        out.print(
            f"{len(rows)} parts were found bad long ago and their machines seen at work since; ask what became of them:"
            f" {', '.join(machines[:MOST_NAMED])}{more}. --json lists them."
        )


def _show_money(out: Any, found: Mapping[str, Any]) -> None:
    cost, days = found["money"]["cost"], found["money"]["downtime_days"]
    out.print(
        f"Cost {found['money']['currency']} {cost['expected']:,.0f} ({cost['low']:,.0f} to {cost['high']:,.0f}),"
        f" {found['planned_renewals']:.0f} planned renewals among it."
    )
    if days["expected"] > 0:
        out.print(
            f"{days['expected']:.0f} days off the road ({days['low']:.0f} to {days['high']:.0f}):"
            f" {found['money']['off_the_road']:.1f} of {found['machines']} machines on average."
        )
