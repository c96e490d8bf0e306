"""Commands about tokens of the HTTP interface."""

from __future__ import annotations

from datetime import datetime
from typing import Any
from uuid import UUID

import click

from service.cli_context import Context, as_json, pass_context
from service.vocabulary import SCOPES


@click.group("token")
def token_group() -> None:
    """Tokens for the HTTP interface."""


@token_group.command("create")
@click.option("--shop", required=True, help="Shop the token speaks for; made if it is new.")
@click.option("--label", default="", help="What the token is for.")
@click.option("--scope", type=click.Choice(SCOPES), default="write", show_default=True, help="What it may do.")
@click.option("--days", type=click.IntRange(1, 3650), help="Days until it expires; without it, never.")
@click.option("--json", "json_output", is_flag=True, help="Print as JSON.")
@pass_context
def create(context: Context, shop: str, label: str, scope: str, days: int | None, json_output: bool) -> None:
    """Make a token; it is shown this once only."""
    from service.people.access_log import COMMAND_LINE, Actor
    from service.people.desk import hand_out_token
    from service.records import get_or_create_shop

    with context.ready().write() as session:
        row = get_or_create_shop(session, shop, now=context.now)
        actor = Actor(None, COMMAND_LINE)
        text = hand_out_token(session, actor, row.id, label=label, scope=scope, days=days, now=context.now)
    if json_output:
        as_json({"shop": shop, "label": label, "scope": scope, "days": days, "token": text})
        return
    click.echo(f"Token for {shop}; keep it, it is not shown again:")
    click.echo(text)


@token_group.command("list")
@click.option("--shop", required=True, help="Shop whose tokens to list.")
@click.option("--json", "json_output", is_flag=True, help="Print as JSON.")
@pass_context
def list_tokens(context: Context, shop: str, json_output: bool) -> None:
    """List tokens that are not revoked; never the tokens themselves."""
    from service.people.tokens import tokens_of
    from service.queries import shop_named

    with context.ready().read() as session:
        found = tokens_of(session, shop_named(session, shop).id)
    tokens: list[dict[str, Any]] = [
        {
            "id": row.public_id,
            "label": row.label,
            "scope": row.scope,
            "hint": row.hint,
            "made_by": login,
            "created_at": row.created_at,
            "expires_at": row.expires_at,
        }
        for row, login in found
    ]
    if json_output:
        as_json(tokens)
        return
    for token in tokens:
        label = token["label"] or "(no label)"
        click.echo(f"{token['id']}  {token['hint'] or 'wsp_'}…  {token['scope']}  {label}  {_end(token, context.now)}")
    if not tokens:
        click.echo("none")


@token_group.command("revoke")
@click.option("--shop", required=True, help="Shop the token speaks for.")
@click.argument("token_id", type=click.UUID)
@pass_context
def revoke(context: Context, shop: str, token_id: UUID) -> None:
    """Stop a token for good; weakspot token list shows its id."""
    from service.people.access_log import COMMAND_LINE, Actor
    from service.people.desk import stop_token
    from service.queries import shop_named

    with context.ready().write() as session:
        shop_id = shop_named(session, shop).id
        stop_token(session, Actor(None, COMMAND_LINE), shop_id, token_id, now=context.now)
    click.echo("revoked; running servers notice within seconds")


def _end(token: dict[str, Any], now: datetime) -> str:
    ends = token["expires_at"]
    if ends is None:
        return "no end"
    return f"{'ended' if ends <= now else 'ends'} {ends.date()}"
