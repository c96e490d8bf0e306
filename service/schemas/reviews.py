"""The review list, answers to it, job lines and their corrections as they are asked and shown."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

from marshmallow import ValidationError, fields, validate, validates_schema

from service.corrections import CORRECTABLE
from service.imports.doubts import DOUBT_KINDS
from service.review_choices import CHOICES
from service.schemas.asked import Asked
from service.schemas.fields import Name, Reply, Text, YesNo
from service.schemas.records import KnownAtQuery, PageQuery
from service.vocabulary import ACTIONS, JOB_LINE_COLUMNS, UNITS

MOST_ANSWERS = 500


class ReviewQuery(PageQuery, KnownAtQuery):
    """Which doubts."""

    kind = fields.String(load_default=None, validate=validate.OneOf(list(DOUBT_KINDS)))
    column = fields.String(load_default=None, validate=validate.OneOf(JOB_LINE_COLUMNS))
    machine = fields.UUID(load_default=None)
    import_id = fields.UUID(load_default=None)
    settled = fields.Boolean(load_default=False, metadata={"description": "show answered doubts instead of open ones"})


class ReviewReply(Reply):
    """One doubt with what stands around it."""

    id = fields.UUID(required=True)
    kind = fields.String(required=True)
    column = fields.String(required=True)
    value = fields.String(required=True)
    detail = fields.String(required=True)
    raised_at = fields.DateTime(required=True)
    settled_at = fields.DateTime(required=True, allow_none=True)
    settled_by = fields.String(required=True, allow_none=True)
    choice = fields.String(required=True, allow_none=True)
    answer = fields.String(required=True, allow_none=True)
    why = fields.String(required=True, allow_none=True)
    keeps_out_of_fits = fields.Boolean(required=True)
    job_line = fields.UUID(required=True)
    card = fields.String(required=True)
    line = fields.Integer(required=True)
    cells = fields.Dict(required=True)
    machine = fields.Dict(required=True)
    same_card = fields.List(fields.Dict(), required=True)
    readings = fields.List(fields.Dict(), required=True)
    candidates = fields.List(fields.Dict(), required=True)
    choices = fields.List(fields.Dict(), required=True)
    like = fields.Integer(required=True, metadata={"description": "further open doubts that take the same answer"})


class ReviewsReply(Reply):
    """A page of doubts, counts of all open ones, and the share of the shop's lines they keep out of fits."""

    doubts = fields.List(fields.Nested(ReviewReply), required=True)
    counts = fields.Dict(keys=fields.String(), values=fields.Integer(), required=True)
    lines = fields.Integer(required=True)
    lines_in_doubt = fields.Integer(required=True)
    share_in_doubt = fields.Float(required=True)
    missing_readings = fields.Dict(
        required=True, metadata={"description": "card lines without a reading, by reason: seldom missing at random"}
    )
    next = fields.UUID(allow_none=True, required=True)


class AnswerAsked(Asked):
    """The answer to one doubt."""

    doubt = fields.UUID(required=True)
    choice = fields.String(required=True, validate=validate.OneOf(list(CHOICES)))
    component = Name(load_default=None, allow_none=True, most=60)
    position = Text(load_default=None, allow_none=True, most=40)
    value = Name(load_default=None, allow_none=True, most=40)
    unit = fields.String(load_default=None, allow_none=True, validate=validate.OneOf(UNITS))
    apply_to_like = YesNo(load_default=False)


class AnswersAsked(Asked):
    """Answers of one person, written all or none."""

    by = Name(required=True)
    why = Name(required=True, most=400)
    answers = fields.List(fields.Nested(AnswerAsked), required=True, validate=validate.Length(min=1, max=MOST_ANSWERS))


class AnswersReply(Reply):
    """What was written."""

    answered = fields.Integer(required=True)
    lines_superseded = fields.Integer(required=True)
    like_rows_left = fields.Integer(required=True)
    lines = fields.Integer(required=True)
    lines_in_doubt = fields.Integer(required=True)
    share_in_doubt = fields.Float(required=True)


class LinesQuery(PageQuery, KnownAtQuery):
    """Which lines."""

    machine = fields.UUID(load_default=None)
    card = Name(load_default=None)
    component = Name(load_default=None, most=60)
    action = fields.String(load_default=None, validate=validate.OneOf(ACTIONS))
    from_ = fields.Date(
        data_key="from",
        load_default=None,
        metadata={"description": "lines of this day or later; where a day is not certain: that may be"},
    )
    until = fields.Date(load_default=None, metadata={"description": "lines of this day or earlier, as `from`"})

    @validates_schema
    def _in_order(self, data: dict[str, Any], **kwargs: Any) -> None:
        if data["from_"] and data["until"] and data["until"] < data["from_"]:
            raise ValidationError("Must not be before `from`.", "until")


class LineReply(Reply):
    """One line: cells as written beside what was understood."""

    id = fields.UUID(required=True)
    card = fields.String(required=True)
    machine = fields.UUID(required=True)
    line = fields.Integer(required=True)
    cells = fields.Dict(required=True)
    understood = fields.Dict(required=True)
    in_doubt = fields.Boolean(required=True)
    in_force = fields.Boolean(required=True)
    recorded_at = fields.DateTime(required=True)
    recorded_by = fields.String(required=True, allow_none=True)
    correction_reason = fields.String(required=True, allow_none=True)


class LinesReply(Reply):
    """A page of lines."""

    lines = fields.List(fields.Nested(LineReply), required=True)
    next = fields.UUID(allow_none=True, required=True)


class LinkReply(Reply):
    """What a line has to do with another."""

    id = fields.UUID(required=True)
    kind = fields.String(required=True)
    cause = fields.String(required=True, allow_none=True)
    job_line = fields.UUID(required=True)
    to_job_line = fields.UUID(required=True, allow_none=True)
    made_by = fields.String(required=True)
    made_at = fields.DateTime(required=True)
    why = fields.String(required=True)
    undone_by = fields.String(required=True, allow_none=True)
    undone_at = fields.DateTime(required=True, allow_none=True)
    undone_why = fields.String(required=True, allow_none=True)


class DistanceReply(Reply):
    """Distance since the machine was new, or what bounds it where nobody read it; null: nothing does."""

    low_km = fields.Float(required=True, allow_none=True)
    high_km = fields.Float(required=True, allow_none=True)
    missing = fields.String(
        required=True, allow_none=True, metadata={"description": "why the reading is missing; null where it stands"}
    )


class LineTrailReply(Reply):
    """A line with everything it was before, what it became, what it is linked to and what stands around it."""

    line = fields.Nested(LineReply, required=True)
    trail = fields.List(fields.Nested(LineReply), required=True)
    links = fields.List(fields.Nested(LinkReply), required=True)
    distance = fields.Nested(DistanceReply, required=True)
    same_card = fields.List(
        fields.Dict(), required=True, metadata={"description": "other machines that the same card names"}
    )
    catalogue = fields.String(
        required=True, allow_none=True, metadata={"description": "version in force when the words were read"}
    )
    costs = fields.Dict(
        required=True,
        allow_none=True,
        metadata={"description": "amounts as text, currency, tax (with, without, null: not said); null: none written"},
    )
    measured = fields.List(
        fields.Dict(), required=True, metadata={"description": "readings in the notes, as written and as understood"}
    )


def _some_cell(cells: Mapping[str, str]) -> None:
    if not cells:
        raise ValidationError("Name at least one cell and what it is to be.")


class CorrectionAsked(Asked):
    """New cells for a line, with who says so and why."""

    by = Name(required=True)
    why = Name(required=True, most=400)
    changes = fields.Nested(
        Asked.from_dict({name: Text(most=4_000) for name in CORRECTABLE}, name="CellsAsked"),
        required=True,
        validate=_some_cell,
        metadata={
            "description": "cells by column, as the job-line file has them; an empty text empties the cell",
            "minProperties": 1,
        },
    )


class LinkAsked(Asked):
    """A link from a line to another of the same machine."""

    kind = fields.String(
        required=True,
        validate=validate.OneOf(("duplicate", "comeback", "two_events", "secondary", "swap", "withdrawn")),
    )
    to = fields.UUID(load_default=None, allow_none=True)
    by = Name(required=True)
    why = Name(required=True, most=400)

    @validates_schema
    def _to_another(self, data: dict[str, Any], **kwargs: Any) -> None:
        if (data["kind"] == "withdrawn") != (data.get("to") is None):
            raise ValidationError("Give the other line; none where the line is withdrawn.", "to")


class UndoAsked(Asked):
    """Who takes a link back, and why."""

    by = Name(required=True)
    why = Name(required=True, most=400)
