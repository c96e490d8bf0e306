"""Pages: sign in, sign out, set a password with a link."""

from __future__ import annotations

from typing import Any

from flask import Blueprint, make_response, redirect, request, session, url_for
from wtforms import HiddenField, PasswordField, StringField
from wtforms.validators import InputRequired, Length

from service.errors import InvalidInput
from service.people.accounts import link_holder, set_password_by_link
from service.people.passwords import LONGEST
from service.people.sessions import end_session, start_session
from service.people.sign_in import SignInRefused, TooManyTries
from service.people.sign_in import sign_in as check_sign_in
from service.web.current import SESSION_KEY, app, current, forget_current
from service.web.forms import PageForm, shown
from service.web.gate import for_anybody, own_path
from service.web.places import first_place
from service.web.texts import _, lazy

blueprint = Blueprint("sign_in", __name__)


class SignInForm(PageForm):
    name = StringField(lazy("Name"), [InputRequired(lazy("Write your login name.")), Length(max=254)])
    password = PasswordField(lazy("Password"), [InputRequired(lazy("Write your password.")), Length(max=LONGEST)])
    next = HiddenField()


class NewPasswordForm(PageForm):
    password = PasswordField(lazy("New password"), [InputRequired(lazy("Write a password.")), Length(max=LONGEST)])
    password_again = PasswordField(lazy("Once more"), [InputRequired(lazy("Write it once more.")), Length(max=LONGEST)])

    def same_twice(self) -> bool:
        """Whether both fields hold the same; a difference is said at the second."""
        if self.password.data != self.password_again.data:
            self.password_again.errors = [_("The two are not the same.")]
            return False
        return True


@blueprint.route("/sign-in", methods=["GET", "POST"])
@for_anybody
def sign_in() -> Any:
    """Ask for name and password."""
    form = SignInForm(next=own_path(request.args.get("next")))
    if current.person_id is not None:
        return redirect(first_place(), 303)
    if not form.validate_on_submit():
        return shown("sign_in/sign_in.html", form)
    try:
        person_id = check_sign_in(
            app().database,
            form.name.data or "",
            form.password.data or "",
            address=request.remote_addr or "",
            now=app().now(),
        )
    except SignInRefused:
        form.form_errors.append(_("Name and password do not belong together."))
        return shown("sign_in/sign_in.html", form)
    except TooManyTries as error:
        form.form_errors.append(_("Too many tries: wait %(n)s seconds, then try again.", n=error.seconds))
        page, _status = shown("sign_in/sign_in.html", form)
        return make_response(page, 429, {"Retry-After": str(error.seconds)})
    begin(person_id)
    return redirect(own_path(form.next.data) or first_place(), 303)


def begin(person_id: int) -> None:
    """Sign this browser in; what the cookie held before is forgotten."""
    with app().database.write() as database_session:
        key = start_session(database_session, person_id, now=app().now())
    session.clear()
    session.permanent = True
    session[SESSION_KEY] = key
    forget_current()


@blueprint.post("/sign-out")
@for_anybody
def sign_out() -> Any:
    """Sign this browser out, here and in the database."""
    key = session.get(SESSION_KEY)
    if isinstance(key, str):
        with app().database.write() as database_session:
            end_session(database_session, key)
    session.clear()
    forget_current()
    return redirect(url_for("web.sign_in.sign_in"), 303)


@blueprint.route("/set-password/<key>", methods=["GET", "POST"])
@for_anybody
def set_password(key: str) -> Any:
    """Set a password with a link that works once."""
    form = NewPasswordForm()
    with app().database.read() as database_session:
        person = link_holder(database_session, key, now=app().now())
    if form.validate_on_submit() and form.same_twice():
        try:
            with app().database.write() as database_session:
                person_id = set_password_by_link(database_session, key, form.password.data or "", now=app().now()).id
        except InvalidInput as error:
            form.refuse(error)
        else:
            begin(person_id)
            return redirect(first_place(), 303)
    return shown("sign_in/set_password.html", form, login=person.login)
