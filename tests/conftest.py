"""What all tests share: databases and the demo world, made once in a process; how tests are shared out to processes.

On the build machine nothing may be skipped.
"""

from __future__ import annotations

import os
from collections.abc import Generator, Iterator
from pathlib import Path
from typing import TYPE_CHECKING, Any

import pytest

if TYPE_CHECKING:
    from tests.service.databases import PostgresDatabases, SqliteFiles

# One thread for linear algebra: more only get in each other's way on small problems.
for _name in ("OPENBLAS_NUM_THREADS", "OMP_NUM_THREADS", "MKL_NUM_THREADS"):
    os.environ.setdefault(_name, "1")

# A developer's own settings must not reach the tests.
for _name in [name for name in os.environ if name.startswith("WEAKSPOT_") and not name.startswith("WEAKSPOT_TEST_")]:
    del os.environ[_name]


def pytest_addoption(parser: pytest.Parser) -> None:
    parser.addoption("--torture", action="store_true", help="run long tests in full length, not in the short form")


@pytest.hookimpl(tryfirst=True)
def pytest_collection_modifyitems(items: list[pytest.Item]) -> None:
    """With several processes: a file's tests on one engine go to one of them, all tests of one world to another.

    Long ones first, so that no process is left with one of them at the end.
    """
    for item in items:
        if item.get_closest_marker("xdist_group") is None:
            item.add_marker(pytest.mark.xdist_group(_group(item)))
    items.sort(key=lambda item: _LONG_FIRST.get(_group(item), _LONG_FIRST.get(item.path.parent.name, 9)))


_LONG_FIRST = {"demo world": 0, "story world": 1, "torture": 1, "worlds": 2, "seed": 2}


def _group(item: pytest.Item) -> str:
    if told := item.get_closest_marker("xdist_group"):
        return str(told.args[0])
    for file, group in (("demo_file", "demo world"), ("story_file", "story world")):
        if file in getattr(item, "fixturenames", ()):
            return group
    engine = getattr(item, "callspec", None) and item.callspec.params.get("databases", "")
    return f"{item.path.stem} {engine or ''}".strip()


@pytest.fixture(scope="session")
def sqlite_files(tmp_path_factory: pytest.TempPathFactory) -> SqliteFiles:
    from tests.service.databases import SqliteFiles

    return SqliteFiles(tmp_path_factory.mktemp("databases"))


@pytest.fixture(scope="session")
def postgres_databases() -> Iterator[PostgresDatabases]:
    from tests.service.databases import PostgresDatabases, postgres_server

    with postgres_server() as server:
        made = PostgresDatabases(server)
        yield made
        made.drop_template()


@pytest.fixture(scope="session")
def demo_file(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """The demo's database; nobody writes to it."""
    from tests.service.demo_world import make_demo

    return make_demo(tmp_path_factory.mktemp("demo"))


@pytest.fixture(scope="session")
def story_file(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """The database of the small world that stories are asked of; nobody writes to it."""
    from tests.service.story_world import make_story

    return make_story(tmp_path_factory.mktemp("story"))


@pytest.hookimpl(wrapper=True)
def pytest_runtest_makereport(item: pytest.Item, call: pytest.CallInfo[Any]) -> Generator[None, Any, Any]:
    """With CI=true a skip is a failure: what a test needs is installed there."""
    report = yield
    if report.skipped and not hasattr(report, "wasxfail") and os.environ.get("CI", "").lower() in ("1", "true"):
        where, line, reason = report.longrepr
        report.outcome = "failed"
        report.longrepr = f"{where}:{line}: skipped, which CI does not allow: {reason}"
    return report
