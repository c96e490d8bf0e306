"""Pages: the people of the shop and their roles."""

from __future__ import annotations

import uuid
from typing import Any

from flask import Blueprint, flash, redirect, render_template, request, url_for
from wtforms import StringField
from wtforms.validators import InputRequired, Length

from service.errors import DomainError
from service.people.accounts import members_of
from service.people.desk import let_in, new_link, show_out, take_role
from service.web.current import app, current
from service.web.forms import PageForm, SelectField, choices
from service.web.gate import require_role
from service.web.texts import _, lazy

blueprint = Blueprint("people", __name__, url_prefix="/people")
ROLE_NAMES = (
    ("technician", lazy("technician")),
    ("reader", lazy("reader")),
    ("owner", lazy("owner")),
    ("pool_steward", lazy("pool steward")),
)


class MemberForm(PageForm):
    name = StringField(lazy("Login name"), [InputRequired(lazy("Write a login name.")), Length(max=254)])
    role = SelectField(lazy("Role"), choices=choices(ROLE_NAMES))


@blueprint.get("")
@require_role("owner")
def index() -> Any:
    """List the people of the shop."""
    return _page(MemberForm(formdata=None))


@blueprint.post("")
@require_role("owner")
def add() -> Any:
    """Give somebody a role; a new account's link is shown this once."""
    form = MemberForm()
    if not form.validate_on_submit():
        return _page(form)
    try:
        with app().database.write() as session:
            person, key = let_in(
                session, current.actor(), current.shop_id, form.name.data or "", form.role.data, now=app().now()
            )
    except DomainError as error:
        form.refuse(error)
        return _page(form)
    if key is None:
        flash(_("%(name)s has the role.", name=person.login))
        return redirect(url_for("web.shop.people.index"), 303)
    return _page(MemberForm(formdata=None), link=_link(key), link_for=person.login)


@blueprint.post("/<uuid:person_id>/take-role")
@require_role("owner")
def take(person_id: uuid.UUID) -> Any:
    """Take a role away."""
    with app().database.write() as session:
        take_role(session, current.actor(), current.shop_id, person_id, request.form.get("role", ""), now=app().now())
    flash(_("The role is taken away."))
    return redirect(url_for("web.shop.people.index"), 303)


@blueprint.post("/<uuid:person_id>/remove")
@require_role("owner")
def remove(person_id: uuid.UUID) -> Any:
    """Take all roles away and stop the person's tokens."""
    with app().database.write() as session:
        person = show_out(session, current.actor(), current.shop_id, person_id, now=app().now())
    flash(_("%(name)s has left the shop; their tokens are revoked.", name=person.login))
    return redirect(url_for("web.shop.people.index"), 303)


@blueprint.post("/<uuid:person_id>/link")
@require_role("owner")
def link(person_id: uuid.UUID) -> Any:
    """Show a link that sets a new password, this once."""
    with app().database.write() as session:
        key = new_link(session, current.actor(), current.shop_id, person_id, now=app().now())
    return _page(MemberForm(formdata=None), link=_link(key))


def _link(key: str) -> str:
    return url_for("web.sign_in.set_password", key=key, _external=True)


def _page(form: MemberForm, **more: Any) -> Any:
    with app().database.read() as session:
        members = members_of(session, current.shop_id)
    names = dict(ROLE_NAMES)
    page = render_template("shop/people.html", form=form, members=members, role_names=names, **more)
    return page, 422 if form.refused else 200
