"""Fits and backtests asked for: accepted at once, done apart from the request."""

from __future__ import annotations

import uuid
from typing import Any

from flask import url_for
from flask.views import MethodView
from sqlalchemy.orm import Session

from service.api.context import app, shop_id
from service.api.resource import Resource
from service.estimates import pool_is_open
from service.jobs.asking import ask, fit_lock, job_of, jobs_of
from service.jobs.backtest_asking import ask_backtest
from service.models import Job
from service.queries import page, refuse_unknown_component
from service.schemas.jobs import BacktestAsked, FitAsked, JobReply, JobsReply
from service.schemas.records import PageQuery

blueprint = Resource("jobs", __name__, url_prefix="", description="Work that takes a while")


@blueprint.route("/jobs")
class Jobs(MethodView):
    @blueprint.arguments(PageQuery, location="query")
    @blueprint.response(200, JobsReply)
    def get(self, asked: dict[str, Any]) -> dict[str, Any]:
        """List the shop's jobs and those that concern every shop."""
        with app().database.read() as session:
            rows, further = page(session, jobs_of(shop_id()), Job, after=asked["after"], limit=asked["limit"])
            return {"jobs": rows, "next": further}


@blueprint.route("/jobs/<uuid:job_id>")
class OneJob(MethodView):
    @blueprint.response(200, JobReply)
    @blueprint.alt_response(404, response="NOT_FOUND")
    def get(self, job_id: uuid.UUID) -> Job:
        """Show where a job stands, and its result once it is done."""
        with app().database.read() as session:
            return job_of(session, shop_id(), job_id)


@blueprint.route("/fits")
class Fits(MethodView):
    @blueprint.arguments(FitAsked)
    @blueprint.response(202, JobReply)
    @blueprint.alt_response(422, response="UNPROCESSABLE_ENTITY")
    def post(self, asked: dict[str, Any]) -> Any:
        """Ask for a fit of one component, or of all that are out of date."""
        with app().database.write() as session:
            component = asked["component"]
            if component is not None:
                refuse_unknown_component(session, component)
            scope = _scope(session)
            return _accepted(session, "fit", fit_lock(scope, component), {"scope": scope, "component": component})


@blueprint.route("/backtests")
class Backtests(MethodView):
    @blueprint.arguments(BacktestAsked)
    @blueprint.response(202, JobReply)
    @blueprint.alt_response(422, response="UNPROCESSABLE_ENTITY")
    def post(self, asked: dict[str, Any]) -> Any:
        """Ask how right the predictions of a past day would have been."""
        with app().database.write() as session:
            job = ask_backtest(session, shop_id(), asked, now=app().now(), today=app().today(), settings=app().settings)
            return _answer(session, job)


def _scope(session: Session) -> int | None:
    return None if pool_is_open(session, pool_open=app().settings.pool_open) else shop_id()


def _accepted(session: Session, kind: str, lock: str, params: dict[str, Any]) -> Any:
    job = ask(session, kind, lock, params, shop_id=shop_id(), now=app().now(), most_waiting=app().settings.jobs_waiting)
    return _answer(session, job)


def _answer(session: Session, job: Job) -> Any:
    session.flush()
    return job, 202, {"Location": url_for("jobs.OneJob", job_id=job.public_id)}
