"""Read JSON that came over the wire: what no database could store, or no parser survive, is refused as text."""

from __future__ import annotations

import json
from typing import Any

from flask.json.provider import DefaultJSONProvider


class StrictJsonProvider(DefaultJSONProvider):
    """JSON as RFC 8259 has it: no NaN, no lone surrogates, no NUL in texts, no bottomless nesting."""

    sort_keys = False

    def loads(self, s: str | bytes, **kwargs: Any) -> Any:
        kwargs.setdefault("parse_constant", _no_constants)
        try:
            value = json.loads(s, **kwargs)
        except RecursionError:
            raise ValueError("the document is nested too deeply") from None
        escaped = b"\\u" in s if isinstance(s, bytes) else "\\u" in s
        if escaped:
            _refuse_unstorable(value)
        return value


def _no_constants(word: str) -> Any:
    raise ValueError(f"{word} is not a JSON number")


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
