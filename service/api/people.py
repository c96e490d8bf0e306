"""Who may do what in the shop: people, tokens, settings, and the log of accesses that cross shops."""

from __future__ import annotations

import uuid
from typing import Any

from flask import g
from flask.views import MethodView
from sqlalchemy import select

from service.api.context import app, shop_id
from service.api.resource import Resource
from service.auth import current_actor
from service.errors import InvalidInput
from service.models import ApiToken, Shop
from service.people.access_log import accesses_of, shown_access
from service.people.accounts import members_of, roles_in
from service.people.desk import change_shop, hand_out_token, let_in, show_out, stop_token
from service.people.keys import digest_of
from service.people.roles import SCOPE_GRANTS
from service.people.tokens import tokens_of
from service.schemas.people import (
    AccessQuery,
    CrossingsReply,
    MemberAsked,
    MembersReply,
    NewMemberReply,
    NewTokenReply,
    ShopAsked,
    ShopReply,
    TokenAsked,
    TokenReply,
    TokensReply,
)
from service.vocabulary import ROLES


class FullTokenReply(TokenReply, NewTokenReply):
    """A token with its text."""


tokens = Resource("tokens", __name__, url_prefix="/tokens", description="Tokens of the shop")
people = Resource("people", __name__, url_prefix="/people", description="People of the shop")
accesses = Resource("accesses", __name__, url_prefix="/accesses", description="Who looked across shops")
shop = Resource("shop", __name__, url_prefix="/shop", description="The shop and its settings")


@tokens.route("")
class Tokens(MethodView):
    @tokens.response(200, TokensReply)
    def get(self) -> dict[str, Any]:
        """List the tokens that are not revoked; the tokens themselves are never shown again."""
        with app().database.read() as session:
            found = tokens_of(session, shop_id())
        return {"tokens": [_token(token, login) for token, login in found]}

    @tokens.arguments(TokenAsked)
    @tokens.response(201, FullTokenReply)
    @tokens.alt_response(422, response="UNPROCESSABLE_ENTITY")
    def post(self, asked: dict[str, Any]) -> dict[str, Any]:
        """Make a token, whose scope is within that of the token that asks; it is shown this once only."""
        if not SCOPE_GRANTS[asked["scope"]] <= g.holder.grants:
            raise InvalidInput("a token cannot make one that may do more than itself", pointer="/scope")
        with app().database.write() as session:
            text = hand_out_token(session, current_actor(), shop_id(), **asked, now=app().now())
            row = session.scalars(select(ApiToken).where(ApiToken.digest == digest_of(text))).one()
        g.told_once = {"token"}
        return {**_token(row, None), "token": text}


@tokens.route("/<uuid:token_id>")
class OneToken(MethodView):
    @tokens.response(204)
    @tokens.alt_response(404, response="NOT_FOUND")
    def delete(self, token_id: uuid.UUID) -> None:
        """Revoke a token."""
        with app().database.write() as session:
            stop_token(session, current_actor(), shop_id(), token_id, now=app().now())


@people.route("")
class People(MethodView):
    @people.response(200, MembersReply)
    def get(self) -> dict[str, Any]:
        """List who has which role."""
        with app().database.read() as session:
            return {"people": [_member(person, roles) for person, roles in members_of(session, shop_id())]}

    @people.arguments(MemberAsked)
    @people.response(201, NewMemberReply)
    @people.alt_response(409, response="CONFLICT")
    @people.alt_response(422, response="UNPROCESSABLE_ENTITY")
    def post(self, asked: dict[str, Any]) -> dict[str, Any]:
        """Give somebody a role; a new account gets a link to set its password, shown this once only."""
        with app().database.write() as session:
            person, key = let_in(session, current_actor(), shop_id(), asked["name"], asked["role"], now=app().now())
            roles = sorted(roles_in(session, person.id, shop_id()), key=ROLES.index)
        g.told_once = {"set_password"}
        return {**_member(person, roles), "set_password": f"/set-password/{key}" if key else None}


@people.route("/<uuid:person_id>")
class OnePerson(MethodView):
    @people.response(204)
    @people.alt_response(404, response="NOT_FOUND")
    @people.alt_response(409, response="CONFLICT")
    def delete(self, person_id: uuid.UUID) -> None:
        """Take all roles in this shop away from somebody, and stop the tokens they made."""
        with app().database.write() as session:
            show_out(session, current_actor(), shop_id(), person_id, now=app().now())


@accesses.route("")
class Accesses(MethodView):
    @accesses.arguments(AccessQuery, location="query")
    @accesses.response(200, CrossingsReply)
    @accesses.alt_response(422, response="UNPROCESSABLE_ENTITY")
    def get(self, asked: dict[str, Any]) -> dict[str, Any]:
        """List accesses that crossed this shop's border, and changes of who may do what; the newest first."""
        with app().database.read() as session:
            found = accesses_of(session, shop_id(), limit=asked["limit"], before=asked["before"])
            return {"accesses": [shown_access(event, shop_id()) for event in found]}


@shop.route("")
class OwnShop(MethodView):
    @shop.response(200, ShopReply)
    def get(self) -> Shop:
        """Show the shop of the token."""
        with app().database.read() as session:
            return session.get_one(Shop, shop_id())

    @shop.arguments(ShopAsked)
    @shop.response(200, ShopReply)
    @shop.alt_response(422, response="UNPROCESSABLE_ENTITY")
    def patch(self, asked: dict[str, Any]) -> Shop:
        """Change settings; what is not named stays."""
        with app().database.write() as session:
            return change_shop(session, current_actor(), shop_id(), asked, now=app().now())


def _token(token: ApiToken, login: str | None) -> dict[str, Any]:
    names = ("public_id", "label", "scope", "hint", "created_at", "expires_at")
    return {**{name: getattr(token, name) for name in names}, "made_by": login}


def _member(person: Any, roles: list[str]) -> dict[str, Any]:
    return {
        "id": person.public_id,
        "name": person.login,
        "roles": roles,
        "password_set": person.password_hash is not None,
    }
