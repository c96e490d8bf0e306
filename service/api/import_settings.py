"""How a shop's own files are read: its column names, its forms of dates and numbers."""

from __future__ import annotations

from typing import Any

from flask.views import MethodView
from sqlalchemy.orm import Session

from service.api.context import app, reading, shop_id
from service.api.resource import Resource
from service.imports.habits import NO_FORMAT, read_columns, read_format, save_columns, save_format
from service.imports.options import LEFT_OUT
from service.schemas.import_wishes import ImportSettingsAsked, ImportSettingsReply
from service.schemas.records import KnownAtQuery

blueprint = Resource("import settings", __name__, url_prefix="/import-settings", description="Forms of a shop's files")


@blueprint.route("")
class ImportSettings(MethodView):
    @blueprint.arguments(KnownAtQuery, location="query")
    @blueprint.response(200, ImportSettingsReply)
    def get(self, asked: dict[str, Any]) -> dict[str, Any]:
        """Show how the shop's files are read."""
        with reading(asked["known_at"]) as session:
            return _document(session)

    @blueprint.arguments(ImportSettingsAsked)
    @blueprint.response(200, ImportSettingsReply)
    @blueprint.alt_response(422, response="UNPROCESSABLE_ENTITY")
    def put(self, asked: dict[str, Any]) -> dict[str, Any]:
        """Remember columns and forms; columns that are not named keep their meaning."""
        with app().database.write() as session:
            save_columns(session, shop_id(), asked["columns"], by=asked["by"], now=app().now())
            wanted = {name: asked[name] for name in NO_FORMAT if name in asked}
            if wanted:
                save_format(session, shop_id(), wanted, by=asked["by"], now=app().now())
            return _document(session)


def _document(session: Session) -> dict[str, Any]:
    columns = read_columns(session, shop_id())
    named = {row.as_written: row.column or LEFT_OUT for row in columns.values()}
    return {"columns": named, **read_format(session, shop_id())}
