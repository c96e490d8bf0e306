"""What a form asks for, checked by the same schemas as the API's bodies; refusals go to the fields they are about."""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from typing import Any

from markupsafe import Markup
from marshmallow import Schema, ValidationError
from wtforms import FieldList

from service.errors import DomainError
from service.web.forms import PageForm
from service.web.own_words import own_words


def load_asked(schema: Schema, body: Mapping[str, Any], form: PageForm, fields: Mapping[str, str]) -> Any | None:
    """The checked request; None where it was refused, with the messages at the form's fields.

    `fields` leads from the path of a value in the body, such as "machine.make", to the field of the form; the
    longest one that begins the path of a refusal counts.
    """
    try:
        return schema.load(dict(body))
    except ValidationError as error:
        for path, message in flat_messages(error.messages):
            _say(form, path, own_words(message), fields)
        return None


def refuse_at(form: PageForm, error: DomainError, fields: Mapping[str, str]) -> None:
    """Show a refusal of the domain at the fields that its pointers lead to."""
    for place in error.places() or [{"pointer": "", "detail": error.detail}]:
        path = place["pointer"].strip("/").replace("/", ".")
        _say(form, path, own_words(place["detail"], large=True), fields)


def _say(form: PageForm, path: str, message: Markup, fields: Mapping[str, str]) -> None:
    """Put a message at a field; "lines.0.words" is the field of that name in the first of the form's `lines`."""
    name, *inner = _field_of(path, fields).split(".")
    field = form._fields.get(name)
    if field is None:
        form.form_errors.append(Markup("%s: %s") % (path, message) if path else message)
        return
    while inner and isinstance(field, FieldList):
        number, sub = int(inner[0]), inner[1]
        field.errors = [*field.errors, {sub: [message]}]  # the list itself knows that something in it was refused
        field, inner = field.entries[number].form._fields[sub], inner[2:]
    field.errors = [*field.errors, message]


def flat_messages(messages: Any, path: str = "") -> Iterator[tuple[str, str]]:
    """Every message with the path of the value it is about."""
    if isinstance(messages, Mapping):
        for key, inner in messages.items():
            step = "" if key == "_schema" else str(key)
            yield from flat_messages(inner, ".".join(part for part in (path, step) if part))
    elif isinstance(messages, list | tuple):
        for inner in messages:
            yield from flat_messages(inner, path)
    else:
        yield path, str(messages)


def _field_of(path: str, fields: Mapping[str, str]) -> str:
    steps = path.split(".")
    for length in range(len(steps), 0, -1):
        name = fields.get(".".join(steps[:length]))
        if name is not None:
            return name
    return ""
