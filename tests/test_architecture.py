"""Imports run downwards only (design of the project, see DEVELOPERS.md, "Layout")."""

from __future__ import annotations

import ast
import subprocess
import sys
from collections.abc import Iterator
from functools import cache
from pathlib import Path

import pytest

ROOT = Path(__file__).parents[1]
PACKAGES = ("analytics", "service", "seed", "migrations", "tests")

# Lowest first. A module may import its own layer and those before it. A new module needs a place here.
LAYERS: tuple[tuple[str, ...], ...] = (
    ("errors", "settings", "vocabulary", "key_claims", "turns", "kept", "said", "aged_notes", "ages",
     "logs", "metrics"),
    ("db", "migrate", "bulk", "keyed", "prepared",
     "database_trouble", "readiness"),
    ("models",),
    ("lifetimes", "past", "odometers", "catalogue", "catalogue_files", "catalogue_schemas", "catalogue_types",
     "lines_read", "packed_lines", "line_reader", "machine_columns", "life_lines",
     "kept_lines", "kept_lines_file", "told_facts", "engine_changes",
     "build_days", "check_schemas", "check_types", "data_files", "layout_files"),
    ("rate_limits", "backups", "jobs", "line_entry", "line_documents", "line_surroundings", "margin_readings",
     "component_risk", "machine_story", "own_repeats",
     "life_documents", "life_tables", "pictures",
     "inspections", "pool", "estimates", "fitting", "fit_inputs", "kept_work", "imports", "exports", "records",
     "corrections", "facts", "machine_joins", "reviews", "review_answers",
     "review_choices", "log_figures",
     "card_texts", "idle_times", "kept_replies", "people", "queries", "schemas", "setup", "outlooks",
     "renewal_advice",
     "fleet_now", "parts_now", "fleet_costs", "pull_lists", "due_work", "due_files",
     "intervals", "model_comparisons", "changes_over_time", "shop_habits", "records_seen",
     "backtests", "backtest_document", "backtest_refusals", "backtest_fits", "backtest_lines", "backtest_parts"),
    ("api", "web", "app", "auth", "error_handlers", "json_input", "server", "answered_once",
     "request_limits", "request_log", "rate_hooks", "security_headers",
     "cli", *sorted(path.stem for path in (ROOT / "service").glob("cli_*.py"))),
)  # fmt: skip
LAYER_OF = {name: number for number, names in enumerate(LAYERS) for name in names}
USES_ANALYTICS = {
    *(
        "inspections",
        "estimates",
        "fitting",
        "fit_inputs",
        "kept_work",
        "lifetimes",
        "lines_read",
        "packed_lines",
        "line_reader",
        "machine_columns",
        "build_days",
        "life_lines",
        "kept_lines",
        "kept_lines_file",
        "pool",
        "outlooks",
        "fleet_now",
        "parts_now",
        "renewal_advice",
        "fleet_costs",
        "pull_lists",
        "due_work",
        "intervals",
        "model_comparisons",
        "changes_over_time",
        "shop_habits",
        "component_risk",
        "own_repeats",
        "life_documents",
        "pictures",
    ),
    *(name for name in LAYER_OF if name.startswith("backtest")),
}
# Refusals are mapped to answers and exit codes in one place each; a figure is drawn where it is shown.
EXCEPTIONS = {
    ("error_handlers", "analytics.errors"),
    ("cli", "analytics.errors"),
    ("jobs", "analytics.errors"),
    ("cli_backtest_text", "analytics.figures_calibration"),
    ("margin_readings", "analytics.units"),
    ("ages", "analytics.rough"),
}


def files(*packages: str) -> list[Path]:
    return [path for package in packages for path in sorted((ROOT / package).rglob("*.py"))]


def module_name(path: Path) -> str:
    return ".".join(path.relative_to(ROOT).with_suffix("").parts).removesuffix(".__init__")


@cache
def is_module(name: str) -> bool:
    path = ROOT.joinpath(*name.split("."))
    return path.with_suffix(".py").exists() or (path / "__init__.py").exists()


def imported(path: Path) -> Iterator[str]:
    """Full names of the modules a file imports, anywhere in it."""
    for node in ast.walk(ast.parse(path.read_text(encoding="utf-8"))):
        if isinstance(node, ast.Import):
            yield from (alias.name for alias in node.names)
        elif isinstance(node, ast.ImportFrom):
            assert node.level == 0 and node.module, f"{path}: write imports in full"
            for alias in node.names:
                inner = f"{node.module}.{alias.name}"
                yield inner if is_module(inner) else node.module


def part(module: str) -> str:
    """Which part of the service a module belongs to; empty for the package itself."""
    return [*module.split("."), ""][1]


def imports_of(*packages: str) -> list[tuple[str, str]]:
    return [(module_name(path), name) for path in files(*packages) for name in imported(path)]


def breaches(*packages: str, forbidden: tuple[str, ...]) -> list[str]:
    return [f"{module} imports {name}" for module, name in imports_of(*packages) if name.split(".")[0] in forbidden]


def test_analytics_knows_neither_web_nor_database_nor_service() -> None:
    assert breaches("analytics", forbidden=("flask", "sqlalchemy", "service", "seed", "marshmallow", "click")) == []


def test_models_know_neither_web_nor_analytics() -> None:
    assert breaches("service/models", forbidden=("flask", "analytics", "marshmallow")) == []


def test_service_does_not_need_the_demo() -> None:
    assert breaches("service", forbidden=("seed", "tests")) == []


def test_revisions_outlive_the_code() -> None:
    assert breaches("migrations/versions", forbidden=("service", "analytics")) == []


def test_every_module_of_the_service_has_a_layer() -> None:
    unplaced = {part(module_name(path)) for path in files("service")} - set(LAYER_OF) - {""}
    assert unplaced == set(), "give these a place in LAYERS"


def test_service_imports_run_downwards() -> None:
    upwards = [
        f"{module} imports {name}"
        for module, name in imports_of("service")
        if name.startswith("service.") and LAYER_OF.get(part(name), 0) > LAYER_OF.get(part(module), len(LAYERS))
    ]
    assert upwards == []


def test_api_and_pages_do_not_import_each_other() -> None:
    pairs = {(part(module), part(name)) for module, name in imports_of("service") if name.startswith("service.")}
    assert not pairs & {("api", "web"), ("web", "api")}


def test_analytics_is_used_by_few() -> None:
    users = [
        f"{module} imports {name}"
        for module, name in imports_of("service")
        if name.split(".")[0] == "analytics"
        and part(module) not in USES_ANALYTICS
        and (part(module), name) not in EXCEPTIONS
    ]
    assert users == []


def test_files_stay_short() -> None:
    long = {module_name(path): len(path.read_text(encoding="utf-8").splitlines()) for path in files(*PACKAGES)}
    revisions = "migrations.versions."  # written once, never edited
    assert {name: count for name, count in long.items() if count >= 400 and not name.startswith(revisions)} == {}


def loaded_by(code: str) -> set[str]:
    """Top-level names of all modules that a fresh interpreter has loaded after running `code`."""
    code += "\nimport sys\nprint(*sorted({name.split('.')[0] for name in sys.modules}))"
    done = subprocess.run([sys.executable, "-c", code], cwd=ROOT, capture_output=True, text=True, check=True)
    return set(done.stdout.split())


@pytest.mark.parametrize(
    "code", ["import analytics", "\n".join(f"import {module_name(p)}" for p in files("analytics"))]
)
def test_analytics_loads_neither_web_nor_database(code: str) -> None:
    assert not loaded_by(code) & {"flask", "sqlalchemy", "service", "werkzeug", "marshmallow"}


def test_server_starts_without_what_it_seldom_needs() -> None:
    code = """
from service import create_app
from service.settings import Settings
app = create_app(Settings(database_url="sqlite://"))
assert app.test_client().get("/health").status_code == 200
"""
    loaded = loaded_by(code)
    assert {"flask", "service"} <= loaded
    assert not loaded & {"matplotlib", "pandas", "lifelines"}


def test_command_line_chooses_threads_before_numpy_is_there() -> None:
    assert not loaded_by("import service.cli") & {"numpy", "scipy", "flask"}
