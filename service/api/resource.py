"""How every resource reads its input and describes its errors: strictly, and as problem documents."""

from __future__ import annotations

from functools import partial
from http import HTTPStatus
from typing import Any

from flask import Request, current_app
from flask_smorest import Api, Blueprint
from flask_smorest.utils import prepare_response
from marshmallow import RAISE, Schema
from webargs.flaskparser import FlaskParser
from werkzeug.exceptions import BadRequest, UnsupportedMediaType

from service.api.conditions import IF_MATCH, IF_NONE_MATCH, conditional
from service.api.once import PARAMETER, once
from service.error_handlers import MEDIA_TYPE
from service.schemas.problem import ProblemDocument

UNCHANGED = {"description": "What the asker has still holds", "content_type": None}


class StrictParser(FlaskParser):
    """Takes what is described and nothing else; the application's JSON rules hold for bodies."""

    def __init__(self) -> None:
        super().__init__()
        # A misspelt `dry_run` must not quietly become a real import.
        refused = {"query": RAISE, "files": RAISE}
        self.DEFAULT_UNKNOWN_BY_LOCATION = {**FlaskParser.DEFAULT_UNKNOWN_BY_LOCATION, **refused}

    def load_json(self, req: Request, schema: Schema) -> Any:
        """The body's document; 415 for another media type, 400 where it cannot be read."""
        _must_be(req, "application/json")
        body = req.get_data(cache=True)
        try:
            return current_app.json.loads(body)
        except ValueError as error:
            raise BadRequest(f"The body cannot be read as JSON: {error}.") from None

    def load_files(self, req: Request, schema: Schema) -> Any:
        """The files of a form; 415 for another media type."""
        _must_be(req, "multipart/form-data")
        return super().load_files(req, schema)


def _must_be(req: Request, media_type: str) -> None:
    if req.mimetype != media_type:
        raise UnsupportedMediaType(f"Send the body as {media_type}, not {req.mimetype or 'without a content type'}.")


class Resource(Blueprint):
    """A blueprint whose operations all need a token and describe the errors that every one of them can give."""

    ARGUMENTS_PARSER = StrictParser()

    def add_url_rule(
        self, rule: str, endpoint: str | None = None, view_func: Any = None, *args: Any, **more: Any
    ) -> None:
        """Register a view; what holds for every view is put around it here."""
        view_func.decorators = [partial(conditional, view_func), once, *view_func.decorators]
        super().add_url_rule(rule, endpoint, view_func, *args, **more)

    def arguments(self, schema: Any, **more: Any) -> Any:
        """Read what is asked by a schema that is made once, not for each request."""
        return super().arguments(schema() if isinstance(schema, type) else schema, **more)

    @staticmethod
    def _prepare_response_doc(doc: dict[str, Any], doc_info: dict[str, Any], **kwargs: Any) -> dict[str, Any]:
        statuses = [
            HTTPStatus.UNAUTHORIZED,
            HTTPStatus.FORBIDDEN,
            HTTPStatus.TOO_MANY_REQUESTS,
            HTTPStatus.SERVICE_UNAVAILABLE,
            HTTPStatus.INSUFFICIENT_STORAGE,
        ]
        if "requestBody" in doc:
            statuses += [
                HTTPStatus.BAD_REQUEST,
                HTTPStatus.REQUEST_TIMEOUT,
                HTTPStatus.REQUEST_ENTITY_TOO_LARGE,
                HTTPStatus.UNSUPPORTED_MEDIA_TYPE,
            ]
        if kwargs.get("method") == "post":
            doc["parameters"] = [*doc.get("parameters", ()), PARAMETER]
            statuses += [HTTPStatus.CONFLICT, HTTPStatus.UNPROCESSABLE_ENTITY]
        elif kwargs.get("method") == "get":
            doc["parameters"] = [*doc.get("parameters", ()), IF_NONE_MATCH]
            doc_info.setdefault("response", {}).setdefault("responses", {}).setdefault(304, [dict(UNCHANGED)])
        elif kwargs.get("method") in ("put", "patch", "delete"):
            doc["parameters"] = [*doc.get("parameters", ()), IF_MATCH]
            statuses += [HTTPStatus.PRECONDITION_FAILED, HTTPStatus.PRECONDITION_REQUIRED]
        responses = doc_info.setdefault("response", {}).setdefault("responses", {})
        for status in statuses:
            responses.setdefault(status.value, [status.name])
        return Blueprint._prepare_response_doc(doc, doc_info, **kwargs)


class ProblemApi(Api):
    """flask-smorest's registry; errors are handled by our own handlers and described as problem documents."""

    ERROR_SCHEMA = ProblemDocument

    def _register_error_handlers(self) -> None:
        """`service.error_handlers` maps every error once."""

    def _register_responses(self) -> None:
        """One described error for each status, and one for all others."""
        for status in HTTPStatus:
            if status >= HTTPStatus.BAD_REQUEST:
                self._register_problem(status.name, status.phrase)
        self._register_problem("DEFAULT_ERROR", "Any other error")

    def _register_pagination_header(self) -> None:
        """Lists are paged by `next` in the body and by a Link header, see `service.api.pages`."""

    def _register_problem(self, name: str, description: str) -> None:
        response: dict[str, Any] = {"description": description, "schema": self.ERROR_SCHEMA}
        prepare_response(response, self.spec, MEDIA_TYPE)
        self.spec.components.response(name, response, lazy=True)
