"""The planted truths that are not a life of their own: consequences, lay-ups, regions, policies, frailties."""

from __future__ import annotations

import numpy as np
import pytest

from seed.world import World
from seed.world_lives import Why
from seed.world_params import MOTO_HALL, PRIVATE, SHOPS, UNIT_SIGMA
from tests.seed.world_cases import lines

UNBENT = ("fuel_line", "plug_cap", "interlock_switch", "instrument_cluster", "main_harness", "frame", "tyre",
          "brake_disc", "rear_shock", "lighting", "master_cylinder_hose", "piston_rings")  # fmt: skip


def test_p04_a_quarter_of_failed_lanner_regulators_take_the_stator(world: World) -> None:
    regulators, stators = world.components["regulator_rectifier"], world.components["stator"]
    models = np.array(["Lanner" in row["model"] for row in world.truth["machines"]])
    machine = regulators.parts.units.machine[regulators.lives.unit]
    failed = int((regulators.lives.own & models[machine]).sum())
    machine = stators.parts.units.machine[stators.lives.unit]
    taken = int(((stators.lives.why == Why.SECONDARY) & models[machine]).sum())
    assert taken / failed == pytest.approx(0.25, abs=0.05)  # lives cut short by the end of the data lose a few


@pytest.mark.parametrize(
    ("slug", "model", "months", "chance"),
    [
        ("carburettor", "Hob 410", 5.0, 0.35),
        ("carburettor", "Hob 410", 2.5, 0.08),
        ("injector", "Lanner 650", 5.0, 1 - np.exp(-((5 / 20) ** 1.5))),
    ],
)
def test_p13_p20_sticking_after_lay_ups(world: World, slug: str, model: str, months: float, chance: float) -> None:
    """Machines with winters only: springs lived through under observation against parts stuck in them."""
    one = world.components[slug]
    rows = world.truth["machines"]
    of = np.array([r["model"] == model and r["winter_months"] == months and not r["laid_up_a_year"] for r in rows])
    machine = one.parts.units.machine
    mine = of[machine]
    spring = (np.arange(2003, 2026) - 2000) * 365.25 + 91.0
    # A spring counts from 20 days after 1 April: by then the machine has been tried.
    last = world.machines.end[machine][mine]
    first = world.machines.built[machine][mine] + 60
    chances = np.sum((spring[None, :] > first[:, None]) & (spring[None, :] + 20 < last[:, None]))
    stuck = int(np.sum((one.lives.why == Why.STUCK) & of[machine[one.lives.unit]]))
    assert stuck / chances == pytest.approx(chance, abs=4 * np.sqrt(chance / chances) + 0.02 * chance)


def test_p15_school_head_bearings_fail_twice_as_often(world: World) -> None:
    one = world.components["steering_head_bearing"]
    rows = world.truth["machines"]
    hazard = one.law.multiplier
    school = np.array([r["use"] == "school" and r["model"] == "Pipit 125" for r in rows])[one.parts.units.machine]
    uplands = np.array([r["use"] == "private" and r["model"] == "Pipit 125" and r["shop"] == "brackenhythe"
                        for r in rows])[one.parts.units.machine]  # fmt: skip
    assert hazard[school].mean() / hazard[uplands].mean() == pytest.approx(2.0)


def test_p21_p22_regions_bend_the_hazard(world: World) -> None:
    rows = world.truth["machines"]
    model = np.array([r["model"] for r in rows])
    shop = np.array([r["shop"] for r in rows])
    expected = {
        ("wheel_bearing", "cog-and-gasket"): 1.6,
        ("chain_sprockets", "cog-and-gasket"): 1.3,
        ("stator", "midplain-moto-hall"): 1.3,
        ("ignition_coil", "midplain-moto-hall"): 1.3,
    }
    for (slug, region), factor in expected.items():
        one = world.components[slug]
        at = one.parts.units.machine
        falena = model[at] == "Falena 990"
        inside = one.law.multiplier[falena & (shop[at] == region)]
        city = one.law.multiplier[falena & (shop[at] == "sallow-lane-arches")]
        assert inside.mean() / city.mean() == pytest.approx(factor), slug


def test_p23_the_sparse_model_has_just_two_regulator_failures(world: World) -> None:
    one = world.components["regulator_rectifier"]
    merle = np.array([row["model"] == "Merle 500" for row in world.truth["machines"]])
    machine = one.parts.units.machine[one.lives.unit]
    seen = one.lives.end >= world.machines.first_seen[machine]
    assert merle.sum() == 60
    assert int((one.lives.own & merle[machine] & seen).sum()) == 2


def test_p24_moto_hall_renews_early_regulators_at_thirty_thousand(world: World) -> None:
    one = world.components["regulator_rectifier"]
    machine = one.parts.units.machine[one.lives.unit]
    scheduled = one.lives.why == Why.SCHEDULED
    assert scheduled.sum() > 30
    assert (world.machines.shop[machine[scheduled]] == MOTO_HALL).all()
    assert set(one.law.effect[one.lives.unit[scheduled]]) == {"P01"}
    km = world.machines.usage.km(machine[scheduled], one.lives.end[scheduled])
    assert (km >= 30_000).all()
    written = [line for line in lines(world, SHOPS[MOTO_HALL].slug)
               if line.component == "regulator_rectifier" and line.reason == "scheduled"]  # fmt: skip
    assert len(written) > 0.5 * scheduled.sum()


def test_p25_the_cog_cleans_its_injectors_and_they_keep_two_fifths_of_their_age(world: World) -> None:
    one = world.components["injector"]
    lives_ = one.lives
    machine = one.parts.units.machine[lives_.unit]
    cog = world.machines.shop[machine] == 0
    stuck = lives_.why == Why.STUCK
    assert lives_.mended[cog & stuck].all()
    assert not lives_.mended[~cog & stuck].all()
    begins = {key: k for k, key in enumerate(zip(lives_.unit.tolist(), lives_.begin.tolist(), strict=True))}
    pairs = [(k, begins[key]) for k in np.flatnonzero(cog & stuck).tolist()
             if (key := (int(lives_.unit[k]), float(lives_.end[k]))) in begins]  # fmt: skip
    assert len(pairs) > 100
    before, after = np.array(pairs).T
    age = lives_.end[before] - lives_.fitted[before]
    np.testing.assert_allclose(lives_.end[before] - lives_.fitted[after], 0.4 * age, rtol=1e-9)


def test_unplanted_lives_spread_between_families_and_parts(world: World) -> None:
    """Log hazard: sigma 0.20 between families, 0.15 between parts; no region or use bends these components."""
    logs = []
    for slug in UNBENT:
        one = world.components[slug]
        plain = (one.law.effect == "") & (world.machines.use[one.parts.units.machine] == PRIVATE)
        logs.append(np.unique(np.round(np.log(one.law.multiplier[plain]), 9)))
        assert (one.law.sigma[plain] == UNIT_SIGMA).all()
    drawn = np.concatenate([row[np.abs(row) > 1e-6] for row in logs])
    assert np.std(drawn) == pytest.approx(0.20, abs=4 * 0.20 / np.sqrt(2 * len(drawn)))
