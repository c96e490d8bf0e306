"""Problem documents of RFC 9457."""

from __future__ import annotations

from marshmallow import Schema, fields


class ProblemPlace(Schema):
    """Where in the request something is wrong."""

    pointer = fields.String(required=True)
    detail = fields.String(required=True)


class ProblemDocument(Schema):
    """An error, as application/problem+json."""

    type = fields.String(required=True)
    title = fields.String(required=True)
    status = fields.Integer(required=True)
    detail = fields.String()
    errors = fields.List(fields.Nested(ProblemPlace))
