"""Worlds with known truth for the life model: everything here is invented.

40 components on machines of 60 models, 15 families, 8 makes; six models never appear in the records. Machines come
under watch late; a tenth of the parts met then have an unknown start; a quarter of the component types fail hidden
and are found at checks; riders and shops differ; each model's shape differs a little; some types are renewed on
schedule by some shops.
"""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from analytics.life_model_types import LifePrior
from analytics.operational_time import REFERENCE_KM_PER_YEAR
from analytics.spells import DAYS_PER_YEAR, Cell, Outcome, Quality, Removal, Spells

Floats = NDArray[np.float64]
Ints = NDArray[np.int64]

MODELS, FAMILIES, MAKES, UNSEEN, SHOPS = 60, 15, 8, 6, 12


@dataclass(frozen=True)
class WorldSettings:
    machines: int = 800
    components: int = 40
    spread_make: float = 0.12
    spread_family: float = 0.3
    spread_model: float = 0.2
    shape_spread: float = 0.07
    shop_frailty: float = 0.1
    rider_frailty: float = 0.25
    found_at_checks: float = 0.25
    unknown_start: float = 0.10
    scheduled: float = 0.2
    lives: str = "weibull"  # or "lognormal", "infant"
    life_years: tuple[float, float] = (3.0, 40.0)  # of the components, log-uniform
    spreads_drawn: bool = False  # each component draws its own spreads, half-normal with those above as scale


# "usual": every component's makes, families and models differ by the spreads above (one pooled curve then loses a
# quarter of the risk in the top three); "milder": spreads drawn by component and longer lives, about 52 life records
# a machine and a sixth lost by the pooled curve
PRESETS = {
    "usual": WorldSettings(),
    "milder": WorldSettings(
        spread_make=0.1, spread_family=0.24, spread_model=0.16, spreads_drawn=True, life_years=(4.0, 70.0)
    ),
}


@dataclass(frozen=True)
class Fleet:
    """Machines; clocks count from new, usage is a straight line."""

    model: Ints
    shop: Ints
    km_per_year: Floats
    entry_years: Floats
    exit_years: Floats
    rider: Floats  # log hazard
    visits: tuple[Floats, ...]  # ages in years of the checks from entry on


@dataclass(frozen=True)
class TrueLife:
    """One component's truth."""

    name: str
    prior: LifePrior
    clock_weight: float
    shape: Floats  # (models,)
    life: Floats  # (models,), years of typical use
    shop: Floats  # (shops,) log hazard
    hidden: bool
    scheduled_at: float | None  # operational age of scheduled renewal, at half of the shops
    lives: str

    def cumulative_hazard(self, model: Ints, age: Floats) -> Floats:
        """H at operational age (years) for an average rider and shop."""
        x = np.maximum(age, 0.0) / self.life[model]
        weibull = x ** self.shape[model]
        if self.lives == "infant":  # a tenth of parts are weak: they live a tenth as long, with shape 0.8
            weak = (10.0 * x) ** 0.8
            return -np.log(0.9 * np.exp(-np.minimum(weibull, 700)) + 0.1 * np.exp(-np.minimum(weak, 700)) + 1e-300)
        if self.lives == "lognormal":
            from scipy.special import log_ndtr

            sigma = 1.2 / self.shape[model]  # about the spread of log life of a Weibull of this shape
            with np.errstate(divide="ignore"):
                return -log_ndtr(-(np.log(x) + 0.4 / self.shape[model]) / sigma)
        return weibull

    def draw_life(self, model: Ints, log_frailty: Floats, rng: np.random.Generator) -> Floats:
        """Operational lives (years) of new parts, proportional hazards in the frailty."""
        target = rng.exponential(size=len(model)) * np.exp(-log_frailty)
        if self.lives == "weibull":
            return self.life[model] * target ** (1.0 / self.shape[model])
        low, high = np.full(len(model), -12.0), np.full(len(model), 5.0)
        for _ in range(60):
            middle = 0.5 * (low + high)
            short = self.cumulative_hazard(model, self.life[model] * np.exp(middle)) < target
            low, high = np.where(short, middle, low), np.where(short, high, middle)
        return self.life[model] * np.exp(low)


@dataclass(frozen=True)
class World:
    settings: WorldSettings
    cells: tuple[Cell, ...]
    fleet: Fleet
    truths: tuple[TrueLife, ...]
    spells: tuple[Spells, ...]

    @property
    def seen_models(self) -> Ints:
        return np.arange(MODELS - UNSEEN)


def make_world(seed: int, settings: WorldSettings | None = None) -> World:
    """One seeded world."""
    settings = settings or WorldSettings()
    rng = np.random.default_rng(seed)
    cells, family, make = _tree(rng)
    fleet = make_fleet(rng, settings.machines, np.arange(MODELS - UNSEEN))
    truths = tuple(_truth(i, rng, settings, family, make) for i in range(settings.components))
    spells = tuple(watch(truth, fleet, cells, settings, rng) for truth in truths)
    return World(settings, cells, fleet, truths, spells)


def _tree(rng: np.random.Generator) -> tuple[tuple[Cell, ...], Ints, Ints]:
    make_of_family = np.r_[np.arange(MAKES), rng.integers(MAKES, size=FAMILIES - MAKES)]
    family = np.r_[np.arange(FAMILIES), rng.integers(FAMILIES, size=MODELS - FAMILIES)]
    family = rng.permutation(family)
    make = make_of_family[family]
    cells = tuple(Cell(f"make {make[m]}", f"family {family[m]}", f"model {m}") for m in range(MODELS))
    return cells, family, make


def make_fleet(rng: np.random.Generator, count: int, models: Ints) -> Fleet:
    """Machines of the models given, some models common and some rare."""
    share = np.exp(rng.normal(0.0, 0.9, len(models)))
    model = models[rng.choice(len(models), size=count, p=share / share.sum())]
    entry = np.where(rng.random(count) < 0.15, 0.0, rng.gamma(2.0, 3.0, count))
    exit_ = entry + rng.uniform(0.5, 7.0, count)
    visits = []
    for start, end in zip(entry, exit_, strict=True):
        ages = start + np.cumsum(rng.gamma(4.0, 0.2, 40))
        visits.append(np.r_[start, ages[ages < end], end])
    return Fleet(
        model,
        rng.integers(SHOPS, size=count),
        np.exp(rng.normal(np.log(4200.0), 0.65, count)),
        entry,
        exit_,
        rng.normal(0.0, 1.0, count),
        tuple(visits),
    )


def _truth(i: int, rng: np.random.Generator, s: WorldSettings, family: Ints, make: Ints) -> TrueLife:
    weight = float(rng.choice([0.0, 0.25, 0.5, 0.75, 1.0], p=[0.25, 0.1, 0.2, 0.1, 0.35]))
    life = float(np.exp(rng.uniform(*np.log(s.life_years))))
    shape = float(np.exp(rng.uniform(np.log(1.1), np.log(4.0))))
    spreads = np.array([s.spread_make, s.spread_family, s.spread_model])
    if s.spreads_drawn:
        spreads = spreads * np.abs(rng.normal(size=3))
    effect = (
        rng.normal(0.0, spreads[0], MAKES)[make]
        + rng.normal(0.0, spreads[1], FAMILIES)[family]
        + rng.normal(0.0, spreads[2], MODELS)
    )
    # the catalogue is wrong by about what it says it is
    told_life = life * np.exp(rng.normal(0.0, np.log(1.6)))
    told_shape = shape * np.exp(rng.normal(0.0, 0.3))
    km, years = told_life * REFERENCE_KM_PER_YEAR, told_life
    both = 2.0 ** (1.0 / told_shape)
    if weight in (0.0, 1.0):
        prior = LifePrior(told_shape, km if weight else None, None if weight else years)
    else:
        prior = LifePrior(told_shape, km * both, years * both)
    return TrueLife(
        f"component {i:02d}",
        prior,
        weight,
        shape * np.exp(rng.normal(0.0, s.shape_spread, MODELS)),
        life * np.exp(effect),
        rng.normal(-0.5 * s.shop_frailty**2, s.shop_frailty, SHOPS),
        bool(i % 4 == 3) if s.found_at_checks else False,
        0.8 * life if rng.random() < s.scheduled else None,
        s.lives,
    )


def watch(
    truth: TrueLife,
    fleet: Fleet,
    cells: tuple[Cell, ...],
    s: WorldSettings,
    rng: np.random.Generator,
    ageing: Floats | float = 1.0,
) -> Spells:
    """Life records of one component on all machines, as shops would have them; `ageing` years count for one of age."""
    rate = truth.clock_weight * fleet.km_per_year / REFERENCE_KM_PER_YEAR + (1 - truth.clock_weight) * ageing
    # the average rider and shop have hazard 1, so that a cell's chance is what its machines have on average
    frailty = truth.shop[fleet.shop] + s.rider_frailty * fleet.rider - 0.5 * s.rider_frailty**2
    machine = np.arange(len(fleet.model))
    start = np.zeros(len(machine))  # calendar ages in years from here on
    unknown = rng.random(len(machine)) < s.unknown_start
    planned = (fleet.shop[machine] % 2 == 0) if truth.scheduled_at else np.zeros(len(machine), dtype=bool)
    rows: list[dict[str, Floats]] = []
    while len(machine):
        life = truth.draw_life(fleet.model[machine], frailty[machine], rng) / rate[machine]
        due = np.where(planned[machine], (truth.scheduled_at or np.inf) / rate[machine], np.inf)
        scheduled = start + due < start + life
        event = start + np.minimum(life, due)
        lower, found = event.copy(), event.copy()
        if truth.hidden:
            lower, found = _at_checks(fleet, machine, event, start)
            lower, found = np.where(scheduled, event, lower), np.where(scheduled, event, found)
        end = fleet.exit_years[machine]
        entry = np.maximum(fleet.entry_years[machine], start)
        watched = (found > fleet.entry_years[machine]) & (entry < end)
        ended = found <= end
        exit_ = np.where(ended, found, end)
        if truth.hidden:  # failed but not yet found: last known good is what the record says
            exit_ = np.where(ended | (event > end), exit_, np.maximum(lower, entry))
        outcome = np.where(
            ended & ~scheduled, Outcome.FAILED_BETWEEN if truth.hidden else Outcome.FAILED, Outcome.CENSORED
        )
        removal = np.where(ended, np.where(scheduled, Removal.SCHEDULED, Removal.FAILED), Removal.STILL_FITTED)
        rows.append(
            {
                "machine": machine[watched],
                "start": np.where(unknown[machine] & (start < fleet.entry_years[machine]), np.nan, start)[watched],
                "entry": entry[watched],
                "exit": exit_[watched],
                "lower": np.maximum(lower, entry)[watched],
                "outcome": outcome[watched],
                "removal": removal[watched],
            }
        )
        again = found < end
        machine, start = machine[again], found[again]
    merged = {k: np.concatenate([r[k] for r in rows]) for k in rows[0]}
    return _as_spells(merged, fleet, cells)


def _at_checks(fleet: Fleet, machine: Ints, event: Floats, start: Floats) -> tuple[Floats, Floats]:
    """Last check before and first check at or after each failure; before watching began, checks are a year apart."""
    lower, found = np.empty(len(machine)), np.empty(len(machine))
    for i, m in enumerate(machine):
        visits = fleet.visits[m]
        if event[i] < visits[0]:
            found[i] = min(np.floor(event[i]) + 1.0, visits[0])
            lower[i] = start[i]
            continue
        at = int(np.searchsorted(visits, event[i]))
        found[i] = visits[at] if at < len(visits) else np.inf
        lower[i] = max(visits[at - 1] if at else 0.0, start[i])
    return lower, found


def _as_spells(rows: dict[str, Floats], fleet: Fleet, cells: tuple[Cell, ...]) -> Spells:
    machine = rows["machine"].astype(np.int64)
    rate, n = fleet.km_per_year[machine], len(machine)
    none, nowhere = np.full(n, np.nan), np.full(n, -1, dtype=np.int64)

    def days(years: Floats) -> Floats:
        return years * DAYS_PER_YEAR

    return Spells(
        machine=machine,
        shop=fleet.shop[machine],
        cell=fleet.model[machine],
        position=nowhere,
        stratum=nowhere,
        quality=np.full(n, int(Quality.UNKNOWN), dtype=np.int64),
        start_km=rows["start"] * rate,
        start_days=days(rows["start"]),
        not_original=np.zeros(n, dtype=bool),
        entry_km=rows["entry"] * rate,
        entry_days=days(rows["entry"]),
        exit_km=rows["exit"] * rate,
        exit_days=days(rows["exit"]),
        lower_km=rows["lower"] * rate,
        lower_days=days(rows["lower"]),
        repair_km=none,
        repair_days=none,
        outcome=rows["outcome"].astype(np.int64),
        removal=rows["removal"].astype(np.int64),
        weight=np.ones(n),
        cells=cells,
        shops=tuple(f"shop {i}" for i in range(SHOPS)),
    )


def pooled(spells: Spells) -> Spells:
    """The same records with every machine in one cell: one pooled curve."""
    return replace(spells, cell=np.zeros_like(spells.cell), cells=(Cell("all", "all", "all"),))
