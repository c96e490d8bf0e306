"""Rate limits of requests: each token, each address without one, and answers 401 by address."""

from __future__ import annotations

import hashlib

from flask import Flask, Response, g, request
from werkzeug.exceptions import TooManyRequests

from service.error_handlers import problem
from service.rate_limits import RateLimiter
from service.settings import Settings

UNLIMITED = frozenset({"/health", "/ready", "/metrics"})


def register_rate_limits(app: Flask, settings: Settings) -> list[RateLimiter]:
    """Count every request against its caller, and refused ones against their address too.

    To be registered after the check of the token: who asks must be known. A shop behind the same address as somebody
    who guesses is still answered; the guesses are not. The limiters made are given back.
    """
    made = []
    if settings.requests_per_minute:
        requests = RateLimiter(settings.database_url, settings.requests_per_minute)
        made.append(requests)

        @app.before_request
        def _limit() -> None:
            if request.path in UNLIMITED or request.endpoint == "static":
                return
            seconds = requests.wait_for(_caller())
            if seconds:
                raise TooManyRequests(_text(seconds), retry_after=seconds)

    if settings.refusals_per_minute:
        refusals = RateLimiter(settings.database_url, settings.refusals_per_minute)
        made.append(refusals)

        @app.after_request
        def _count(response: Response) -> Response:
            seconds = refusals.wait_for(_address("refused")) if response.status_code == 401 else 0
            if not seconds:
                return response
            slower = problem(429, _text(seconds))
            slower.headers["Retry-After"] = str(seconds)
            return slower

    return made


def _text(seconds: int) -> str:
    return f"Too many requests; go on in {seconds} s."


def _caller() -> str:
    token = request.headers.get("Authorization")
    if g.get("shop_id") is not None and token:
        # A digest: the bucket's name must not give the token away.
        return "token:" + hashlib.sha256(token.encode()).hexdigest()[:40]
    return _address("address")


def _address(kind: str) -> str:
    return f"{kind}:{request.remote_addr or 'unknown'}"[:80]
