"""What a shop says beside its cards: plates, dates of a line, its own rules, engine hours, machines it shares."""

from __future__ import annotations

import uuid
from typing import Any

from flask.views import MethodView
from sqlalchemy.orm import Session

from service import facts, machine_joins
from service.api.context import app, reading, shop_id
from service.api.resource import Resource
from service.facts import Said
from service.models import Machine
from service.queries import line_of, machine_of
from service.schemas import facts as shapes
from service.schemas.records import KnownAtQuery

blueprint = Resource("facts", __name__, url_prefix="", description="What is said beside the cards")


def _said(asked: dict[str, Any]) -> Said:
    return Said(asked["by"], app().now())


@blueprint.route("/machines/<uuid:machine_id>/plates")
class Plates(MethodView):
    @blueprint.arguments(KnownAtQuery, location="query")
    @blueprint.response(200, shapes.PlatesReply)
    @blueprint.alt_response(404, response="NOT_FOUND")
    def get(self, asked: dict[str, Any], machine_id: uuid.UUID) -> dict[str, Any]:
        """List the registrations a machine bore."""
        with reading(asked["known_at"]) as session:
            return {"plates": facts.plates_of(session, machine_of(session, shop_id(), machine_id).id)}

    @blueprint.arguments(shapes.PlateAsked)
    @blueprint.response(201, shapes.PlateReply)
    @blueprint.alt_response(404, response="NOT_FOUND")
    @blueprint.alt_response(422, response="UNPROCESSABLE_ENTITY")
    def post(self, asked: dict[str, Any], machine_id: uuid.UUID) -> Any:
        """Say which registration a machine bore, and when."""
        with app().database.write() as session:
            return facts.add_plate(session, machine_of(session, shop_id(), machine_id), asked, _said(asked))


@blueprint.route("/plates")
class Bearers(MethodView):
    @blueprint.arguments(shapes.BearersQuery, location="query")
    @blueprint.response(200, shapes.BearersReply)
    def get(self, asked: dict[str, Any]) -> dict[str, Any]:
        """Find the machines that bore a registration, ever or on a day."""
        with reading(asked["known_at"]) as session:
            rows = facts.bearers_of(session, shop_id(), asked["plate"], asked["on"])
            machines = [session.get_one(Machine, row.machine_id) for row in rows]
            return {"machines": [{"id": str(m.public_id), "reference": m.reference} for m in machines]}


@blueprint.route("/job-lines/<uuid:line_id>/dates")
class LineDates(MethodView):
    @blueprint.arguments(KnownAtQuery, location="query")
    @blueprint.response(200, shapes.LineDatesReply)
    @blueprint.alt_response(404, response="NOT_FOUND")
    def get(self, asked: dict[str, Any], line_id: uuid.UUID) -> dict[str, Any]:
        """List a line's own dates beside its card's."""
        with reading(asked["known_at"]) as session:
            return {"dates": facts.dates_of(session, line_of(session, shop_id(), line_id))}

    @blueprint.arguments(shapes.LineDateAsked)
    @blueprint.response(201, shapes.LineDateReply)
    @blueprint.alt_response(404, response="NOT_FOUND")
    @blueprint.alt_response(422, response="UNPROCESSABLE_ENTITY")
    def post(self, asked: dict[str, Any], line_id: uuid.UUID) -> Any:
        """Say when the part failed, was found, came in, or was done."""
        with app().database.write() as session:
            line = line_of(session, shop_id(), line_id)
            return facts.add_line_date(session, line, asked["event"], asked["date"], _said(asked))


def _policies(session: Session) -> dict[str, Any]:
    names = ("every_km", "every_months", "in_force_from", "in_force_until", "why", "said_by")
    found = facts.policies_of(session, shop_id())
    return {"policies": [{"component": slug, **{name: getattr(row, name) for name in names}} for row, slug in found]}


@blueprint.route("/policies")
class Policies(MethodView):
    @blueprint.arguments(KnownAtQuery, location="query")
    @blueprint.response(200, shapes.PoliciesReply)
    def get(self, asked: dict[str, Any]) -> dict[str, Any]:
        """List the shop's rules to renew parts."""
        with reading(asked["known_at"]) as session:
            return _policies(session)

    @blueprint.arguments(shapes.PolicyAsked)
    @blueprint.response(201, shapes.PoliciesReply)
    @blueprint.alt_response(422, response="UNPROCESSABLE_ENTITY")
    def post(self, asked: dict[str, Any]) -> dict[str, Any]:
        """Say at what distance or age the shop renews a part as a rule; such removals are planned ones."""
        with app().database.write() as session:
            facts.add_policy(session, shop_id(), asked, _said(asked))
            return _policies(session)


@blueprint.route("/machines/<uuid:machine_id>/engine-hours")
class EngineHours(MethodView):
    @blueprint.arguments(shapes.HoursAsked)
    @blueprint.response(201, shapes.HoursReply)
    @blueprint.alt_response(404, response="NOT_FOUND")
    @blueprint.alt_response(422, response="UNPROCESSABLE_ENTITY")
    def post(self, asked: dict[str, Any], machine_id: uuid.UUID) -> Any:
        """Declare what an hour of a machine's engine is in km; without it hours are never a distance."""
        with app().database.write() as session:
            machine = machine_of(session, shop_id(), machine_id)
            return facts.assume_hours(session, machine, asked["km_per_hour"], asked["why"], _said(asked))


@blueprint.route("/machines/<uuid:machine_id>/engine-changes")
class EngineChanges(MethodView):
    @blueprint.response(200, shapes.EngineChangesReply)
    @blueprint.alt_response(404, response="NOT_FOUND")
    def get(self, machine_id: uuid.UUID) -> dict[str, Any]:
        """List a machine's engine changes, those taken back among them."""
        with app().database.read() as session:
            machine = machine_of(session, shop_id(), machine_id)
            return {"engine_changes": facts.engine_changes_of(session, machine.id)}

    @blueprint.arguments(shapes.EngineChangeAsked)
    @blueprint.response(201, shapes.EngineChangeReply)
    @blueprint.alt_response(404, response="NOT_FOUND")
    @blueprint.alt_response(422, response="UNPROCESSABLE_ENTITY")
    def post(self, asked: dict[str, Any], machine_id: uuid.UUID) -> Any:
        """Say that another engine went in: parts that follow an engine are of unknown age from then on."""
        with app().database.write() as session:
            machine = machine_of(session, shop_id(), machine_id)
            return facts.add_engine_change(session, machine, asked, _said(asked))


@blueprint.route("/machines/<uuid:machine_id>/engine-changes/<uuid:change_id>/undo")
class UndoEngineChange(MethodView):
    @blueprint.arguments(shapes.EngineChangeUndone)
    @blueprint.response(201, shapes.EngineChangeReply)
    @blueprint.alt_response(404, response="NOT_FOUND")
    @blueprint.alt_response(409, response="CONFLICT")
    def post(self, asked: dict[str, Any], machine_id: uuid.UUID, change_id: uuid.UUID) -> Any:
        """Take back that an engine was changed."""
        with app().database.write() as session:
            machine = machine_of(session, shop_id(), machine_id)
            return facts.undo_engine_change(session, machine, change_id, _said(asked))


@blueprint.route("/machine-joins")
class Joins(MethodView):
    @blueprint.response(200, shapes.JoinsReply)
    def get(self) -> dict[str, Any]:
        """List the shop's machines that count together with one of another shop, with the trail."""
        with app().database.read() as session:
            return {"joins": machine_joins.joins_of(session, shop_id())}


@blueprint.route("/machine-joins/agreement")
class Agreement(MethodView):
    @blueprint.arguments(shapes.JoinAsked)
    @blueprint.response(201, shapes.JoinedReply)
    def post(self, asked: dict[str, Any]) -> dict[str, Any]:
        """Consent that machines are counted together with the same ones of shops that consent too."""
        with app().database.write() as session:
            return {"machines": machine_joins.agree_to_join(session, shop_id(), _said(asked))}


@blueprint.route("/machine-joins/agreement/end")
class AgreementEnd(MethodView):
    @blueprint.arguments(shapes.JoinAsked)
    @blueprint.response(201, shapes.JoinedReply)
    def post(self, asked: dict[str, Any]) -> dict[str, Any]:
        """Take the consent back: every join of the shop's machines is undone."""
        with app().database.write() as session:
            return {"machines": machine_joins.end_agreement(session, shop_id(), asked["why"] or "", _said(asked))}


@blueprint.route("/machine-joins/<uuid:join_id>/undo")
class UndoJoin(MethodView):
    @blueprint.arguments(shapes.JoinAsked)
    @blueprint.response(201, shapes.JoinsReply)
    @blueprint.alt_response(404, response="NOT_FOUND")
    @blueprint.alt_response(409, response="CONFLICT")
    def post(self, asked: dict[str, Any], join_id: uuid.UUID) -> dict[str, Any]:
        """Count two machines apart again."""
        with app().database.write() as session:
            machine_joins.undo_join(session, shop_id(), join_id, asked["why"] or "", _said(asked))
            return {"joins": machine_joins.joins_of(session, shop_id())}


@blueprint.route("/machine-joins/<uuid:join_id>/again")
class JoinAgain(MethodView):
    @blueprint.arguments(shapes.JoinAsked)
    @blueprint.response(201, shapes.JoinsReply)
    @blueprint.alt_response(404, response="NOT_FOUND")
    @blueprint.alt_response(409, response="CONFLICT")
    def post(self, asked: dict[str, Any], join_id: uuid.UUID) -> dict[str, Any]:
        """Count two machines together once more; an offer, unless this shop took them apart."""
        with app().database.write() as session:
            machine_joins.join_again(session, shop_id(), join_id, _said(asked))
            return {"joins": machine_joins.joins_of(session, shop_id())}
