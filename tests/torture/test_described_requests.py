"""Requests made up from the OpenAPI document, one by one and in sequence: all of schemathesis' checks."""

from __future__ import annotations

import gc
import time
from collections import Counter
from dataclasses import replace
from pathlib import Path
from typing import Any

import pytest
import schemathesis
from hypothesis import HealthCheck, Phase, assume, given, settings
from hypothesis import strategies as st
from schemathesis.checks import CHECKS, load_all_checks
from schemathesis.config import SchemathesisConfig
from schemathesis.generation import GenerationMode

from service.app import WeakspotApp
from tests.service.callers import Caller
from tests.service.test_api_people import with_scope
from tests.torture.bounded import bound_now, bounded
from tests.torture.counts import times
from tests.torture.on_record import about_record, put_on_record
from tests.torture.records import fill

# What a description cannot say (two fields that exclude one another, a machine that must be on record, an ETag of now)
# is refused with one of the last four; a request that fits may be refused as nothing else.
TAKEN = ("2xx", "304", "401", "403", "404", "409", "412", "422", "428")
# What does not fit is refused as one of these; all but the last are schemathesis' own list.
REFUSED = ("400", "401", "403", "404", "405", "406", "409", "415", "422", "428", "429", "5xx", "412")
PARTS = times(8, 1)  # of the operations, each tried by a test of its own: `-k part3` tries one of them
EXAMPLES = times(260, 2)  # of requests that fit, and as many that do not


def quiet(examples: int, **more: Any) -> settings:
    return settings(
        max_examples=examples, deadline=None, database=None, derandomize=True, phases=[Phase.generate],
        suppress_health_check=list(HealthCheck), **more,
    )  # fmt: skip


@pytest.fixture
def checks() -> list[Any]:
    load_all_checks()
    return list(CHECKS.get_all())


def described(app: WeakspotApp) -> Any:
    # Nothing works on the jobs that are asked for here.
    app.settings = replace(app.settings, jobs_waiting=10_000)
    config = SchemathesisConfig()
    # A change of another state than is on record is refused before its body is read (RFC 9110, section 13.2.1).
    config.projects.default.checks.negative_data_rejection.expected_statuses = list(REFUSED)
    config.projects.default.checks.positive_data_acceptance.expected_statuses = list(TAKEN)
    return schemathesis.openapi.from_wsgi("/api/v1/openapi.json", app, config=config)


def is_sent_whole(case: schemathesis.Case) -> bool:
    """An empty list in a query does not reach the server: one that should break a rule would not."""
    return all(value != [] for value in (case.query or {}).values())


@pytest.mark.parametrize("part", range(PARTS), ids=lambda part: f"part{part}")
def test_one_by_one(
    app: WeakspotApp,
    gasket: Caller,
    arches: Caller,
    tmp_path: Path,
    checks: list[Any],
    torture: bool,
    caplog: pytest.LogCaptureFixture,
    part: int,
) -> None:
    known = put_on_record(app, gasket, arches, tmp_path)
    operations = [result.ok() for result in described(app).get_all_operations()][part::PARTS]
    wrong: list[str] = []
    made, done = (Counter({operation.label: 0 for operation in operations}) for _ in range(2))
    seconds: Counter[str] = Counter()
    bound = bound_now()
    for operation in operations:
        begin = time.process_time()
        for mode in GenerationMode:

            @quiet(EXAMPLES)
            @given(case=operation.as_strategy(generation_mode=mode), on_record=st.booleans(), data=st.data())
            def run(case: schemathesis.Case, on_record: bool, data: st.DataObject) -> None:
                if on_record:
                    about_record(case, known, data)
                assume(is_sent_whole(case))
                made[case.operation.label] += 1
                headers = {"Authorization": f"Bearer {known.token(case.operation.label)}"}
                with bounded(bound):
                    response = case.call(headers=headers)
                if response.status_code >= 500:  # the frames of an error hold what it ran out of memory with
                    caplog.clear()
                    gc.collect()
                case.validate_response(response, checks=checks, headers=headers)
                done[case.operation.label] += response.status_code < 400

            try:
                run()
            except (Exception, BaseExceptionGroup) as error:  # each operation is told of, not the first alone
                wrong.append(f"{operation.label} {mode.name}: {str(error)[:600]}")
        seconds[operation.label] = round(time.process_time() - begin)
    # An operation that takes little can be asked in few ways.
    fewer = {label: count for label, count in made.items() if count < 2 * EXAMPLES}
    print(f"part {part} of {PARTS}: {len(operations)} operations, {made.total()} requests, {len(wrong)} failures;"
          f" {2 * EXAMPLES} examples of each but {fewer}; longest {dict(seconds.most_common(4))} s")  # fmt: skip
    refused = sorted(label for label, count in done.items() if not count)
    print(f"answered with what was asked for: {done.total()}; never of {refused or 'none'}")
    assert min(made.values()) > 0
    assert wrong == [], "\n".join(wrong)
    assert not (torture and refused), "nothing was tried but how these refuse"


def test_in_sequence(app: WeakspotApp, gasket: Caller, checks: list[Any], torture: bool) -> None:
    fill(gasket)
    description = described(app)
    headers = {"Authorization": f"Bearer {with_scope(app, gasket.shop_id, 'admin').token}"}

    bound = bound_now()

    class Sequence(description.as_state_machine()):  # type: ignore[misc]
        def get_call_kwargs(self, case: schemathesis.Case) -> dict[str, Any]:
            return {"headers": headers}

        def call(self, case: schemathesis.Case, **more: Any) -> Any:
            with bounded(bound):
                return super().call(case, **more)

        def validate_response(self, response: Any, case: schemathesis.Case, **more: Any) -> None:
            case.validate_response(response, checks=checks, headers=headers)

    Sequence.run(settings=quiet(500 if torture else 3, stateful_step_count=8 if torture else 4))
