"""`weakspot pull` and `weakspot due`: the machines to bring in this week, and scheduled renewals coming due."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from datetime import datetime
from pathlib import Path
from typing import TYPE_CHECKING, Any

import click

from service.cli_options import downtime_options, known_at_option

if TYPE_CHECKING:
    from service.cli_context import Context

MOST_LEFT = 5
MOST_PARTS = 3


def _common(command: Callable[..., None]) -> Callable[..., None]:
    options: list[Callable[..., Any]] = [
        click.option("--shop", required=True, help="Whose machines."),
        click.option("--as-of", type=click.DateTime(["%Y-%m-%d"]), help="Day to look ahead from; today without it."),
        click.option("--component", "components", multiple=True, help="Renewed on purpose; without it, what the"
                     " catalogue schedules. Repeatable."),
        downtime_options,
        known_at_option,
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
def pull_machines(
    context: Context, shop: str, as_of: datetime | None, known_at: datetime | None, json_output: bool, **given: Any
) -> None:
    """Choose the machines to bring in: what was found bad, then what is dearer to run on than to renew."""
    from service.cli_context import as_json
    from service.cli_files import shop_named
    from service.pull_lists import week_list

    asked = {k: given[k] for k in ("components", *_DOWNTIME)}
    with context.reading(known_at) as session:
        found = week_list(
            session,
            shop_named(session, shop),
            as_of=context.day_of(as_of, known_at),
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
@click.option("--top", type=click.IntRange(1), default=20, show_default=True, help="Lines to print of each table.")
@click.option("--csv", "table", type=click.Path(dir_okay=False, path_type=Path), help="Write all of it here.")
@click.option("--calendar", type=click.Path(dir_okay=False, path_type=Path), help="Write an iCalendar file here.")
@click.pass_obj
def due_renewals(
    context: Context,
    shop: str,
    as_of: datetime | None,
    known_at: datetime | None,
    json_output: bool,
    table: Path | None,
    calendar: Path | None,
    **given: Any,
) -> None:
    """List scheduled renewals due: by machine what is past its best age, then each on the day it reaches it."""
    from service.cli_context import as_json
    from service.cli_files import shop_named
    from service.due_files import as_calendar, as_csv
    from service.due_work import due_work

    asked = {k: given[k] for k in ("components", *_DOWNTIME)}
    day = context.day_of(as_of, known_at)
    with context.reading(known_at) as session:
        shop_id = shop_named(session, shop)
        found = due_work(session, shop_id, as_of=day, days=given["days"], settings=context.settings, asked=asked)
    if table is not None:
        table.write_text(as_csv(found["due"]), encoding="utf-8", newline="")
    if calendar is not None:
        calendar.write_bytes(as_calendar(found, shop, now=context.end_of(known_at) or context.now))
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
    by_reason: dict[str, list[Mapping[str, Any]]] = {}
    for job in left:
        by_reason.setdefault(job["reason"], []).append(job)
    for reason, jobs in by_reason.items():
        names = [f"{j['machine']} {j['name']}" + (f", {j['position']}" if j["position"] else "") for j in jobs]
        machines = len({job["machine"] for job in jobs})
        most = "; most would be saved by" if len(jobs) > MOST_LEFT else ":"
        out.print(
            f"Left out, {reason}: {len(jobs):,} job{'s' if len(jobs) > 1 else ''} on {machines:,}"
            f" machine{'s' if machines > 1 else ''}{most} {'; '.join(names[:MOST_LEFT])}."
        )


def _show_due(found: Mapping[str, Any], top: int) -> None:
    from rich.table import Table

    from service.ages import rough
    from service.cli_text import console

    out = console()
    late, coming = found["overdue_machines"], [row for row in found["due"] if not row["overdue"]]
    out.print(
        f"{len(found['due']):,} renewals due within {found['days']} days of {found['as_of']}, {found['overdue']:,} of"
        f" them past their best age, on {len(late):,} machines: {found['hours']:,.0f} hours."
    )
    if late:
        out.print("Past their best age, first where waiting costs most, those not seen for a year last:")
        waiting = f"a month's wait {found['currency']}"
        table = Table("machine", "renew", "hours", waiting, "last seen", box=None, pad_edge=False)
        for row in late[:top]:
            cost = f"{row['waiting_costs']:.0f}"
            table.add_row(row["machine"], _some_parts(row["parts"]), f"{row['hours']:g}", cost, row["last_seen"])
        out.print(table)
        _more(out, len(late) - top, "machines")
    if coming:
        out.print("Coming due:" if late else "")
        table = Table("due", "machine", "renew", "class", "best age km", "hours", box=None, pad_edge=False)
        for row in coming[:top]:
            place = f", {row['position']}" if row["position"] else ""
            known = "" if row["age_known"] else " (age not known)"
            age = f"{rough(row['interval_km']):,.0f}"
            name = row["name"] + place + known
            table.add_row(row["due"], row["machine"], name, row["safety_class"], age, f"{row['hours']:g}")
        out.print(table)
        _more(out, len(coming) - top, "renewals")
    for note in found["notes"]:
        out.print(note)


def _some_parts(parts: list[Mapping[str, Any]]) -> str:
    names = [p["name"] + (f", {p['position']}" if p["position"] else "") for p in parts]
    more = f" and {len(names) - MOST_PARTS} more" if len(names) > MOST_PARTS else ""
    return "; ".join(names[:MOST_PARTS]) + more


def _more(out: Any, count: int, what: str) -> None:
    if count > 0:
        out.print(f"{count:,} more {what}: --top prints them, --csv and --calendar write them all.")
