"""The planted truths come back through the files, the import, the fit and the ranking, inside their intervals.

Four models and the charging parts of the invented world; the truths are those of `seed.world_params`, restated here.
What a model's machines have in common (heat, load) multiplies the hazard: the chance that is compared is the one at
the mean multiplier of the answer sheet. 95 % intervals.
"""

from __future__ import annotations

from datetime import UTC, date, datetime
from pathlib import Path
from typing import Any

import numpy as np
import pytest

from seed.world import World, small_world, write_world
from seed.world_params import SHOPS
from service.db import Database
from service.fitting import refit
from service.imports.intake import take_in
from service.inspections.ranking import RankedPart, rank_described
from service.records import get_or_create_shop
from service.schemas.ranking import RankingAsked
from service.setup import load_layouts, prepare

NOW = datetime(2026, 1, 1, tzinfo=UTC)
COMPONENTS = ("regulator_rectifier", "stator", "charging_connector")


@pytest.fixture(scope="module")
def small() -> World:
    return small_world(1, 0.6, components=COMPONENTS)


@pytest.fixture(scope="module")
def learnt(small: World, tmp_path_factory: pytest.TempPathFactory) -> Database:
    """The small world's six files, taken in as a user would and fitted."""
    folder = tmp_path_factory.mktemp("world")
    database = Database(f"sqlite:///{folder}/world.sqlite", synchronous="NORMAL")
    prepare(database, NOW)
    load_layouts(database)
    names = {shop.slug: shop.name for shop in SHOPS}
    for path in write_world(small, Path(folder)):
        with database.write() as session:
            shop_id = get_or_create_shop(session, names[path.stem], now=NOW).id
        take_in(database, shop_id, path.read_bytes(), file_name=path.name, now=NOW, today=NOW.date())
    refit(database, pool_open=True, now=NOW)
    return database


def ask(database: Database, component: str, model: str, built: str, *known: dict[str, Any]) -> RankedPart:
    """Risk of one part of a Tindrake at 38,000 km in the next 5,000 km."""
    asked = RankingAsked().load(
        {
            "machine": {
                "make": "Tindrake",
                "model": model,
                "built": built,
                "odometer": {"value": 38_000, "unit": "km"},
            },
            "as_of": "2026-01-01",
            "horizon": {"distance": {"value": 5_000, "unit": "km"}},
            "history": [{"component": component, **item} for item in known],
            "level": 0.95,
        }
    )
    with database.read() as session:
        ranking, _ = rank_described(session, 1, dict(asked), today=date(2026, 1, 1), pool_open=True)
    return next(part for part in ranking.parts if part.component == component)


def truth(shape: float, scale_km: float, multiplier: float, start: float = 38_000) -> float:
    """P(fail in the next 5,000 km | good at `start` km)."""
    return -np.expm1(multiplier * ((start / scale_km) ** shape - ((start + 5_000) / scale_km) ** shape))


def multiplier(world: World, effect: str, component: str, model: str) -> float:
    """Mean hazard multiplier of a model's parts: a touring trim's heavier load is its own model's matter."""
    of_machine = {(row["machine"], row["shop"]): row["model"] for row in world.truth["machines"]}
    columns = world.truth["life_columns"]
    machine, shop, hazard = (columns.index(name) for name in ("machine", "shop", "hazard"))
    rows = world.truth["effects"][effect]["lives"][component]
    return float(np.mean([row[hazard] for row in rows if of_machine[row[machine], row[shop]] == model]))


def test_p01_the_early_regulator_is_weak(small: World, learnt: Database) -> None:
    part = ask(learnt, "regulator_rectifier", "Lanner 650", "2012-11", {"action": "original"})
    chance = part.chance_in_horizon
    hazard = multiplier(small, "P01", "regulator_rectifier", "Lanner 650")
    assert chance.low <= truth(1.7, 42_000, hazard) <= chance.high
    # An average part of the catalogue (invented prior: shape 1.5, 150,000 km) would be far below.
    assert chance.low > truth(1.5, 150_000, 1.0)
    assert part.evidence.failures > 10


def test_p02_the_superseding_regulator_is_fixed(small: World, learnt: Database) -> None:
    fixed = ask(learnt, "regulator_rectifier", "Lanner 650", "2015-05", {"action": "original"}).chance_in_horizon
    early = ask(learnt, "regulator_rectifier", "Lanner 650", "2012-11", {"action": "original"}).chance_in_horizon
    assert fixed.low <= truth(1.5, 130_000, multiplier(small, "P02", "regulator_rectifier", "Lanner 650")) <= fixed.high
    assert early.value > 2 * fixed.value


def test_unknown_history_lies_between_the_original_and_a_renewed_part(learnt: Database) -> None:
    original, unknown, renewed = (
        ask(learnt, "regulator_rectifier", "Lanner 650", "2012-11", *known).chance_in_horizon.value
        for known in (
            [{"action": "original"}],
            [],
            [{"action": "renewed", "date": "2021-05", "odometer": {"value": 30_000, "unit": "km"}}],
        )
    )
    assert renewed < unknown < original


@pytest.mark.parametrize(
    ("component", "shape", "scale_km"), [("regulator_rectifier", 1.5, 150_000), ("stator", 2.0, 140_000)]
)
def test_p18_the_stator_eater_legend_is_a_false_lead(
    small: World, learnt: Database, component: str, shape: float, scale_km: float
) -> None:
    """Baseline in truth: the interval holds the catalogue's life, and no charging part stands out from its class."""
    chance = ask(learnt, component, "Shrike 900", "2015-05", {"action": "original"}).chance_in_horizon
    years = 40.0 if component == "regulator_rectifier" else np.inf
    age = (date(2026, 1, 1) - date(2015, 5, 16)).days / 365.25
    ahead = age * 43_000 / 38_000
    by_age = (ahead / years) ** shape - (age / years) ** shape
    hazard = multiplier(small, "P18", component, "Shrike 900")
    expected = -np.expm1(-hazard * (-np.log1p(-truth(shape, scale_km, 1.0)) + by_age))
    assert chance.low <= expected <= chance.high


def test_p23_sixty_quiet_machines_are_not_flagged(learnt: Database) -> None:
    """Two failures in a small pool: the interval is wide and reaches down to the class."""
    merle = ask(learnt, "regulator_rectifier", "Merle 500", "2018-05", {"action": "original"})
    stranger = ask(learnt, "regulator_rectifier", "Nuthatch 500", "2018-05", {"action": "original"})
    assert merle.chance_in_horizon.low < stranger.chance_in_horizon.value
    assert merle.chance_in_horizon.value < 1.5 * stranger.chance_in_horizon.value
    assert merle.evidence.failures <= 3
    assert merle.evidence.prior_weight > 0.1
