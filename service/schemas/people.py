"""Tokens, people, the shop's settings and the log of accesses."""

from __future__ import annotations

from marshmallow import fields, validate

from service.schemas.asked import Asked
from service.schemas.fields import Name, Reply, Whole
from service.vocabulary import MACHINE_USES, ROLES, SCOPES, UNITS


class TokenAsked(Asked):
    """A token to make; without `days` it works for a year."""

    label = Name(required=True, most=120)
    scope = fields.String(load_default="read", validate=validate.OneOf(SCOPES))
    days = Whole(load_default=365, validate=validate.Range(min=1, max=3650))


class TokenReply(Reply):
    """A token that works; `hint` is its beginning, to tell one from another."""

    id = fields.UUID(required=True, attribute="public_id")
    label = fields.String(required=True)
    scope = fields.String(required=True)
    hint = fields.String(required=True)
    made_by = fields.String(allow_none=True, required=True)
    created_at = fields.AwareDateTime(required=True)
    expires_at = fields.AwareDateTime(allow_none=True, required=True)


class NewTokenReply(Reply):
    """A token just made."""

    token = fields.String(
        required=True, allow_none=True, metadata={"description": "shown this once; null when the reply is repeated"}
    )


class TokensReply(Reply):
    """The shop's tokens."""

    tokens = fields.List(fields.Nested(TokenReply), required=True)


class MemberAsked(Asked):
    """A role for somebody; the account is made if it is new."""

    name = Name(required=True, most=254)
    role = fields.String(required=True, validate=validate.OneOf(ROLES))


class MemberReply(Reply):
    """Somebody with roles in the shop."""

    id = fields.UUID(required=True)
    name = fields.String(required=True)
    roles = fields.List(fields.String(), required=True)
    password_set = fields.Boolean(required=True)


class NewMemberReply(MemberReply):
    """Somebody just given a role."""

    set_password = fields.String(
        required=True,
        allow_none=True,
        metadata={"description": "path of a page where a new account sets its password, once; null otherwise"},
    )


class MembersReply(Reply):
    """Everybody with a role in the shop."""

    people = fields.List(fields.Nested(MemberReply), required=True)


class ShopAsked(Asked):
    """How the shop reads distances and which language its pages speak; null: as the installation has it.

    Where it is and what its machines are used for put it into groups that are compared; null: nobody said.
    """

    unit = fields.String(allow_none=True, validate=validate.OneOf(UNITS))
    locale = fields.String(allow_none=True, validate=validate.Regexp(r"^[a-z]{2}(_[A-Z]{2})?$"))
    region = Name(allow_none=True, most=80)
    machine_use = fields.String(allow_none=True, validate=validate.OneOf(MACHINE_USES))


class ShopReply(Reply):
    """The shop of the token."""

    name = fields.String(required=True)
    unit = fields.String(allow_none=True, required=True)
    locale = fields.String(allow_none=True, required=True)
    region = fields.String(allow_none=True, required=True)
    machine_use = fields.String(allow_none=True, required=True)


class AccessQuery(Asked):
    """Which part of the log."""

    limit = fields.Integer(load_default=100, validate=validate.Range(min=1, max=500))
    before = fields.UUID(load_default=None, metadata={"description": "id of an entry: go on with older ones"})


class CrossingReply(Reply):
    """One access."""

    id = fields.UUID(required=True)
    at = fields.AwareDateTime(required=True)
    action = fields.String(required=True)
    by = fields.String(required=True)
    touched = fields.String(required=True)
    detail = fields.String(required=True)


class CrossingsReply(Reply):
    """Accesses, the newest first."""

    accesses = fields.List(fields.Nested(CrossingReply), required=True)
