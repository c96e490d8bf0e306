"""What is asked and answered about the pool."""

from __future__ import annotations

from marshmallow import fields, validate

from service.schemas.asked import Asked
from service.schemas.fields import Name, Reply, YesNo
from service.schemas.jobs import JobReply
from service.schemas.records import KnownAtQuery

ROWS = validate.Range(min=1, max=5000)


class SharedQuery(KnownAtQuery):
    """Which rows of what the shop shares, and as of when."""

    after = fields.Integer(
        load_default=0,
        validate=validate.Range(min=0, max=1_000_000_000),
        metadata={"description": "number of rows already seen"},
    )
    limit = fields.Integer(load_default=200, validate=ROWS)


class CellsQuery(KnownAtQuery):
    """Which publication; the last without it."""

    publication = fields.UUID(load_default=None, metadata={"description": "id of a publication"})
    after = fields.Integer(load_default=0, validate=validate.Range(min=0, max=1_000_000_000))
    limit = fields.Integer(load_default=500, validate=ROWS)


class MembershipAsked(Asked):
    """Whether the shop shares, from which day on, and why."""

    sharing = YesNo(required=True)
    from_ = fields.Date(
        data_key="from", load_default=None, allow_none=True, metadata={"description": "today without it"}
    )
    why = Name(load_default=None, allow_none=True, most=400)


class MembershipReply(Reply):
    """How the shop stands to the pool; what it says takes effect at the next publication on or after its day."""

    sharing = fields.Boolean(required=True)
    next_publication = fields.Date(required=True)
    trail = fields.List(fields.Dict(), required=True)


class PoolReply(Reply):
    """The pool as a whole: open or not, its rule, its publications, and how the shop stands to it."""

    open = fields.Boolean(required=True)
    opened_by_members = fields.Boolean(required=True)
    shops = fields.Integer(required=True)
    rule = fields.Dict(required=True)
    publications = fields.List(fields.Dict(), required=True)
    membership = fields.Nested(MembershipReply, required=True)


class SharedReply(Reply):
    """Rows exactly as they are shared; `next` is the `after` of the next page, empty on the last."""

    sharing = fields.Boolean(required=True)
    total = fields.Integer(required=True)
    never_shared = fields.List(fields.String(), required=True)
    rows = fields.List(fields.Dict(), required=True)
    next = fields.Integer(allow_none=True, required=True)


class CellsReply(Reply):
    """Published cells; `next` is the `after` of the next page, empty on the last."""

    grid = fields.String(required=True)
    total = fields.Integer(required=True)
    cells = fields.List(fields.Dict(), required=True)
    next = fields.Integer(allow_none=True, required=True)


class CurvesReply(Reply):
    """Curves on the fixed distance grid, one a model, as far as its cells are published."""

    component = fields.String(required=True)
    curves = fields.List(fields.Dict(), required=True)


class PublicationsReply(Reply):
    """Publications of the pool, newest first, and the jobs that made them."""

    publications = fields.List(fields.Dict(), required=True)
    jobs = fields.List(fields.Nested(JobReply), required=True)
