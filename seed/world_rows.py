"""From cards to the rows of the job-line file: references, readings, money, and each shop's carelessness."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np

from seed.world_cards import Card, Line, Swaps
from seed.world_identity import Identity, mistyped
from seed.world_lives import Why
from seed.world_machines import MachineTable
from seed.world_notes import FALSE_LEAD, FOREIGN, OPENING, POLICY, RECOVERY, note_for
from seed.world_params import COG, MOTO_HALL, QUAYSIDE, SALLOW, SHOPS, ShopStyle, components, date_of, words
from service.vocabulary import JOB_LINE_COLUMNS, KM_PER_MILE

COLUMN = {name: k for k, name in enumerate(JOB_LINE_COLUMNS)}
POSITION_MISSING = 0.04
UNIT_WRONG, DIGIT_WRONG, FILLER = 0.03, 0.01, 0.005
FILLERS = ("99999", "0", "1234")
RECOVERED = frozenset({int(Why.FAILED), int(Why.STUCK), int(Why.MISDIAGNOSED), int(Why.SECONDARY)})
_EMPTY = [""] * len(JOB_LINE_COLUMNS)
Row = tuple[str, ...]


@dataclass(frozen=True)
class Reading:
    """The odometer cell of a card as it should be and as it was written; `defect` says what went wrong."""

    true_km: float
    odometer: str
    unit: str
    defect: str


@dataclass
class Writer:
    """Writes the cards of one world; draws come from one stream in the order of the cards."""

    machines: MachineTable
    identities: Sequence[Identity]
    swaps: Swaps
    defects: bool
    rng: np.random.Generator

    def rows(self, cards: Sequence[Card]) -> list[list[tuple[Card, list[Row], Reading]]]:
        """Rows by shop and card, cards in order of their day; also what was read on each card."""
        by_shop: list[list[tuple[Card, list[Row], Reading]]] = [[] for _ in SHOPS]
        ordered = sorted(cards, key=lambda c: (int(self.machines.shop[c.machine]), c.day, c.machine, c.paper))
        readings = self._readings(ordered)
        known: set[int] = set()
        vin_typo = self._typo_machine()
        for card, reading in zip(ordered, readings, strict=True):
            shop = int(self.machines.shop[card.machine])
            card.number = f"{SHOPS[shop].prefix}-{len(by_shop[shop]) + 1:06d}"
            identity = self.identities[card.machine]
            if card.machine == vin_typo and card.machine in known:
                identity = replace(identity, reference=mistyped(identity.reference))
                vin_typo = -1  # once is enough
            rows = self._card_rows(card, SHOPS[shop], identity, reading)
            known.add(card.machine)
            by_shop[shop].append((card, rows, reading))
        return by_shop

    def _typo_machine(self) -> int:
        for k, identity in enumerate(self.identities):
            if self.defects and self.machines.shop[k] == COG and identity.reference == identity.vin:
                return k
        return -1

    def _readings(self, cards: Sequence[Card]) -> list[Reading]:
        machine = np.array([card.machine for card in cards], dtype=np.int64)
        day = np.array([card.day for card in cards], dtype=float)
        km = self.machines.usage.km(machine, day)
        recovery = np.array([_is_recovery(card) for card in cards])
        shop = self.machines.shop[machine]
        missing = self._missing_chance(shop, recovery)
        lost = np.array([SHOPS[k].unit_missing for k in shop])
        draws = self.rng.random((len(cards), 4))
        found = []
        for k, card in enumerate(cards):
            changed = self.swaps.by_machine.get(card.machine)
            if changed is not None and card.day > changed[0]:
                km[k] -= float(self.machines.usage.km(machine[k : k + 1], np.array([float(changed[0])]))[0])
            noted = any(line.reset for line in card.lines)
            found.append(self._reading(float(km[k]), bool(self.machines.in_miles[card.machine]), float(missing[k]),
                                       float(lost[k]), draws[k], noted))  # fmt: skip
        return found

    def _missing_chance(self, shop: np.ndarray, recovery: np.ndarray) -> np.ndarray:
        """Recovery jobs lack their odometer more often; the rest of the shop's cards make up its overall share."""
        chance = np.zeros(len(shop))
        for k, style in enumerate(SHOPS):
            mine = shop == k
            share = recovery[mine].mean() if mine.any() else 0.0
            rest = style.odometer_missing - style.odometer_missing_on_recovery * share
            rest = max(0.02, rest / max(1.0 - share, 1e-9))
            chance[mine] = np.where(recovery[mine], style.odometer_missing_on_recovery, rest)
        return chance

    def _reading(
        self, km: float, in_miles: bool, missing: float, unit_lost: float, draws: np.ndarray, noted: bool
    ) -> Reading:
        value = str(round(km / KM_PER_MILE if in_miles else km))
        unit = "mi" if in_miles else "km"
        if noted or not self.defects:
            return Reading(km, value, unit, "")
        if draws[0] < missing:
            return Reading(km, "", "", "missing")
        if draws[1] < unit_lost:
            return Reading(km, "", "", f"odo {round(int(value), -3) // 1000}k, unit not written")
        if draws[2] < FILLER:
            return Reading(km, FILLERS[int(draws[3] * 3)], unit, "filler")
        if draws[2] < FILLER + DIGIT_WRONG:
            return Reading(km, _wrong_digit(value, float(draws[3])), unit, "digit")
        if draws[2] < FILLER + DIGIT_WRONG + UNIT_WRONG:
            return Reading(km, value, "km" if in_miles else "mi", "unit")
        return Reading(km, value, unit, "")

    def _card_rows(self, card: Card, shop: ShopStyle, identity: Identity, reading: Reading) -> list[Row]:
        rows = []
        for number, line in enumerate(card.lines):
            row = self._line_row(card, line, shop, identity, reading)
            if number == 0:
                row[COLUMN["make"] : COLUMN["first_registered"] + 1] = [
                    identity.make, identity.model, identity.family, identity.model_year, identity.built,
                    identity.first_registered,
                ]  # fmt: skip
                row[COLUMN["notes"]] = self._opening(card, shop, reading, row[COLUMN["notes"]])
            two = self.defects and self.rng.random() < shop.two_lines and line.action == "renewed" and not card.paper
            second = _labour_line(row) if two else None
            rows.append(tuple(row))
            if second is not None:
                rows.append(second)
        return rows

    def _line_row(self, card: Card, line: Line, shop: ShopStyle, identity: Identity, reading: Reading) -> list[str]:
        u = self.rng.random(8).tolist()
        row = _EMPTY.copy()
        row[0], row[1], row[2] = card.number, self._date(card, line), identity.reference
        if card.paper:
            if line.km is not None and line.km == line.km:
                row[9], row[10] = f"{round(line.km)}", "km"
        elif line.reset:
            row[9], row[10] = "0", reading.unit
        else:
            row[9], row[10] = reading.odometer, reading.unit
        row[13], row[15] = line.action, line.source
        row[16] = "" if line.quality == "original" and line.action != "original" and u[0] > 0.8 else line.quality
        if line.component:
            row[11] = self._part_word(line, shop, u[1])
            missing = self.defects and line.position and u[2] < POSITION_MISSING
            row[12] = "" if missing else line.position
            row[14] = "" if self.defects and u[3] < shop.reason_missing else line.reason
            if line.action in ("renewed", "repaired") and not card.paper:
                self._money(row, line, shop, u[4])
        row[21] = line.notes or self._note(card, line, identity, u[5], u[6])
        return row

    def _date(self, card: Card, line: Line) -> str:
        day = date_of(card.day)
        if line.date is None or line.date == "day":
            return day.isoformat()
        return {"month": f"{day:%Y-%m}", "year": f"{day:%Y}"}.get(line.date, "")

    def _part_word(self, line: Line, shop: ShopStyle, u: float) -> str:
        """A shop that writes slang mostly uses words that mean one thing."""
        if not self.defects or u >= shop.slang:
            return line.component
        fits = [w for w in words().get(line.component, ()) if w[2] in (None, line.position)]
        wanted = u >= 0.08 * shop.slang  # one slang word in twelve can mean something else
        options = [text for text, certain, _ in fits if certain == wanted]
        return options[int(u * 7919) % len(options)] if options else line.component

    def _money(self, row: list[str], line: Line, shop: ShopStyle, u: float) -> None:
        entry = components()[line.component]
        menu = shop is SHOPS[MOTO_HALL]
        spread = 1.0 if menu else 0.85 + 0.4 * u
        hours = round(entry["job_hours"] * shop.labour_factor * spread, 1)
        share = 0.15 if line.action == "repaired" else 0.55 if line.quality == "pattern" else 1.0
        parts = entry["part_labour_hours"] * 60.0 * share * (0.85 + 0.3 * ((u * 37) % 1.0))
        row[17] = f"{hours:.1f}"
        row[18] = "" if u > 0.96 else f"{parts:.2f}"  # the customer brought the part
        row[19] = f"{hours * shop.hourly_rate:.2f}"
        row[20] = shop.currency

    def _note(self, card: Card, line: Line, identity: Identity, u: float, v: float) -> str:
        if v < 0.004 and line.component:
            return FOREIGN[int(v / 0.004 * len(FOREIGN))]
        if line.component == "stator" and identity.model == "Shrike 900" and u < 0.4 and line.action == "renewed":
            return FALSE_LEAD[int(u / 0.4 * len(FALSE_LEAD))]
        policy = line.component == "regulator_rectifier" and line.why == Why.SCHEDULED
        return POLICY if policy else note_for(line.why, u)

    def _opening(self, card: Card, shop: ShopStyle, reading: Reading, note: str) -> str:
        u = float(self.rng.random())
        parts = [note] if note else []
        if reading.defect.startswith("odo ") and not card.paper:
            parts.append(reading.defect)
        if shop is SHOPS[QUAYSIDE] and u < 0.5 and not card.paper:
            parts.append(f"invoice {date_of(card.day):%m/%d/%Y}")
        elif shop is SHOPS[SALLOW] and _is_recovery(card):
            parts.append(RECOVERY[int(u * len(RECOVERY))])
        elif card.service and u < 0.25:
            said = OPENING[shop.slug]
            parts.append(said[int(u / 0.25 * len(said))])
        return "; ".join(parts)


def _is_recovery(card: Card) -> bool:
    return not card.service and not card.paper and any(line.why in RECOVERED for line in card.lines)


def _wrong_digit(value: str, u: float) -> str:
    """One digit replaced; never the same one, and no leading nought."""
    place = int(u * len(value))
    digit = str((int(value[place]) + 1 + int(u * 1000) % 8) % 10)
    return (value[:place] + digit + value[place + 1 :]).lstrip("0") or "1"


def _labour_line(row: list[str]) -> Row:
    """Move the labour of a job to a line of its own, which names part and action again."""
    second = row.copy()
    second[3:9] = [""] * 6
    second[18] = ""
    second[21] = "labour"
    row[17] = row[19] = ""
    return tuple(second)
