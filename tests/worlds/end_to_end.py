"""The whole way: a simulated world as job-line files, through the import and the fit, asked over HTTP.

python -m tests.worlds.end_to_end --machines 800 --seed 11
"""

from __future__ import annotations

import argparse
import tempfile
import time
from datetime import UTC, date, datetime, timedelta
from pathlib import Path
from typing import Any

import numpy as np

from analytics.operational_time import REFERENCE_KM_PER_YEAR
from analytics.spells import DAYS_PER_YEAR
from service.app import build_app
from service.auth import create_token
from service.db import Database
from service.fitting import refit
from service.imports.intake import take_in
from service.records import get_or_create_shop
from service.settings import Settings
from service.setup import prepare
from tests.worlds.evaluate import Answers, ece, inside, part_ages, regret, slope, true_chance, true_chance_unknown
from tests.worlds.job_lines import catalogue_world, write_job_lines
from tests.worlds.simulate import MODELS, Fleet, World, WorldSettings, make_fleet

AS_OF = date(2026, 1, 1)


def learn(world: World, folder: Path) -> tuple[Any, str]:
    """Import a world's files and fit; an application and a token to ask with."""
    database = Database(f"sqlite:///{folder}/world.sqlite", synchronous="NORMAL")
    now = datetime(2026, 1, 1, tzinfo=UTC)
    prepare(database, now)
    for shop, path in write_job_lines(world, folder):
        with database.write() as session:
            shop_id = get_or_create_shop(session, shop, now=now).id
        report = take_in(database, shop_id, path.read_bytes(), file_name=path.name, now=now, today=AS_OF)
        print(f"{shop}: {report.lines_new} lines, {report.lines_in_doubt} in doubt {report.doubts_by_kind}")
    begin = time.perf_counter()
    reports = refit(database, pool_open=True, now=now)
    print(f"fitted {reports[0].spells} spells from {reports[0].lines} lines in {time.perf_counter() - begin:.1f} s")
    with database.write() as session:
        token = create_token(session, shop_id, label="", now=now)
    return build_app(Settings(database_url=database.url, pool_open=True), database), token


def ask(world: World, app: Any, token: str, seed: int, count: int) -> Answers:
    """Rank test machines over HTTP and set every answer beside the truth."""
    rng = np.random.default_rng(seed + 50_000)
    fleet = make_fleet(rng, count, np.arange(MODELS))
    fleet = Fleet(rng.integers(MODELS, size=count), *list(fleet.__dict__.values())[1:])
    ahead_years = np.minimum(1.0, 5000.0 / fleet.km_per_year)
    starts = np.array([part_ages(t, fleet, rng) for t in world.truths])
    hide = rng.random(starts.shape) < 0.1
    client, rows = app.test_client(), []
    for m in range(count):
        km_year, years = float(fleet.km_per_year[m]), float(fleet.exit_years[m])
        new = AS_OF - timedelta(days=round(years * DAYS_PER_YEAR))
        history = []
        for i, truth in enumerate(world.truths):
            hide[i, m] &= truth.scheduled_at is None
            if not hide[i, m]:
                history.append(_known(truth.name, float(starts[i, m]), new, km_year))
        cell = world.cells[int(fleet.model[m])]
        asked = {
            "machine": {
                "make": cell.make,
                "model": cell.model,
                "family": cell.family,
                "first_registered": new.isoformat(),
                "odometer": {"value": round(years * km_year), "unit": "km"},
            },
            "as_of": AS_OF.isoformat(),
            "horizon": {"distance": {"value": 5000, "unit": "km"}, "months": 12},
            "history": history,
        }
        replies = [_post(client, token, asked | {"level": level}) for level in (0.8, 0.95)]
        for i, truth in enumerate(world.truths):
            unit = np.array([truth.clock_weight * km_year / REFERENCE_KM_PER_YEAR + (1 - truth.clock_weight)])
            ahead, model = unit * ahead_years[m], fleet.model[m : m + 1]
            if hide[i, m]:
                p = true_chance_unknown(truth, model, years * unit, ahead)
            else:
                p = true_chance(truth, model, (years - starts[i, m]) * unit, ahead)
            a, b = (reply[truth.name] for reply in replies)
            known = a["evidence"]
            rows.append((float(p[0]), a["chance_in_horizon"]["value"], *_ends(a), *_ends(b), m, known["failures"],
                         known["known_as"], hide[i, m]))  # fmt: skip
    return Answers(*[np.array(c) for c in zip(*rows, strict=True)])


def _known(slug: str, start: float, new: date, km_year: float) -> dict[str, Any]:
    if start == 0:
        return {"component": slug, "action": "original"}
    return {
        "component": slug,
        "position": None,
        "action": "renewed",
        "date": (new + timedelta(days=round(start * DAYS_PER_YEAR))).isoformat(),
        "odometer": {"value": round(start * km_year), "unit": "km"},
    }


def _post(client: Any, token: str, asked: dict[str, Any]) -> dict[str, Any]:
    reply = client.post("/api/v1/rankings", json=asked, headers={"Authorization": f"Bearer {token}"})
    assert reply.status_code == 200, reply.json
    return {entry["component"]: entry for entry in reply.json["ranking"] if entry["position"] is None}


def _ends(entry: dict[str, Any]) -> tuple[float, float]:
    return entry["chance_in_horizon"]["low"], entry["chance_in_horizon"]["high"]


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("--machines", type=int, default=800)
    parser.add_argument("--count", type=int, default=150)
    parser.add_argument("--seed", type=int, default=11)
    parser.add_argument("--lives", default="weibull", choices=["weibull", "lognormal", "infant"])
    args = parser.parse_args()
    world = catalogue_world(args.seed, WorldSettings(machines=args.machines, lives=args.lives))
    with tempfile.TemporaryDirectory() as folder:
        app, token = learn(world, Path(folder))
        a = ask(world, app, token, args.seed, args.count)
    figures = {
        "ece": ece(a.truth, a.value),
        "slope": slope(a.truth, a.value),
        "c80": inside(a.truth, a.low80, a.high80),
        "c95": inside(a.truth, a.low95, a.high95),
        "regret": regret(a),
        "O/E": a.truth.sum() / a.value.sum(),
    }
    print(" ".join(f"{name} {value:.3f}" for name, value in figures.items()))


if __name__ == "__main__":
    main()
