"""Who may open which page. Nothing is open unless it says so; changing something takes a technician."""

from __future__ import annotations

from collections.abc import Callable
from typing import Any, TypeVar
from urllib.parse import urlsplit

from flask import Response, current_app, redirect, request, url_for
from flask_wtf.csrf import CSRFError, CSRFProtect
from werkzeug.exceptions import Forbidden

from service.web.current import current, find_out
from service.web.texts import _

View = TypeVar("View", bound=Callable[..., Any])
csrf = CSRFProtect()
SAFE = ("GET", "HEAD", "OPTIONS")


def require_role(role: str) -> Callable[[View], View]:
    """Only for those who may do all that this role may; instead of reader for GET and technician for the rest."""

    def mark(view: View) -> View:
        view.needed_role = role  # type: ignore[attr-defined]
        return view

    return mark


def for_anybody(view: View) -> View:
    """Open to those who are not signed in."""
    view.needed_role = None  # type: ignore[attr-defined]
    return view


def for_signed_in(view: View) -> View:
    """Open to everybody who is signed in, whatever their role."""
    view.needed_role = ""  # type: ignore[attr-defined]
    return view


def needed_role(endpoint: str, method: str) -> str | None:
    """The role a page needs; empty: any that is signed in; None: nobody in particular."""
    view = current_app.view_functions[endpoint]
    return getattr(view, "needed_role", "reader" if method in SAFE else "technician")


def keep_gate() -> Any:
    """Before every page: signed in, of the role, and a form of ours."""
    find_out()
    if request.endpoint is None:
        return None
    role = needed_role(request.endpoint, request.method)
    if role is not None and current.person_id is None:
        return _to_sign_in()
    if request.method not in SAFE:
        csrf.protect()
    if role and not current.is_at_least(role):
        raise Forbidden(_not_for(role))
    return None


def _not_for(role: str) -> str:
    if not current.roles:
        return _("You belong to no shop here any more; its owner can add you again.")
    names = {
        "reader": _("reader"),
        "technician": _("technician"),
        "owner": _("owner"),
        "pool_steward": _("pool steward"),
    }
    return _("This needs the role %(role)s in %(shop)s.", role=names[role], shop=current.shop_name)


def _to_sign_in() -> Response:
    wanted = request.full_path.rstrip("?") if request.method in SAFE else None
    target = url_for("web.sign_in.sign_in", next=wanted)
    if request.headers.get("HX-Request"):
        return Response(status=204, headers={"HX-Redirect": target})
    answer = redirect(target, 303)
    assert isinstance(answer, Response)
    return answer


def own_path(text: str | None) -> str | None:
    """A path of this server to go on to; anything that could lead elsewhere is dropped."""
    if not text or not text.startswith("/") or text.startswith(("//", "/\\")) or "\\" in text or not text.isprintable():
        return None
    parts = urlsplit(text)
    return None if parts.scheme or parts.netloc else text


__all__ = ["CSRFError", "csrf", "for_anybody", "for_signed_in", "keep_gate", "needed_role", "own_path", "require_role"]
