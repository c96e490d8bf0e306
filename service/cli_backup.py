"""`weakspot backup` and `weakspot restore`."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING

import click

from service.cli_context import Context, as_json, pass_context

if TYPE_CHECKING:
    from service.backups.archive import Manifest


@click.command()
@click.argument("target", type=click.Path(path_type=Path))
@click.option("--json", "json_output", is_flag=True, help="Print what is in it as JSON.")
@pass_context
def backup(context: Context, target: Path, json_output: bool) -> None:
    """Write a backup to the file TARGET, or into the folder TARGET; the service may go on meanwhile."""
    from service.backups.making import back_up

    path, manifest = back_up(context.ready(), context.settings, target, context.now)
    if json_output:
        as_json({"file": str(path), **_told(manifest)})
        return
    click.echo(f"{_words(manifest)} written to {path}")
    if manifest.missing_photos:
        click.echo(f"{len(manifest.missing_photos)} photos on record have no file and are not in it", err=True)


@click.command()
@click.argument("source", type=click.Path(exists=True, dir_okay=False, path_type=Path))
@click.option("--replace", is_flag=True, help="Put it in the place of the records that are there.")
@click.option("--json", "json_output", is_flag=True, help="Print what was restored as JSON.")
@pass_context
def restore(context: Context, source: Path, replace: bool, json_output: bool) -> None:
    """Bring the backup SOURCE back: checked first, then all of it or nothing. The service must be stopped."""
    from service.backups.restoring import restore as bring_back

    manifest = bring_back(context.database, context.settings, source, replace=replace)
    if json_output:
        as_json({"file": str(source), **_told(manifest)})
        return
    click.echo(f"{_words(manifest)} restored from {source}, made {manifest.made_at}")


def _told(manifest: Manifest) -> dict[str, object]:
    return {
        "made_at": manifest.made_at,
        "revision": manifest.revision,
        "software": manifest.software,
        "engine": manifest.engine,
        "rows": manifest.rows,
        "tables": {name: {"rows": t["rows"], "sha256": t["sha256"]} for name, t in manifest.tables.items()},
        "photos": sum(name.startswith("photos/") for name in manifest.files),
        "missing_photos": manifest.missing_photos,
    }


def _words(manifest: Manifest) -> str:
    photos = sum(name.startswith("photos/") for name in manifest.files)
    return f"{manifest.rows:,} rows of {len(manifest.tables)} tables and {photos:,} photos"
