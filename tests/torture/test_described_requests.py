"""Requests made up from the OpenAPI document, one by one and in sequence: all of schemathesis' checks."""

from __future__ import annotations

from collections import Counter
from typing import Any

import pytest
import schemathesis
from hypothesis import HealthCheck, Phase, given, settings
from schemathesis.checks import CHECKS, load_all_checks
from schemathesis.generation import GenerationMode

from service.app import WeakspotApp
from tests.service.callers import Caller
from tests.torture.records import fill

# What a description cannot say (two fields that exclude one another, a machine that must be on record) is refused
# with 409 or 422, so that a request that fits need not be taken.
LEFT_OUT = {"positive_data_acceptance"}


def quiet(examples: int, **more: Any) -> settings:
    return settings(
        max_examples=examples, deadline=None, database=None, derandomize=True, phases=[Phase.generate],
        suppress_health_check=list(HealthCheck), **more,
    )  # fmt: skip


@pytest.fixture
def checks() -> list[Any]:
    load_all_checks()
    return [check for name, check in ((c.__name__, c) for c in CHECKS.get_all()) if name not in LEFT_OUT]


def test_one_by_one(app: WeakspotApp, gasket: Caller, checks: list[Any], torture: bool) -> None:
    fill(gasket)
    description = schemathesis.openapi.from_wsgi("/api/v1/openapi.json", app)
    headers = {"Authorization": f"Bearer {gasket.token}"}
    examples = 260 if torture else 2
    operations = [result.ok() for result in description.get_all_operations()]
    wrong: list[str] = []
    made: Counter[str] = Counter({operation.label: 0 for operation in operations})
    for operation in operations:
        for mode in GenerationMode:

            @quiet(examples)
            @given(case=operation.as_strategy(generation_mode=mode))
            def run(case: schemathesis.Case) -> None:
                made[case.operation.label] += 1
                case.call_and_validate(headers=headers, checks=checks)

            try:
                run()
            except (Exception, BaseExceptionGroup) as error:  # each operation is told of, not the first alone
                wrong.append(f"{operation.label} {mode.name}: {str(error)[:600]}")
    # An operation that takes little can be asked in few ways.
    fewer = {label: count for label, count in made.items() if count < 2 * examples}
    print(f"{len(operations)} operations, {made.total()} requests, {len(wrong)} failures;"
          f" {2 * examples} examples of each but {fewer}")  # fmt: skip
    assert min(made.values()) > 0
    assert wrong == [], "\n".join(wrong)


def test_in_sequence(app: WeakspotApp, gasket: Caller, checks: list[Any], torture: bool) -> None:
    fill(gasket)
    description = schemathesis.openapi.from_wsgi("/api/v1/openapi.json", app)
    headers = {"Authorization": f"Bearer {gasket.token}"}

    class Sequence(description.as_state_machine()):  # type: ignore[misc]
        def get_call_kwargs(self, case: schemathesis.Case) -> dict[str, Any]:
            return {"headers": headers}

        def validate_response(self, response: Any, case: schemathesis.Case, **more: Any) -> None:
            case.validate_response(response, checks=checks, headers=headers)

    Sequence.run(settings=quiet(500 if torture else 3, stateful_step_count=8 if torture else 4))
