"""Idempotency keys of the API, as draft-ietf-httpapi-idempotency-key-header has them: a repeated POST is done once."""

from __future__ import annotations

import re
from collections.abc import Callable
from functools import wraps
from typing import Any

from flask import make_response, request

from service.answered_once import answered_once
from service.api.context import app, shop_id
from service.errors import InvalidInput

HEADER = "Idempotency-Key"
PATTERN = r"^[!-~]{1,255}$"
PARAMETER = {
    "in": "header",
    "name": HEADER,
    "description": "A text of the sender's choice, new for each thing to be done, such as a UUID. The same request"
    " with the same key within 24 hours gets the first one's reply again and changes nothing; another request with"
    " it is refused (422), and one that comes while the first is being answered too (409).",
    "schema": {"type": "string", "pattern": PATTERN, "minLength": 1, "maxLength": 255},
}


def once(view: Callable[..., Any]) -> Callable[..., Any]:
    """Answer a POST that bears a key once; every resource's views are wrapped in this."""

    @wraps(view)
    def answer(*args: Any, **kwargs: Any) -> Any:
        key = request.headers.get(HEADER) if request.method == "POST" else None
        if key is None:
            return view(*args, **kwargs)
        if not re.fullmatch(PATTERN, key):
            raise InvalidInput("write 1 to 255 visible ASCII characters, such as a UUID", pointer=f"/{HEADER}")
        return answered_once(
            app().database,
            shop_id(),
            key,
            lambda: make_response(view(*args, **kwargs)),
            now=app().now(),
            named=HEADER,
        )

    return answer
