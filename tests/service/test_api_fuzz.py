"""Requests made up from the OpenAPI document: none brings the server down, every answer fits its description."""

from __future__ import annotations

import io
from datetime import date
from typing import Any

import pytest
import schemathesis
from hypothesis import HealthCheck, Phase, given, settings
from hypothesis import strategies as st
from schemathesis.checks import not_a_server_error
from schemathesis.generation import GenerationMode
from schemathesis.specs.openapi.checks import (
    content_type_conformance,
    negative_data_rejection,
    response_headers_conformance,
    response_schema_conformance,
    status_code_conformance,
)

from service.app import WeakspotApp
from service.schemas.ranking import HISTORY_ACTIONS
from service.vocabulary import UNITS
from tests.service.callers import Caller, make_caller
from tests.service.job_files import csv_file, row

QUIET = settings(
    max_examples=12,
    deadline=None,
    database=None,
    derandomize=True,
    phases=[Phase.generate],
    suppress_health_check=list(HealthCheck),
)
FITTING = [
    not_a_server_error,
    status_code_conformance,
    content_type_conformance,
    response_headers_conformance,
    response_schema_conformance,
]


@pytest.fixture(scope="module")
def keeper(shared_app: WeakspotApp) -> Caller:
    """A shop with one machine on record."""
    caller = make_caller(shared_app, "The Cog & Gasket")
    caller.post("/api/v1/imports", data={"file": (io.BytesIO(csv_file([row()])), "cards.csv")})
    return caller


@pytest.mark.parametrize("mode", list(GenerationMode))
def test_made_up_requests(shared_app: WeakspotApp, keeper: Caller, mode: GenerationMode) -> None:
    description = schemathesis.openapi.from_wsgi("/api/v1/openapi.json", shared_app)
    checks = [*FITTING, negative_data_rejection] if mode is GenerationMode.NEGATIVE else FITTING
    operations = [result.ok() for result in description.get_all_operations()]
    assert len(operations) >= 10
    for operation in operations:

        @QUIET
        @given(case=operation.as_strategy(generation_mode=mode))
        def run(case: schemathesis.Case) -> None:
            response = case.call(headers={"Authorization": f"Bearer {keeper.token}"})
            # What is to be changed is looked at first: a tag that does not match is told before the body is read.
            case.validate_response(response, checks=FITTING if response.status_code == 412 else checks)
            if response.status_code >= 400:
                assert response.json()["status"] == response.status_code

        run()


def distances(most: float) -> st.SearchStrategy[dict[str, Any]]:
    return st.fixed_dictionaries({"value": st.floats(0, most), "unit": st.sampled_from(UNITS)})


def partial_dates() -> st.SearchStrategy[str]:
    days = st.dates(date(1990, 1, 1), date(2026, 6, 1)).map(date.isoformat)
    return st.tuples(days, st.sampled_from((4, 7, 10))).map(lambda drawn: drawn[0][: drawn[1]])


def maybe(strategy: st.SearchStrategy[Any]) -> st.SearchStrategy[Any]:
    return st.none() | strategy


def requests(slugs: list[str]) -> st.SearchStrategy[dict[str, Any]]:
    machine = {
        "make": st.sampled_from(("Tindrake", "Marrowby")),
        "model": st.sampled_from(("Lanner 650", "Parson 800")),
        "built": maybe(partial_dates()),
        "model_year": maybe(st.integers(1990, 2026)),
        "odometer": distances(400_000),
    }
    line = {
        "component": st.sampled_from(slugs),
        "position": maybe(st.sampled_from(("front", "rear"))),
        "action": st.sampled_from(HISTORY_ACTIONS),
        "date": maybe(partial_dates()),
        "odometer": maybe(distances(400_000)),
    }
    asked = {
        "machine": st.fixed_dictionaries(machine),
        "as_of": st.just("2026-06-01"),
        "horizon": st.fixed_dictionaries({"distance": distances(200_000), "months": maybe(st.floats(0, 240))}),
        "history": st.lists(st.fixed_dictionaries(line), max_size=6),
        "level": st.floats(0.5, 0.99),
        "usage": maybe(distances(100_000)),
    }
    return st.fixed_dictionaries(asked)


def test_any_machine_gets_chances_between_0_and_1(keeper: Caller) -> None:
    slugs = [part["slug"] for part in keeper.get("/api/v1/components").get_json()["components"]]
    answered = []

    @settings(QUIET, max_examples=150)
    @given(asked=requests(slugs))
    def run(asked: dict[str, Any]) -> None:
        response = keeper.post("/api/v1/rankings", json=asked)
        if response.status_code == 422:
            document = response.get_json()
            where = [error["pointer"] for error in document.get("errors", [])] or [document["detail"]]
            assert where[0].startswith(("/history/", "/as_of", "/horizon/", "horizon:")), document
            return
        assert response.status_code == 200
        ranking = response.get_json()["ranking"]
        assert {line["component"] for line in ranking} == set(slugs)
        for line in ranking:
            for chance in (line["chance_in_horizon"], line["chance_bad_now"]):
                assert 0 <= chance["low"] <= chance["value"] <= chance["high"] <= 1
        answered.append(ranking)

    run()
    assert len(answered) >= 20
