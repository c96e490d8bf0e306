"""How large a request may be and how long it may take to arrive; what is refused is refused before it is read."""

from __future__ import annotations

import time
from collections.abc import Callable, Iterable
from typing import Any

from flask import Flask, Response, request
from werkzeug.exceptions import RequestEntityTooLarge, RequestTimeout

MEBIBYTE = 1024**2
LINGER_SECONDS = 2.0
CHUNK = 65_536


class TimedInput:
    """The body of one request; gives up when it has not all come by the deadline, or is more than `most` bytes."""

    def __init__(self, stream: Any, socket: Any, seconds: float) -> None:
        self._stream, self._socket, self._deadline = stream, socket, time.monotonic() + seconds
        self.most: int | None = None
        self._came = 0

    def read(self, size: int = -1) -> bytes:
        return self._timed(self._stream.read, size)

    def readline(self, size: int = -1) -> bytes:
        return self._timed(self._stream.readline, size)

    def _timed(self, read: Callable[[int], bytes], size: int) -> bytes:
        left = self._deadline - time.monotonic()
        if left <= 0:
            raise self._too_slow()
        if self._socket is not None:
            self._socket.settimeout(left)
        try:
            data = read(size)
        except TimeoutError:
            raise self._too_slow() from None
        self._came += len(data)
        if self.most is not None and self._came > self.most:
            raise RequestEntityTooLarge
        return data

    @staticmethod
    def _too_slow() -> RequestTimeout:
        return RequestTimeout("The body did not arrive in time (WEAKSPOT_REQUEST_SECONDS); send it again.")


class TimedBodies:
    """WSGI middleware: every body has a deadline."""

    def __init__(self, application: Any, seconds: float) -> None:
        self._application, self._seconds = application, seconds

    def __call__(self, environ: dict[str, Any], start_response: Any) -> Iterable[bytes]:
        socket = environ.get("gunicorn.socket")
        environ["wsgi.input"] = TimedInput(environ["wsgi.input"], socket, self._seconds)
        return self._application(environ, start_response)


def register_request_limits(app: Flask, *, upload_mb: int, json_mb: int, seconds: float) -> None:
    """Refuse bodies that are too large: at once where their length is told, else where they pass the limit.

    Files are written to disk as they come; anything else is held in memory and has a lower limit.
    """
    app.wsgi_app = TimedBodies(app.wsgi_app, seconds)  # type: ignore[method-assign]

    @app.before_request
    def _size() -> None:
        uploads = request.mimetype == "multipart/form-data"
        most = (upload_mb if uploads else min(json_mb, upload_mb)) * MEBIBYTE
        # The framework would cut a body without a length off at its limit and go on; one byte more is an error here.
        request.max_content_length = most + 1
        request.environ["wsgi.input"].most = most
        if (request.content_length or 0) > most:
            raise RequestEntityTooLarge

    @app.after_request
    def _linger(response: Response) -> Response:
        if response.status_code == 413:
            # A connection closed on a sender that is still sending may lose the answer: read on, keep nothing.
            stream = request.environ["wsgi.input"]
            response.headers["Connection"] = "close"
            response.call_on_close(lambda: _discard(stream))
        return response


def _discard(stream: TimedInput) -> None:
    stream.most = None
    deadline = time.monotonic() + LINGER_SECONDS
    try:
        while time.monotonic() < deadline and stream.read(CHUNK):
            pass
    except (OSError, ValueError, RequestTimeout):
        return
