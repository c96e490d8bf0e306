"""What Vardonia is made of: shops, fleets, models, planted truths. Everything here is invented.

Days are counted from `EPOCH`; a year has 365.25 days. Catalogue lives and layouts are read from the data files
beside this module, never repeated here.
"""

from __future__ import annotations

import json
from dataclasses import dataclass
from datetime import date, timedelta
from functools import cache
from importlib.resources import files
from typing import Any

EPOCH = date(2000, 1, 1)
YEAR = 365.25
FAMILY_SIGMA = 0.20  # spread of the log hazard between engine families, for whatever has no planted truth
UNIT_SIGMA = 0.15  # and between single parts
PRIVATE, COURIER, SCHOOL, RENTAL = range(4)
USES = ("private", "courier", "school", "rental")


def day_of(when: date) -> int:
    """Days from the epoch to a date."""
    return (when - EPOCH).days


def date_of(day: float) -> date:
    """The date of a day number."""
    return EPOCH + timedelta(days=int(day))


FIRST_DAY = day_of(date(2012, 1, 1))
LAST_DAY = day_of(date(2025, 12, 31))
REGULATOR_CHANGE = day_of(date(2013, 9, 1))


@dataclass(frozen=True)
class ShopStyle:
    """A shop and the habits its records show; shares lie in [0, 1]."""

    slug: str
    name: str
    region: str
    prefix: str
    private_share: float  # of the private machines of Vardonia
    miles: float  # share of machines with a clock in miles
    reason_missing: float = 0.30
    odometer_missing: float = 0.03
    odometer_missing_on_recovery: float = 0.03
    unit_missing: float = 0.0
    slang: float = 0.0
    duplicates: float = 0.0
    two_lines: float = 0.0
    checks_per_service: float = 2.0
    currency: str = "EUR"
    hourly_rate: float = 60.0
    labour_factor: float = 1.0  # rusted fasteners on the coast


COAST, TARN, MIDPLAIN, CITY = "Ellery Coast", "Tarn Uplands", "Midplain", "Sallow City"
SHOPS = (
    ShopStyle("cog-and-gasket", "The Cog & Gasket", COAST, "CG", 0.25, 0.05, checks_per_service=3.2, labour_factor=1.2),
    ShopStyle("brackenhythe", "Brackenhythe Two-Wheel Works", TARN, "BT", 0.22, 0.80, unit_missing=0.08, slang=0.25,
              checks_per_service=2.0),
    ShopStyle("midplain-moto-hall", "Midplain Moto Hall", MIDPLAIN, "MH", 0.33, 0.08, duplicates=0.04,
              checks_per_service=1.8),
    ShopStyle("sallow-lane-arches", "Sallow Lane Arches", CITY, "SL", 0.20, 0.08, reason_missing=0.55,
              odometer_missing=0.25, odometer_missing_on_recovery=0.45, slang=0.40, two_lines=0.15,
              checks_per_service=0.9),
    ShopStyle("upper-tarn-school", "Upper Tarn School Workshop", TARN, "UT", 0.0, 0.10, checks_per_service=2.6),
    ShopStyle("quayside-rental", "Quayside Rental Desk", COAST, "QR", 0.0, 0.0, checks_per_service=3.0,
              currency="CHF", hourly_rate=95.0, labour_factor=1.2),
)  # fmt: skip
COG, BRACKENHYTHE, MOTO_HALL, SALLOW, UPPER_TARN, QUAYSIDE = range(6)


@dataclass(frozen=True)
class Model:
    """A model of the pool: machines at scale 1, median km a year of private owners, pull towards shops."""

    name: str
    pool: int
    km_a_year: float
    shop_pull: tuple[float, float, float, float] = (1.0, 1.0, 1.0, 1.0)
    vin_stem: str = ""


# The medians average about 2,600 km a year over the pool; that the Shrike's riders go far is what makes P18.
MODELS = (
    Model("Lanner 650", 900, 3_000, vin_stem="GTDLN65A"),
    Model("Lanner 650 T", 350, 3_600, vin_stem="GTDLT65B"),
    Model("Shrike 900", 500, 4_800, vin_stem="GTDSH90A"),
    Model("Merle 500", 60, 2_600, vin_stem="GTDME50A"),
    Model("Parson 800", 600, 2_100, (1.0, 1.6, 0.9, 0.5), "GMBPR80A"),
    Model("Falena 990", 400, 2_300, (1.2, 0.8, 1.2, 0.7), "GVLFA99A"),
    Model("Hob 410", 450, 1_700, (0.8, 2.2, 0.8, 0.4), "GSKHB41A"),
    Model("Pipit 125", 700, 2_400, (0.9, 0.7, 0.8, 1.7), "GHXPP12A"),
    Model("Dray 300", 500, 2_800, (0.7, 0.3, 0.7, 2.5), "GHXDR30A"),
)


@dataclass(frozen=True)
class Fleet:
    """One generation of a fleet's machines of one model: built in a span of years, kept some years, then sold."""

    name: str
    model: str
    machines: int
    shop: int
    use: int
    km_a_year: float
    generations: tuple[tuple[float, float, float], ...]  # built from, built to, years kept


FLEETS = (
    Fleet("Sallow Dispatch", "Dray 300", 60, SALLOW, COURIER, 20_000, ((2013.2, 2015.5, 4.5), (2018.5, 2020.8, 5.5))),
    Fleet("Sallow Dispatch", "Pipit 125", 12, SALLOW, COURIER, 14_000, ((2012.2, 2014.5, 5.0), (2018.0, 2020.8, 5.5))),
    Fleet("Upper Tarn Rider School", "Pipit 125", 24, UPPER_TARN, SCHOOL, 7_000,
          ((2011.5, 2013.5, 6.0), (2017.0, 2020.0, 8.0))),
    Fleet("Upper Tarn Rider School", "Hob 410", 10, UPPER_TARN, SCHOOL, 7_000,
          ((2010.5, 2013.0, 6.5), (2016.5, 2019.0, 8.5))),
    Fleet("Ellery Coast Touring Rentals", "Lanner 650 T", 30, QUAYSIDE, RENTAL, 12_000,
          ((2012.1, 2014.0, 4.0), (2016.5, 2018.8, 5.5))),
    Fleet("Ellery Coast Touring Rentals", "Shrike 900", 8, QUAYSIDE, RENTAL, 12_000,
          ((2012.5, 2014.5, 4.0), (2017.0, 2019.5, 5.5))),
)  # fmt: skip


@dataclass(frozen=True)
class Planted:
    """A life that replaces the catalogue's for some machines; without frailty between families or parts."""

    id: str
    component: str
    models: tuple[str, ...]
    shape: float | None = None  # None: the catalogue's life, kept free of frailty
    scale_km: float | None = None
    scale_years: float | None = None
    positions: tuple[str, ...] = ()
    use: int | None = None
    built_from: int = -100_000
    built_before: int = 100_000


LANNERS = ("Lanner 650", "Lanner 650 T")
CHARGING = ("regulator_rectifier", "stator", "battery", "charging_connector", "alternator_rotor")
PLANTED = (
    Planted("P01", "regulator_rectifier", LANNERS, 1.7, 42_000, built_before=REGULATOR_CHANGE),
    Planted("P02", "regulator_rectifier", LANNERS, 1.5, 130_000, built_from=REGULATOR_CHANGE),
    Planted("P05", "charging_connector", LANNERS, 1.3, 60_000, built_before=REGULATOR_CHANGE),
    Planted("P06", "crank_position_sensor", ("Falena 990",), 2.4, 48_000),
    Planted("P07", "ignition_coil", ("Falena 990",), 1.6, 55_000, positions=("rear",)),
    Planted("P08", "ignition_coil", ("Falena 990",), 1.5, 180_000, positions=("front",)),
    Planted("P09", "fuel_pump", ("Falena 990",), 1.8, 70_000),
    Planted("P10", "cam_chain_tensioner", ("Parson 800",), 3.0, 52_000, positions=("rear",)),
    Planted("P11", "cam_chain_tensioner", ("Parson 800",), 3.0, 80_000, positions=("front",)),
    Planted("P12", "starter_clutch", ("Hob 410",), 2.0, 38_000),
    Planted("P14", "clutch_plates", ("Pipit 125",), 2.5, 18_000, use=SCHOOL),
    Planted("P16", "cvt_belt", ("Dray 300",), 5.0, 24_000),
    Planted("P17", "wheel_bearing", ("Dray 300",), 2.5, 32_000, positions=("rear_left", "rear_right")),
    *(Planted("P18", slug, ("Shrike 900",)) for slug in CHARGING),
    Planted("P19", "instrument_cluster", ("Shrike 900",), 0.7, None, 30.0,
            built_from=day_of(date(2015, 1, 1)), built_before=day_of(date(2016, 1, 1))),
)  # fmt: skip
# Once a part is superseded, nobody can buy the old issue: what is renewed on an early machine is the later part.
SUPERSEDED = {
    "regulator_rectifier": ("P01", "P02", (1.5, 130_000, None)),
    "charging_connector": ("P05", "", (1.3, 200_000, 40.0)),
}
PATTERN_REGULATOR = Planted("P26", "regulator_rectifier", LANNERS, 0.8, 45_000)
SPARSE_MODEL, SPARSE_REGULATOR_FAILURES = "Merle 500", 2  # P23: baseline throughout
RESET_SHARE = 0.5  # of the failed clocks on P19's machines: the new one starts at 0
POLICY_KM = 30_000  # P24
CLEANED_AGE = 0.4  # P25: share of its age a cleaned injector keeps
MISDIAGNOSED = 0.06  # of the regulator events


@cache
def components() -> dict[str, dict[str, Any]]:
    """Catalogue components by slug, in the catalogue's order."""
    document = json.loads(files("seed").joinpath("catalogue/components.json").read_text(encoding="utf-8"))
    return {row["slug"]: row for row in document["components"]}


@cache
def layouts() -> dict[str, dict[str, Any]]:
    """Layouts by model name."""
    document = json.loads(files("seed").joinpath("layouts.json").read_text(encoding="utf-8"))
    return {row["model"]: row for row in document["layouts"]}


@cache
def words() -> dict[str, tuple[tuple[str, bool, str | None], ...]]:
    """What is said for each component: (word, certain, the position it implies)."""
    document = json.loads(files("seed").joinpath("catalogue/synonyms.json").read_text(encoding="utf-8"))
    found: dict[str, list[tuple[str, bool, str | None]]] = {}
    for row in document["synonyms"]:
        certain = not (row["ambiguous_with"] or row["other_meanings"])
        found.setdefault(row["component"], []).append((row["text"], certain, row["position"]))
    return {slug: tuple(rows) for slug, rows in found.items()}
