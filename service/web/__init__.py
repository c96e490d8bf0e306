"""Pages: server-rendered, usable without JavaScript, nothing loaded from another host."""

from __future__ import annotations

from collections.abc import Callable
from functools import wraps
from typing import Any

from flask import Blueprint, Flask
from jinja2 import pass_context
from jinja2.runtime import Context

from service.people.sessions import LIFE
from service.web import (
    account,
    ahead,
    how_right,
    inspections,
    lifetimes,
    log_work,
    look_first,
    machines,
    openid,
    review,
    shop,
    sign_in,
)
from service.web.account import look_now
from service.web.assets import register_assets
from service.web.cited import register_cited
from service.web.cookies import PageCookies
from service.web.current import current
from service.web.formats import register_formats
from service.web.forms import register_forms
from service.web.gate import csrf, keep_gate
from service.web.headers import register_headers
from service.web.names import register_names
from service.web.own_words import register_own_words
from service.web.places import has_place, places
from service.web.problems import register_problem_pages
from service.web.record_words import register_record_words
from service.web.texts import current_locale, languages, register_texts

# One module a place; each has a `blueprint` whose views are open to readers (GET) and technicians (the rest)
# unless they are marked otherwise.
MODULES = (
    sign_in,
    openid,
    account,
    look_first,
    inspections,
    log_work,
    review,
    machines,
    lifetimes,
    how_right,
    ahead,
    shop,
)


def register_web(app: Flask) -> None:
    """Attach every page, its gate, its texts and the headers of all answers."""
    app.config.update(
        SECRET_KEY=app.settings.secret(),  # type: ignore[attr-defined]
        SESSION_COOKIE_NAME="weakspot_session",
        SESSION_COOKIE_HTTPONLY=True,
        SESSION_COOKIE_SAMESITE="Lax",
        PERMANENT_SESSION_LIFETIME=LIFE,
        SESSION_REFRESH_EACH_REQUEST=False,
        # The gate checks forms of pages; the API takes no cookie, so that nothing can be forged there.
        WTF_CSRF_CHECK_DEFAULT=False,
        # A form that was opened in the morning is still good in the evening: it ends with the session.
        WTF_CSRF_TIME_LIMIT=None,
    )
    app.session_interface = PageCookies()
    csrf.init_app(app)
    register_texts(app)
    register_formats(app)
    register_names(app)
    register_record_words(app)
    register_own_words(app)
    register_cited(app)
    register_headers(app)
    register_assets(app)
    register_forms(app)
    register_problem_pages(app)
    app.context_processor(_for_templates)
    pages = Blueprint("web", __name__)
    pages.before_request(keep_gate)
    for module in MODULES:
        pages.register_blueprint(module.blueprint)
    app.register_blueprint(pages)
    app.add_template_global(openid.openid_name)
    for name, filter_ in app.jinja_env.filters.items():
        if filter_.__module__.startswith(__name__):
            app.jinja_env.filters[name] = _asked_each_time(filter_)


def _asked_each_time(filter_: Callable[..., Any]) -> Callable[..., Any]:
    """A filter whose answer Jinja does not keep: what it says hangs on who reads, also of a constant.

    ``{{ 5000|distance }}`` would otherwise be worked out when the template is compiled, for the first reader's unit
    and language, and be shown so to everybody.
    """
    if hasattr(filter_, "jinja_pass_arg"):
        return filter_

    @pass_context
    @wraps(filter_)
    def asked(_context: Context, *given: Any, **named: Any) -> Any:
        return filter_(*given, **named)

    return asked


def _for_templates() -> dict[str, object]:
    return {
        "current": current,
        "places": places,
        "has_place": has_place,
        "look": look_now,
        "language": lambda: current_locale().language,
        "languages": languages,
    }
