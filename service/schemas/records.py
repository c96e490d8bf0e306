"""Machines, components, imports as they are shown."""

from __future__ import annotations

from typing import Any

from marshmallow import ValidationError, fields, validate, validates_schema

from service.imports.frame_numbers import read_frame_number
from service.schemas.asked import Asked
from service.schemas.fields import Moment, Name, Reply


class PageQuery(Asked):
    """Which part of a list."""

    after = fields.UUID(load_default=None, metadata={"description": "id of the last entry already seen"})
    before = fields.UUID(load_default=None, metadata={"description": "id of the first entry seen, to go back"})
    limit = fields.Integer(load_default=50, validate=validate.Range(min=1, max=200))

    @validates_schema
    def _one_way(self, data: dict[str, Any], **kwargs: Any) -> None:
        if data["after"] is not None and data["before"] is not None:
            raise ValidationError("Give after or before, not both.", "before")


class KnownAtQuery(Asked):
    """As of when."""

    known_at = Moment(
        load_default=None, metadata={"description": "answer from what was on record at this moment, with its time zone"}
    )


class KnownAtAsked(Asked):
    """As of when, in a body."""

    known_at = Moment(
        allow_none=True,
        load_default=None,
        metadata={"description": "answer from what was on record at this moment, with its time zone"},
    )


class MachineQuery(PageQuery, KnownAtQuery):
    """Which machines."""

    reference = Name(load_default=None)
    model = Name(load_default=None)


class MachineReply(Reply):
    """One machine of the shop."""

    id = fields.UUID(attribute="public_id", required=True)
    reference = fields.String(required=True)
    make = fields.String(attribute="model.make.name", required=True)
    model = fields.String(attribute="model.name", required=True)
    family = fields.String(attribute="model.family.name", dump_default=None, allow_none=True)
    model_year = fields.Integer(allow_none=True, required=True)
    built = fields.String(allow_none=True, required=True)
    first_registered = fields.String(allow_none=True, required=True)
    frame_number = fields.Function(
        lambda machine: read_frame_number(machine.reference)._asdict(),
        required=True,
        metadata={
            "type": "object",
            "description": "the reference read as a frame number: normalised, and ok, fails, letters, partial or"
            " not_applicable; the check digit is a rule of 49 CFR 565 and only a warning elsewhere",
        },
    )


class MachinesReply(Reply):
    """A page of machines; `next` is the `after` of the next page, empty on the last."""

    machines = fields.List(fields.Nested(MachineReply), required=True)
    next = fields.UUID(allow_none=True, required=True)


class IdleReply(Reply):
    """Times a machine stood."""

    machine = fields.UUID(required=True)
    basis = fields.String(required=True)
    idle = fields.List(fields.Dict(), required=True)


class ComponentReply(Reply):
    """A component type of the catalogue."""

    slug = fields.String(required=True)
    name = fields.String(required=True)
    system = fields.String(required=True)
    safety_class = fields.String(required=True)
    policy = fields.String(required=True)
    position_rule = fields.String(required=True)
    positions = fields.List(fields.String(), required=True)
    access_group = fields.String(required=True)
    life = fields.Dict(required=True, metadata={"description": "invented prior, not data"})


class ComponentsReply(Reply):
    """The catalogue's component types."""

    version = fields.String(required=True)
    components = fields.List(fields.Nested(ComponentReply), required=True)


class ImportsQuery(PageQuery, KnownAtQuery):
    """Which part of the imports."""


class ImportFile(Asked):
    """The file of job lines."""

    file = fields.Raw(
        required=True,
        error_messages={"required": "Send the file of job lines as the form's part named file."},
        metadata={"type": "string", "format": "binary"},
    )


class DoubtReply(Reply):
    """A row that contradicts something: kept as written, out of every fit. Without `id` it was not written down."""

    id = fields.UUID(allow_none=True, required=True)
    line = fields.Integer(required=True)
    kind = fields.String(required=True)
    column = fields.String(required=True)
    value = fields.String(required=True)
    detail = fields.String(required=True)


class ImportReply(Reply):
    """An import with what it took in and what is in doubt now.

    Where nothing was written (a dry run, or a file that brings nothing new) `summary` says what would have happened;
    `id` is then the import that brought the same file, if there was one.
    """

    id = fields.UUID(allow_none=True, required=True)
    file_name = fields.String(required=True)
    recorded_at = fields.DateTime(allow_none=True, required=True)
    summary = fields.Dict(required=True)
    doubt_counts = fields.Dict(keys=fields.String(), values=fields.Integer(), required=True)
    doubts = fields.List(fields.Nested(DoubtReply), required=True)
    share_in_doubt = fields.Float(
        required=True, metadata={"description": "share of the import's lines in force that no fit uses now"}
    )


class ImportListedReply(Reply):
    """One import of the list."""

    id = fields.UUID(attribute="public_id", required=True)
    file_name = fields.String(required=True)
    recorded_at = fields.DateTime(required=True)


class ImportsReply(Reply):
    """A page of imports; `next` is the `after` of the next page, empty on the last."""

    imports = fields.List(fields.Nested(ImportListedReply), required=True)
    next = fields.UUID(allow_none=True, required=True)
