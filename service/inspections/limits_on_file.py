"""Which limits on file may judge a reading: its own quantity's, what is judged along with it, the jurisdiction's.

A reading is of a plain quantity (compression, tread depth). Some limits are about something worked out from it: the
spread over the cylinders, the share of the model's figure, the depth above the legal minimum. `JUDGED_FROM` says
which limit is worked out from which reading; it holds no figures.
"""

from __future__ import annotations

import hashlib
import json
from collections.abc import Sequence
from dataclasses import asdict, dataclass

from sqlalchemy.orm import Session

from analytics.judging_types import Limit as JudgingLimit
from analytics.spells import Cell
from analytics.units import convert
from service.catalogue_types import Catalogue
from service.check_types import Limit
from service.errors import InvalidInput
from service.inspections.limit_edits import WhichMachine, with_limit_edits

# Quantity of a limit -> quantities of the readings it is worked out from.
JUDGED_FROM: dict[str, tuple[str, ...]] = {
    "spread of the three phase resistances": ("stator phase resistance",),
    "spread of the three phase AC voltages": ("stator AC output",),
    "difference between one forward reading and the others": ("forward diode reading",),
    "fuel pressure against the model figure": ("fuel pressure",),
    "delivery in 10 s against the model figure": ("delivery in 10 s",),
    "odd one out among the injector coils": ("injector coil resistance",),
    "end of travel outside the model figure by": ("sensor signal, throttle closed", "sensor signal, throttle open"),
    "spread between cylinders, coil or cap": (
        "coil primary resistance",
        "coil secondary resistance",
        "plug cap resistance",
    ),
    "coil resistance against the model band": ("coil resistance",),
    "spread between cylinders": ("compression",),
    "difference between cylinders": ("leak-down",),
    "clearance inside the tight edge of the model range by": ("inlet clearance", "exhaust clearance"),
    "friction plate thickness above the limit": ("friction plate thickness",),
    "disc thickness above the stamped minimum": ("disc thickness", "front disc thickness", "rear disc thickness"),
    "tread above the limit that applies": ("tread depth",),
}
OF_THE_SET = frozenset({"spread", "spread_percent"})
PUBLISHED = "published example"


@dataclass(frozen=True)
class Judging:
    """The limits that may judge one reading.

    Attributes
    ----------
    quantity : str
        The reading's quantity, as the catalogue spells it.
    own : tuple of Limit
        Of that quantity, published examples of other machines among them.
    along : tuple of Limit
        Class defaults worked out from the reading.
    jurisdiction : tuple of Limit
        Of the region asked about; the strictest where it has several.
    everywhere : tuple of Limit
        Without a region: the least values of every region on file, the most lenient one first.
    """

    quantity: str
    own: tuple[Limit, ...]
    along: tuple[Limit, ...]
    jurisdiction: tuple[Limit, ...]
    everywhere: tuple[Limit, ...] = ()

    @property
    def unit(self) -> str:
        """The unit readings of this quantity are kept in."""
        return (*self.own, *self.jurisdiction, *self.along)[0].unit


def limits_version(catalogue: Catalogue) -> str:
    """SHA-256 of the limits in canonical form."""
    content = json.dumps([asdict(limit) for limit in catalogue.limits], sort_keys=True, ensure_ascii=False)
    return hashlib.sha256(content.encode()).hexdigest()


def limits_for(
    session: Session,
    shop_id: int,
    catalogue: Catalogue,
    cell: Cell | None,
    *,
    model_year: int | None = None,
    region: str | None = None,
) -> Catalogue:
    """The catalogue with the limits this shop set for the machine among its own; those stand first."""
    names = {} if cell is None else {"make": cell.make, "model": cell.model, "family": cell.family or None}
    machine = WhichMachine(**names, model_year=model_year, region=region)
    return with_limit_edits(session, shop_id, catalogue, machine)


def known_region(region: str | None, catalogue: Catalogue, pointer: str) -> None:
    """Refuse a region no limits are on file for."""
    known = sorted({limit.region for limit in catalogue.limits if limit.region})
    if region is not None and region not in known:
        raise InvalidInput(f"no limits are on file for {region!r}; known are {', '.join(known)}", pointer=pointer)


def quantities_of(check: str, component: str | None, catalogue: Catalogue) -> list[str]:
    """What can be read at a check, in the catalogue's order."""
    found: dict[str, None] = {}
    for limit in catalogue.limits_of(check):
        if component is None or limit.component in (None, component):
            names = (*JUDGED_FROM.get(limit.quantity, ()), limit.quantity)
            found |= dict.fromkeys(names)
    return list(found)


def judging_of(
    check: str, component: str | None, quantity: str | None, region: str | None, catalogue: Catalogue, pointer: str
) -> Judging:
    """The limits for one quantity of a check.

    Raises
    ------
    InvalidInput
        If the check has no such quantity, has several and none is named, or the region has no limits on file.
    """
    known_region(region, catalogue, "/region")
    limits = [x for x in catalogue.limits_of(check) if component is None or x.component in (None, component)]
    name = quantity or _only_one(check, limits, pointer)
    wanted = name.casefold()
    own = [x for x in limits if x.quantity.casefold() == wanted and x.scope != "jurisdiction"]
    along = [x for x in limits if wanted in [n.casefold() for n in JUDGED_FROM.get(x.quantity, ())]]
    legal = _legal(limits, wanted, region)
    if not own and not along and not legal:
        raise InvalidInput(_no_limit(check, component, name, limits, catalogue), pointer=f"{pointer}/quantity")
    everywhere = [] if region else _least_values(limits, wanted)
    return Judging(name, tuple(own), tuple(along), tuple(legal), tuple(everywhere))


def _no_limit(check: str, component: str | None, name: str, limits: Sequence[Limit], catalogue: Catalogue) -> str:
    """What to do where a quantity cannot be judged."""
    regions = sorted({x.region for x in limits if x.region and x.quantity.casefold() == name.casefold()})
    if regions:
        return f"limits of {name!r} are on file for {'; '.join(regions)} alone: name the region, or give the outcome"
    known = ", ".join(quantities_of(check, component, catalogue)) or "none: it is judged by eye and hand"
    return f"{check} has no quantity {name!r}; its quantities are {known}"


def _least_values(limits: Sequence[Limit], wanted: str) -> list[Limit]:
    """What every region on file asks for at least, in the unit they share; the most lenient first."""
    kinds = [
        x
        for x in limits
        if x.scope == "jurisdiction" and x.pass_low is not None and x.quantity.casefold().split(",")[0] == wanted
    ]
    return sorted(kinds, key=lambda x: (convert(x.pass_low or 0.0, x.unit, kinds[0].unit), x.id))


def _only_one(check: str, limits: Sequence[Limit], pointer: str) -> str:
    """The quantity of a check that judges by one alone."""
    judging = [x for x in limits if x.scope not in (PUBLISHED, "jurisdiction")]
    judging = judging or [x for x in limits if x.scope == "jurisdiction"]
    names = dict.fromkeys(name for x in judging for name in JUDGED_FROM.get(x.quantity, (x.quantity,)))
    if len(names) == 1:
        return next(iter(names))
    offered = ", ".join(dict.fromkeys([*names, *(x.quantity for x in limits)])) or "none: it is judged by eye and hand"
    raise InvalidInput(f"say which quantity of {check} was read: {offered}", pointer=f"{pointer}/quantity")


def _legal(limits: Sequence[Limit], wanted: str, region: str | None) -> list[Limit]:
    """The region's limit of exactly this quantity, else the strictest of its kinds ("tread depth, ...")."""
    there = [x for x in limits if x.scope == "jurisdiction" and x.region == region and x.direction != "nominal"]
    exact = [x for x in there if x.quantity.casefold() == wanted]
    kinds = [x for x in there if x.quantity.casefold().split(",")[0] == wanted]
    if exact or not kinds:
        return exact
    low = [x for x in kinds if x.pass_low is not None]
    return [max(low, key=lambda x: x.pass_low or 0.0)] if low else [min(kinds, key=lambda x: x.pass_high or 0.0)]


def for_judging(limit: Limit) -> JudgingLimit:
    """A limit on file as the judge wants it."""
    return JudgingLimit(
        id=limit.id,
        quantity=limit.quantity,
        unit=limit.unit,
        scope=limit.scope,
        direction=limit.direction,
        basis=limit.basis,
        pass_low=limit.pass_low,
        pass_high=limit.pass_high,
        marginal_low=limit.marginal_low,
        marginal_high=limit.marginal_high,
        pass_includes_bounds=limit.pass_includes_bounds,
        marginal_includes_bounds=limit.marginal_includes_bounds,
        beyond=limit.beyond,
        condition=limit.condition,
        temperature_points=tuple((point.celsius, point.value) for point in limit.temperature_points),
        region=limit.region,
        as_of=limit.as_of,
        sources=limit.sources,
        mark=limit.mark,
    )
