"""Pages: what the shop shares with the others, row by row, and whether it does."""

from __future__ import annotations

from collections import Counter
from datetime import date
from typing import Any

from flask import Blueprint, Response, flash, redirect, url_for
from sqlalchemy.orm import Session
from wtforms import RadioField, StringField
from wtforms.validators import Length, Optional

from service.errors import DomainError
from service.pool.desk import pool_document, shared_lines, what_is_shared
from service.pool.files import in_parts
from service.pool.members import set_membership
from service.pool.trail import note_crossing
from service.schemas.pool import MembershipAsked
from service.web.asked import load_asked, refuse_at
from service.web.current import app, current
from service.web.forms import PageForm, choices, shown
from service.web.gate import require_role
from service.web.texts import _, lazy

blueprint = Blueprint("shared", __name__, url_prefix="/shared")
ROWS_SHOWN = 12
FIELDS = {"sharing": "sharing", "from": "from_day", "why": "why"}


class SharingForm(PageForm):
    """Whether the shop shares, from which day on, and why."""

    sharing = RadioField(
        lazy("From that day on"), choices=choices([("yes", lazy("it shares")), ("no", lazy("it does not share"))])
    )
    from_day = StringField(lazy("Day"), [Optional(), Length(max=10)])
    why = StringField(lazy("Why"), [Optional(), Length(max=400)])


@blueprint.get("")
def index() -> Any:
    """Show what is shared."""
    return _page(None)


@blueprint.post("")
@require_role("owner")
def change() -> Any:
    """Share from a day on, or no longer."""
    form = SharingForm()
    body = {"sharing": form.sharing.data == "yes", "from": form.from_day.data or None, "why": form.why.data or None}
    asked = load_asked(MembershipAsked(), body, form, FIELDS) if form.validate() else None
    if asked is None:
        return _page(form)
    try:
        with app().database.write() as session:
            _said(session, asked["sharing"], asked["from_"], asked["why"])
    except DomainError as error:
        refuse_at(form, error, FIELDS)
        return _page(form)
    flash(_("Written down; it takes effect at the next publication on or after that day."))
    return redirect(url_for("web.shop.shared.index"), 303)


def _said(session: Session, sharing: bool, on: date | None, why: str | None) -> None:
    now, who = app().now(), current.actor()
    row = set_membership(session, current.shop_id, sharing=sharing, on=on, why=why, by=current.login[:80], now=now)
    detail = f"{'shares' if sharing else 'does not share'} from {row.takes_effect_on}"
    note_crossing(session, who, "pool_membership", detail, now=now, shop_id=current.shop_id)


@blueprint.get("/rows.jsonl")
def rows() -> Response:
    """Give all of it, a row a line."""
    with app().database.read() as session:
        lines = shared_lines(session, current.shop_id, pseudonym_key=app().settings.pool_pseudonym_key)
    headers = {"Content-Disposition": 'attachment; filename="shared.jsonl"'}
    return Response(in_parts(lines), mimetype="application/x-ndjson", headers=headers)


def _page(form: SharingForm | None) -> Any:
    settings = app().settings
    with app().database.read() as session:
        pool = pool_document(session, current.shop_id, app().today(), pool_open=settings.pool_open)
        first, by_part = _shared(session, settings.pool_pseudonym_key)
    if form is None:
        form = SharingForm(formdata=None)
        form.sharing.data = "yes" if pool["membership"]["sharing"] else "no"
    return shown("shop/shared.html", form, pool=pool, first=first, by_part=by_part)


def _shared(session: Session, pseudonym_key: str) -> tuple[list[dict[str, Any]], Counter[str]]:
    """The first rows, and how many there are of each part."""
    shared = what_is_shared(session, current.shop_id, pseudonym_key)
    by_part = Counter({slug: len(spells) for slug, spells in shared.spells.items() if len(spells)})
    return list(shared.rows(0, ROWS_SHOWN)), by_part
