"""The signed cookie of pages; the API neither reads nor sets one."""

from __future__ import annotations

from typing import Any

from flask import Flask, Request, Response, request
from flask.sessions import SecureCookieSessionInterface, SessionMixin


class PageCookies(SecureCookieSessionInterface):
    """HttpOnly, SameSite=Lax, Secure wherever the page came over TLS; only for pages."""

    def get_cookie_secure(self, app: Flask) -> bool:
        """Secure where the browser spoke TLS, to us or to a proxy we trust."""
        return request.is_secure

    def open_session(self, app: Flask, request: Request) -> Any:
        """Nothing is read for the API, whose callers show a token."""
        if request.path.startswith("/api/"):
            return self.session_class()
        return super().open_session(app, request)

    def save_session(self, app: Flask, session: SessionMixin, response: Response) -> None:
        """Nothing is set for the API."""
        if not request.path.startswith("/api/"):
            super().save_session(app, session, response)
