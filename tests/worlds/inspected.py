"""Worlds to inspect machines in: true lives around the invented priors, records made of them, visits and their money.

A world draws the true life of every component around the catalogue's prior (a factor of 1.6 on the life, 30 % on the
shape: what the priors say of themselves). Its machines live through renewals on both clocks up to today; a part is bad
today if its failure lies inside its P-F interval. Estimates know the prior and, where there are records, those of other
machines of the same model, watched from some age on; the machine that is looked at is in none of them.

Value is money: what acting after the checks saves on the parts looked at, against acting on the estimated chances
without a look, the true states known afterwards. It counts bad parts found and good parts spared; a wrong alarm costs
what acting costs.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, replace
from datetime import date

import numpy as np
from numpy.typing import NDArray

from analytics.access import way_in
from analytics.life_model_types import LifePrior
from analytics.outcomes import CONCLUSIVE, Shares, Verdict
from analytics.part_groups import groups_of_parts, likelihoods
from analytics.plan_choice import open_already
from analytics.planning import plan_checks, refusal
from analytics.planning_types import AccessGroup, CheckOption, Circumstances, ComponentRisk
from analytics.pooling import fit_components
from analytics.risk_draws import RiskTable
from analytics.spells import Cell
from service.catalogue_types import Catalogue, Component
from service.inspections.choices import Choices, at_stake, choices_for
from service.inspections.evidence import Found, Observed, Weighed, weigh
from service.inspections.inspected import Places
from service.inspections.ranking import Ranking, horizon_of, rank
from service.inspections.replan import Done, circumstances_now
from service.inspections.serving import Snapshot
from tests.worlds.simulate import TrueLife, WorldSettings, make_fleet, watch

Floats = NDArray[np.float64]
Ints = NDArray[np.int64]
TODAY = date(2026, 6, 1)
RATE = 60.0
LIFE_SPREAD, SHAPE_SPREAD = np.log(1.6), 0.3
CHAINS = 400
PLAIN = WorldSettings(rider_frailty=0.0)  # riders and shops alike: the question is what the lives are


@dataclass(frozen=True)
class LifeOnBothClocks(TrueLife):
    """A part that dies of distance or of age, whichever comes first; every machine is a "model" of its own here."""

    scale_km: float | None = None
    scale_years: float | None = None
    steepness: float = 1.0
    km_per_year: Floats | None = None

    def draw_life(self, model: Ints, log_frailty: Floats, rng: np.random.Generator) -> Floats:
        """Years that new parts last."""
        assert self.km_per_year is not None
        lives = np.full(len(model), np.inf)
        for scale, a_year in ((self.scale_km, self.km_per_year[model]), (self.scale_years, np.ones(len(model)))):
            if scale is not None:
                drawn = scale * rng.exponential(size=len(model)) ** (1 / self.steepness)
                lives = np.minimum(lives, drawn / a_year)
        return lives


Lives = Mapping[str, tuple[float, float]]  # by component: factors on life and on shape


def true_lives(catalogue: Catalogue, rng: np.random.Generator) -> Lives:
    """Factor on life and on shape of every component in one world."""
    return {
        c.slug: (float(np.exp(rng.normal(0, LIFE_SPREAD))), float(np.exp(rng.normal(0, SHAPE_SPREAD))))
        for c in catalogue.components
    }


def with_records(snapshot: Snapshot, lives: Lives, cell: Cell, machines: int, rng: np.random.Generator) -> Snapshot:
    """What is served after that many machines of one model were watched in this world; none: the priors."""
    plain = replace(snapshot, part_changes={})  # one part for all years
    if machines == 0:
        return plain
    fleet = make_fleet(rng, machines, np.arange(1))
    each = replace(fleet, model=np.arange(machines), shop=fleet.shop)
    cells = tuple(Cell(cell.make, cell.family, cell.model) for _ in range(machines))
    spells, priors = {}, {}
    for component in snapshot.catalogue.components:
        longer, steeper = lives[component.slug]
        life = component.life
        priors[component.slug] = LifePrior(life.shape, life.scale_km, life.scale_years)
        truth = LifeOnBothClocks(
            component.slug,
            priors[component.slug],
            clock_weight=0.0,
            shape=np.zeros(0),
            life=np.zeros(0),
            shop=np.zeros(int(fleet.shop.max()) + 1),
            hidden=component.pf.kind == "hidden",
            scheduled_at=None,
            lives="weibull",
            scale_km=life.scale_km and life.scale_km * longer,
            scale_years=life.scale_years and life.scale_years * longer,
            steepness=life.shape * steeper,
            km_per_year=fleet.km_per_year,
        )
        seen = watch(truth, each, cells, PLAIN, rng)
        spells[component.slug] = replace(seen, cell=np.zeros_like(seen.cell), cells=(cell,))
    fits, _ = fit_components(spells, priors)
    known = {**snapshot.fits, **fits}
    return replace(plain, fits=known, risks=RiskTable.from_fits(list(known.values())))


def bad_today(
    part: Component, life: tuple[float, float], days: float, km_per_day: float, rng: np.random.Generator
) -> NDArray[np.bool_]:
    """Whether each of many parts, renewed at every failure since new, is inside its P-F interval."""
    longer, steeper = life
    shape = part.life.shape * steeper
    window = part.pf.km / km_per_day if part.pf.km else (part.pf.months or 0.0) * 365.25 / 12
    ends = np.zeros(CHAINS)
    while (running := ends <= days).any():
        lives = np.full(CHAINS, np.inf)
        for scale, a_day in ((part.life.scale_km, km_per_day), (part.life.scale_years, 1 / 365.25)):
            if scale is not None:
                lives = np.minimum(lives, scale * longer * rng.exponential(size=CHAINS) ** (1 / shape) / a_day)
        ends = np.where(running, ends + lives, ends)
    return np.asarray(ends - days <= window)


def true_chances(ranking: Ranking, catalogue: Catalogue, lives: Lives, rng: np.random.Generator) -> dict[str, float]:
    """Chance of each part to be bad now, for somebody who knows this world's lives.

    Parts that no check can see coming (hidden, none) are bad as often as the estimate says.
    """
    machine = ranking.machine
    chances = {}
    for guess in ranking.parts:
        part = catalogue.component_by_slug[guess.component]
        chances[part.slug] = guess.chance_bad_now.value
        if part.pf.kind in ("gradual", "sudden"):
            drawn = bad_today(part, lives[part.slug], machine.now_days, machine.km_per_day, rng)
            chances[part.slug] = (float(drawn.sum()) + 0.5 * chances[part.slug]) / (CHAINS + 0.5)
    return chances


def ranked(snapshot: Snapshot, ranking: Ranking) -> Ranking:
    """The same machine, ranked by another snapshot."""
    return rank(ranking.machine, snapshot, horizon_of(None, None), 0.9)


def without_marks(places: Places) -> Places:
    """The parts with no number to read: in these worlds there is one make of each."""
    return replace(places, parts=tuple(replace(part, marks={}) for part in places.parts))


def acts(risk: ComponentRisk, chance: float) -> bool:
    """Whether acting is the cheaper thing at this chance."""
    return chance * risk.loss_if_missed > risk.cost_to_act


def cost(risk: ComponentRisk, acted: bool, bad: bool) -> float:
    """What a decision costs once the truth is out."""
    return risk.cost_to_act if acted else risk.loss_if_missed * bad


Outcomes = Callable[[CheckOption], list[Found]]


def outcomes_on(bad: Mapping[str, bool], seed: int, draw: int) -> Outcomes:
    """What checks say of a machine in a known state, drawn by their own error rates; alike for everybody who looks."""

    def said(shares: Shares, rng: np.random.Generator) -> Verdict:
        weights = np.array(shares.as_tuple())
        return CONCLUSIVE[int(rng.choice(3, p=weights / weights.sum()))]

    def outcomes(option: CheckOption) -> list[Found]:
        rng = np.random.default_rng([seed, draw, int.from_bytes(option.parent.encode(), "big") % 2**31])
        if option.set_level:
            worst = max((t for t in option.targets if bad[t.component]), key=lambda t: t.given_bad.fail, default=None)
            shares = worst.given_bad if worst else option.targets[0].given_good
            return [Found(option.id, None, None, said(shares, rng))]
        return [
            Found(option.id, t.component, None, said(t.given_bad if bad[t.component] else t.given_good, rng))
            for t in option.targets
        ]

    return outcomes


@dataclass
class Person:
    """Somebody who looks at one machine: what they take its chances to be, and what they have in the yard."""

    places: Places
    yard: Circumstances
    catalogue: Catalogue

    def __post_init__(self) -> None:
        self._plans: dict[tuple[tuple[str, str | None, Verdict], ...], list[CheckOption]] = {}

    def _left(self, found: Sequence[Found]) -> tuple[Weighed, Choices]:
        weighed = weigh(self.places, Observed(findings=found))
        return weighed, choices_for(weighed, self.catalogue, RATE)

    @property
    def choices(self) -> Choices:
        """Before any finding."""
        return self._left(())[1]

    def plan(self, found: Sequence[Found] = ()) -> list[CheckOption]:
        """The checks of the minutes left after these findings, as the service plans them."""
        key = tuple((f.check, f.component, f.outcome) for f in found)
        if key not in self._plans:
            left = self._left(found)[1]
            now = circumstances_now([Done(f, None) for f in found], self.yard, self.catalogue)
            plan = plan_checks(left.options, left.groups, left.risks, now, left.joint)
            self._plans[key] = [line.check for line in plan.lines]
        return self._plans[key]

    def follow(self, outcomes: Outcomes) -> list[Found]:
        """Findings of a visit that is planned anew after each of them that is no pass.

        After a pass the service plans anew, too; that seldom changes the rest, and takes most of the time here.
        """
        found: list[Found] = []
        waiting = list(self.plan())
        while waiting:
            said = outcomes(waiting.pop(0))
            found += said
            if any(f.outcome is not Verdict.PASS for f in said):
                waiting = list(self.plan(found))
        return found

    def chances(self, found: Sequence[Found]) -> dict[str, float]:
        """By component, after these findings."""
        return at_stake(self._left(found)[0].diagnosis)[0]


def saved(
    person: Person,
    found: Sequence[Found],
    guessed: Mapping[str, float],
    risks: Sequence[ComponentRisk],
    bad: Mapping[str, bool],
) -> float:
    """What a visit saves; decisions without a look start from `guessed`."""
    after, checks = person.chances(found), person.catalogue.check_by_id
    seen = {slug for f in found for slug in ([f.component] if f.component else checks[f.check].components)}
    total = 0.0
    for risk in (r for r in risks if r.component in seen):
        slug = risk.component
        before, now = acts(risk, guessed[slug]), acts(risk, after[slug])
        total += cost(risk, before, bad[slug]) - cost(risk, now, bad[slug])
    return total


def expected_saved(
    chosen: Sequence[CheckOption],
    believed: Mapping[str, float],
    risks: Sequence[ComponentRisk],
    truth: Mapping[str, float],
) -> float:
    """Mean of `saved` over all states and outcomes, worked out and not drawn, where nothing is planned anew.

    Who looks reads the outcomes by `believed`, decisions without a look start from `risks`.
    """
    told, true = ({r.part: replace(r, chance_bad_now=by[r.component]) for r in risks} for by in (believed, truth))
    guessed = {r.part: r for r in risks}
    looked_at = {t.part for option in chosen for t in option.targets}
    total = 0.0
    for mine, real in zip(groups_of_parts(chosen, told, ()), groups_of_parts(chosen, true, ()), strict=True):
        looking = [o for o in chosen if any(t.part in mine.index for t in o.targets)]
        if not looking:
            continue
        read, happens = mine.chances[None, :], real.chances[None, :]
        for option in looking:
            read = (read[:, None, :] * likelihoods(option, mine, told)[None]).reshape(-1, len(mine.chances))
            happens = (happens[:, None, :] * likelihoods(option, real, true)[None]).reshape(-1, len(real.chances))
        loss = np.array([guessed[p].loss_if_missed for p in mine.parts])
        act = np.array([guessed[p].cost_to_act for p in mine.parts])
        acting = (read @ mine.states) * loss > read.sum(axis=1)[:, None] * act
        after = np.where(acting, happens.sum(axis=1)[:, None] * act, (happens @ real.states) * loss).sum(axis=0)
        blind = np.array([acts(guessed[p], guessed[p].chance_bad_now) for p in mine.parts])
        before = np.where(blind, act, (real.chances @ real.states) * loss)
        total += float((before - after)[[p in looked_at for p in mine.parts]].sum())
    return total


def drawn_state(truth: Mapping[str, float], seed: int, draw: int) -> dict[str, bool]:
    """Which parts are bad; the same for everybody who looks."""
    uniform = np.random.default_rng([seed, draw]).random(len(truth))
    return {slug: bool(u < chance) for u, (slug, chance) in zip(uniform, truth.items(), strict=True)}


def needed(chosen: Sequence[CheckOption], groups: Mapping[str, AccessGroup], yard: Circumstances) -> float:
    """Minutes of checks and of what comes off, each group once."""
    wanted = {o.access_group for o in chosen} - open_already(yard, groups)
    ways = way_in(wanted, groups, {g.id: g.minutes for g in groups.values()})
    return sum(o.minutes for o in chosen) + sum(groups[g].minutes for g in set(ways.values()))


def fixed_list(
    ordered: Sequence[CheckOption], groups: Mapping[str, AccessGroup], yard: Circumstances
) -> list[CheckOption]:
    """Down the list, doing whatever still fits."""
    chosen: list[CheckOption] = []
    for option in ordered:
        if refusal(option, yard) is None and needed([*chosen, option], groups, yard) <= yard.minutes:
            chosen.append(option)
    return chosen
