"""Every operation of the OpenAPI document with ids of another shop: answered as what does not exist."""

from __future__ import annotations

import io
import json
import time
import uuid
from collections.abc import Iterator, Mapping
from dataclasses import replace
from pathlib import Path
from statistics import median
from typing import Any

import schemathesis
from hypothesis import HealthCheck, Phase, Verbosity, find, settings
from schemathesis.generation import GenerationMode

from service.app import WeakspotApp
from tests.service.callers import Caller
from tests.service.test_api_people import with_scope
from tests.service.test_photos import png
from tests.torture.on_record import good_bodies, names_of_cards, names_of_the_desk, without_names
from tests.torture.records import fill

FIRST = settings(max_examples=50, database=None, derandomize=True, phases=[Phase.generate, Phase.shrink],
                 verbosity=Verbosity.quiet, deadline=None, suppress_health_check=list(HealthCheck))  # fmt: skip
ROUNDS, PAIRS = 10, 100  # at most; of requests asked in a round
CHANGING = ("etag", "date", "x-request-id")


def nobodys(known: uuid.UUID) -> str:
    return str(uuid.UUID(int=known.int ^ 1))


def places_of(raw: dict[str, Any], document: dict[str, Any]) -> Iterator[tuple[str, str]]:
    """Where an operation takes an id: (path, query or body, name)."""
    for parameter in raw.get("parameters", ()):
        if parameter.get("schema", {}).get("format") == "uuid":
            yield parameter["in"], parameter["name"]
    body = raw.get("requestBody", {}).get("content", {}).get("application/json", {}).get("schema", {})
    if "$ref" in body:
        body = document["components"]["schemas"][body["$ref"].rsplit("/", 1)[1]]
    for name, field in body.get("properties", {}).items():
        if field.get("format") == "uuid":
            yield "body", name


def made_up(operation: Any, own: Mapping[str, uuid.UUID]) -> dict[str, Any]:
    """One request that fits the description, about what the asker has."""
    case = find(operation.as_strategy(generation_mode=GenerationMode.POSITIVE), lambda _: True, settings=FIRST)
    path = {name: own.get(name, value) for name, value in (case.path_parameters or {}).items()}
    return {"path": path, "query": dict(case.query or {}), "body": case.body}


def send(caller: Caller, method: str, path: str, asked: dict[str, Any], place: tuple[str, str], value: str) -> Any:
    where, name = place
    filled = {part: dict(asked[part]) for part in ("path", "query")}
    body = dict(asked["body"]) if isinstance(asked["body"], dict) else None
    if where == "body":
        body = {**(body or {}), name: value}
    else:
        filled[where][name] = value
    query = {k: v for k, v in filled["query"].items() if v is not None}
    url = path.format(**{k: v for k, v in filled["path"].items()})
    options: dict[str, Any] = {} if body is None else {"json": body}
    if (method, path.rsplit("/", 1)[-1]) == ("post", "photos"):
        options = {"data": {"photo": (io.BytesIO(png()), "a.png")}}
    headers = {"If-Match": "*"} if method in ("put", "patch", "delete") else {}
    return caller.send(method.upper(), url, query_string=query, headers=headers, **options)


def told(response: Any, value: str) -> tuple[int, str, dict[str, str]]:
    """All that an asker sees, but for the id itself, what counts requests, and tags, which hash the address."""
    headers = {k: v.replace(value, "ID") for k, v in response.headers.items()}
    kept = {k: v for k, v in headers.items() if k.lower() not in CHANGING and "ratelimit" not in k.lower()}
    return response.status_code, response.text.replace(value, "ID"), kept


def everything_of(app: WeakspotApp, shop_id: int) -> dict[str, uuid.UUID]:
    """An id of everything that a shop alone has, by the parameter or field that takes it."""
    keeper = with_scope(app, shop_id, "admin")
    fill(keeper)
    names = {**names_of_cards(app, keeper), **names_of_the_desk(keeper)}
    return {parameter: uuid.UUID(ids[0]) for parameter, ids in names.items()}


def test_ids_of_others_are_as_ids_of_nothing(
    app: WeakspotApp, gasket: Caller, arches: Caller, tmp_path: Path, torture: bool
) -> None:
    app.settings = replace(app.settings, photo_folder=str(tmp_path))
    theirs = everything_of(app, arches.shop_id)
    own = everything_of(app, gasket.shop_id)
    gasket = with_scope(app, gasket.shop_id, "admin")
    bodies = good_bodies(gasket)
    description = schemathesis.openapi.from_wsgi("/api/v1/openapi.json", app)
    document = json.loads(gasket.get("/api/v1/openapi.json").data)
    tried = missing = 0
    slow: list[str] = []
    for operation in (result.ok() for result in description.get_all_operations()):
        raw = document["paths"][operation.path][operation.method]
        shared = document["paths"][operation.path].get("parameters", ())
        raw = {**raw, "parameters": [*raw.get("parameters", ()), *shared]}
        for place in dict.fromkeys(places_of(raw, document)):
            asked = made_up(operation, own)
            if isinstance(asked["body"], dict):
                asked["body"] = bodies.get(f"{operation.method.upper()} {without_names(operation.path)}", asked["body"])
            for kind, known in theirs.items():
                values = str(known), nobodys(known)
                pair = [send(gasket, operation.method, operation.path, asked, place, value) for value in values]
                name = f"{operation.label} {place} with a {kind}"
                assert told(pair[0], values[0]) == told(pair[1], values[1]), name
                assert pair[0].status_code < 500, name
                if place[0] == "path" and operation.method == "get":
                    assert pair[0].status_code == 404, name
                tried += 1
                missing += pair[0].status_code == 404
            if torture and operation.method == "get":
                known = theirs.get(place[1], theirs["machine_id"])
                if abs((ratio := time_ratio(gasket, operation, asked, place, known)) - 1) > 0.1:
                    slow.append(f"{operation.label} {place}: {ratio:.3f}")
    print(f"{tried} pairs of requests, {missing} answered 404; every pair alike; {len(slow)} apart in time")
    assert tried > 100 and missing > tried / 4
    assert slow == []


def time_ratio(
    caller: Caller, operation: Any, asked: dict[str, Any], place: tuple[str, str], known: uuid.UUID
) -> float:
    """Median time with their id over nobody's; while a busy machine blurs it, more are asked, and all count."""
    times: tuple[list[float], list[float]] = ([], [])
    kinds = list(zip(times, (str(known), nobodys(known)), strict=True))
    ratio = 0.0
    for _ in range(ROUNDS):
        for number in range(PAIRS):
            for kept, value in kinds if number % 2 else kinds[::-1]:
                begin = time.perf_counter()
                send(caller, operation.method, operation.path, asked, place, value)
                kept.append(time.perf_counter() - begin)
        ratio = median(times[0]) / median(times[1])
        if abs(ratio - 1) <= 0.1:
            break
    return ratio
