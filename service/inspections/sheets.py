"""What is put on paper: a plan of a described or recorded machine, or an inspection where it stands."""

from __future__ import annotations

from collections.abc import Sequence
from datetime import date

from sqlalchemy.orm import Session

from service.catalogue_types import Catalogue
from service.inspections.plans import SCREENING_NOTE, InspectionPlan
from service.inspections.printing import Sheet
from service.inspections.standing import Standing
from service.inspections.visit_view import inspection_reply
from service.layout_files import Layout, positions_for
from service.settings import Settings


def plan_sheet(made: InspectionPlan, day: date) -> Sheet:
    """A plan before anything was looked at."""
    machine = made.ranking.machine
    years = machine.now_days / 365.25
    words = f"{machine.cell.make} {machine.cell.model}, {machine.now_km:,.0f} km, {years:.0f} years old"
    positions: dict[str, list[str]] = {}
    for part in made.ranking.parts:
        positions.setdefault(part.component, [])
        if part.position is not None:
            positions[part.component].append(part.position)
    places = {slug: here or positions_of(slug, made.catalogue, None) for slug, here in positions.items()}
    return Sheet("Inspection plan", words, day, made.to_dict(), places, defects=made.safety_defects)


def inspection_sheet(session: Session, standing: Standing, settings: Settings) -> Sheet:
    """What is left to do of an inspection, what was found on it so far, and its safety defects."""
    shown = inspection_reply(session, standing, settings)
    machine, places = shown["machine"], standing.places
    words = f"{machine['make']} {machine['model']}, {machine['km']:,.0f} km"
    return Sheet(
        title="Inspection plan" if not shown["findings"] else "Inspection: what is left to do",
        machine=words,
        day=shown["as_of"],
        plan={**shown["plan"], "notes": [SCREENING_NOTE]},
        positions={slug: places.positions(slug) or () for slug in places.components()},
        findings=[finding for finding in shown["findings"] if not finding["superseded"]],
        defects=shown["safety_defects"],
    )


def positions_of(slug: str, catalogue: Catalogue, layout: Layout | None) -> Sequence[str]:
    """Places of a component as the catalogue and the layout know them."""
    return positions_for(catalogue.component_by_slug[slug], layout)
