"""Read JSON that came over the wire: what no database could store, or no parser survive, is refused as text."""

from __future__ import annotations

import json
from datetime import date
from typing import Any

from flask.json.provider import DefaultJSONProvider

MOST_DIGITS = 300  # a whole number of this size still fits a float


class StrictJsonProvider(DefaultJSONProvider):
    """JSON as RFC 8259 has it: UTF-8, no NaN, no lone surrogates, no NUL in texts, no bottomless nesting."""

    sort_keys = False

    @staticmethod
    def default(value: Any) -> Any:
        """Dates and moments as ISO 8601 has them."""
        if isinstance(value, date):
            return value.isoformat()
        return DefaultJSONProvider.default(value)

    def loads(self, s: str | bytes, **kwargs: Any) -> Any:
        """Parse a document; raises ValueError with a text fit to show."""
        text = _decoded(s)
        kwargs.setdefault("parse_constant", _no_constants)
        kwargs.setdefault("parse_int", _whole_number)
        try:
            value = json.loads(text, **kwargs)
        except RecursionError:
            raise ValueError("the document is nested too deeply") from None
        if "\\u" in text:
            _refuse_unstorable(value)
        return value


def _decoded(s: str | bytes) -> str:
    if isinstance(s, str):
        return s
    try:
        return s.decode("utf-8")
    except UnicodeDecodeError as error:
        raise ValueError(f"byte {error.start} is not UTF-8") from None


def _no_constants(word: str) -> Any:
    raise ValueError(f"{word} is not a JSON number")


def _whole_number(digits: str) -> int:
    if len(digits) > MOST_DIGITS:
        raise ValueError(f"a number has more than {MOST_DIGITS} digits")
    return int(digits)


def _refuse_unstorable(value: Any) -> None:
    stack = [value]
    while stack:
        item = stack.pop()
        if isinstance(item, dict):
            stack.extend(item.keys())
            stack.extend(item.values())
        elif isinstance(item, list):
            stack.extend(item)
        elif isinstance(item, str) and ("\x00" in item or any("\ud800" <= c <= "\udfff" for c in item)):
            raise ValueError("a text holds NUL or half of a surrogate pair, which cannot be stored")
