"""Jobs that the pricing tests share. Hours and part prices are the trade brief's (invented), rate EUR 60."""

from __future__ import annotations

from decimal import Decimal

from analytics.pricing import part_cost_from_hours, repair_bill
from analytics.pricing_types import JobAccess, PricedPart, ShopTerms

EUR = ShopTerms(Decimal(60), "EUR")
GROUPS = [
    JobAccess("OPEN", 0),
    JobAccess("SEAT", 0.05),
    JobAccess("TANK", 0.4),
    JobAccess("ALT", 0.7),
    JobAccess("HEAD", 1.2, ("TANK",)),
    JobAccess("FW", 0.3),
    JobAccess("RW", 0.4),
]
# component: job hours, part in hours of labour, access
WORK = {
    "tyre": (0.6, 1.8, "FW"),
    "chain_sprockets": (1.2, 2.0, "RW"),
    "stator": (2.0, 2.0, "ALT"),
    "crank_position_sensor": (1.5, 0.8, "ALT"),
    "starter_clutch": (3.5, 2.5, "ALT"),
    "injector": (1.5, 1.2, "TANK"),
    "fuel_pump": (1.0, 3.0, "TANK"),
    "throttle_body": (1.5, 2.5, "TANK"),
    "valve_train": (3.0, 0.3, "HEAD"),
    "regulator_rectifier": (0.5, 1.6, "SEAT"),
    "battery": (0.3, 1.0, "SEAT"),
}


def part(component, *, certain=False, now=0.0, season=0.0, position=None, terms=EUR, **changes):
    hours, lh, access = WORK[component]
    fields = {"job_hours": hours, "part_cost": part_cost_from_hours(lh, terms), "access_group": access}
    return PricedPart(component, position, certain, now, season, **fields | changes)


def bill(parts, **changes):
    return repair_bill(parts, GROUPS, EUR, **{"seed": 1} | changes)
