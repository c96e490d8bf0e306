"""Commands about people: add them, give them roles, let them set a password."""

from __future__ import annotations

from typing import Any

import click

from service.cli_context import Context, as_json, pass_context
from service.vocabulary import ROLES


@click.group("person")
def person_group() -> None:
    """People who sign in to the pages."""


@person_group.command("add")
@click.option("--shop", required=True, help="Shop they belong to; made if it is new.")
@click.option("--name", required=True, help="Login name, such as an e-mail address.")
@click.option("--role", type=click.Choice(ROLES), default="technician", show_default=True)
@click.option("--ask", is_flag=True, help="Ask for a password here instead of printing a link that sets one.")
@click.option("--url", help="Address of the pages for the link; this machine's if left out.")
@pass_context
def add(context: Context, shop: str, name: str, role: str, ask: bool, url: str | None) -> None:
    """Give somebody a role in a shop; a new account gets a link to set its password."""
    from service.people.access_log import COMMAND_LINE, Actor
    from service.people.accounts import set_password
    from service.people.desk import let_in
    from service.records import get_or_create_shop

    password = click.prompt("Password", hide_input=True, confirmation_prompt=True) if ask else None
    with context.ready().write() as session:
        row = get_or_create_shop(session, shop, now=context.now)
        person, key = let_in(session, Actor(None, COMMAND_LINE), row.id, name, role, now=context.now)
        if password is not None and person.password_hash is None:
            set_password(session, person, password)
            key = None
    click.echo(f"{person.login} is {role.replace('_', ' ')} of {row.name}.")
    if key is not None:
        _show_link(context, url, key)


@person_group.command("link")
@click.option("--name", required=True, help="Login name.")
@click.option("--url", help="Address of the pages for the link; this machine's if left out.")
@pass_context
def link(context: Context, name: str, url: str | None) -> None:
    """Print a link with which somebody sets a new password, once."""
    from service.errors import NotFound
    from service.people.accounts import password_link, person_named

    with context.ready().write() as session:
        person = person_named(session, name)
        if person is None:
            raise NotFound(f"nobody here is called {name}; weakspot person list shows who is")
        key = password_link(session, person, now=context.now)
    _show_link(context, url, key)


@person_group.command("list")
@click.option("--shop", required=True, help="Shop whose people to list.")
@click.option("--json", "json_output", is_flag=True, help="Print as JSON.")
@pass_context
def list_people(context: Context, shop: str, json_output: bool) -> None:
    """List who has which role in a shop."""
    from service.people.accounts import members_of
    from service.queries import shop_named

    with context.ready().read() as session:
        found = members_of(session, shop_named(session, shop).id)
    people: list[dict[str, Any]] = [
        {"name": person.login, "roles": roles, "password_set": person.password_hash is not None}
        for person, roles in found
    ]
    if json_output:
        as_json(people)
        return
    for person in people:
        waiting = "" if person["password_set"] else " (no password set yet)"
        click.echo(f"{person['name']}: {', '.join(person['roles']).replace('_', ' ')}{waiting}")
    if not people:
        click.echo("nobody yet")


@person_group.command("remove")
@click.option("--shop", required=True, help="Shop they leave.")
@click.option("--name", required=True, help="Login name.")
@pass_context
def remove(context: Context, shop: str, name: str) -> None:
    """Take all of somebody's roles in a shop away."""
    from service.errors import NotFound
    from service.people.access_log import COMMAND_LINE, Actor
    from service.people.accounts import person_named
    from service.people.desk import show_out
    from service.queries import shop_named

    with context.ready().write() as session:
        person = person_named(session, name)
        if person is None:
            raise NotFound(f"nobody here is called {name}")
        shop_id = shop_named(session, shop).id
        show_out(session, Actor(None, COMMAND_LINE), shop_id, person.public_id, now=context.now)
    click.echo(f"{person.login} has left {shop}.")


def _show_link(context: Context, url: str | None, key: str) -> None:
    base = (url or f"http://127.0.0.1:{context.settings.port}").rstrip("/")
    click.echo("They set their password here, within three days and once:")
    click.echo(f"{base}/set-password/{key}")
