"""Simulated inspections: how much of what could be found in 30 minutes does following the plan find?

Run: python -m tests.bench.inspections [worlds] [machines a world]   (40 and 3: a few minutes)

A world draws the true lives of all components around the catalogue's invented priors (a factor of 1.6 on the life,
30 % on the shape: what the priors say of themselves). Its machines of unknown history live through renewals on both
clocks up to today; a part is bad today if its failure lies inside its P-F interval. The planner sees make, model,
year and odometer only, as over HTTP.

Value is money: what acting after the checks saves, on the parts looked at, against acting on the estimated chances
without a look, the true states known afterwards. It counts bad parts found and good parts spared; a wrong alarm costs
what acting costs. Everybody has the same 30 minutes, pocket kit, seat off, the same checks with the same errors, and
outcomes drawn alike. Three yards differ in tools and leave. Compared are

* the plan, from the estimates; nothing is planned anew on the way, so it is a lower bound of following the product;
* the all-knowing planner: it knows the true lives behind this world, so the true chances, and plans and acts by them,
  but like everybody it has to look to know which part is bad. This is the one the goal of 90 % is about;
* an oracle that knows which parts are bad, looks only where that changes what is done, never errs, and owes no look
  at safety parts: nobody without its knowledge can come near it;
* the plan with the true chances: the same checks as the plan, read and acted on by somebody who knows them. What it
  lacks of the all-knowing planner is choice, what the plan lacks of it is knowledge of this world's lives;
* fixed lists of full-length checks: by title, system by system, and in any order (the mean of many). Whoever follows
  one skips what kit and leave do not allow and what no longer fits, pays for access once as the plan does, has the
  same errors and draws, and acts on findings by the same rule; he is not held to prerequisites, which favours him.
  The best plan without the duty to look at safety parts is shown beside them.

The goal of 1.5 is read against all fixed lists.
"""

from __future__ import annotations

import os

os.environ.setdefault("OPENBLAS_NUM_THREADS", "1")  # before numpy

import sys
import tempfile
from collections.abc import Sequence
from dataclasses import replace
from datetime import UTC, date, datetime

import numpy as np

from analytics.access import way_in
from analytics.diagnosis import diagnose
from analytics.diagnosis_types import Finding, PriorChance
from analytics.outcomes import CONCLUSIVE, Shares, Verdict
from analytics.plan_choice import open_already
from analytics.planning import plan_checks, refusal
from analytics.planning_types import AccessGroup, CheckOption, Circumstances, ComponentRisk
from service.catalogue_types import Catalogue, Component
from service.db import Database
from service.inspections.check_options import access_groups, check_options, component_risks
from service.inspections.ranking import rank_described
from service.schemas.ranking import RankingAsked
from service.setup import load_layouts, upgrade_and_load

NOW = datetime(2026, 6, 1, tzinfo=UTC)
TODAY = date(2026, 6, 1)
YARDS = {
    "seller's drive": Circumstances(minutes=30, kit="pocket", permission="seat_off", engine_cold=True),
    "home garage": Circumstances(minutes=30, kit="home", permission="may_strip", engine_cold=True),
    "workshop": Circumstances(minutes=30, kit="shop", permission="may_ride", engine_cold=True),
}
RATE = 60.0
LIFE_SPREAD, SHAPE_SPREAD = np.log(1.6), 0.3
CHAINS = 400
DRAWS = 20  # states of one machine and outcomes on it
ORDERS = 10  # fixed lists in any order
LISTS = ("alphabetical", "by system", "any order")
OF_ALL_KNOWING, OF_FIXED_LISTS = 0.9, 1.5  # goals


def true_lives(catalogue: Catalogue, rng: np.random.Generator) -> dict[str, tuple[float, float]]:
    """Factor on life and on shape of every component in this world."""
    return {
        c.slug: (float(np.exp(rng.normal(0, LIFE_SPREAD))), float(np.exp(rng.normal(0, SHAPE_SPREAD))))
        for c in catalogue.components
    }


def bad_today(
    part: Component, life: tuple[float, float], days: float, km_per_day: float, rng: np.random.Generator, chains: int
) -> np.ndarray:
    """Whether each of `chains` parts, renewed at every failure since new, is inside its P-F interval."""
    longer, steeper = life
    shape = part.life.shape * steeper
    window = part.pf.km / km_per_day if part.pf.km else (part.pf.months or 0.0) * 365.25 / 12
    ends = np.zeros(chains)
    while (running := ends <= days).any():
        lives = np.full(chains, np.inf)
        for scale, a_day in ((part.life.scale_km, km_per_day), (part.life.scale_years, 1 / 365.25)):
            if scale is not None:
                drawn = scale * longer * rng.exponential(size=chains) ** (1 / shape) / a_day
                lives = np.minimum(lives, drawn)
        ends = np.where(running, ends + lives, ends)
    return ends - days <= window


def true_chances(
    catalogue: Catalogue,
    guessed: dict[str, float],
    lives: dict[str, tuple[float, float]],
    days: float,
    km_per_day: float,
    rng: np.random.Generator,
) -> dict[str, float]:
    """Chance of each part to be bad now, for somebody who knows this world's lives.

    Parts that no check can see coming (hidden, none) are bad as often as the estimate says.
    """
    chances = dict(guessed)
    for slug, guess in guessed.items():
        part = catalogue.component_by_slug[slug]
        if part.pf.kind in ("gradual", "sudden"):
            drawn = bad_today(part, lives[slug], days, km_per_day, rng, CHAINS)
            chances[slug] = (float(drawn.sum()) + 0.5 * guess) / (CHAINS + 0.5)
    return chances


def outcomes(option: CheckOption, bad: dict[str, bool], rng: np.random.Generator) -> list[Finding]:
    """What a check says of this machine, drawn by its own error rates."""

    def said(shares: Sequence[float]) -> Verdict:
        return CONCLUSIVE[int(rng.choice(3, p=np.array(shares) / sum(shares)))]

    if option.set_level:
        worst = max((t for t in option.targets if bad[t.component]), key=lambda t: t.given_bad.fail, default=None)
        shares = worst.given_bad if worst else option.targets[0].given_good
        return [Finding(option.id, option.parent, said(shares.as_tuple()), option.targets, set_level=True)]
    return [
        Finding(
            option.id,
            f"{option.parent}/{t.component}",
            said((t.given_bad if bad[t.component] else t.given_good).as_tuple()),
            (t,),
        )
        for t in option.targets
    ]


def acts(risk: ComponentRisk, chance: float) -> bool:
    """Whether acting is the cheaper thing at this chance."""
    return chance * risk.loss_if_missed > risk.cost_to_act


def cost(risk: ComponentRisk, acted: bool, bad: bool) -> float:
    """What a decision costs once the truth is out."""
    return risk.cost_to_act if acted else risk.loss_if_missed * bad


def value(
    chosen: Sequence[CheckOption],
    believed: dict[str, float],
    risks: Sequence[ComponentRisk],
    truth: dict[str, float],
    seed: int,
) -> float:
    """What looking saves, mean over states of the machine drawn from its true chances.

    Decisions after the checks start from `believed`, those without a look from `risks`.
    """
    priors = [PriorChance(slug, None, chance) for slug, chance in believed.items()]
    seen = {t.component for o in chosen for t in o.targets}
    total = 0.0
    for draw in range(DRAWS):
        bad = drawn_state(truth, seed, draw)
        rngs = [np.random.default_rng([seed, draw, hash_of(o.parent)]) for o in chosen]
        findings = [f for o, rng in zip(chosen, rngs, strict=True) for f in outcomes(o, bad, rng)]
        posterior = {part.component: part.posterior for part in diagnose(priors, findings).parts}
        for r in risks:
            if r.component in seen:
                before, after = acts(r, r.chance_bad_now), acts(r, posterior[r.component])
                total += cost(r, before, bad[r.component]) - cost(r, after, bad[r.component])
    return total / DRAWS


def drawn_state(truth: dict[str, float], seed: int, draw: int) -> dict[str, bool]:
    """Which parts are bad; the same for everybody who looks."""
    uniform = np.random.default_rng([seed, draw]).random(len(truth))
    return {slug: bool(u < chance) for u, (slug, chance) in zip(uniform, truth.items(), strict=True)}


def hash_of(text: str) -> int:
    """A number of a name that does not change from run to run."""
    return int.from_bytes(text.encode(), "big") % (2**31)


def needed(chosen: Sequence[CheckOption], groups: dict[str, AccessGroup], yard: Circumstances) -> float:
    """Minutes of checks and of what comes off, each group once."""
    wanted = {o.access_group for o in chosen} - open_already(yard, groups)
    ways = way_in(wanted, groups, {g.id: g.minutes for g in groups.values()})
    return sum(o.minutes for o in chosen) + sum(groups[g].minutes for g in set(ways.values()))


def fixed_list(
    ordered: Sequence[CheckOption], groups: dict[str, AccessGroup], yard: Circumstances
) -> list[CheckOption]:
    """Down the list, doing whatever still fits."""
    chosen: list[CheckOption] = []
    for option in ordered:
        if refusal(option, yard) is None and needed([*chosen, option], groups, yard) <= yard.minutes:
            chosen.append(option)
    return chosen


def seen_by_oracle(
    options: Sequence[CheckOption],
    groups: Sequence[AccessGroup],
    risks: Sequence[ComponentRisk],
    state: dict[str, bool],
    yard: Circumstances,
) -> float:
    """Most that can be saved in the minutes by looks that never err, at parts known to be worth one.

    The planner solves it: a perfect check of a part at even chance, cost 2 g and loss 4 g, is worth exactly g.
    """
    gain = {}
    for r in risks:
        bad = state[r.component]
        gain[r.component] = cost(r, acts(r, r.chance_bad_now), bad) - min(cost(r, True, bad), cost(r, False, bad))
    perfect = [
        replace(
            o,
            safety_class_a=False,
            set_level=False,
            targets=tuple(replace(t, given_bad=Shares(1, 0, 0), given_good=Shares(0, 0, 1)) for t in o.targets),
        )
        for o in options
    ]
    stakes = [ComponentRisk(c, None, 0.5, 4 * g, 2 * g, "C") for c, g in gain.items()]
    return plan_checks(perfect, groups, stakes, yard).worth


def machine_of(rng: np.random.Generator) -> dict[str, object]:
    """A described Lanner 650 of some age and distance."""
    years = float(rng.uniform(5, 17))
    km = round(years * float(rng.lognormal(np.log(3_200), 0.5)))
    built = f"{2026 - int(years):04d}-06"
    return {"make": "Tindrake", "model": "Lanner 650", "built": built, "odometer": {"value": km, "unit": "km"}}


def run(worlds: int, machines: int) -> dict[str, dict[str, float]]:
    """Money found on all machines together, by yard and by who looked."""
    totals: dict[str, dict[str, float]] = {name: {} for name in YARDS}
    with tempfile.TemporaryDirectory() as folder:
        database = Database(f"sqlite:///{folder}/bench.sqlite", synchronous="OFF")
        upgrade_and_load(database, NOW)
        load_layouts(database)
        for world in range(worlds):
            rng = np.random.default_rng([20260601, world])
            lives = None
            for number in range(machines):
                asked = RankingAsked().load({"machine": machine_of(rng), "as_of": TODAY.isoformat()})
                with database.read() as session:
                    ranking, snapshot = rank_described(session, 0, asked, today=TODAY, pool_open=False)
                catalogue, known = snapshot.catalogue, ranking.machine
                lives = lives or true_lives(catalogue, rng)
                guessed = {p.component: p.chance_bad_now.value for p in ranking.parts}
                truth = true_chances(catalogue, guessed, lives, known.now_days, known.km_per_day, rng)
                for name, yard in YARDS.items():
                    for who, money in looked_at(catalogue, guessed, truth, yard, world * 1000 + number).items():
                        totals[name][who] = totals[name].get(who, 0.0) + money
        database.dispose()
    return totals


def looked_at(
    catalogue: Catalogue, guessed: dict[str, float], truth: dict[str, float], yard: Circumstances, seed: int
) -> dict[str, float]:
    """Value found on one machine, by who looked."""
    options, groups = check_options(catalogue, set(guessed)), access_groups(catalogue)
    by_id = {g.id: g for g in groups}
    risks = component_risks(guessed, catalogue, RATE)
    knowing = [replace(r, chance_bad_now=truth[r.component]) for r in risks]
    titles = {c.id: c.title for c in catalogue.checks}
    systems = {o.id: catalogue.component_by_slug[o.targets[0].component].system for o in options}
    full = sorted((o for o in options if o.id in titles), key=lambda o: titles[o.id])
    no_duty = [replace(o, safety_class_a=False) for o in options]

    def worth(chosen: Sequence[CheckOption]) -> float:
        return value(chosen, guessed, risks, truth, seed)

    def planned(choices: Sequence[CheckOption], stakes: Sequence[ComponentRisk]) -> list[CheckOption]:
        return [line.check for line in plan_checks(choices, groups, stakes, yard).lines]

    shuffled = [list(np.random.default_rng([seed, k]).permutation(len(full))) for k in range(ORDERS)]
    in_any_order = [worth(fixed_list([full[i] for i in order], by_id, yard)) for order in shuffled]
    return {
        "plan": worth(planned(options, risks)),
        "all-knowing": value(planned(options, knowing), truth, risks, truth, seed),
        "plan, knowing": value(planned(options, risks), truth, risks, truth, seed),
        "no safety duty": worth(planned(no_duty, risks)),
        "oracle": seen_by_oracle(options, groups, risks, drawn_state(truth, seed, 0), yard),
        "alphabetical": worth(fixed_list(full, by_id, yard)),
        "by system": worth(fixed_list(sorted(full, key=lambda o: (systems[o.id], o.id)), by_id, yard)),
        "any order": sum(in_any_order) / ORDERS,
    }


def main() -> int:
    """Print the figures; 1 where a goal is missed."""
    given = [int(a) for a in sys.argv[1:] if a.isdigit()]
    worlds, machines = given if len(given) == 2 else (40, 3)
    found = run(worlds, machines)
    met = True
    for yard, money in found.items():
        print(f"{yard}, 30 minutes, {worlds * machines} machines of {worlds} worlds")
        for who, total in money.items():
            each = total / (worlds * machines)
            print(f"  {who:15s} EUR {each:7.1f} a machine; the plan finds {money['plan'] / total:5.2f} times that")
        met = met and money["plan"] >= OF_ALL_KNOWING * money["all-knowing"]
        met = met and all(money["plan"] >= OF_FIXED_LISTS * money[name] for name in LISTS)
    print("goals met" if met else "a goal is missed")
    return 0 if met else 1


if __name__ == "__main__":
    sys.exit(main())
