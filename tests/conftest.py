"""What all tests share: on the build machine nothing may be skipped."""

from __future__ import annotations

import os
from collections.abc import Generator
from typing import Any

import pytest

# One thread for linear algebra: more only get in each other's way on small problems.
for _name in ("OPENBLAS_NUM_THREADS", "OMP_NUM_THREADS", "MKL_NUM_THREADS"):
    os.environ.setdefault(_name, "1")

# A developer's own settings must not reach the tests.
for _name in [name for name in os.environ if name.startswith("WEAKSPOT_") and not name.startswith("WEAKSPOT_TEST_")]:
    del os.environ[_name]


def pytest_addoption(parser: pytest.Parser) -> None:
    parser.addoption("--torture", action="store_true", help="run long tests in full length, not in the short form")


@pytest.hookimpl(wrapper=True)
def pytest_runtest_makereport(item: pytest.Item, call: pytest.CallInfo[Any]) -> Generator[None, Any, Any]:
    """With CI=true a skip is a failure: what a test needs is installed there."""
    report = yield
    if report.skipped and not hasattr(report, "wasxfail") and os.environ.get("CI", "").lower() in ("1", "true"):
        where, line, reason = report.longrepr
        report.outcome = "failed"
        report.longrepr = f"{where}:{line}: skipped, which CI does not allow: {reason}"
    return report
