"""Pages: tokens with which programs speak for the shop."""

from __future__ import annotations

import uuid
from typing import Any

from flask import Blueprint, flash, redirect, render_template, url_for
from werkzeug.exceptions import Forbidden
from wtforms import IntegerField, StringField
from wtforms.validators import InputRequired, Length, NumberRange

from service.errors import DomainError, NotFound
from service.people.desk import hand_out_token, stop_token
from service.people.roles import scopes_for
from service.people.tokens import LONGEST_DAYS, tokens_of
from service.web.current import app, current
from service.web.forms import PageForm, SelectField, choices
from service.web.gate import for_signed_in
from service.web.texts import _, lazy

blueprint = Blueprint("tokens", __name__, url_prefix="/tokens")
SCOPE_NAMES = {
    "read": lazy("read"),
    "write": lazy("read and write"),
    "admin": lazy("read, write and administer"),
    "pool": lazy("look after the pool"),
}


class TokenForm(PageForm):
    label = StringField(
        lazy("What it is for"), [InputRequired(lazy("Write what it is for, to know it again.")), Length(max=120)]
    )
    scope = SelectField(lazy("It may"))
    days = IntegerField(
        lazy("It works for"),
        [
            InputRequired(lazy("Write a number of days.")),
            NumberRange(1, LONGEST_DAYS, lazy("Write a number of days from 1 to 3650.")),
        ],
        default=365,
    )


@blueprint.before_request
def _members_only() -> None:
    if current.person_id is not None and not current.roles:
        raise Forbidden(_("You belong to no shop here any more; its owner can add you again."))


@blueprint.get("")
@for_signed_in
def index() -> Any:
    """List tokens: an owner sees all of the shop, others their own."""
    return _page(_form(fresh=True))


@blueprint.post("")
@for_signed_in
def make() -> Any:
    """Make a token and show it, this once."""
    form = _form()
    if not form.validate_on_submit():
        return _page(form)
    try:
        with app().database.write() as session:
            text = hand_out_token(
                session,
                current.actor(),
                current.shop_id,
                label=form.label.data or "",
                scope=form.scope.data,
                days=form.days.data,
                now=app().now(),
            )
    except DomainError as error:
        form.refuse(error)
        return _page(form)
    return _page(_form(fresh=True), text=text)


@blueprint.post("/<uuid:token_id>/revoke")
@for_signed_in
def revoke(token_id: uuid.UUID) -> Any:
    """Stop a token."""
    with app().database.write() as session:
        if token_id not in {token.public_id for token, _login in _mine(session)}:
            raise NotFound("there is no such token")
        stop_token(session, current.actor(), current.shop_id, token_id, now=app().now())
    flash(_("The token is revoked; running servers notice within seconds."))
    return redirect(url_for("web.shop.tokens.index"), 303)


def _form(*, fresh: bool = False) -> TokenForm:
    form = TokenForm(formdata=None) if fresh else TokenForm()
    form.scope.choices = choices((scope, SCOPE_NAMES[scope]) for scope in scopes_for(current.roles))
    return form


def _mine(session: Any) -> list[Any]:
    found = tokens_of(session, current.shop_id)
    return [pair for pair in found if current.may("admin") or pair[0].person_id == current.person_id]


def _page(form: TokenForm, text: str | None = None) -> Any:
    with app().database.read() as session:
        tokens = _mine(session)
    page = render_template(
        "shop/tokens.html", form=form, tokens=tokens, text=text, scope_names=SCOPE_NAMES, now=app().now()
    )
    return page, 422 if form.refused else 200
