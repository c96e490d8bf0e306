"""From what happened to what a shop has seen of it: job cards with lines, before anything is spelt badly.

A card is one machine in one shop on one day. Only what falls between a machine's first sight and its last day is
seen; of what came before, some machines bring papers or a former owner's word.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field, replace

import numpy as np

from seed.world_couplings import Component
from seed.world_lives import ORIGINAL, PATTERN, USED, Why
from seed.world_machines import MachineTable
from seed.world_params import SHOPS

REASON = {
    Why.FAILED: "failed", Why.WORN: "worn_to_limit", Why.FOUND: "found_failed", Why.SCHEDULED: "scheduled",
    Why.STUCK: "failed", Why.SECONDARY: "secondary", Why.MISDIAGNOSED: "misdiagnosis", Why.APART: "while_apart",
    Why.DAMAGE: "damage", Why.UPGRADE: "upgrade", Why.CAMPAIGN: "campaign", Why.WISH: "owner_wish",
}  # fmt: skip
QUALITY = {ORIGINAL: "original", PATTERN: "pattern", USED: "used"}
# What is looked at and written down when it is good, most often first.
CHECKED = ("brake_pad", "tyre", "chain_sprockets", "steering_head_bearing", "wheel_bearing", "brake_disc", "fork_seal",
           "brake_caliper", "cvt_belt", "battery", "swingarm_bearing", "cam_chain_tensioner", "lighting",
           "master_cylinder_hose", "charging_connector")  # fmt: skip
CHECK_WEIGHT = np.array([5, 5, 4, 4, 3, 2, 2, 2, 2, 1, 1, 1, 1, 1, 0.6])
MARKED = ("regulator_rectifier", "stator", "fuel_pump", "injector", "ignition_coil", "starter_motor",
          "instrument_cluster", "water_pump", "starter_clutch", "crank_position_sensor")  # fmt: skip
BLAMED_ANYWAY = 0.3  # share of misdiagnoses that the card still calls a failure
TAKEN_FOR_OWN = 0.1  # and of secondary failures


@dataclass
class Line:
    """One line about one part, or about the machine as a whole (no component)."""

    action: str
    component: str = ""
    position: str = ""
    reason: str = ""
    quality: str = ""
    source: str = "card"
    why: int = 0  # what really happened, for the tests' answer sheet
    date: str | None = None  # written instead of the card's date; "" if nobody knew
    km: float | None = None  # the odometer of a paper; nan if it says none
    reset: bool = False  # the odometer column holds the new clock's reading
    notes: str = ""


@dataclass
class Card:
    """One machine on one day; the first line of a service says that the machine was seen to work."""

    machine: int
    day: int
    service: bool
    lines: list[Line] = field(default_factory=list)
    number: str = ""
    paper: bool = False


@dataclass(frozen=True)
class Swaps:
    """P19: machines whose clock was changed for one that began at zero, by machine: (day, written on a card)."""

    by_machine: Mapping[int, tuple[int, bool]]


def make_cards(
    machines: MachineTable, done: Mapping[str, Component], swaps: Swaps, rng: np.random.Generator, *, defects: bool
) -> list[Card]:
    """All cards of all shops, by machine and day; without defects every reason is the true one."""
    cards: dict[tuple[int, int], Card] = {}
    _services(machines, cards)
    for slug, one in done.items():
        _events(slug, one, machines, cards, rng, defects)
    _clock_changes(swaps, cards)
    _checks(machines, done, cards, rng)
    _factory_marks(machines, done, cards, rng)
    for machine in np.flatnonzero(machines.gone).tolist():
        key = (machine, int(machines.end[machine]))
        card = cards.setdefault(key, Card(*key, service=False))
        card.lines.append(Line("gone", notes=_leaving(machines, machine, rng)))
    return [cards[key] for key in sorted(cards)]


def _services(machines: MachineTable, cards: dict[tuple[int, int], Card]) -> None:
    visits = machines.visits
    seen = (visits.day >= machines.first_seen[visits.machine]) & (visits.day <= machines.end[visits.machine])
    for machine, day in zip(visits.machine[seen].tolist(), visits.day[seen].tolist(), strict=True):
        cards[(machine, day)] = Card(machine, day, True, [Line("seen")])


def _events(
    slug: str, one: Component, machines: MachineTable, cards: dict[tuple[int, int], Card], rng: np.random.Generator,
    defects: bool,
) -> None:  # fmt: skip
    lives = one.lives
    machine = one.parts.units.machine[lives.unit]
    day = np.floor(lives.end).astype(np.int64)
    seen = (lives.why != Why.STILL_ON) & (day >= machines.first_seen[machine]) & (day <= machines.end[machine])
    order = np.flatnonzero(seen)
    order = order[np.lexsort((lives.unit[order], day[order], machine[order]))]
    label = one.parts.label(lives.unit[order])
    chance = rng.random(len(order)) if defects else np.ones(len(order))
    columns = (machine[order], day[order], label, lives.why[order], lives.mended[order], lives.new_kind[order], chance)
    for at, when, position, why, mended, kind, u in zip(*(c.tolist() for c in columns), strict=True):
        key = (at, when)
        card = cards.get(key) or cards.setdefault(key, Card(at, when, False))
        action = "repaired" if mended else "renewed"
        card.lines.append(Line(action, slug, position, _reason(why, u), "" if mended else QUALITY[kind], why=why))


def _reason(why: int, chance: float) -> str:
    if why == Why.MISDIAGNOSED and chance < BLAMED_ANYWAY:
        return "failed"
    if why == Why.SECONDARY and chance < TAKEN_FOR_OWN:
        return "failed"
    return REASON[Why(why)]


def choose_swaps(
    machines: MachineTable, done: Mapping[str, Component], share: float, rng: np.random.Generator
) -> Swaps:
    """Of P19's machines this share has its odometer reset once, where a clock failed; half the cards say so."""
    one = done.get("instrument_cluster")
    if one is None:
        return Swaps({})
    scope = one.law.effect == "P19"
    lives = one.lives.pick(one.lives.own & scope[one.lives.unit])
    machine = one.parts.units.machine[lives.unit]
    seen = lives.end >= machines.first_seen[machine]
    order = np.lexsort((rng.random(len(machine)), ~seen))
    _, first = np.unique(machine[order], return_index=True)
    order = order[np.sort(first)][: round(share * int(scope.sum()))]
    wanted = round(len(order) / 2)
    noted = seen[order] & (np.cumsum(seen[order]) <= wanted)
    return Swaps({
        int(machine[k]): (int(np.floor(lives.end[k])), bool(told)) for k, told in zip(order, noted, strict=True)
    })  # fmt: skip


def _clock_changes(swaps: Swaps, cards: dict[tuple[int, int], Card]) -> None:
    """The old clock's reading stands on the same card, in a row before the change."""
    for machine, (day, noted) in swaps.by_machine.items():
        card = cards.get((machine, day))
        if noted and card is not None:
            if card.lines[0].action != "seen":
                card.lines.insert(0, Line("seen"))
            card.lines.append(Line("clock_changed", reset=True, notes="clocks swapped, new set started at 0"))


def _checks(
    machines: MachineTable, done: Mapping[str, Component], cards: dict[tuple[int, int], Card], rng: np.random.Generator
) -> None:
    """Lines for parts looked at and found good; what was worked on that day is left out."""
    usable = [k for k, slug in enumerate(CHECKED) if slug in done]
    if not usable:
        return
    has = {CHECKED[k]: set(done[CHECKED[k]].parts.units.machine.tolist()) for k in usable}
    weight = CHECK_WEIGHT[usable] / CHECK_WEIGHT[usable].sum()
    share = len(usable) / len(CHECKED)
    rate = np.array([shop.checks_per_service for shop in SHOPS]) * min(1.0, 0.4 + share)
    services = [cards[key] for key in sorted(cards) if cards[key].service]
    count = rng.poisson(rate[machines.shop[[card.machine for card in services]]])
    drawn = rng.choice(usable, (len(services), 8), p=weight).tolist()
    for card, wanted, picks in zip(services, count.tolist(), drawn, strict=True):
        busy = {line.component for line in card.lines}
        slugs = [CHECKED[k] for k in dict.fromkeys(picks[:wanted])]
        card.lines.extend(
            Line("checked_good", slug) for slug in slugs if slug not in busy and card.machine in has[slug]
        )


def _factory_marks(
    machines: MachineTable, done: Mapping[str, Component], cards: dict[tuple[int, int], Card], rng: np.random.Generator
) -> None:
    """`original` lines on a machine's first service: all parts if it came new, else some with a maker's mark."""
    at_first: dict[int, Card] = {}
    for key in sorted(cards):
        if cards[key].service:
            at_first.setdefault(key[0], cards[key])
    marked = rng.random(len(machines)) < 0.25
    for slug, one in done.items():
        untouched = _still_original(one, machines)
        wanted = machines.from_new | (marked & (rng.random(len(machines)) < 0.35) & (slug in MARKED))
        for machine in np.flatnonzero(untouched & wanted).tolist():
            card = at_first.get(machine)
            if card is not None and card.day == machines.first_seen[machine]:
                where = next((k for k, line in enumerate(card.lines) if line.action != "seen"), len(card.lines))
                card.lines.insert(where, Line("original", slug, quality="original"))


def _still_original(one: Component, machines: MachineTable) -> np.ndarray:
    """Machines on which no position of the component had been renewed before the first sight."""
    lives = one.lives
    machine = one.parts.units.machine[lives.unit]
    has = np.zeros(len(machines), dtype=bool)
    has[one.parts.units.machine] = True
    renewed = (lives.why != Why.STILL_ON) & ~lives.mended & (lives.end < machines.first_seen[machine])
    has[machine[renewed]] = False
    return has


def _leaving(machines: MachineTable, machine: int, rng: np.random.Generator) -> str:
    if machines.fleet[machine]:
        return f"sold out of the fleet ({machines.fleet[machine]})"
    return str(rng.choice(["sold", "sold out of the area", "scrapped", "exported", "stolen, not found", "written off"]))


def paper_cards(
    machines: MachineTable, done: Mapping[str, Component], rng: np.random.Generator, share: float = 0.25
) -> list[Card]:
    """What some machines bring along from before: invoices (papers), and a former owner's word (told)."""
    brings = (rng.random(len(machines)) < share) & ~machines.from_new
    found: dict[tuple[int, int], Card] = {}
    for slug, one in done.items():
        lives = one.lives
        machine = one.parts.units.machine[lives.unit]
        early = (lives.why != Why.STILL_ON) & (lives.end < machines.first_seen[machine] - 1) & ~lives.mended
        kept = rng.random(len(one.parts.units)) < 0.45
        rows = np.flatnonzero(early & brings[machine] & kept[lives.unit])
        rows = rows[np.lexsort((lives.end[rows], lives.unit[rows]))]
        draw = rng.random(len(rows))
        # The latest renewal of a position always has its paper if any has: an older one would mislead.
        last = np.append(np.diff(lives.unit[rows]) != 0, True)[: len(rows)]
        label = one.parts.label(lives.unit[rows]).tolist()
        for k, u, is_last, position in zip(rows.tolist(), draw.tolist(), last.tolist(), label, strict=True):
            if is_last or u > 0.5:
                line = Line("renewed", slug, position, REASON[Why(int(lives.why[k]))], why=int(lives.why[k]))
                at, day = int(machine[k]), float(lives.end[k])
                _add_paper(found, at, int(day), _aged(line, u, machines, at, day))
    return [found[key] for key in sorted(found)]


def _aged(line: Line, u: float, machines: MachineTable, machine: int, day: float) -> Line:
    """A fifth is hearsay without date; of the papers some give month or year only, some no distance."""
    if u < 0.20:
        return replace(line, source="told", date="", km=float("nan"), reason="unknown", quality="unknown",
                       notes="renewed by former owner, date unknown")  # fmt: skip
    km = float(machines.usage.km(np.array([machine]), np.array([day]))[0])
    precision = "day" if u < 0.65 else "month" if u < 0.90 else "year"
    return replace(line, source="papers", date=precision, km=km if u < 0.80 else float("nan"),
                   notes="per receipts" if u < 0.4 else "")  # fmt: skip


def _add_paper(found: dict[tuple[int, int], Card], machine: int, day: int, line: Line) -> None:
    key = (machine, -1 if line.source == "told" else day)
    found.setdefault(key, Card(machine, day, False, paper=True)).lines.append(line)
