"""`weakspot pool`: keys, files between installations, publications and their audit."""

from __future__ import annotations

import sys
from pathlib import Path
from typing import TYPE_CHECKING, Any

import click

if TYPE_CHECKING:
    from service.cli_context import Context

FILE = click.Path(dir_okay=False, path_type=Path)
JSON = click.option("--json", "json_output", is_flag=True, help="Print the result as JSON.")


@click.group("pool")
def pool_group() -> None:
    """What shops share: keys, files, publications and their audit."""


@pool_group.command("key")
@click.option("--show", is_flag=True, help="Print the public key of the pair there is; make none.")
@click.pass_obj
def key(context: Context, show: bool) -> None:
    """Make the key pair that signs this installation's files; print the public key to pass on."""
    from service.pool.keys import installation_of, make_key, private_key, public_bytes, public_text

    path = Path(context.settings.pool_key_file)
    text = public_text(private_key(path).public_key()) if show else make_key(path)
    if not show:
        click.echo(f"The private key is in {path}; keep it there and out of backups that others hold.")
    click.echo(f"This installation is {installation_of(public_bytes(text))}. Its public key:")
    click.echo(text)


@pool_group.command("trust")
@click.argument("public_key")
@click.option("--name", required=True, help="Whose key it is.")
@click.pass_obj
def trust(context: Context, public_key: str, name: str) -> None:
    """Take in files signed with this key from now on."""
    from service.pool.keys import trust as trust_key
    from service.pool.trail import COMMAND_LINE, note_crossing

    with context.ready().write() as session:
        row = trust_key(session, public_key, name, now=context.now)
        note_crossing(session, COMMAND_LINE, "pool_key_trusted", f"{row.installation} {name}", now=context.now)
    click.echo(f"Files of installation {row.installation} ({name}) are taken in.")


@pool_group.command("distrust")
@click.argument("installation")
@click.pass_obj
def distrust(context: Context, installation: str) -> None:
    """Take no more files of an installation; what it sent leaves the next fit."""
    from service.pool.keys import revoke
    from service.pool.trail import COMMAND_LINE, note_crossing

    with context.ready().write() as session:
        row = revoke(session, installation, now=context.now)
        note_crossing(session, COMMAND_LINE, "pool_key_revoked", row.installation, now=context.now)
    click.echo(f"Files of installation {row.installation} ({row.name}) are no longer used.")


@pool_group.command("export")
@click.argument("file", type=FILE)
@click.pass_obj
def export(context: Context, file: Path) -> None:
    """Write exactly what this installation's shops share, readable and signed."""
    from service.pool.files import signed_file
    from service.pool.keys import private_key
    from service.pool.members import member_ids
    from service.pool.sharing import shared_by
    from service.pool.trail import COMMAND_LINE, note_crossing

    signing = private_key(Path(context.settings.pool_key_file))
    database = context.ready()
    with database.read() as session:
        members = member_ids(session, context.now.date())
        shared = shared_by(session, members, pseudonym_key=context.settings.pool_pseudonym_key)
        file.write_bytes(signed_file(shared, signing, context.now))
    with database.write() as session:
        note_crossing(session, COMMAND_LINE, "pool_file_out", f"{len(shared)} rows", now=context.now)
    click.echo(f"{len(shared):,} rows of {len(members)} shops written to {file}. No name, number or text is in it.")


@pool_group.command("import")
@click.argument("file", type=click.Path(exists=True, dir_okay=False, path_type=Path))
@JSON
@click.pass_obj
def take_in(context: Context, file: Path, json_output: bool) -> None:
    """Take in another installation's file: signed with a trusted key, and the newest it sent."""
    from service.cli_context import as_json
    from service.errors import NotFound
    from service.pool.keys import installation_of, private_key, public_bytes, public_text
    from service.pool.taking_in import take_in_file
    from service.pool.trail import COMMAND_LINE

    try:
        own = private_key(Path(context.settings.pool_key_file)).public_key()
        here = installation_of(public_bytes(public_text(own)))
    except NotFound:
        here = None
    with context.ready().write() as session:
        taken = take_in_file(session, file.read_bytes(), asker=COMMAND_LINE, now=context.now, own_installation=here)
    if json_output:
        as_json(taken.to_dict())
        return
    if not taken.changed:
        click.echo(f"This file was taken in before; nothing changed ({taken.rows:,} rows).")
        return
    click.echo(f"{taken.rows:,} rows of {taken.shops} shops from {taken.name}, made {taken.made_at:%Y-%m-%d %H:%M}.")
    if taken.replaces:
        click.echo(f"They replace its file of {taken.replaces:%Y-%m-%d %H:%M}.")
    if taken.unknown_components:
        click.echo(f"Not in this catalogue and not used: {', '.join(taken.unknown_components)}.")
    click.echo("weakspot fit lets them take part.")


@pool_group.command("publish")
@JSON
@click.pass_obj
def publish_cells(context: Context, json_output: bool) -> None:
    """Publish the pool's counts for this month, unless that has been done."""
    from service.cli_context import as_json
    from service.pool.publishing import publish
    from service.pool.trail import COMMAND_LINE

    found = publish(
        context.ready(),
        now=context.now,
        pool_open=context.settings.pool_open,
        asker=COMMAND_LINE,
        pseudonym_key=context.settings.pool_pseudonym_key,
    )
    if json_output:
        as_json(found)
        return
    if not found["new"]:
        click.echo(f"The publication of {found['dated']} is out already; the next is due on {found['next']}.")
        return
    click.echo(
        f"Pool, dated {found['dated']}: {found['published']:,} of {found['cells']:,} cells published,"
        f" {found['standing']:,} stand as before, {found['withdrawn']:,} taken away."
    )
    for reason, count in found["withheld"].items():
        click.echo(f"  {count:,} withheld: {reason}")


@pool_group.command("audit")
@JSON
@click.pass_obj
def audit(context: Context, json_output: bool) -> None:
    """Try to solve everything published for what is hidden, two shops helping; exit 1 if anything comes out."""
    from service.cli_context import as_json
    from service.pool.auditing import audited
    from service.pool.publishing import hidden_now
    from service.pool.trail import COMMAND_LINE

    database = context.ready()
    with database.read() as session:
        hidden = hidden_now(session, context.now, context.settings.pool_pseudonym_key)
    with database.write() as session:
        found = audited(session, COMMAND_LINE, hidden, context.now)
    as_json(found) if json_output else _show_audit(found)
    if found["recovered_cells"] or found["recovered_groups"] or found["figures_against_the_rule"]:
        sys.exit(1)


def _show_audit(found: dict[str, Any]) -> None:
    click.echo(
        f"{found['publications']} publications, {found['figures']:,} figures of {found['cells']:,} cells,"
        f" {found['terms']:,} unknown shares of {found['shops']} shops."
    )
    click.echo(
        f"Any {found['colluding_shops']} shops together with all of it ({found['coalitions_tried']:,} coalitions tried)"
        f" recover {found['recovered_cells']} of {found['hidden_cells']:,} hidden cells and"
        f" {found['recovered_groups']} sums of fewer than three other shops."
    )
    click.echo(f"Published figures that do not keep the rule: {found['figures_against_the_rule']}.")
    for one in found["recovered"]:
        click.echo(f"  {one['kind']}: {one['what']} (by {' and '.join(one['coalition'])})")
