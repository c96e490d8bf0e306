"""What every request's schema has in common: a refusal says what shape is wanted, not only that it is not that."""

from __future__ import annotations

from typing import Any

from marshmallow import Schema, fields

# The first kind that fits counts: a date is a moment to marshmallow, an id is a text.
SHAPES: tuple[tuple[type[fields.Field[Any]], str], ...] = (
    (fields.Boolean, "true or false"),
    (fields.Integer, "a whole number, like 12"),
    (fields.Float, "a number, like 12.5"),
    (fields.UUID, "an id as this API gave it, like 01890000-0000-7000-8000-000000000000"),
    (fields.Date, "a date, like 2026-06-01"),
    (fields.DateTime, "a moment with its time zone, like 2026-06-01T09:30:00Z"),
    (fields.String, "a text in quotes"),
    (fields.List, "a list in square brackets"),
    (fields.Nested, "an object with named fields in curly brackets"),
    (fields.Dict, "an object with named fields in curly brackets"),
)
WRONG_KIND = ("invalid", "invalid_uuid", "invalid_awareness", "type")


class Asked(Schema):
    """Base of what is asked; its messages name the wanted shape. A field's own messages stand."""

    error_messages = {"type": "Write an object with named fields in curly brackets."}  # noqa: RUF012 (marshmallow's name)

    def __init__(self, **kwargs: Any) -> None:
        super().__init__(**kwargs)
        known = ", ".join(field.data_key or name for name, field in self.load_fields.items())
        self.error_messages["unknown"] = f"There is no such field here; known are {known}."

    def on_bind_field(self, field_name: str, field_obj: fields.Field[Any]) -> None:
        """Give the field, and what a list holds, messages that say what to write."""
        _say_shape(field_obj)


def _say_shape(field: fields.Field[Any]) -> None:
    shape = next((said for kind, said in SHAPES if isinstance(field, kind)), None)
    if shape is not None:
        leave_out = "" if field.required else ", or leave it out"
        wanted = {
            **dict.fromkeys(WRONG_KIND, f"Write {shape}."),
            "null": f"null says nothing here: write {shape}{leave_out}.",
            "required": f"This is missing: write {shape}.",
        }
        defaults = _defaults(type(field))
        # Messages given where the field was made know better.
        plain = {key: text for key, text in wanted.items() if field.error_messages.get(key) == defaults.get(key, "")}
        field.error_messages = {**field.error_messages, **plain}
    if isinstance(field, fields.List):
        _say_shape(field.inner)


def _defaults(kind: type[fields.Field[Any]]) -> dict[str, str]:
    found: dict[str, str] = {}
    for base in reversed(kind.__mro__):
        found |= getattr(base, "default_error_messages", {})
    return found
