"""Inspections on paper, and what they come to in money."""

from __future__ import annotations

import uuid
from typing import Any

from flask import Response
from flask.views import MethodView

from service.api.context import app, reading, shop_id
from service.api.resource import Resource
from service.inspections.bill_paper import bill_html
from service.inspections.printing import html_of, pdf_from, pdf_of
from service.inspections.sheets import inspection_sheet
from service.inspections.standing import stand
from service.inspections.visit_bill import bill_of_inspection
from service.schemas.bill import BillQuery, BillReply
from service.schemas.records import KnownAtQuery

blueprint = Resource("prints", __name__, url_prefix="/inspections", description="Plans to print, bills")
TEXT = {"type": "string"}


@blueprint.route("/<uuid:inspection_id>/plan.html")
class PlanPage(MethodView):
    @blueprint.arguments(KnownAtQuery, location="query")
    @blueprint.response(200, TEXT, content_type="text/html")
    @blueprint.alt_response(404, response="NOT_FOUND")
    def get(self, asked: dict[str, Any], inspection_id: uuid.UUID) -> Response:
        """Give what is left to do as a page to print and fill in by pencil."""
        with reading(asked["known_at"]) as session:
            standing = stand(session, shop_id(), inspection_id, app().settings)
            sheet = inspection_sheet(session, standing, app().settings)
        return Response(html_of(sheet, standing.places.catalogue), mimetype="text/html")


@blueprint.route("/<uuid:inspection_id>/plan.pdf")
class PlanPdf(MethodView):
    @blueprint.arguments(KnownAtQuery, location="query")
    @blueprint.response(200, {**TEXT, "format": "binary"}, content_type="application/pdf")
    @blueprint.alt_response(404, response="NOT_FOUND")
    @blueprint.alt_response(501, response="NOT_IMPLEMENTED")
    def get(self, asked: dict[str, Any], inspection_id: uuid.UUID) -> Response:
        """Give the same page as PDF."""
        with reading(asked["known_at"]) as session:
            standing = stand(session, shop_id(), inspection_id, app().settings)
            sheet = inspection_sheet(session, standing, app().settings)
        return Response(pdf_of(sheet, standing.places.catalogue), mimetype="application/pdf")


@blueprint.route("/<uuid:inspection_id>/bill")
class InspectionBill(MethodView):
    @blueprint.arguments(BillQuery, location="query")
    @blueprint.response(200, BillReply)
    @blueprint.alt_response(404, response="NOT_FOUND")
    @blueprint.alt_response(409, response="CONFLICT")
    @blueprint.alt_response(422, response="UNPROCESSABLE_ENTITY")
    def get(self, asked: dict[str, Any], inspection_id: uuid.UUID) -> dict[str, Any]:
        """Price an inspection as it stands: certain, likely and season risk apart."""
        with reading(asked["known_at"]) as session:
            standing = stand(session, shop_id(), inspection_id, app().settings)
            return bill_of_inspection(session, standing, asked, settings=app().settings).to_dict()


@blueprint.route("/<uuid:inspection_id>/bill.html")
class BillPage(MethodView):
    @blueprint.arguments(KnownAtQuery, location="query")
    @blueprint.response(200, TEXT, content_type="text/html")
    @blueprint.alt_response(404, response="NOT_FOUND")
    @blueprint.alt_response(409, response="CONFLICT")
    def get(self, asked: dict[str, Any], inspection_id: uuid.UUID) -> Response:
        """Give what was found and what it costs as a plain list to print and lay on the table."""
        return Response(_bill_paper(asked, inspection_id), mimetype="text/html")


@blueprint.route("/<uuid:inspection_id>/bill.pdf")
class BillPdf(MethodView):
    @blueprint.arguments(KnownAtQuery, location="query")
    @blueprint.response(200, {**TEXT, "format": "binary"}, content_type="application/pdf")
    @blueprint.alt_response(404, response="NOT_FOUND")
    @blueprint.alt_response(409, response="CONFLICT")
    @blueprint.alt_response(501, response="NOT_IMPLEMENTED")
    def get(self, asked: dict[str, Any], inspection_id: uuid.UUID) -> Response:
        """Give the same list as PDF."""
        return Response(pdf_from(_bill_paper(asked, inspection_id)), mimetype="application/pdf")


def _bill_paper(asked: dict[str, Any], inspection_id: uuid.UUID) -> str:
    with reading(asked["known_at"]) as session:
        standing = stand(session, shop_id(), inspection_id, app().settings)
        bill = bill_of_inspection(session, standing, BillQuery().load({}), settings=app().settings).to_dict()
    return bill_html(bill, standing.row.machine, standing.row.as_of)
