"""What the pool is fitted and counted from: what its members share, and the files of other installations."""

from __future__ import annotations

from collections.abc import Hashable, Mapping

from sqlalchemy import select
from sqlalchemy.orm import Session

from analytics.shared_spells import together, watched_once
from analytics.sharing_rule import coarsened
from analytics.spells import Spells
from service.life_lines import FitLines
from service.lifetimes import Dataset
from service.models import Machine
from service.pool.keys import pseudonym
from service.pool.members import files_in_use
from service.pool.taking_in import other_spells


def pool_records(
    session: Session, dataset: Dataset | FitLines, records: Mapping[str, Spells], pseudonym_key: str = ""
) -> dict[str, Spells]:
    """Coarse life records by component, of the members' lines and of the files in use.

    A machine that several installations name by the same pseudonym is one machine, watched once.
    """
    here = {slug: coarsened(own) for slug, own in records.items()}
    if not files_in_use(session):
        return here
    numbers: dict[Hashable, int] = {}
    if pseudonym_key:
        references = {row.id: row.reference for row in session.execute(select(Machine.id, Machine.reference))}
        for index, machine_id in enumerate(dataset.machine_ids):
            name = pseudonym(pseudonym_key, references[machine_id])
            if name is not None:
                numbers.setdefault(name, index)
    others = other_spells(session, numbers, len(dataset.machine_ids))
    names = dataset.names
    nothing = Spells.empty(names.cells, names.positions, names.shops)
    return {
        slug: watched_once(together([here.get(slug, nothing), *others[slug]])) if slug in others else here[slug]
        for slug in [*here, *(slug for slug in others if slug not in here)]
    }
