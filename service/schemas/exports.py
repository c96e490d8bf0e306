"""What a file of job lines is to be."""

from __future__ import annotations

from marshmallow import fields, validate

from service.exports import FORMATS
from service.schemas.records import KnownAtQuery


class ExportQuery(KnownAtQuery):
    """Which kind of file (without it, the Accept header says), and as of when."""

    format = fields.String(load_default=None, validate=validate.OneOf(list(FORMATS)))
