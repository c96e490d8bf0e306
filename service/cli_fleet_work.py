"""`weakspot pull` and `weakspot due`: the machines to bring in this week, and scheduled renewals coming due."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from datetime import datetime
from pathlib import Path
from typing import TYPE_CHECKING, Any

import click

from service.cli_options import downtime_options

if TYPE_CHECKING:
    from service.cli_context import Context

MOST_LEFT = 5


def _common(command: Callable[..., None]) -> Callable[..., None]:
    options: list[Callable[..., Any]] = [
        click.option("--shop", required=True, help="Whose machines."),
        click.option("--as-of", type=click.DateTime(["%Y-%m-%d"]), help="Day to look ahead from; today without it."),
        click.option("--component", "components", multiple=True, help="Renewed on purpose; without it, what the"
                     " catalogue schedules. Repeatable."),
        downtime_options,
        click.option("--json", "json_output", is_flag=True, help="Print the result as JSON."),
    ]  # fmt: skip
    for option in reversed(options):
        command = option(command)
    return command


@click.command("pull")
@_common
@click.option("--hours", type=click.FloatRange(0), default=20.0, show_default=True, help="The workshop's hours.")
@click.option("--days-ahead", type=click.FloatRange(1, 366), default=7.0, show_default=True,
              help="How long a machine that stays out runs on.")  # fmt: skip
@click.option("--hours-to-bring-in", type=click.FloatRange(0, 100), default=0.25, show_default=True,
              help="Spent once a machine.")  # fmt: skip
@click.pass_obj
def pull_machines(context: Context, shop: str, as_of: datetime | None, json_output: bool, **given: Any) -> None:
    """Choose the machines to bring in: what was found bad, then what is dearer to run on than to renew."""
    from service.cli_context import as_json
    from service.cli_files import shop_named
    from service.pull_lists import week_list

    asked = {k: given[k] for k in ("components", *_DOWNTIME)}
    with context.ready().read() as session:
        found = week_list(
            session,
            shop_named(session, shop),
            as_of=(as_of or context.now).date(),
            hours=given["hours"],
            days_ahead=given["days_ahead"],
            hours_to_bring_in=given["hours_to_bring_in"],
            settings=context.settings,
            asked=asked,
        )
    if json_output:
        as_json(found)
    else:
        _show_pull(found)


@click.command("due")
@_common
@click.option("--days", type=click.IntRange(1, 3660), default=90, show_default=True, help="How far ahead.")
@click.option("--top", type=click.IntRange(1), default=20, show_default=True, help="Lines to print.")
@click.option("--csv", "table", type=click.Path(dir_okay=False, path_type=Path), help="Write all of it here.")
@click.option("--calendar", type=click.Path(dir_okay=False, path_type=Path), help="Write an iCalendar file here.")
@click.pass_obj
def due_renewals(
    context: Context,
    shop: str,
    as_of: datetime | None,
    json_output: bool,
    table: Path | None,
    calendar: Path | None,
    **given: Any,
) -> None:
    """List scheduled renewals due, each on the day its machine's use brings it to its best age."""
    from service.cli_context import as_json
    from service.cli_files import shop_named
    from service.due_work import as_calendar, as_csv, due_work

    asked = {k: given[k] for k in ("components", *_DOWNTIME)}
    with context.ready().read() as session:
        day = (as_of or context.now).date()
        shop_id = shop_named(session, shop)
        found = due_work(session, shop_id, as_of=day, days=given["days"], settings=context.settings, asked=asked)
    if table is not None:
        table.write_text(as_csv(found["due"]), encoding="utf-8", newline="")
    if calendar is not None:
        calendar.write_bytes(as_calendar(found["due"], shop, now=context.now))
    if json_output:
        as_json(found)
    else:
        _show_due(found, given["top"])


_DOWNTIME = ("planned_downtime_days", "failure_downtime_days", "downtime_per_day")


def _show_pull(found: Mapping[str, Any]) -> None:
    from rich.table import Table

    from service.cli_ahead import show_found_before
    from service.cli_text import console

    out = console()
    out.print(f"Bring in {len(found['machines'])} machines: {found['hours']:.1f} hours of work.")
    if found["over_by"] > 0:
        out.print(f"What was found bad takes {found['over_by']:.1f} hours more than there are.")
    table = Table("machine", "renew", "class", "hours", f"saves {found['currency']}", "why", box=None, pad_edge=False)
    for job in found["jobs"]:
        place = f", {job['position']}" if job["position"] else ""
        saves = "" if job["must"] else f"{job['worth']:.0f}"
        table.add_row(
            job["machine"], job["name"] + place, job["safety_class"], f"{job['hours']:g}", saves, job["reason"]
        )
    out.print(table)
    _show_left(out, found["left_out"])
    show_found_before(out, found["found_bad_before"])
    for note in found["notes"]:
        out.print(note)


def _show_left(out: Any, left: list[Mapping[str, Any]]) -> None:
    by_reason: dict[str, list[str]] = {}
    for job in left:
        place = f", {job['position']}" if job["position"] else ""
        by_reason.setdefault(job["reason"], []).append(f"{job['machine']} {job['name']}{place}")
    for reason, names in by_reason.items():
        more = f" and {len(names) - MOST_LEFT} more" if len(names) > MOST_LEFT else ""
        out.print(f"Left out, {reason}: {'; '.join(names[:MOST_LEFT])}{more}.")


def _show_due(found: Mapping[str, Any], top: int) -> None:
    from rich.table import Table

    from service.cli_text import console

    out = console()
    overdue = sum(row["overdue"] for row in found["due"])
    out.print(
        f"{len(found['due'])} renewals due within {found['days']} days of {found['as_of']}, {overdue} of them"
        f" past their best age: {found['hours']:.0f} hours."
    )
    table = Table("due", "machine", "renew", "class", "best age km", "hours", box=None, pad_edge=False)
    for row in found["due"][:top]:
        place = f", {row['position']}" if row["position"] else ""
        day = "overdue" if row["overdue"] else row["due"]
        known = "" if row["age_known"] else " (age not known)"
        table.add_row(
            day,
            row["machine"],
            row["name"] + place + known,
            row["safety_class"],
            f"{row['interval_km']:,.0f}",
            f"{row['hours']:g}",
        )
    out.print(table)
    if len(found["due"]) > top:
        out.print(f"{len(found['due']) - top} more: --top prints them, --csv and --calendar write them all.")
    for note in found["notes"]:
        out.print(note)
