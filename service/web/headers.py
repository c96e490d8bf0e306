"""What browsers are told about pages, beyond `service.security_headers`: everything comes from this server."""

from __future__ import annotations

from flask import Flask, Response, request

# Nothing is written into a page to be run or to style it.
PAGE_POLICY = (
    "default-src 'none'; script-src 'self'; style-src 'self'; img-src 'self' data:; font-src 'self';"
    " connect-src 'self'; manifest-src 'self'; worker-src 'self'; form-action 'self'; base-uri 'none';"
    " frame-ancestors 'none'"
)


def register_headers(app: Flask) -> None:
    """Add the headers to pages; a view may have set a policy of its own."""

    @app.after_request
    def _secure(response: Response) -> Response:
        if request.path.startswith(("/api/", "/static/")) or response.mimetype != "text/html":
            return response
        response.headers.setdefault("Content-Security-Policy", PAGE_POLICY)
        # Forms over TLS are checked by where they come from; other sites are told nothing.
        response.headers.setdefault("Referrer-Policy", "same-origin")
        # What one person saw must not come back from a cache for the next one at the same machine.
        response.headers.setdefault("Cache-Control", "no-store")
        return response
