"""Parts that a machine of its model and year does not carry: work on one is asked about."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

from service.imports.machines import MachineRecord
from service.layout_files import missing_parts

NOT_ON_MODEL = "not_on_model"


def parts_missing(record: MachineRecord, layout: Mapping[str, Any]) -> frozenset[str]:
    """Slugs of the parts the machine lacks in every year it can be of; `layout` is empty for an unknown model."""
    lacks = [missing_parts(layout, year) for year in record.model_years() or (None,)]
    return frozenset.intersection(*lacks)


def missing_words(model: str, slug: str) -> str:
    """What is asked about work on a part the model lacks."""
    return (
        f"a {model} as it is built has no {slug}; the part or the machine that was meant settles it, or the word that"
        " this machine does carry one"
    )
