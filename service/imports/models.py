"""Makes, families and models a file names: which are new, and writing them down."""

from __future__ import annotations

from dataclasses import dataclass, field
from datetime import datetime

from sqlalchemy import select
from sqlalchemy.orm import Session

from service import records
from service.imports.machines import Fleet, fold_name
from service.models import MachineFamily, MachineMake, MachineModel

Folded = tuple[str, str]  # make and family, or make and model, without case and spare blanks


@dataclass
class ModelPlan:
    """Makes, families and models by folded name: keys of those on record, names as written of the new ones."""

    makes: dict[str, int] = field(default_factory=dict)
    families: dict[Folded, int] = field(default_factory=dict)
    models: dict[Folded, int] = field(default_factory=dict)
    new_makes: dict[str, str] = field(default_factory=dict)
    new_families: dict[Folded, str] = field(default_factory=dict)
    new_models: dict[Folded, str] = field(default_factory=dict)
    family_of: dict[Folded, str] = field(default_factory=dict)
    make_names: dict[str, str] = field(default_factory=dict)

    def listed(self, names: dict[Folded, str]) -> tuple[str, ...]:
        """Names with their make before them, sorted."""
        return tuple(sorted(f"{self.make_names[make]} {name}" for (make, _), name in names.items()))


def plan_models(session: Session, fleet: Fleet) -> ModelPlan:
    """Find out which makes, families and models of the fleet are new."""
    plan = ModelPlan()
    if not fleet.new and not fleet.new_families:
        return plan
    for key, name in session.execute(select(MachineMake.id, MachineMake.name)):
        plan.makes[fold_name(name)] = key
        plan.make_names[fold_name(name)] = name
    make_of = {key: name for name, key in plan.makes.items()}
    for key, make_id, name in session.execute(select(MachineFamily.id, MachineFamily.make_id, MachineFamily.name)):
        plan.families[make_of[make_id], fold_name(name)] = key
    for key, make_id, name in session.execute(select(MachineModel.id, MachineModel.make_id, MachineModel.name)):
        plan.models[make_of[make_id], fold_name(name)] = key
    for record in fleet.new:
        make, model = record.model_key
        if make not in plan.makes:
            plan.new_makes.setdefault(make, " ".join(record.make.split()))
            plan.make_names.setdefault(make, plan.new_makes[make])
        if (make, model) not in plan.models:
            plan.new_models.setdefault((make, model), " ".join(record.model.split()))
    for (make, model), family in fleet.new_families.items():
        plan.family_of[make, model] = fold_name(family)
        if (make, fold_name(family)) not in plan.families:
            plan.new_families.setdefault((make, fold_name(family)), " ".join(family.split()))
    return plan


def write_models(session: Session, plan: ModelPlan, *, now: datetime) -> dict[Folded, int]:
    """Write the new ones down; the key of every model."""
    made = records.add_makes(session, list(plan.new_makes.values()))
    makes = plan.makes | {folded: made[name] for folded, name in plan.new_makes.items()}
    wanted = {folded: (makes[folded[0]], name) for folded, name in plan.new_families.items()}
    added = records.add_families(session, list(wanted.values()))
    families = plan.families | {folded: added[key] for folded, key in wanted.items()}
    family_of = {folded: families[folded[0], family] for folded, family in plan.family_of.items()}
    wanted = {folded: (makes[folded[0]], name) for folded, name in plan.new_models.items()}
    of_new = {key: family_of[folded] for folded, key in wanted.items() if folded in family_of}
    added = records.add_models(session, list(wanted.values()), of_new)
    found = {plan.models[f]: key for f, key in family_of.items() if f in plan.models}
    records.set_families(session, found, now=now)
    return plan.models | {folded: added[key] for folded, key in wanted.items()}
