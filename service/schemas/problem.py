"""Problem documents of RFC 9457."""

from __future__ import annotations

from marshmallow import fields

from service.schemas.fields import Reply


class ProblemPlace(Reply):
    """Where in the request something is wrong."""

    pointer = fields.String(
        required=True, metadata={"description": "JSON pointer (RFC 6901) into the body, or / and a parameter's name"}
    )
    detail = fields.String(required=True)


class ProblemDocument(Reply):
    """An error, as application/problem+json."""

    type = fields.String(required=True)
    title = fields.String(required=True)
    status = fields.Integer(required=True)
    detail = fields.String()
    errors = fields.List(fields.Nested(ProblemPlace))
    problems = fields.List(
        fields.Dict(), metadata={"description": "of a file that cannot be read: line, column, value, reason, instead"}
    )
    report = fields.Dict(metadata={"description": "of a file with rows that cannot be used: what was understood"})
