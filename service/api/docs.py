"""A page that shows the OpenAPI document; served from here, loads nothing from anywhere else."""

from __future__ import annotations

from typing import Any

from flask import Blueprint, current_app, render_template
from markupsafe import Markup, escape

blueprint = Blueprint("docs", __name__)


@blueprint.get("/docs")
def docs() -> str:
    """Show every operation with its parameters, body and answers."""
    spec = current_app.extensions["flask-smorest"]["apis"][""]["ext_obj"].spec.to_dict()
    return render_template(
        "docs.html", spec=spec, operations=list(_operations(spec)), schemas=_schemas(spec), type_of=type_of
    )


def type_of(schema: dict[str, Any] | None) -> Markup:
    """A schema's type in a few words, with a link where it is a named shape."""
    if not schema:
        return Markup("")
    if "$ref" in schema:
        name = schema["$ref"].rsplit("/", 1)[-1]
        return Markup('<a href="#{0}">{0}</a>').format(name)
    for combined in ("anyOf", "allOf", "oneOf"):
        if combined in schema:
            return Markup(" or ").join(type_of(part) for part in schema[combined])
    if "enum" in schema:
        return escape(" | ".join(str(word) for word in schema["enum"]))
    kind = schema.get("type", "any")
    if kind == "array" or (isinstance(kind, list) and "array" in kind):
        return Markup("list of ") + type_of(schema.get("items"))
    text = " or ".join(kind) if isinstance(kind, list) else str(kind)
    return escape(f"{text} ({schema['format']})" if "format" in schema else text)


def _operations(spec: dict[str, Any]) -> Any:
    for path, methods in spec["paths"].items():
        shared = methods.get("parameters", [])
        for method, operation in methods.items():
            if method != "parameters":
                yield {"path": path, "method": method.upper(), "parameters": shared, **_own(operation, shared)}


def _own(operation: dict[str, Any], shared: list[Any]) -> dict[str, Any]:
    own = dict(operation)
    own["parameters"] = [*shared, *operation.get("parameters", [])]
    return own


def _schemas(spec: dict[str, Any]) -> list[tuple[str, dict[str, Any]]]:
    return sorted(spec.get("components", {}).get("schemas", {}).items())
