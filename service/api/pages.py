"""Lists in parts, with the way on and back in a Link header (RFC 8288)."""

from __future__ import annotations

import uuid
from typing import Any
from urllib.parse import urlencode

from flask import request

from service.queries import Page

HEADER = {
    "Link": {
        "description": "first, and next and prev where there are such parts, of this list (RFC 8288)",
        "schema": {"type": "string"},
    }
}


def link_header(page: Page) -> dict[str, str]:
    """The Link header of a list's part: the address asked, with other edges."""
    links = [_link("first", {})]
    if page.next is not None:
        links.append(_link("next", {"after": page.next}))
    if page.previous is not None:
        links.append(_link("prev", {"before": page.previous}))
    return {"Link": ", ".join(links)}


def _link(relation: str, edge: dict[str, uuid.UUID]) -> str:
    kept = [(name, value) for name, value in request.args.items(multi=True) if name not in ("after", "before")]
    query = urlencode([*kept, *edge.items()])
    return f'<{request.path}{"?" + query if query else ""}>; rel="{relation}"'


def listed(name: str, documents: Any, page: Page) -> tuple[dict[str, Any], int, dict[str, str]]:
    """A part of a list as a reply."""
    return {name: documents, "next": page.next}, 200, link_header(page)
