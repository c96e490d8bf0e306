"""What a renewal costs a fleet, on purpose and after a failure."""

from __future__ import annotations

from collections.abc import Collection, Mapping
from dataclasses import dataclass
from typing import Any

from sqlalchemy.orm import Session

from analytics.renewal_policy import RenewalCosts
from service.catalogue_types import Catalogue, Component
from service.errors import InvalidInput
from service.inspections.check_options import MISSED_HOURS
from service.inspections.prices import PriceList, price_list
from service.settings import Settings

INVENTED = "Job hours, part prices not the shop's own, and what a failure costs beside its repair are invented priors."


@dataclass(frozen=True)
class FleetCosts:
    """Costs by component in one currency; `scheduled` are renewed on purpose, the others are watched."""

    by_component: Mapping[str, RenewalCosts]
    hours: Mapping[str, float]
    scheduled: frozenset[str]
    currency: str
    notes: tuple[str, ...]

    @property
    def key(self) -> tuple[Any, ...]:
        """All of it, to name what was worked out with it."""
        by_component, hours = tuple(sorted(self.by_component.items())), tuple(sorted(self.hours.items()))
        return by_component, hours, tuple(sorted(self.scheduled)), self.currency, self.notes


def fleet_costs(
    session: Session, shop_id: int, catalogue: Catalogue, settings: Settings, asked: Mapping[str, Any]
) -> FleetCosts:
    """Costs from the shop's price list; a failure adds the catalogue's invented hours and the downtime asked about."""
    prices = price_list(session, shop_id, settings)
    found = {c.slug: _costs(c, prices, asked) for c in catalogue.components}
    factor = prices.terms.labour_factor
    return FleetCosts(
        found,
        {c.slug: c.job_hours * factor for c in catalogue.components},
        scheduled_components(catalogue, asked["components"]),
        prices.terms.currency,
        (INVENTED, *prices.notes),
    )


def scheduled_components(catalogue: Catalogue, asked: Collection[str]) -> frozenset[str]:
    """Components renewed on purpose: those asked for, or those the catalogue gives a scheduled renewal.

    Raises
    ------
    InvalidInput
        A component that is not of the catalogue.
    """
    unknown = sorted(set(asked) - set(catalogue.component_by_slug))
    if unknown:
        raise InvalidInput(
            f"{unknown[0]!r} is not a component of the catalogue; GET /api/v1/components lists them",
            pointer="/components",
        )
    return frozenset(asked) or frozenset(c.slug for c in catalogue.components if c.policy == "S")


def _costs(component: Component, prices: PriceList, asked: Mapping[str, Any]) -> RenewalCosts:
    part, _ = prices.part(component)
    rate = float(prices.terms.rate_per_hour)
    planned = float(part) + component.job_hours * prices.terms.labour_factor * rate
    return RenewalCosts(
        planned=max(planned, 0.01),
        failure=max(planned, 0.01) + MISSED_HOURS[component.safety_class] * rate,
        planned_downtime_days=asked["planned_downtime_days"],
        failure_downtime_days=asked["failure_downtime_days"],
        downtime_per_day=asked["downtime_per_day"],
    )
