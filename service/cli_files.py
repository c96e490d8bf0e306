"""Files in and out on the command line: import, export, and how a shop's own files are read."""

from __future__ import annotations

import sys
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from datetime import datetime
from hashlib import sha256
from pathlib import Path
from typing import Any

import click
from sqlalchemy import select
from sqlalchemy.orm import Session

from service.cli_context import Context, as_json, pass_context
from service.cli_options import known_at_option
from service.errors import ColumnsUnclear, NotFound

PAIRS = "NAME=COLUMN,..."


def _pairs(_context: Any, _option: Any, text: str | None) -> dict[str, str]:
    found: dict[str, str] = {}
    for pair in (text or "").split(","):
        name, sign, column = pair.rpartition("=")
        if pair.strip() and not sign:
            raise click.BadParameter(f"{pair.strip()!r} has no = in it; write {PAIRS}")
        if pair.strip():
            found[name.strip()] = column.strip()
    return found


FORM_OPTIONS = [
    click.option(
        "--columns", callback=_pairs, metavar=PAIRS, help="Columns of the file and what they are; - for none."
    ),
    click.option("--date-order", type=click.Choice(["ymd", "dmy", "mdy", "ask"]), help="Of days like 3/4/19."),
    click.option("--decimal-mark", type=click.Choice([".", ","]), help="Of numbers like 23,5."),
    click.option("--unit", type=click.Choice(["km", "mi", "h"]), help="Of readings without one."),
    click.option("--currency", metavar="CODE", help="Of costs without one, such as EUR."),
]


def form_options(command: Callable[..., Any]) -> Callable[..., Any]:
    """Options that say how a file is written."""
    for option in reversed(FORM_OPTIONS):
        command = option(command)
    return command


@click.command("import")
@click.argument("file", type=click.Path(exists=True, dir_okay=False, path_type=Path))
@click.option("--shop", required=True, help="Shop whose job cards these are; made if it is new.")
@click.option("--dry-run", is_flag=True, help="Say what would happen and change nothing.")
@click.option("--keep-good", is_flag=True, help="Take the good rows in even if others cannot be used.")
@form_options
@click.option("--accept-columns", is_flag=True, help="Accept, and remember, what unknown columns were taken for.")
@click.option("--encoding", help="Where the file does not say, such as cp1252.")
@click.option("--delimiter", type=click.Choice(["comma", "semicolon", "tab", "bar"]), help="Where it is found wrong.")
@click.option("--sheet", help="Of a workbook; without it, the first.")
@click.option("--doubts", type=click.IntRange(0), default=20, show_default=True, help="Rows in doubt to print.")
@click.option("--json", "json_output", is_flag=True, help="Print the report as JSON.")
@pass_context
def import_file(
    context: Context,
    file: Path,
    shop: str,
    dry_run: bool,
    keep_good: bool,
    doubts: int,
    json_output: bool,
    **wishes: Any,
) -> None:
    """Take in a file of job lines (CSV, XLSX, JSON Lines), all or nothing.

    A large file is made ready in parts; stopped, the same command goes on where it was.
    """
    from service.cli_text import show_import
    from service.imports.intake import take_in
    from service.imports.jobs import clear_orphans

    database, content = context.ready(), file.read_bytes()
    clear_orphans(database, now=context.now, spare=sha256(content).digest())
    try:
        with progress_bar(f"Taking in {file.name}", shown=not json_output) as advance:
            report = take_in(
                database,
                shop,
                content,
                file_name=file.name,
                now=context.now,
                today=context.now.date(),
                dry_run=dry_run,
                keep_good=keep_good,
                wishes=wishes,
                by="command line",
                progress=lambda done, total: advance(done, total, ""),
            )
    except ColumnsUnclear as error:
        unsure = [use for use in error.columns if use.how in ("guess", "")]
        guesses = ",".join(f"{use.written}={use.column or '?'}" for use in unsure)
        said = (
            "; accept that with --accept-columns"
            if all(use.how for use in unsure)
            else "; put a column, or -, for each ?"
        )
        click.echo(f"Taken for: --columns {guesses!r}{said}.", err=True)
        raise
    if json_output:
        as_json(report.to_dict())
    else:
        show_import(report, doubts=doubts)


@click.command("export")
@click.option("--shop", required=True, help="Shop whose job lines to write.")
@click.option("--out", type=click.Path(dir_okay=False, path_type=Path), help="File to write; without it, the terminal.")
@click.option(
    "--format", "kind", type=click.Choice(["csv", "jsonl", "xlsx", "parquet"]), help="Else by the file's name, or csv."
)
@known_at_option
@click.option("--json", "json_output", is_flag=True, help="Print how many lines were written as JSON; needs --out.")
@pass_context
def export_file(
    context: Context, shop: str, out: Path | None, kind: str | None, known_at: datetime | None, json_output: bool
) -> None:
    """Write a shop's job lines in a form that import takes (Parquet only goes out)."""
    from service.exports import FORMATS, write_job_lines
    from service.models import Shop

    if json_output and out is None:
        raise click.UsageError("--json reports on a file written: name it with --out")
    suffix = out.suffix.lstrip(".").lower() if out else ""
    kind = kind or (suffix if suffix in FORMATS else "csv")
    with context.reading(known_at) as session:
        row = session.get_one(Shop, shop_named(session, shop))
        if out is None:
            write_job_lines(session, row, sys.stdout.buffer, kind)
            return
        with out.open("wb") as handle:
            count = write_job_lines(session, row, handle, kind)
    if json_output:
        as_json({"shop": shop, "lines": count, "file": str(out)})
    else:
        click.echo(f"{count:,} lines written to {out}")


@click.command("import-settings")
@click.option("--shop", required=True, help="Shop whose files are meant.")
@form_options
@click.option("--tax", type=click.Choice(["with", "without"]), help="Whether costs hold tax, from now on.")
@click.option("--json", "json_output", is_flag=True, help="Print the settings as JSON.")
@pass_context
def import_settings(context: Context, shop: str, json_output: bool, columns: dict[str, str], **forms: Any) -> None:
    """Show, or set, how a shop's own files are read."""
    from service.imports.habits import read_columns, read_format, save_columns, save_format

    with context.ready().write() as session:
        shop_id = shop_named(session, shop)
        save_columns(session, shop_id, columns, by="command line", now=context.now)
        wanted = {name: value for name, value in forms.items() if value is not None}
        if wanted:
            save_format(session, shop_id, wanted, by="command line", now=context.now)
        known = {row.as_written: row.column or "-" for row in read_columns(session, shop_id).values()}
        found = {"columns": known, **read_format(session, shop_id)}
    if json_output:
        as_json(found)
        return
    for name, value in {**found, "columns": _listed(known)}.items():
        click.echo(f"{name.replace('_', ' ')}: {value or 'none'}")


def _listed(columns: dict[str, str]) -> str:
    return ", ".join(f"{name}={column}" for name, column in columns.items())


def shop_named(session: Session, name: str) -> int:
    """The key of a shop; raises `NotFound` with those there are."""
    from service.models import Shop

    shop_id = session.scalar(select(Shop.id).where(Shop.name == name))
    if shop_id is None:
        known = ", ".join(session.scalars(select(Shop.name).order_by(Shop.name).limit(20))) or "none yet"
        raise NotFound(f"there is no shop {name!r}; known: {known}")
    return shop_id


@contextmanager
def progress_bar(what: str, *, shown: bool) -> Iterator[Callable[[int, int, str], None]]:
    """A progress bar on the error stream; silent where nobody watches."""
    from rich.console import Console
    from rich.progress import BarColumn, MofNCompleteColumn, Progress, TextColumn, TimeElapsedColumn

    console = Console(stderr=True)
    if not shown or not console.is_terminal:
        yield lambda done, total, text: None
        return
    columns = (TextColumn("{task.description}"), BarColumn(complete_style="blue", finished_style="blue"))
    with Progress(*columns, MofNCompleteColumn(), TimeElapsedColumn(), console=console) as bar:
        task = bar.add_task(what, total=None)
        yield lambda done, total, text: bar.update(
            task, completed=done, total=total, description=f"{what} {text}".strip()
        )
