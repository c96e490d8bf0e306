"""What the shops call each machine: own references, plates, VINs, frame numbers, and the oddities among them."""

from __future__ import annotations

from dataclasses import dataclass, replace
from datetime import timedelta

import numpy as np

from seed.world_machines import MachineTable
from seed.world_params import BRACKENHYTHE, COG, MODELS, SALLOW, SHOPS, date_of, layouts

# 49 CFR 565.15: values of the letters and weights of the seventeen places, from memory.
_VALUES = dict(zip("ABCDEFGH", range(1, 9), strict=True)) | dict(zip("JKLMN", range(1, 6), strict=True))
_VALUES |= {"P": 7, "R": 9} | dict(zip("STUVWXYZ", range(2, 10), strict=True))
_WEIGHTS = (8, 7, 6, 5, 4, 3, 2, 10, 0, 9, 8, 7, 6, 5, 4, 3, 2)
_YEAR_LETTERS = dict(zip(range(2001, 2010), "123456789", strict=True))
_YEAR_LETTERS |= dict(zip(range(2010, 2023), "ABCDEFGHJKLMN", strict=True))
HYPHENATED, PARTIAL = "LN65-0100127", "DA000482"


@dataclass(frozen=True)
class Identity:
    """How a machine stands in its shop's rows."""

    reference: str
    make: str
    model: str
    family: str
    model_year: str
    built: str
    first_registered: str
    vin: str


def check_digit(vin: str) -> str:
    """Check digit of a 17-character number (its own ninth place does not count)."""
    total = sum((int(c) if c.isdigit() else _VALUES[c]) * w for c, w in zip(vin, _WEIGHTS, strict=True))
    return "X" if total % 11 == 10 else str(total % 11)


def make_vin(stem: str, year: int, serial: int) -> str:
    """An invented VIN from the model's eight characters, its year and a running number."""
    raw = f"{stem}0{_YEAR_LETTERS[year]}A{serial:06d}"
    return raw[:8] + check_digit(raw) + raw[9:]


def identify(machines: MachineTable, rng: np.random.Generator) -> list[Identity]:
    """Names for all machines; two Sallow plates are used twice, and three Cog machines bear odd numbers."""
    n = len(machines)
    known, delay, vin_used = rng.random(n), rng.integers(10, 90, n), rng.random(n)
    serial = rng.permutation(900_000)[:n] + 1_000
    references = _references(machines, rng)
    found = []
    for k in range(n):
        model = MODELS[machines.model[k]]
        layout = layouts()[model.name]
        built = date_of(machines.built[k])
        vin = make_vin(model.vin_stem, built.year, int(serial[k]))
        registered = (built + timedelta(days=int(delay[k]))).isoformat()
        reference = vin if machines.shop[k] == COG and vin_used[k] < 0.3 else references[k]
        found.append(
            Identity(
                reference, layout["make"], model.name, layout["family"],
                str(built.year) if known[k] > 0.85 or known[k] < 0.4 else "",
                f"{built:%Y-%m}" if known[k] < 0.65 else "",
                registered if 0.5 < known[k] <= 0.85 else "",
                vin,
            )
        )  # fmt: skip
    _odd_numbers(machines, found)
    return found


def _references(machines: MachineTable, rng: np.random.Generator) -> list[str]:
    counters = [0] * len(SHOPS)
    letters = np.array(list("ABCDEFHKLMNPRSTVXY"))
    tails = ["".join(row) for row in rng.choice(letters, (len(machines), 2)).tolist()]
    found = []
    for k, shop in enumerate(machines.shop.tolist()):
        counters[shop] += 1
        number = counters[shop]
        if shop == SALLOW:
            found.append(f"SC {number:04d} {tails[k]}")
        elif shop == BRACKENHYTHE:
            found.append(f"TU/{number}")
        else:
            found.append(f"{SHOPS[shop].prefix}-M{number:04d}")
    return found


def _odd_numbers(machines: MachineTable, found: list[Identity]) -> None:
    mine = [k for k in range(len(found)) if machines.shop[k] == COG and found[k].reference == found[k].vin]
    lanners = [k for k in mine if found[k].model == "Lanner 650"]
    for k, number in zip(lanners[:2], (HYPHENATED, PARTIAL), strict=False):
        found[k] = replace(found[k], reference=number)
    for first, second in plate_pairs(machines):
        found[second] = replace(found[second], reference=found[first].reference)


def plate_pairs(machines: MachineTable) -> list[tuple[int, int]]:
    """Two pairs of Sallow machines of different models, the second first seen after the first had gone."""
    mine = np.flatnonzero(machines.shop == SALLOW)
    firsts = [k for k in mine.tolist() if machines.gone[k] and machines.use[k] == 0]
    pairs: list[tuple[int, int]] = []
    for first in firsts:
        taken = {k for pair in pairs for k in pair}
        later = [
            k for k in mine.tolist()
            if machines.first_seen[k] > machines.end[first] + 30 and machines.model[k] != machines.model[first]
            and machines.use[k] == 0 and not taken & {k, first}
        ]  # fmt: skip
        if later:
            pairs.append((first, later[0]))
        if len(pairs) == 2:
            break
    return pairs


def mistyped(vin: str) -> str:
    """The VIN with its last nought typed as the letter O."""
    head, _, tail = vin.rpartition("0")
    return f"{head}O{tail}" if head else vin
