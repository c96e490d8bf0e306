"""Structured logs: one event a line, as JSON or for the eye, with the request's id and without secrets.

No bodies, no tokens, no query strings are ever given to a logger here; what an error's own text may carry along is
taken out again by `scrub`.
"""

from __future__ import annotations

import logging
import re
import sys
from collections.abc import Callable, MutableMapping
from typing import Any, TextIO

import structlog

REMOVED = "[removed]"
SECRET_NAMES = r"password|passwd|secret|token|cookie|authorization|csrf|api[_-]?key"
_PATTERNS: tuple[tuple[re.Pattern[str], str], ...] = (
    (re.compile(r"wsp_[\w-]+"), REMOVED),
    (re.compile(r"(?i)\b(bearer|basic)\s+[^\s\"',]+"), rf"\1 {REMOVED}"),
    (re.compile(r"(//[^/\s:@]*):[^@\s/]+@"), rf"\1:{REMOVED}@"),  # user:password@host in an address
    (re.compile(rf"(?i)((?:{SECRET_NAMES})\w*[\"']?\s*[=:]\s*)(?:\"[^\"]*\"|'[^']*'|[^\s\"',;&]+)"), rf"\1{REMOVED}"),
    # PostgreSQL repeats the values of a row it refuses.
    (re.compile(r"(?m)^(\s*DETAIL:).*$"), rf"\1 {REMOVED}"),
)
Secrets = Callable[[], frozenset[str]]


def scrub_text(text: str, secrets: frozenset[str] = frozenset()) -> str:
    """A text without anything that looks like a secret, and without the ones given."""
    for secret in secrets:
        text = text.replace(secret, REMOVED)
    for pattern, instead in _PATTERNS:
        text = pattern.sub(instead, text)
    return text


def _no_secrets() -> frozenset[str]:
    return frozenset()


class Scrubber:
    """Last step before rendering; `secrets` names those of the request at hand."""

    def __init__(self, secrets: Secrets = _no_secrets) -> None:
        self._secrets = secrets

    def __call__(self, _logger: Any, _method: str, event: MutableMapping[str, Any]) -> MutableMapping[str, Any]:
        secrets = self._secrets()
        return {key: self._cleaned(value, secrets) for key, value in event.items()}

    def _cleaned(self, value: Any, secrets: frozenset[str]) -> Any:
        if isinstance(value, str):
            return scrub_text(value, secrets)
        if isinstance(value, dict):
            return {key: self._cleaned(item, secrets) for key, item in value.items()}
        if isinstance(value, (list, tuple)):
            return [self._cleaned(item, secrets) for item in value]
        return value


CHAIN: tuple[Any, ...] = (
    structlog.contextvars.merge_contextvars,
    structlog.stdlib.add_log_level,
    structlog.stdlib.add_logger_name,
    structlog.stdlib.PositionalArgumentsFormatter(),
    structlog.processors.TimeStamper(fmt="iso", utc=True),
    structlog.processors.StackInfoRenderer(),
    structlog.processors.format_exc_info,
)


def route_events() -> None:
    """Send structlog's events to the standard library's loggers, whoever listens there."""
    structlog.configure(
        processors=[structlog.stdlib.filter_by_level, *CHAIN, structlog.stdlib.ProcessorFormatter.wrap_for_formatter],
        logger_factory=structlog.stdlib.LoggerFactory(),
        wrapper_class=structlog.stdlib.BoundLogger,
        cache_logger_on_first_use=False,
    )


def configure_logs(
    log_format: str, level: str, *, secrets: Secrets = _no_secrets, stream: TextIO | None = None
) -> None:
    """Send every logger of this process, libraries included, through one chain to the error stream."""
    route_events()
    last: Any = structlog.processors.JSONRenderer(ensure_ascii=False, default=str)
    if log_format == "CONSOLE":
        last = structlog.dev.ConsoleRenderer(colors=False)
    formatter = structlog.stdlib.ProcessorFormatter(
        foreign_pre_chain=CHAIN,
        processors=[structlog.stdlib.ProcessorFormatter.remove_processors_meta, Scrubber(secrets), last],
    )
    handler = logging.StreamHandler(stream or sys.stderr)
    handler.setFormatter(formatter)
    root = logging.getLogger()
    root.handlers[:] = [handler]
    root.setLevel(level)
    for noisy in ("alembic", "matplotlib", "fontTools"):
        logging.getLogger(noisy).setLevel(logging.WARNING)
