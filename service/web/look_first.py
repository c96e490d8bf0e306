"""Pages: describe a machine, see what tends to fail on it and what to look at first in the minutes there are."""

from __future__ import annotations

from typing import Any

from flask import Blueprint, request
from sqlalchemy.orm import Session

from service.catalogue import current_catalogue
from service.errors import DomainError
from service.inspections.plans import plan_of_ranking
from service.inspections.rank_with_evidence import ranking_reply
from service.inspections.ranking import rank_described
from service.schemas.plan import PlanAsked
from service.web.asked import load_asked, refuse_at
from service.web.current import app, current
from service.web.forms import shown
from service.web.look_forms import FIELDS, LookForm, known_models, request_of
from service.web.once import new_key

blueprint = Blueprint("look_first", __name__, url_prefix="/look-first")
FIRST = 10  # parts shown before "all the others"


@blueprint.get("")
def index() -> Any:
    """Describe a machine; once described, show its ranking and the plan."""
    with app().database.read() as session:
        form, found = look(session)
        makes, models = known_models(session)
    return shown("look_first.html", form, found=found, makes=makes, models=models, first=FIRST, once_key=new_key())


def described(session: Session) -> tuple[LookForm, dict[str, Any] | None]:
    """The form as the address has it, and what it asks; None before it is filled in, or where it was refused."""
    form = LookForm(request.args if request.args else None, meta={"csrf": False})
    form.offer(current_catalogue(session))
    if not request.args:
        form.begin()
        return form, None
    return form, load_asked(PlanAsked(), request_of(form), form, FIELDS) if form.validate() else None


def look(session: Session) -> tuple[LookForm, dict[str, Any] | None]:
    """The form, and what it comes to; None before it is filled in, or where it was refused."""
    form, asked = described(session)
    if asked is None:
        return form, None
    settings, today = current.settings, app().today()
    try:
        ranked, snapshot = rank_described(session, current.shop_id, asked, today=today, pool_open=settings.pool_open)
        ranking = ranking_reply(ranked, snapshot, asked)
        plan = plan_of_ranking(ranked, snapshot, asked, settings)
    except DomainError as error:
        refuse_at(form, error, FIELDS)
        return form, None
    machine = plan.ranking.machine
    return form, {"ranking": ranking, "plan": plan.to_dict(), "km": machine.now_km, "years": machine.now_days / 365.25}
