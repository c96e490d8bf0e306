"""Reading data files whose every mistake is reported with file, entry and field."""

from __future__ import annotations

import json
import math
from collections.abc import Iterable
from dataclasses import dataclass
from pathlib import Path
from typing import Any, ClassVar

from marshmallow import Schema, ValidationError, fields, post_load

SHOWN = 20
TEXT_MESSAGES: dict[str, str | list[Any] | dict[Any, Any]] = {"invalid": "must be text"}
ENTRY_MESSAGES = {"unknown": "is not a field of this entry", "type": "must be an object with named fields"}


@dataclass(frozen=True)
class Problem:
    """One mistake: where it stands and what is wrong."""

    file: str
    entry: str
    field: str
    message: str

    def __str__(self) -> str:
        return ": ".join(part for part in (self.file, self.entry, self.field, self.message) if part)


class DataFileError(ValueError):
    """A data file cannot be used; `problems` lists every mistake found, ``str()`` the first of them."""

    def __init__(self, problems: Iterable[Problem]) -> None:
        self.problems = tuple(problems)
        lines = [str(problem) for problem in self.problems[:SHOWN]]
        if len(self.problems) > SHOWN:
            lines.append(f"... and {len(self.problems) - SHOWN} more")
        super().__init__("\n".join(lines))


def is_number(value: Any) -> bool:
    """Whether a JSON value is a finite number; true and false are not."""
    return isinstance(value, int | float) and not isinstance(value, bool) and math.isfinite(value)


class Number(fields.Field[float]):
    """A finite JSON number within bounds; text, true and false are refused."""

    def __init__(
        self, *, above: float | None = None, at_least: float | None = None, at_most: float | None = None, **options: Any
    ) -> None:
        super().__init__(**options)
        self.above, self.at_least, self.at_most = above, at_least, at_most

    def _deserialize(self, value: Any, attr: str | None, data: Any, **kwargs: Any) -> float:
        if not is_number(value):
            raise ValidationError(f"must be a number, not {value!r}")
        if self.above is not None and value <= self.above:
            raise ValidationError(f"must be above {self.above}, is {value}")
        if self.at_least is not None and value < self.at_least:
            raise ValidationError(f"must be at least {self.at_least}, is {value}")
        if self.at_most is not None and value > self.at_most:
            raise ValidationError(f"must be at most {self.at_most}, is {value}")
        number: float = value
        return number


class WholeNumber(Number):
    """A number without a fraction."""

    def _deserialize(self, value: Any, attr: str | None, data: Any, **kwargs: Any) -> float:
        number = super()._deserialize(value, attr, data, **kwargs)
        if number != int(number):
            raise ValidationError(f"must be a whole number, is {value}")
        return int(number)


class Flag(fields.Field[bool]):
    """true or false, nothing else."""

    def _deserialize(self, value: Any, attr: str | None, data: Any, **kwargs: Any) -> bool:
        if not isinstance(value, bool):
            raise ValidationError(f"must be true or false, not {value!r}")
        return value


class Text(fields.String):
    """Text that says something."""

    default_error_messages = TEXT_MESSAGES

    def _deserialize(self, value: Any, attr: str | None, data: Any, **kwargs: Any) -> str:
        text: str = super()._deserialize(value, attr, data, **kwargs)
        if not text.strip():
            raise ValidationError("must not be empty")
        return text


class RecordSchema(Schema):
    """A schema that loads into the frozen dataclass `makes`; lists become tuples."""

    makes: ClassVar[type]
    error_messages = ENTRY_MESSAGES

    def on_bind_field(self, field_name: str, field_obj: fields.Field[Any]) -> None:
        field_obj.error_messages |= {"required": "is missing", "null": "must not be null"}
        if isinstance(field_obj, fields.List):
            field_obj.error_messages["invalid"] = "must be a list"

    @post_load
    def _make(self, data: dict[str, Any], **kwargs: Any) -> Any:
        return self.makes(**{name: tuple(v) if isinstance(v, list) else v for name, v in data.items()})


def read_json(path: Path) -> dict[str, Any]:
    """The JSON object in a file; `DataFileError` if there is none."""
    try:
        content = json.loads(path.read_text(encoding="utf-8"))
    except FileNotFoundError:
        raise DataFileError([Problem(path.name, "", "", f"the file is missing from {path.parent.name}/")]) from None
    except UnicodeDecodeError as error:
        raise DataFileError([Problem(path.name, "", "", f"is not UTF-8 text ({error.reason})")]) from None
    except json.JSONDecodeError as error:
        where = f"line {error.lineno}, column {error.colno}"
        raise DataFileError([Problem(path.name, "", "", f"is not JSON: {error.msg} at {where}")]) from None
    if not isinstance(content, dict):
        raise DataFileError([Problem(path.name, "", "", "must hold one JSON object")])
    return content


def load_entries(
    file: str, name: str, key_fields: tuple[str, ...], entries: Any, schema: RecordSchema
) -> tuple[tuple[Any, ...], list[Problem]]:
    """The entries of one list that load, and the problems of those that do not; keys must differ."""
    if not isinstance(entries, list):
        return (), [Problem(file, "", name, "must be a list of entries")]
    loaded: list[Any] = []
    problems: list[Problem] = []
    seen: set[str] = set()
    for number, raw in enumerate(entries, start=1):
        label = entry_label(raw, key_fields) or f"{name} entry {number}"
        if label.casefold() in seen:
            problems.append(Problem(file, label, key_fields[0], "appears twice; keep one"))
        seen.add(label.casefold())
        try:
            loaded.append(schema.load(raw))
        except ValidationError as error:
            problems += [Problem(file, label, field, text) for field, text in flatten(error.normalized_messages())]
    return tuple(loaded), problems


def entry_label(raw: Any, key_fields: tuple[str, ...]) -> str:
    """The entry's own name, or "" if it has none that can be read."""
    named = [raw.get(field) for field in key_fields] if isinstance(raw, dict) else []
    parts = [part for part in named if isinstance(part, str)]
    return " ".join(parts) if len(parts) == len(key_fields) else ""


def flatten(messages: Any, path: str = "") -> list[tuple[str, str]]:
    """Marshmallow's nested messages as (field path, message); indices stand in brackets."""
    if isinstance(messages, dict):
        found = []
        for name, inner in messages.items():
            step = f"[{name}]" if isinstance(name, int) else f".{name}" if path else str(name)
            found += flatten(inner, path if name == "_schema" else path + step)
        return found
    texts = messages if isinstance(messages, list) else [messages]
    return [(path, str(text)) for text in texts]
