"""Pages: how right the chances of a past day were, in plain words; the misses too."""

from __future__ import annotations

import uuid
from collections.abc import Callable, Mapping
from typing import Any

from flask import Blueprint, Response, flash, redirect, request, url_for

from service.errors import DomainError, NotFound
from service.jobs.backtest_asking import ask_backtest, backtest_of, backtests_of, latest_backtest
from service.life_tables import calibration_table
from service.models import Job
from service.pictures import FORMATS, calibration_picture
from service.schemas.jobs import BacktestAsked
from service.security_headers import PAPER_POLICY
from service.web.asked import load_asked, refuse_at
from service.web.current import app, current
from service.web.forms import shown
from service.web.how_right_forms import BACKTEST_FIELDS, BacktestForm, backtest_request
from service.web.once import done_once, new_key
from service.web.texts import _

blueprint = Blueprint("how_right", __name__, url_prefix="/how-right")
SHOWN_MISSES = 15


@blueprint.get("")
def index() -> Any:
    """Show the newest backtest that is done."""
    with app().database.read() as session:
        job = latest_backtest(session, current.shop_id)
    return _page(job, BacktestForm())


@blueprint.get("/<uuid:backtest_id>")
def one(backtest_id: uuid.UUID) -> Any:
    """Show one backtest, or where it stands."""
    with app().database.read() as session:
        job = backtest_of(session, current.shop_id, backtest_id)
    return _page(job, BacktestForm())


def _page(job: Job | None, form: BacktestForm) -> Any:
    with app().database.read() as session:
        all_of_them = backtests_of(session, current.shop_id)
    under_way = [other for other in all_of_them if other.state in ("queued", "running")]
    return shown(
        "how_right/index.html",
        form,
        job=job,
        found=job.result if job else None,
        others=all_of_them,
        under_way=under_way,
        picture=_picture_address(job) if job else None,
        misses=SHOWN_MISSES,
        once_key=new_key(),
    )


@blueprint.post("")
@done_once
def ask() -> Any:
    """Ask for a backtest; it runs apart from the request."""
    form = BacktestForm()
    asked = load_asked(BacktestAsked(), backtest_request(form), form, BACKTEST_FIELDS) if form.validate() else None
    if asked is not None:
        try:
            with app().database.write() as session:
                job = ask_backtest(
                    session,
                    current.shop_id,
                    asked,
                    now=app().now(),
                    today=app().today(),
                    settings=app().settings,
                )
                session.flush()
                where = url_for("web.how_right.one", backtest_id=job.public_id)
            flash(_("Asked for. It takes some minutes; this page shows where it stands when it is opened again."))
            return redirect(where, 303)
        except DomainError as error:
            refuse_at(form, error, BACKTEST_FIELDS)
    with app().database.read() as session:
        latest = latest_backtest(session, current.shop_id)
    return _page(latest, form)


def _picture_address(job: Job) -> Callable[..., str]:
    def address(name: str, kind: str, **more: Any) -> str:
        return url_for("web.how_right.file", backtest_id=job.public_id, name=f"{name}.{kind}", **more)

    return address


@blueprint.get("/<uuid:backtest_id>/<string:name>")
def file(backtest_id: uuid.UUID, name: str) -> Response:
    """Give the calibration picture (SVG, PNG), or the table behind it (CSV)."""
    with app().database.read() as session:
        job = backtest_of(session, current.shop_id, backtest_id)
    picture, _dot, kind = name.rpartition(".")
    if picture != "calibration" or job.result is None or kind not in (*FORMATS, "csv"):
        raise NotFound("there is no such picture; calibration.svg, .png and .csv can be had")
    tenths = job.result["calibration"]["tenths"]
    headers = {"Content-Security-Policy": PAPER_POLICY}
    if kind == "csv" or request.args.get("save"):
        headers["Content-Disposition"] = f'attachment; filename="{name}"'
    if kind == "csv":
        return Response(calibration_table(tenths), mimetype="text/csv", headers=headers)
    tone = "dark" if request.args.get("tone") == "dark" else "light"
    drawn = calibration_picture(tenths, _words(job.result).__getitem__, tone=tone, kind=kind)
    return Response(drawn, mimetype=FORMATS[kind], headers=headers)


def _words(found: Mapping[str, Any]) -> dict[str, str]:
    return {
        "across": _("Tenths of the parts, by the chance given"),
        "up": _("Share that failed while watched"),
        "happened": _("what happened"),
        "said": _("what was said"),
    }
