"""The OpenAPI document and the page that shows it."""

from __future__ import annotations

import html
import re
from html.parser import HTMLParser
from typing import Any

import pytest
from openapi_spec_validator import OpenAPIV31SpecValidator

from service.app import WeakspotApp
from tests.service.callers import make_app
from tests.service.databases import SqliteFiles

METHODS = ("get", "post", "put", "patch", "delete")


@pytest.fixture(scope="module")
def app(tmp_path_factory: pytest.TempPathFactory) -> WeakspotApp:
    """The document does not depend on the database: any engine will do, and no table is needed."""
    from service.db import Database

    return make_app(Database(SqliteFiles(tmp_path_factory.mktemp("description")).empty()))


@pytest.fixture(scope="module")
def document(app: WeakspotApp) -> dict[str, Any]:
    response = app.test_client().get("/api/v1/openapi.json")
    assert response.mimetype == "application/json"
    found: dict[str, Any] = response.get_json()
    return found


def operations(document: dict[str, Any]) -> list[tuple[str, dict[str, Any]]]:
    return [
        (f"{method} {path}", item[method])
        for path, item in document["paths"].items()
        for method in METHODS
        if method in item
    ]


def test_document_is_valid_openapi_3_1(document: dict[str, Any]) -> None:
    assert document["openapi"].startswith("3.1.")
    assert list(OpenAPIV31SpecValidator(document).iter_errors()) == []


def test_document_has_every_route_and_nothing_else(app: WeakspotApp, document: dict[str, Any]) -> None:
    routes = {
        (method.lower(), re.sub(r"<(?:\w+:)?(\w+)>", r"{\1}", rule.rule))
        for rule in app.url_map.iter_rules()
        for method in (rule.methods or set()) - {"HEAD", "OPTIONS"}
        if rule.rule.startswith("/api/")  # pages and what a server's keeper asks are no part of the API
    }
    undescribed = {("get", path) for path in ("/api/v1/docs", "/api/v1/openapi.json")}
    described = {(method, path) for path, item in document["paths"].items() for method in METHODS if method in item}
    assert routes - undescribed == described


def test_every_operation_is_under_the_bearer_scheme(document: dict[str, Any]) -> None:
    assert document["components"]["securitySchemes"] == {"bearer": {"type": "http", "scheme": "bearer"}}
    assert document["security"] == [{"bearer": []}]
    for name, operation in operations(document):
        assert operation.get("security", document["security"]) == [{"bearer": []}], name


def test_errors_are_described_as_problem_documents(document: dict[str, Any]) -> None:
    for name, operation in operations(document):
        errors = {status: answer for status, answer in operation["responses"].items() if status[0] in "45d"}
        assert {"401", "default"} <= set(errors), name
        assert "404" in errors or "{" not in name, name
        if "requestBody" in operation:
            assert {"400", "413", "415", "422"} <= set(errors), name
        for answer in errors.values():
            resolved = document["components"]["responses"][answer["$ref"].rsplit("/", 1)[-1]]
            assert list(resolved["content"]) == ["application/problem+json"]
            schema = resolved["content"]["application/problem+json"]["schema"]
            assert schema == {"$ref": "#/components/schemas/ProblemDocument"}
    members = document["components"]["schemas"]["ProblemDocument"]
    assert {"type", "title", "status", "detail"} <= set(members["properties"])  # RFC 9457, section 3.1
    assert members["additionalProperties"] is True  # section 3.2: extension members


def test_every_operation_says_what_it_does(document: dict[str, Any]) -> None:
    for name, operation in operations(document):
        assert operation["summary"].endswith("."), name
        success = [status for status in operation["responses"] if status.startswith("2")]
        assert success, name
        for status in success:
            assert status == "204" or operation["responses"][status]["content"], name


def test_requests_are_closed_and_replies_open(document: dict[str, Any]) -> None:
    schemas = document["components"]["schemas"]
    for name in ("RankingAsked", "PlanAsked", "MachineDescription", "HistoryItem", "Distance"):
        assert schemas[name]["additionalProperties"] is False
    for name, schema in schemas.items():
        if name.endswith("Reply"):
            assert schema["additionalProperties"] is True, name


class Addresses(HTMLParser):
    """Collects what a browser would load for a page, and the anchors its links need."""

    def __init__(self) -> None:
        super().__init__()
        self.loaded: list[str] = []
        self.linked: list[str] = []
        self.anchors: set[str] = set()

    def handle_starttag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        given = dict(attrs)
        self.anchors.add(given.get("id") or "")
        if tag == "a":
            self.linked.append(given["href"] or "")
        else:
            self.loaded += [given[name] or "" for name in ("src", "href", "action", "style") if given.get(name)]


def test_texts_say_that_nul_is_refused(document: dict[str, Any]) -> None:
    """No engine stores it in every column; every text of a body is a choice, has a form, or leaves it out."""
    found: dict[str, Any] = document["components"]["schemas"]
    bodies = [
        content["schema"]
        for _, operation in operations(document)
        for content in operation.get("requestBody", {}).get("content", {}).values()
    ]
    seen, loose, texts = set(), [], 0
    while bodies:
        schema = bodies.pop()
        name = schema.get("$ref", "").rpartition("/")[2]
        if name and name not in seen:
            seen.add(name)
            bodies.append(found[name])
        if "string" in schema.get("type", ()) and not {"enum", "format"} & set(schema):
            texts += 1
            loose += [schema] if re.search(schema.get("pattern", ""), "a\0b") else []
        parts = (schema.get("properties", {}).values(), [schema.get("items"), schema.get("additionalProperties")])
        bodies += [part for some in (*parts, schema.get("anyOf", ())) for part in some if isinstance(part, dict)]
    assert loose == [] and texts > 30


def test_page_shows_all_of_it_from_here_alone(app: WeakspotApp, document: dict[str, Any]) -> None:
    page = app.test_client().get("/api/v1/docs")
    assert page.mimetype == "text/html"
    found = Addresses()
    found.feed(page.text)
    assert found.loaded == ["/static/docs.css"]
    with app.test_client().get("/static/docs.css") as style:
        assert style.mimetype == "text/css"
        assert not re.search(r"url\(|@import|https?:", style.text)
    assert not re.search(r"<script|@import", page.text)
    assert {link.removeprefix("#") for link in found.linked if link.startswith("#")} <= found.anchors
    for name, operation in operations(document):
        assert operation["summary"] in html.unescape(page.text), name
