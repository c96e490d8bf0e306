"""How files are to be read: said with a file, or remembered for a shop's files."""

from __future__ import annotations

import json
from collections.abc import Mapping
from typing import Any

from marshmallow import ValidationError, fields, validate

from service.imports.options import DATE_ORDERS, DECIMAL_MARKS, LEFT_OUT
from service.schemas.asked import Asked
from service.schemas.fields import Name, Reply
from service.vocabulary import HOURS, JOB_LINE_COLUMNS, TAX_WORDS, UNITS

ORDERS = {"description": "ask: both orders are read, and a day that reads two ways becomes a doubt"}
CURRENCY = {"description": "of costs without one"}


class Pairs(fields.Field[dict[str, str]]):
    """A mapping of texts, as a JSON object or written as one in an address or a form."""

    def _deserialize(self, value: Any, attr: str | None, data: Any, **kwargs: Any) -> dict[str, str]:
        if isinstance(value, str):
            try:
                value = json.loads(value) if value else {}
            except (ValueError, RecursionError):
                value = None
        plain = isinstance(value, Mapping) and len(value) <= 200
        if not plain or not all(isinstance(part, str) for pair in value.items() for part in pair):
            raise ValidationError('Write an object of texts, like {"Km": "odometer", "Colour": "-"}.')
        return dict(value)


class ImportQuery(Asked):
    """How to take a file in; what is left out is as the shop's import settings have it, or found out."""

    dry_run = fields.Boolean(load_default=False, metadata={"description": "say what would happen, change nothing"})
    keep_good = fields.Boolean(load_default=False, metadata={"description": "take good rows in even if others are not"})
    background = fields.Boolean(
        load_default=False, metadata={"description": "accept the file (202) and take it in apart from the request"}
    )
    encoding = fields.String(load_default=None, validate=validate.Length(min=1, max=20))
    delimiter = fields.String(
        load_default=None, validate=validate.OneOf(["comma", "semicolon", "tab", "bar", ",", ";", "|"])
    )
    sheet = fields.String(load_default=None, validate=validate.Length(min=1, max=31))
    columns = Pairs(
        load_default=None,
        metadata={
            "type": "string",
            "description": "JSON object: the file's own column names and the job-line columns they are read as,"
            f' "{LEFT_OUT}" to leave one out',
        },
    )
    accept_columns = fields.Boolean(
        load_default=False,
        metadata={"description": "accept what unknown columns were taken for; it is remembered for the shop"},
    )
    date_order = fields.String(load_default=None, validate=validate.OneOf(DATE_ORDERS), metadata=ORDERS)
    decimal_mark = fields.String(load_default=None, validate=validate.OneOf(DECIMAL_MARKS))
    unit = fields.String(load_default=None, validate=validate.OneOf((*UNITS, HOURS)))
    currency = fields.String(load_default=None, validate=validate.Regexp(r"^[A-Z]{3}$"))


class ImportSettingsAsked(Asked):
    """What to remember of how a shop's files are written; what is left out stays."""

    by = Name(required=True)
    columns = fields.Dict(
        keys=fields.String(validate=validate.Length(min=1, max=200)),
        values=fields.String(validate=validate.OneOf((*JOB_LINE_COLUMNS, LEFT_OUT))),
        load_default=dict,
        validate=validate.Length(max=200),
    )
    date_order = fields.String(validate=validate.OneOf(DATE_ORDERS), metadata=ORDERS)
    decimal_mark = fields.String(validate=validate.OneOf(DECIMAL_MARKS))
    unit = fields.String(
        validate=validate.OneOf(("", *UNITS, HOURS)), metadata={"description": "of readings without one; empty: none"}
    )
    currency = fields.String(validate=validate.Regexp(r"^([A-Z]{3})?$"), metadata=CURRENCY)
    tax = fields.String(
        validate=validate.OneOf(("", *TAX_WORDS)),
        metadata={"description": "whether costs are with or without tax, from now on; empty: not said"},
    )


class ImportSettingsReply(Reply):
    """How a shop's files are read."""

    columns = fields.Dict(keys=fields.String(), values=fields.String(), required=True)
    date_order = fields.String(required=True)
    decimal_mark = fields.String(required=True)
    unit = fields.String(required=True)
    currency = fields.String(required=True)
    tax = fields.String(required=True)
