"""The catalogue's data files: read, checked entry by entry, then against one another.

Every mistake is reported with file, entry and field. Nothing here knows of Flask or of a database.
"""

from __future__ import annotations

import re
from collections.abc import Callable, Iterable, Iterator
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from service import catalogue_schemas as entry_schemas
from service import check_schemas
from service.catalogue_types import Catalogue
from service.check_types import PlanItem
from service.data_files import DataFileError, Problem, RecordSchema, load_entries, read_json
from service.layout_files import read_layouts

__all__ = ["KINDS", "DataFileError", "Kind", "key_of", "read_catalogue", "read_layouts"]


@dataclass(frozen=True)
class Kind:
    """One list of entries: its name in the file and in `Catalogue`, its file, schema and key fields."""

    name: str
    file: str
    schema: RecordSchema
    key_fields: tuple[str, ...] = ("id",)

    @property
    def word(self) -> str:
        """What one entry of the list is called: the kind it is stored under."""
        return self.name.removesuffix("s")


KINDS = (
    Kind("components", "components.json", entry_schemas.ComponentSchema(), ("slug",)),
    Kind("access_groups", "access_groups.json", entry_schemas.AccessGroupSchema(), ("code",)),
    Kind("cautions", "cautions.json", entry_schemas.CautionSchema()),
    Kind("sources", "sources.json", entry_schemas.SourceSchema()),
    Kind("checks", "checks.json", check_schemas.CheckSchema()),
    Kind("quick_variants", "quick_variants.json", check_schemas.QuickVariantSchema()),
    Kind("limits", "limits.json", check_schemas.LimitSchema()),
    Kind("symptoms", "symptoms.json", entry_schemas.SymptomSchema()),
    Kind("history_facts", "history_facts.json", entry_schemas.HistoryFactSchema()),
    Kind("synonyms", "synonyms.json", entry_schemas.SynonymSchema(), ("text",)),
    Kind("evidence_rules", "evidence_rules.json", entry_schemas.EvidenceRulesSchema()),
    Kind("kits", "ready_plans.json", check_schemas.KitSchema()),
    Kind("permissions", "ready_plans.json", check_schemas.PermissionSchema()),
    Kind("special_steps", "ready_plans.json", check_schemas.SpecialStepSchema()),
    Kind("visit_plans", "ready_plans.json", check_schemas.VisitPlanSchema()),
    Kind("work_orders", "ready_plans.json", check_schemas.WorkOrderSchema()),
    Kind("consumables", "consumables.json", check_schemas.ConsumableSchema()),
    Kind("consequences", "consequences.json", check_schemas.ConsequenceSchema(), ("first", "takes")),
)
KIND = {kind.name: kind for kind in KINDS}
ANY_CHECK = ("checks", "quick_variants")
CITATION = re.compile(r"\[([A-Z][A-Z0-9]*\d|MOT-TY)\b")


@dataclass(frozen=True)
class Reference:
    """A field of one kind of entry that names entries of other kinds."""

    kind: str
    field: str
    named: Callable[[Any], Iterable[str | None]]
    targets: tuple[str, ...]


def _same(field: str) -> Callable[[Any], Iterable[str | None]]:
    def named(entry: Any) -> Iterable[str | None]:
        value = getattr(entry, field)
        return value if isinstance(value, tuple) else (value,)

    return named


def _direct(kind: str, targets: tuple[str, ...], *names: str) -> list[Reference]:
    return [Reference(kind, name, _same(name), targets) for name in names]


def _plan_items(plan: Any) -> Iterator[PlanItem]:
    for step in plan.steps:
        yield from step.items


REFERENCES = (
    *_direct("components", ("access_groups",), "access_group"),
    *_direct("access_groups", ("access_groups",), "includes", "one_of"),
    *_direct("cautions", ("sources",), "sources"),
    *_direct("checks", ("access_groups",), "access_group"),
    *_direct("checks", ("cautions",), "cautions"),
    *_direct("checks", ("sources",), "sources"),
    *_direct("checks", ("kits",), "kit"),
    *_direct("checks", ("permissions",), "permission"),
    *_direct("checks", ("checks",), "needs_checks"),
    *_direct("checks", ("components",), "mark_of"),
    Reference(
        "checks",
        "access_alternative",
        lambda c: (c.access_alternative.access_group,) if c.access_alternative else (),
        ("access_groups",),
    ),
    Reference("checks", "targets", lambda c: (t.component for t in c.targets), ("components",)),
    *_direct("quick_variants", ("checks",), "parent"),
    *_direct("quick_variants", ("access_groups",), "access_group"),
    *_direct("quick_variants", ("cautions",), "cautions"),
    *_direct("quick_variants", ("kits",), "kit"),
    *_direct("quick_variants", ("permissions",), "permission"),
    Reference("quick_variants", "targets", lambda v: (t.component for t in v.targets), ("components",)),
    *_direct("limits", ("checks",), "check"),
    *_direct("limits", ("components",), "component"),
    *_direct("limits", ("sources",), "sources"),
    *_direct("symptoms", ("cautions",), "cautions"),
    Reference("symptoms", "lr", lambda s: (r.component for r in s.ratios), ("components",)),
    Reference("history_facts", "lr", lambda h: (r.component for r in h.ratios), ("components",)),
    Reference(
        "history_facts", "mild", lambda h: (r.component for r in h.mild.ratios) if h.mild else (), ("components",)
    ),
    *_direct("history_facts", ("components",), "not_when_age_known"),
    *_direct("history_facts", ANY_CHECK, "voids_checks"),
    *_direct("synonyms", ("components",), "component", "ambiguous_with"),
    Reference("evidence_rules", "set_level_also", lambda e: (s.check for s in e.set_level_also), ("checks",)),
    Reference("evidence_rules", "set_level_also", lambda e: (s.component for s in e.set_level_also), ("components",)),
    *_direct("kits", ("kits",), "includes"),
    *_direct("permissions", ("permissions",), "includes"),
    *_direct("special_steps", ("access_groups",), "access_group"),
    *_direct("special_steps", ("permissions",), "permission"),
    *_direct("visit_plans", ("kits",), "kit"),
    *_direct("visit_plans", ("permissions",), "permission"),
    Reference("visit_plans", "steps", lambda p: (i.check for i in _plan_items(p)), ANY_CHECK),
    Reference("visit_plans", "steps", lambda p: (i.special for i in _plan_items(p)), ("special_steps",)),
    Reference("work_orders", "steps", lambda w: (c for s in w.steps for c in s.checks), ANY_CHECK),
    Reference("work_orders", "steps", lambda w: (c for s in w.steps for c in s.cautions), ("cautions",)),
    Reference("work_orders", "order_after", lambda w: (o.component for o in w.order_after), ("components",)),
    Reference("work_orders", "order_after", lambda w: (c for o in w.order_after for c in o.checks), ANY_CHECK),
    *_direct("consumables", ("components",), "component"),
    *_direct("consumables", ("access_groups",), "access_group"),
    *_direct("consumables", ("cautions",), "cautions"),
    *_direct("consequences", ("components",), "first", "takes"),
)


def key_of(kind: Kind, entry: Any) -> str:
    """What an entry is called among its kind."""
    return " ".join(str(getattr(entry, field)) for field in kind.key_fields)


def read_catalogue(folder: Path) -> Catalogue:
    """Read and check every catalogue file in `folder`.

    Raises
    ------
    DataFileError
        A file is missing or unreadable, an entry has the wrong shape, or entries name what does not
        exist. Shape comes first: references are looked at only when every entry could be read.
    """
    files = {name: read_json(folder / name) for name in dict.fromkeys(kind.file for kind in KINDS)}
    problems = _head_problems(files)
    entries: dict[str, tuple[Any, ...]] = {}
    for kind in KINDS:
        entries[kind.name], found = load_entries(
            kind.file, kind.name, kind.key_fields, files[kind.file].get(kind.name), kind.schema
        )
        problems += found
    if problems:
        raise DataFileError(problems)
    catalogue = Catalogue(version=files[KINDS[0].file]["version"], **entries)
    problems = [*_reference_problems(catalogue), *_agreement_problems(catalogue)]
    if problems:
        raise DataFileError(problems)
    return catalogue


def _head_problems(files: dict[str, dict[str, Any]]) -> list[Problem]:
    problems = []
    wanted = files[KINDS[0].file].get("version")
    for name, content in files.items():
        version = content.get("version")
        if not isinstance(version, str) or not version:
            problems.append(Problem(name, "", "version", "must be text such as 2026.1"))
        elif isinstance(wanted, str) and version != wanted:
            problems.append(Problem(name, "", "version", f"is {version}, but {KINDS[0].file} says {wanted}"))
        known = {"version", "about"} | {kind.name for kind in KINDS if kind.file == name}
        problems += [Problem(name, "", key, "is not a list this file may hold") for key in content if key not in known]
    return problems


def _reference_problems(catalogue: Catalogue) -> Iterator[Problem]:
    keys = {kind.name: {key_of(kind, entry) for entry in getattr(catalogue, kind.name)} for kind in KINDS}
    for reference in REFERENCES:
        kind = KIND[reference.kind]
        allowed = set().union(*(keys[target] for target in reference.targets))
        for entry in getattr(catalogue, kind.name):
            for name in reference.named(entry):
                if name is not None and name not in allowed:
                    wanted = " or ".join(target.replace("_", " ") for target in reference.targets)
                    message = f"{name!r} is not among the {wanted}"
                    yield Problem(kind.file, key_of(kind, entry), reference.field, message)


def _agreement_problems(catalogue: Catalogue) -> Iterator[Problem]:
    if len(catalogue.evidence_rules) != 1:
        yield Problem("evidence_rules.json", "", "evidence_rules", "must hold exactly one entry")
    places = {component.slug: component.positions for component in catalogue.components}
    for synonym in catalogue.synonyms:
        if synonym.position is not None and synonym.position not in places[synonym.component]:
            message = f"{synonym.position!r} is not a position of {synonym.component}"
            yield Problem("synonyms.json", synonym.text, "position", message)
        if synonym.component in synonym.ambiguous_with:
            yield Problem("synonyms.json", synonym.text, "ambiguous_with", "names the component itself")
    for check in catalogue.checks:
        prose = " ".join([*check.before, *check.steps, check.expected, check.judging, check.trap])
        for cited in sorted(set(CITATION.findall(prose)) - set(check.sources)):
            yield Problem("checks.json", check.id, "sources", f"lacks {cited}, which the text cites")
