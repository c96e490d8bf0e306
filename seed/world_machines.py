"""Who rides what, where and how far: the machines of Vardonia, their clocks and their visits.

A machine's distance grows linearly while it is ridden and stands still in its winter months (they end on 1 April)
and in a year laid up. Both directions, day to km and km to day, are exact.
"""

from __future__ import annotations

from dataclasses import dataclass
from datetime import date

import numpy as np
from numpy.typing import NDArray

from seed.world_params import (
    BRACKENHYTHE,
    COURIER,
    FIRST_DAY,
    FLEETS,
    LAST_DAY,
    MODELS,
    PRIVATE,
    RENTAL,
    SCHOOL,
    SHOPS,
    YEAR,
    Fleet,
    day_of,
    layouts,
)

Floats = NDArray[np.float64]
Ints = NDArray[np.int64]
APRIL = float(day_of(date(2000, 4, 1)))
WIDTH = 20_000  # more than any day number: machine * WIDTH + day sorts by machine, then day
NEVER = 5.0 * WIDTH
LATEST_FIRST_SIGHT = day_of(date(2024, 6, 30))


@dataclass(frozen=True)
class Usage:
    """Both clocks of every machine, shape (n,); `winter` is the share of each year that it stands."""

    built: Floats
    km_per_riding_day: Floats
    winter: Floats
    laid_up_from: Floats
    laid_up_to: Floats

    @property
    def laid_up(self) -> NDArray[np.bool_]:
        """Which machines stood a whole year at some time."""
        return self.laid_up_from < NEVER

    def _season(self, machine: Ints, day: Floats) -> Floats:
        since = day - APRIL
        years = np.floor(since / YEAR)
        riding = YEAR * (1.0 - self.winter[machine])
        return years * riding + np.minimum(since - years * YEAR, riding)

    def _ridden(self, machine: Ints, day: Floats) -> Floats:
        start, end = self.laid_up_from[machine], self.laid_up_to[machine]
        before = self._season(machine, np.minimum(day, start))
        return before + self._season(machine, np.maximum(day, end)) - self._season(machine, end)

    def km(self, machine: Ints, day: Floats) -> Floats:
        """Distance since new on a day."""
        ridden = self._ridden(machine, day) - self._ridden(machine, self.built[machine])
        return np.maximum(ridden, 0.0) * self.km_per_riding_day[machine]

    def day(self, machine: Ints, km: Floats) -> Floats:
        """The day a distance was reached, inf for an infinite distance."""
        ridden = km / self.km_per_riding_day[machine] + self._ridden(machine, self.built[machine])
        at_start = self._season(machine, self.laid_up_from[machine])
        pause = self._season(machine, self.laid_up_to[machine]) - at_start
        ridden = np.where(ridden > at_start, ridden + pause, ridden)
        finite = np.isfinite(ridden)
        safe = np.where(finite, ridden, 0.0)
        riding = YEAR * (1.0 - self.winter[machine])
        years = np.floor(safe / riding)
        return np.where(finite, APRIL + years * YEAR + safe - years * riding, np.inf)


@dataclass(frozen=True)
class Visits:
    """Services of all machines at whatever shop, sorted by machine and day; shape (v,)."""

    machine: Ints
    day: Ints
    keys: Ints

    @classmethod
    def of(cls, machine: Ints, day: Ints) -> Visits:
        keys = np.unique(machine * WIDTH + day)
        return cls(keys // WIDTH, keys % WIDTH, keys)

    def next(self, machine: Ints, day: Floats) -> Floats:
        """First service on or after a day; inf if there is none."""
        return self._at(machine, np.searchsorted(self.keys, self._key(machine, day), side="left"))

    def last_before(self, machine: Ints, day: Floats) -> Floats:
        """Last service before a day; -inf if there is none."""
        found = self._at(machine, np.searchsorted(self.keys, self._key(machine, day), side="left") - 1)
        return np.where(np.isfinite(found), found, -np.inf)

    @staticmethod
    def _key(machine: Ints, day: Floats) -> Ints:
        whole = np.ceil(np.clip(day, 0, WIDTH - 1)).astype(np.int64)
        return machine * WIDTH + whole

    def _at(self, machine: Ints, index: Ints) -> Floats:
        inside = (index >= 0) & (index < len(self.keys))
        safe = np.where(inside, index, 0)
        return np.where(inside & (self.machine[safe] == machine), self.day[safe].astype(float), np.inf)


@dataclass(frozen=True)
class MachineTable:
    """Every machine, shape (n,): indices into MODELS and SHOPS, use, clocks, window of observation."""

    model: Ints
    shop: Ints
    use: Ints
    fleet: tuple[str, ...]
    usage: Usage
    first_seen: Ints
    end: Ints
    gone: NDArray[np.bool_]
    from_new: NDArray[np.bool_]
    in_miles: NDArray[np.bool_]
    visits: Visits

    def __len__(self) -> int:
        return len(self.model)

    @property
    def built(self) -> Floats:
        return self.usage.built

    @property
    def idle_share(self) -> Floats:
        """Share of its life that a machine stands: winters, and a year laid up spread over fifteen years."""
        year_off = np.where(self.usage.laid_up, 1.0 / 15.0, 0.0)
        return self.usage.winter + year_off


def make_machines(rng: np.random.Generator, scale: float, models: tuple[str, ...]) -> MachineTable:
    """Draw the machines of the chosen models."""
    fleets = [(fleet, max(1, round(fleet.machines * scale))) for fleet in FLEETS if fleet.model in models]
    parts = [_fleet_machines(rng, fleet, count) for fleet, count in fleets]
    for index, model in enumerate(MODELS):
        if model.name in models:
            owned = sum(count * len(fleet.generations) for fleet, count in fleets if fleet.model == model.name)
            parts.append(_private_machines(rng, index, max(0, round(model.pool * scale) - owned)))
    columns = {name: np.concatenate([part[name] for part in parts]) for name in parts[0]}
    return _table(rng, columns)


def _model_index(name: str) -> int:
    return next(k for k, model in enumerate(MODELS) if model.name == name)


def _fleet_machines(rng: np.random.Generator, fleet: Fleet, count: int) -> dict[str, NDArray]:
    n = count * len(fleet.generations)
    built_from, built_to, kept = (np.repeat(column, count) for column in zip(*fleet.generations, strict=True))
    built = np.round((rng.uniform(built_from, built_to) - 2000.0) * YEAR)
    first = np.maximum(built + rng.uniform(10, 60, n), FIRST_DAY + rng.uniform(0, 60, n))
    return {
        "model": np.full(n, _model_index(fleet.model)),
        "shop": np.full(n, fleet.shop),
        "use": np.full(n, fleet.use),
        "fleet": np.full(n, fleet.name),
        "built": built,
        "km_a_year": fleet.km_a_year * rng.lognormal(0.0, 0.12, n),
        "winter": np.full(n, 0.0),
        "laid_up_from": np.full(n, np.inf),
        "laid_up_days": np.zeros(n),
        "first_seen": first,
        "end": built + kept * YEAR + rng.uniform(-120, 120, n),
        "leaves": np.ones(n, dtype=bool),
        "from_new": first - built < 90,
    }


def _private_machines(rng: np.random.Generator, index: int, n: int) -> dict[str, NDArray]:
    model = MODELS[index]
    layout = layouts()[model.name]
    built = (rng.uniform(layout["built_from"], layout["built_to"] + 1, n) - 2000.0) * YEAR
    built = np.minimum(np.round(built), (layout["built_to"] + 1 - 2000) * YEAR - 2)
    share = np.array([shop.private_share for shop in SHOPS])
    share[:4] *= model.shop_pull
    shop = rng.choice(len(SHOPS), n, p=share / share.sum())
    months = np.where(
        shop == BRACKENHYTHE, np.where(rng.random(n) < 0.9, 5.0, 0.0), np.where(rng.random(n) < 0.3, 2.5, 0.0)
    )
    laid_up = rng.random(n) < 0.12
    earliest = built + 1.5 * YEAR
    laid_up_from = np.where(laid_up, rng.uniform(earliest, np.maximum(LAST_DAY - YEAR, earliest + 1)), np.inf)
    return {
        "model": np.full(n, index),
        "shop": shop,
        "use": np.full(n, PRIVATE),
        "fleet": np.full(n, ""),
        "built": built,
        "km_a_year": model.km_a_year * rng.lognormal(0.0, 0.8, n),
        "winter": months / 12.0,
        "laid_up_from": laid_up_from,
        "laid_up_days": np.where(laid_up, rng.uniform(360, 450, n), 0.0),
        "first_seen": np.full(n, np.nan),
        "end": np.full(n, np.nan),
        "leaves": rng.random(n) < 0.35,
        "from_new": rng.random(n) < 0.10,
    }


def _table(rng: np.random.Generator, columns: dict[str, NDArray]) -> MachineTable:
    n = len(columns["model"])
    every = np.arange(n)
    start = columns["laid_up_from"]
    usage = Usage(
        columns["built"],
        np.maximum(columns["km_a_year"], 150.0) / (YEAR * (1.0 - columns["winter"])),
        columns["winter"],
        start,
        start + columns["laid_up_days"],
    )
    usage = _finite_pauses(usage)
    sighted = _first_sight(rng, usage, columns["from_new"])
    first = np.floor(np.where(np.isnan(columns["first_seen"]), sighted, columns["first_seen"])).astype(np.int64)
    stay = np.maximum(rng.exponential(8.0, n), 0.3) * YEAR
    end = np.where(np.isnan(columns["end"]), first + stay, columns["end"])
    gone = columns["leaves"] & (end < LAST_DAY)
    end = np.maximum(np.minimum(end, LAST_DAY), first).astype(np.int64)
    visits = _visits(rng, columns["use"], usage, first)
    last_service = visits.last_before(every, end + 1.0)
    # Some machines are first seen because something broke: they have no service on the day of first sight.
    broke = (columns["use"] == PRIVATE) & ~columns["from_new"] & (last_service > first) & (rng.random(n) < 0.15)
    opened = visits.day == first[visits.machine]
    kept = ~(opened & broke[visits.machine])
    visits = Visits.of(visits.machine[kept], visits.day[kept])
    # A machine that leaves does so within weeks of its last service; of others that service is the last word.
    last_seen = np.maximum(last_service, first)
    end = np.where(gone, np.minimum(end, last_seen + rng.integers(5, 60, n)), last_seen).astype(np.int64)
    in_miles = rng.random(n) < np.array([shop.miles for shop in SHOPS])[columns["shop"]]
    in_miles |= (usage.built < day_of(date(2009, 1, 1))) & (rng.random(n) < 0.25)
    names = ("model", "shop", "use")
    model, shop, use = (columns[name].astype(np.int64) for name in names)
    fleet = tuple(str(name) for name in columns["fleet"])
    return MachineTable(model, shop, use, fleet, usage, first, end, gone, columns["from_new"], in_miles, visits)


def _finite_pauses(usage: Usage) -> Usage:
    """Without a year laid up the pause is put, with no length, far behind the data."""
    start = np.minimum(usage.laid_up_from, NEVER)
    end = np.minimum(usage.laid_up_to, NEVER)
    return Usage(usage.built, usage.km_per_riding_day, usage.winter, start, end)


def _first_sight(rng: np.random.Generator, usage: Usage, from_new: NDArray) -> Floats:
    """Most machines come with 8,000 to 60,000 km on the clock; one in ten is brought when it is new."""
    n = len(usage.built)
    target = np.clip(rng.lognormal(np.log(15_000), 0.5, n), 8_000, 60_000)
    day = usage.day(np.arange(n), target)
    earliest = np.maximum(FIRST_DAY, usage.built + 200.0)
    any_day = rng.uniform(earliest, np.maximum(LATEST_FIRST_SIGHT, earliest + 1))
    day = np.where((day > LATEST_FIRST_SIGHT) | (day < earliest), any_day, day)
    soon = usage.built + rng.uniform(20, 70, n)
    return np.where(from_new & (soon > FIRST_DAY), soon, day)


_SERVICE_KM = {PRIVATE: 6_000.0, COURIER: 5_000.0, SCHOOL: 5_000.0, RENTAL: 8_000.0}
_SERVICE_DAYS = {PRIVATE: 400.0, COURIER: 200.0, SCHOOL: 200.0, RENTAL: 240.0}


def _visits(rng: np.random.Generator, use: Ints, usage: Usage, first_seen: Ints) -> Visits:
    """Services by distance or by time, whichever comes first, loosely kept; the first sight is one of them."""
    use = use.astype(np.int64)
    machine = np.arange(len(use))
    every_km = np.array([_SERVICE_KM[k] for k in range(4)])[use]
    every_days = np.array([_SERVICE_DAYS[k] for k in range(4)])[use]
    day = usage.built.copy()
    machines, days = [machine], [first_seen]
    while len(machine):
        gap_km = every_km[machine] * rng.lognormal(0.0, 0.25, len(machine))
        gap_days = every_days[machine] * rng.lognormal(0.0, 0.3, len(machine))
        due = np.minimum(usage.day(machine, usage.km(machine, day) + gap_km), day + gap_days)
        day = np.maximum(due, day + 21.0)
        laid_up = (day > usage.laid_up_from[machine]) & (day < usage.laid_up_to[machine])
        day = np.where(laid_up, usage.laid_up_to[machine] + 3.0, day)
        keep = day <= LAST_DAY
        machine, day = machine[keep], day[keep]
        far = np.abs(day - first_seen[machine]) > 20  # not twice within three weeks around the first sight
        machines.append(machine[far])
        days.append(np.floor(day[far]).astype(np.int64))
    return Visits.of(np.concatenate(machines), np.concatenate(days))
