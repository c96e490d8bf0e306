"""What browsers are told about every answer (OWASP Secure Headers Project; RFC 6797 for HTTPS)."""

from __future__ import annotations

from flask import Flask, Response, request

ALWAYS = {
    "X-Content-Type-Options": "nosniff",
    "X-Frame-Options": "DENY",
    "Referrer-Policy": "no-referrer",
    "Cross-Origin-Opener-Policy": "same-origin",
    "Cross-Origin-Resource-Policy": "same-origin",
    "Permissions-Policy": "camera=(self), geolocation=(), microphone=()",
}
DATA_POLICY = "default-src 'none'; frame-ancestors 'none'"
# Plans to print carry their style inside; nothing under /api runs a script.
PAPER_POLICY = (
    "default-src 'none'; style-src 'self' 'unsafe-inline'; img-src 'self' data:; font-src 'self'; "
    "base-uri 'none'; form-action 'none'; frame-ancestors 'none'"
)
HTTPS_ONLY = "max-age=31536000"


def register_security_headers(app: Flask) -> None:
    """Add the headers that an answer does not carry already: a page may know better."""

    @app.after_request
    def _protect(response: Response) -> Response:
        wanted = dict(ALWAYS)
        wanted["Content-Security-Policy"] = PAPER_POLICY if response.mimetype == "text/html" else DATA_POLICY
        if request.endpoint != "static":
            # Records are for the one who asked; a browser may keep them only if it asks again.
            wanted["Cache-Control"] = "private, no-cache"
        if request.is_secure:
            wanted["Strict-Transport-Security"] = HTTPS_ONLY
        there = {name.lower() for name, _ in response.headers}
        for name, value in wanted.items():
            if name.lower() not in there:
                response.headers.add(name, value)
        return response
