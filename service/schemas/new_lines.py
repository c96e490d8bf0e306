"""Job lines as they are written down over HTTP: fields named like the columns of the job-line file."""

from __future__ import annotations

from typing import Any

from marshmallow import ValidationError, fields, validate

from service.imports.rows import NOTES_LIMIT, TEXT_LIMITS
from service.schemas.asked import Asked
from service.schemas.fields import STORABLE, Reply
from service.schemas.reviews import LineReply
from service.vocabulary import ACTIONS, QUALITIES, REASONS, SOURCES, UNITS

MOST_LINES = 1_000


class Cell(fields.String):
    """A cell: a text, or a number as it is; null is an empty cell."""

    def __init__(self, *, number: bool = False, **kwargs: Any) -> None:
        metadata = {"type": ["string", "number"] if number else "string", **kwargs.pop("metadata", {})}
        if "enum" not in metadata:
            metadata["pattern"] = STORABLE
        if not kwargs.get("required"):
            kwargs |= {"load_default": "", "allow_none": True}
        super().__init__(metadata=metadata, **kwargs)
        self.number = number

    def _deserialize(self, value: Any, attr: str | None, data: Any, **kwargs: Any) -> str:
        if isinstance(value, int | float) and not isinstance(value, bool) and self.number:
            return str(value)
        if not isinstance(value, str):
            raise ValidationError("Write a text in quotes, or a number." if self.number else "Write a text in quotes.")
        return value

    def deserialize(self, value: Any, attr: str | None = None, data: Any = None, **kwargs: Any) -> Any:
        found = super().deserialize(value, attr, data, **kwargs)
        return "" if found is None else found


def _text(name: str, **more: Any) -> Cell:
    return Cell(validate=validate.Length(max=TEXT_LIMITS[name]), **more)


def _word(words: tuple[str, ...]) -> Cell:
    return Cell(metadata={"enum": ["", *words, None]})


class JobLineAsked(Asked):
    """One line of a job card; what each field means stands in the job-line file's table of columns."""

    card = _text("card")
    date = Cell(metadata={"examples": ["2026-06-01"]})
    machine = Cell(
        required=True,
        metadata={"description": "the shop's own reference, or VIN / frame number"},
        validate=validate.Length(min=1, max=TEXT_LIMITS["machine"]),
    )
    make = _text("make", metadata={"description": "needed for a machine that is not on record yet, as is model"})
    model = _text("model")
    family = _text("family")
    model_year = Cell(number=True)
    built = Cell()
    first_registered = Cell()
    odometer = Cell(number=True)
    unit = Cell(metadata={"examples": list(UNITS)})
    component = _text("component", metadata={"description": "catalogue slug, or the shop's words"})
    position = _text("position")
    action = Cell(required=True, metadata={"enum": list(ACTIONS)})
    reason = _word(REASONS)
    source = _word(SOURCES)
    quality = _word(QUALITIES)
    labour_hours = Cell(number=True)
    parts_cost = Cell(number=True)
    labour_cost = Cell(number=True)
    currency = Cell(metadata={"examples": ["EUR"]})
    notes = Cell(validate=validate.Length(max=NOTES_LIMIT))


class JobLinesAsked(Asked):
    """Lines that are written down all together, or none of them."""

    lines = fields.List(fields.Nested(JobLineAsked), required=True, validate=validate.Length(min=1, max=MOST_LINES))


class LineDoubtReply(Reply):
    """What is in doubt about a line; the review list shows it with its choices."""

    id = fields.UUID(required=True)
    kind = fields.String(required=True)
    column = fields.String(required=True)
    value = fields.String(required=True)
    detail = fields.String(required=True)


class EnteredReply(LineReply):
    """A line on record; `created` is false where exactly this line was there before."""

    created = fields.Boolean(required=True)
    doubts = fields.List(fields.Nested(LineDoubtReply), required=True)


class EnteredLinesReply(Reply):
    """The lines asked for, in their order."""

    lines = fields.List(fields.Nested(EnteredReply), required=True)
    created = fields.Integer(required=True, metadata={"description": "lines this request wrote"})
    in_doubt = fields.Integer(required=True)
