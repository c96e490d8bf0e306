"""The `weakspot` command."""

from __future__ import annotations

import os
import sys
from dataclasses import asdict, replace
from pathlib import Path
from typing import Any

import click
from sqlalchemy.exc import DBAPIError

from analytics.errors import AnalyticsError
from service.cli_ahead import look_ahead
from service.cli_backup import backup, restore
from service.cli_context import Context, as_json, pass_context
from service.cli_engine import engine_changes_group
from service.cli_files import export_file, import_file, import_settings, progress_bar
from service.cli_fleet_work import due_renewals, pull_machines
from service.cli_inspect import inspect_machine, recommission
from service.cli_joins import joins_group
from service.cli_options import PAPER, evidence_options, known_at_option, machine_options, visit_options
from service.cli_person import person_group
from service.cli_pool import pool_group
from service.cli_renew import compare_parts, renew_on_purpose, show_changes
from service.cli_renew_block import renew_block, show_log_marks
from service.cli_shop import shop_settings
from service.cli_spares import spares_on_the_shelf
from service.cli_token import token_group
from service.errors import DomainError
from service.settings import BadSetting

DONE, REFUSED, WRONG_USAGE = 0, 1, 2


@click.group(context_settings={"help_option_names": ["-h", "--help"], "max_content_width": 100})
@click.version_option(package_name="weakspot")
@click.pass_context
def cli(context: click.Context) -> None:
    """Which parts of this machine are likely to fail, and what to look at first."""
    context.obj = Context()
    context.call_on_close(context.obj.database.dispose)


for _command in (
    inspect_machine,
    recommission,
    look_ahead,
    pull_machines,
    due_renewals,
    spares_on_the_shelf,
    renew_on_purpose,
    compare_parts,
    show_changes,
    renew_block,
    show_log_marks,
    shop_settings,
    person_group,
    token_group,
):
    cli.add_command(_command)
cli.add_command(pool_group)
cli.add_command(joins_group)
cli.add_command(engine_changes_group)
for _command in (import_file, export_file, import_settings):
    cli.add_command(_command)
cli.add_command(backup)
cli.add_command(restore)


def main() -> None:
    """Run the command; refusals end with status 1, wrong usage with 2."""
    # One thread a process for linear algebra (numpy is not loaded yet): more only get in each other's way.
    for name in ("OPENBLAS_NUM_THREADS", "OMP_NUM_THREADS", "MKL_NUM_THREADS"):
        os.environ.setdefault(name, "1")
    try:
        cli(prog_name="weakspot", standalone_mode=False)
    except BrokenPipeError:
        os.dup2(os.open(os.devnull, os.O_WRONLY), sys.stdout.fileno())
        sys.exit(DONE)
    except (click.ClickException, BadSetting) as error:
        _show_wrong_usage(error)
        sys.exit(WRONG_USAGE)
    except (click.exceptions.Abort, DomainError, AnalyticsError, DBAPIError, OSError) as error:
        _show_refused(error)
        sys.exit(REFUSED)


def _show_wrong_usage(error: click.ClickException | BadSetting) -> None:
    if isinstance(error, click.ClickException):
        error.show()
    else:
        click.echo(f"Setting not usable: {error}", err=True)


def _show_refused(error: Exception) -> None:
    if isinstance(error, DomainError):
        from service.cli_text import show_refusal

        if "--json" in sys.argv:
            as_json({"refused": error.detail, **error.extensions()})
        show_refusal(error)
    elif isinstance(error, DBAPIError):
        click.echo(f"The database did not take that: {error.orig}", err=True)
    elif isinstance(error, OSError):
        click.echo(f"{error.filename or 'The system'}: {error.strerror or error}", err=True)
    elif isinstance(error, AnalyticsError):
        click.echo(f"Not estimable: {error}", err=True)
    else:
        click.echo("stopped", err=True)


@cli.group()
def db() -> None:
    """The database itself."""


@db.command("upgrade")
@click.option("--json", "json_output", is_flag=True, help="Print the report as JSON.")
@pass_context
def db_upgrade(context: Context, json_output: bool) -> None:
    """Bring the tables to the newest revision and load the catalogue."""
    from service.setup import upgrade_and_load

    report = upgrade_and_load(context.database, context.now)
    if json_output:
        as_json({"catalogue": asdict(report)})
        return
    click.echo(
        f"Tables are up to date. Catalogue: {report.added} added, {report.changed} changed,"
        f" {report.unchanged} unchanged, {report.withdrawn} withdrawn."
    )


@cli.command()
@click.option("--all", "everything", is_flag=True, help="Fit every component, changed or not.")
@click.option("--json", "json_output", is_flag=True, help="Print the report as JSON.")
@pass_context
def fit(context: Context, everything: bool, json_output: bool) -> None:
    """Learn lifetimes from the records and publish them."""
    from service.cli_text import show_fit
    from service.fitting import refit

    database = context.ready()
    with progress_bar("Fitting", shown=not json_output) as advance:
        reports = refit(
            database,
            pool_open=context.settings.pool_open,
            now=context.now,
            progress=advance,
            everything=everything,
            pseudonym_key=context.settings.pool_pseudonym_key,
        )
    if json_output:
        as_json([report.to_dict() for report in reports])
    else:
        show_fit(reports)


@cli.command()
@machine_options
@known_at_option
@click.option("--distance", type=float, help="How far ahead, in the odometer's unit.")
@click.option("--months", type=float, help="How far ahead in months; 12 if neither is given.")
@click.option("--level", type=click.FloatRange(0.5, 0.99), default=0.9, show_default=True, help="Of the intervals.")
@click.option("--top", type=click.IntRange(1), default=12, show_default=True, help="Lines to print.")
@pass_context
def rank(context: Context, distance: float | None, months: float | None, level: float, top: int, **asked: Any) -> None:
    """Rank the parts of a machine by their chance to fail ahead."""
    from service.cli_ask import any_shop, ask_ranking
    from service.cli_text import show_ranking
    from service.inspections.rank_with_evidence import ranking_reply

    with context.reading(asked["known_at"]) as session:
        shop_id = any_shop(session, context, asked["shop"])
        ranking, snapshot = ask_ranking(session, shop_id, context, asked, distance, months, level)
    reply = ranking_reply(ranking, snapshot, {})
    if asked["json_output"]:
        as_json(reply)
    else:
        show_ranking(replace(ranking, notes=tuple(reply["notes"])), top=top)


@cli.command()
@machine_options
@known_at_option
@visit_options
@evidence_options
@click.option("--steps/--no-steps", default=True, show_default=True, help="Print cautions and steps of each check.")
@click.option("--print", "paper", type=PAPER, help="Write it to this .html or .pdf file, to fill in by pencil.")
@pass_context
def plan(context: Context, steps: bool, paper: Path | None, **asked: Any) -> None:
    """Plan an inspection into the minutes, tools and leave at hand."""
    from service.cli_ask import any_shop, ask_plan, circumstances_asked, day_of, evidence_asked
    from service.cli_text import show_plan

    with context.reading(asked["known_at"]) as session:
        shop_id = any_shop(session, context, asked["shop"])
        made = ask_plan(session, shop_id, context, asked, circumstances_asked(asked) | evidence_asked(asked))
    if paper is not None:
        from service.inspections.printing import write_to
        from service.inspections.sheets import plan_sheet

        write_to(paper, plan_sheet(made, day_of(context, asked)), made.catalogue)
        click.echo(f"written to {paper}")
    elif asked["json_output"]:
        as_json(made.to_dict())
    else:
        show_plan(made, steps=steps)


@cli.command()
@click.option("--as-of", required=True, type=click.DateTime(["%Y-%m-%d"]), help="Day to predict from.")
@click.option("--known-at", type=click.DateTime(["%Y-%m-%d"]), help="Leave out of the fit what was recorded later.")
@click.option("--distance", type=click.FloatRange(min=0, min_open=True), help="How far ahead.")
@click.option("--unit", type=click.Choice(["km", "mi"]), default="km", show_default=True, help="Of the distance.")
@click.option(
    "--months",
    type=click.FloatRange(min=0, min_open=True),
    help="How far ahead in months; 12 months or 5,000 km if neither is given.",
)
@click.option("--level", type=click.FloatRange(0.5, 0.99), default=0.9, show_default=True, help="Of the intervals.")
@click.option("--shop", help="Whose records; needed where several shops do not share a pool.")
@click.option("--figure", type=click.Path(dir_okay=False, path_type=Path), help="Draw the result to this SVG file.")
@click.option("--json", "json_output", is_flag=True, help="Print the result as JSON.")
@pass_context
def backtest(context: Context, json_output: bool, figure: Path | None, shop: str | None, **asked: Any) -> None:
    """Fit on what was known on a past day, predict what followed, and say how right that was."""
    from service.cli_backtest_text import ask_backtest, save_figure, shop_asked, show_backtest

    with context.ready().read() as session:
        shop_id = shop_asked(session, shop, pool_open=context.settings.pool_open)
    with progress_bar("Trying", shown=not json_output) as advance:
        report = ask_backtest(context, asked, shop_id, advance)
    if figure is not None:
        save_figure(report, figure)
    if json_output:
        as_json(report.to_dict())
    else:
        show_backtest(report)


@cli.command()
@click.option("--port", type=click.IntRange(1, 65_535), help="Port to listen on.")
@click.option("--host", default="127.0.0.1", show_default=True, help="Address to listen on.")
@click.option(
    "--workers", type=click.IntRange(1, 64), default=2, show_default=True, help="Processes that answer requests."
)
@pass_context
def serve(context: Context, port: int | None, host: str, workers: int) -> None:
    """Start the HTTP server."""
    from service.imports.jobs import clear_orphans
    from service.server import run

    clear_orphans(context.ready(), now=context.now)
    context.ready().dispose()
    run(context.settings, host=host, port=port or context.settings.port, workers=workers)


@cli.command()
@pass_context
def worker(context: Context) -> None:
    """Run jobs (fits, backtests) until stopped; any number of workers may run, on any machine."""
    from service.jobs.running import work

    context.ready().dispose()
    work(context.settings)


if __name__ == "__main__":
    main()
