"""A form that bears a key is done once, however often it is sent: a phone that lost its connection sends it again."""

from __future__ import annotations

import uuid
from collections.abc import Callable
from functools import wraps
from typing import Any

from flask import make_response, request

from service.answered_once import answered_once
from service.errors import InvalidInput
from service.web.current import app, current

FIELD = "once_key"


def new_key() -> str:
    """A key for a form about to be shown."""
    return uuid.uuid4().hex


def done_once(view: Callable[..., Any]) -> Callable[..., Any]:
    """Do what a form asks once for each key that `new_key` put into it."""

    @wraps(view)
    def answer(*args: Any, **kwargs: Any) -> Any:
        key = request.form.get(FIELD, "")
        if not key:
            return view(*args, **kwargs)
        if not (key.isascii() and key.isalnum() and len(key) <= 64):
            raise InvalidInput("this form was not made here; open its page again", pointer=f"/{FIELD}")
        # One place a person: what one member sent is not shown to another.
        return answered_once(
            app().database,
            current.shop_id,
            f"page {current.person_id} {key}",
            lambda: make_response(view(*args, **kwargs)),
            now=app().now(),
            named=FIELD,
        )

    return answer
