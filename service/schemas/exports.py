"""What a file of job lines is to be."""

from __future__ import annotations

from marshmallow import fields, validate

from service.exports import FORMATS
from service.schemas.asked import Asked


class ExportQuery(Asked):
    """Which kind of file; without it, the Accept header says."""

    format = fields.String(load_default=None, validate=validate.OneOf(list(FORMATS)))
