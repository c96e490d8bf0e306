"""Where an inspection stands: its rows, the machine's places, what was observed so far."""

from __future__ import annotations

import uuid
from dataclasses import dataclass, replace

from sqlalchemy import select
from sqlalchemy.orm import Session

from analytics.outcomes import Verdict
from analytics.spells import Cell
from service.catalogue_types import Catalogue
from service.inspections.evidence import Found, Observed, Weighed, weigh
from service.inspections.inspected import InspectedPart, Places, layout_of
from service.inspections.limits_on_file import limits_for
from service.inspections.measured import is_above
from service.inspections.replan import Done
from service.inspections.serving import Snapshot, snapshot_for
from service.inspections.taught import from_kept, with_taught
from service.models import Finding, Inspection
from service.past import reads_the_past, said_by
from service.queries import inspection_of
from service.settings import Settings


@dataclass(frozen=True)
class Standing:
    """Where an inspection stands: its rows, the machine's places, and what was observed so far."""

    row: Inspection
    places: Places
    rows: tuple[Finding, ...]

    @property
    def in_force(self) -> tuple[Finding, ...]:
        """Findings nobody has corrected."""
        return tuple(row for row in self.rows if not self.superseded(row))

    def superseded(self, row: Finding) -> bool:
        """Whether a finding that is known here corrects this one."""
        return any(row.superseded_by_id == other.id for other in self.rows)

    @property
    def observed(self) -> Observed:
        """Everything observed."""
        return Observed(
            self.row.symptoms,
            self.row.facts,
            [found_of(row) for row in self.in_force],
            self.row.circumstances["engine_runs"],
        )

    @property
    def done(self) -> list[Done]:
        """Findings with what they cost."""
        return [Done(found_of(row), row.minutes_spent) for row in self.in_force]

    def without(self, finding: Finding) -> Standing:
        """As it stood before a finding."""
        return replace(self, rows=tuple(row for row in self.rows if row.id < finding.id))

    def weigh(self) -> Weighed:
        """Posterior of every part."""
        return weigh(self.places, self.observed)


def found_of(row: Finding) -> Found:
    """A recorded finding as evidence."""
    above = is_above(row.judgement)
    outcome = Verdict(row.outcome)
    return Found(row.check_key, row.component, row.position, outcome, row.engine_state, above, row.part_mark)


def stand(session: Session, shop_id: int, public_id: uuid.UUID, settings: Settings) -> Standing:
    """Where an inspection stands, or stood when the session reads as of.

    Raises
    ------
    NotFound
        Also for another shop's.
    """
    row = inspection_of(session, shop_id, public_id)
    snapshot = snapshot_for(session, shop_id, pool_open=settings.pool_open)
    catalogue = limits_here(session, row, snapshot)
    parts = [InspectedPart.from_dict(part) for part in row.priors]
    here = tuple(part for part in parts if part.component in catalogue.component_by_slug)
    places = Places(here, catalogue, layout_of(snapshot.layout(cell_of(row))))
    known = said_by(Finding.recorded_at, reads_the_past(session))
    findings = session.scalars(select(Finding).where(Finding.inspection_id == row.id, *known).order_by(Finding.id))
    return Standing(row, places, tuple(findings))


def limits_here(session: Session, row: Inspection, snapshot: Snapshot) -> Catalogue:
    """The catalogue with the limits that hold for this inspection's machine and region.

    How good its checks are is what was known when it began.
    """
    year, region = row.machine["year"], row.circumstances["region"]
    catalogue = with_taught(snapshot.plain_catalogue, from_kept(row.accuracies))
    return limits_for(session, row.shop_id, catalogue, cell_of(row), model_year=year, region=region)


def cell_of(row: Inspection) -> Cell:
    kept = row.machine["cell"]
    return Cell(kept["make"], kept["family"], kept["model"])
