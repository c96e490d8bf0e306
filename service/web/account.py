"""Pages: one's own account, which shop one looks at, and how pages look."""

from __future__ import annotations

from typing import Any

from flask import Blueprint, flash, make_response, redirect, request
from sqlalchemy import select
from wtforms import PasswordField
from wtforms.validators import InputRequired, Length

from service.errors import InvalidInput, NotFound
from service.models import Person, Shop
from service.people.accounts import change_password
from service.people.passwords import LONGEST
from service.people.sessions import look_at_shop
from service.web.current import app, current, forget_current
from service.web.forms import PageForm, SelectField, shown
from service.web.gate import for_anybody, for_signed_in, own_path
from service.web.places import first_place
from service.web.sign_in import NewPasswordForm, begin
from service.web.texts import _, languages, lazy, locale_of

blueprint = Blueprint("account", __name__)
LOOKS = ("auto", "light", "dark")
LOOK_COOKIE = "weakspot_look"
A_YEAR = 365 * 24 * 3600


class ChangePasswordForm(NewPasswordForm):
    old_password = PasswordField(
        lazy("Password now"), [InputRequired(lazy("Write your password.")), Length(max=LONGEST)]
    )


class LanguageForm(PageForm):
    locale = SelectField(lazy("Language"))


@blueprint.get("/")
@for_signed_in
def home() -> Any:
    """Go to the first place there is for whoever asks."""
    return redirect(first_place(), 303)


@blueprint.get("/account")
@for_signed_in
def index() -> Any:
    """Show one's own account."""
    return _account(ChangePasswordForm())


@blueprint.post("/account/password")
@for_signed_in
def password() -> Any:
    """Change one's password; every other browser is signed out."""
    form = ChangePasswordForm()
    if form.validate_on_submit() and form.same_twice():
        try:
            with app().database.write() as session:
                person = session.get_one(Person, current.person_id)
                change_password(session, person, form.old_password.data or "", form.password.data or "")
        except InvalidInput as error:
            form.refuse(error)
        else:
            begin(person.id)
            flash(_("Your password is changed; other browsers are signed out."))
            return redirect("/account", 303)
    return _account(form)


@blueprint.post("/account/language")
@for_signed_in
def language() -> Any:
    """Choose the language of pages."""
    wanted = request.form.get("locale", "")
    if wanted not in ("", *languages()):
        raise InvalidInput("there are no texts in this language", pointer="/locale")
    with app().database.write() as session:
        session.get_one(Person, current.person_id).locale = wanted or None
    return redirect("/account", 303)


@blueprint.post("/account/shop")
@for_signed_in
def shop() -> Any:
    """Turn to another shop one belongs to."""
    assert current.signed_in is not None
    with app().database.write() as session:
        known = {str(public_id): name for public_id, name in current.shops}
        row = session.scalar(select(Shop).where(Shop.name == known.get(request.form.get("shop", ""))))
        if row is None:
            raise NotFound("there is no such shop")
        look_at_shop(session, current.signed_in, row.id)
    forget_current()
    return redirect(first_place(), 303)


@blueprint.post("/look")
@for_anybody
def look() -> Any:
    """Choose light, dark, or what the device is set to."""
    wanted = request.form.get("look", "")
    if wanted not in LOOKS:
        raise InvalidInput(f"look is one of {', '.join(LOOKS)}", pointer="/look")
    answer = make_response(redirect(own_path(request.form.get("next")) or "/", 303))
    answer.set_cookie(LOOK_COOKIE, wanted, max_age=A_YEAR, httponly=True, samesite="Lax", secure=request.is_secure)
    return answer


def look_now() -> str:
    """The look this browser has chosen."""
    wanted = request.cookies.get(LOOK_COOKIE, "auto")
    return wanted if wanted in LOOKS else "auto"


def _account(form: ChangePasswordForm) -> Any:
    names = [(code, locale_of(code).get_display_name(code)) for code in languages()]
    return shown("account.html", form, languages=names)
