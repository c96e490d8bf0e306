"""Fields that take what they say and nothing that merely looks like it."""

from __future__ import annotations

import math
import unicodedata
from datetime import UTC
from typing import Any

from marshmallow import INCLUDE, Schema, ValidationError, fields, validate

from service.imports.dates import read_date
from service.imports.faults import Fault
from service.schemas.asked import Asked
from service.vocabulary import UNITS

# The rules below as the API's description says them.
ONE_LINE = r"^[^\s\x00-\x1f\x7f-\x9f]([^\x00-\x1f\x7f-\x9f]*[^\s\x00-\x1f\x7f-\x9f])?$"
STORABLE = r"^[^\x00]*$"
PARTIAL_DATE = r"^(188[5-9]|189[0-9]|19[0-9]{2}|20[0-9]{2}|2100)(-(0[1-9]|1[0-2])(-(0[1-9]|[12][0-9]|3[01]))?)?$"


class Reply(Schema):
    """What is answered; later versions may add keys, which the description leaves room for."""

    class Meta:
        unknown = INCLUDE


class Number(fields.Float):
    """A JSON number; a text with digits in it is not one."""

    def _deserialize(self, value: Any, attr: str | None, data: Any, **kwargs: Any) -> float:
        if isinstance(value, bool) or not isinstance(value, int | float):
            raise ValidationError("Write a number without quotes.")
        number = float(value)
        if not math.isfinite(number):
            raise ValidationError("Write a finite number.")
        return number


class Whole(fields.Integer):
    """A JSON whole number."""

    def _deserialize(self, value: Any, attr: str | None, data: Any, **kwargs: Any) -> int:
        if isinstance(value, bool) or not isinstance(value, int):
            raise ValidationError("Write a whole number without quotes.")
        return value


class YesNo(fields.Boolean):
    """JSON true or false; 1 and "yes" are neither."""

    def _deserialize(self, value: Any, attr: str | None, data: Any, **kwargs: Any) -> bool:
        if not isinstance(value, bool):
            raise ValidationError("Write true or false.")
        return value


class Name(fields.String):
    """A short text on one line."""

    def __init__(self, *, most: int = 80, **kwargs: Any) -> None:
        metadata = {"pattern": ONE_LINE, **kwargs.pop("metadata", {})}
        super().__init__(validate=[validate.Length(min=1, max=most), _one_line], metadata=metadata, **kwargs)


def _one_line(text: str) -> None:
    if any(unicodedata.category(c) == "Cc" for c in text) or text != text.strip():
        raise ValidationError("Write it on one line, without spaces at the ends.")


class Text(fields.String):
    """A text of any kind, on as many lines as it likes; NUL cannot be stored."""

    def __init__(self, *, most: int, **kwargs: Any) -> None:
        metadata = {"pattern": STORABLE, **kwargs.pop("metadata", {})}
        super().__init__(validate=[validate.Length(max=most), _storable], metadata=metadata, **kwargs)


def _storable(text: str) -> None:
    if "\x00" in text:
        raise ValidationError("Leave the character NUL out.")


def partial_date(text: str) -> None:
    """Refuse what is not YYYY, YYYY-MM or YYYY-MM-DD."""
    try:
        read_date(text)
    except Fault as fault:
        raise ValidationError(f"{fault.reason}; write {fault.instead}.") from None


class PartialDate(fields.String):
    """A date, or the month or year where only that is known."""

    def __init__(self, **kwargs: Any) -> None:
        super().__init__(validate=partial_date, metadata={"examples": ["2012-11"], "pattern": PARTIAL_DATE}, **kwargs)


class Moment(fields.AwareDateTime):
    """A moment with its time zone, RFC 3339."""

    def _deserialize(self, value: Any, attr: str | None, data: Any, **kwargs: Any) -> Any:
        # A "+" that was not percent-encoded in a query arrives as a blank.
        text = value.replace(" ", "+") if isinstance(value, str) and value.count(" ") == 1 else value
        moment = super()._deserialize(text, attr, data, **kwargs)
        try:
            return moment.astimezone(UTC)
        except OverflowError:
            raise ValidationError("Write a moment between the years 1 and 9999.") from None


class Distance(Asked):
    """A distance with its unit."""

    value = Number(required=True, validate=validate.Range(min=0, max=3_000_000))
    unit = fields.String(required=True, validate=validate.OneOf(UNITS))
