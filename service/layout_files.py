"""How the known models are built, and which positions a component therefore has on them."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from decimal import Decimal
from pathlib import Path
from typing import Any

from marshmallow import ValidationError, fields, validate, validates_schema

from service.catalogue_schemas import SLUG, member_of, nested, text_field, text_list
from service.catalogue_types import Component
from service.data_files import DataFileError, Problem, RecordSchema, Text, WholeNumber, load_entries, read_json

# An engine with one bank shares what sits on a bank; with one cylinder nothing needs telling apart.
BY_CYLINDER = frozenset({"per_cylinder", "per_plug", "per_valve"})
BY_BANK = frozenset({"per_bank", "per_cylinder_or_shared"})


@dataclass(frozen=True)
class Fuelling:
    """How fuel reaches the engine in a span of model years."""

    kind: str
    from_year: int
    to_year: int


@dataclass(frozen=True)
class Absent:
    """A catalogue row the machine lacks, in a span of model years where that changes."""

    component: str
    reason: str
    from_year: int | None
    to_year: int | None


@dataclass(frozen=True)
class PositionOverride:
    """Positions of a component on this model, where they differ from the catalogue's."""

    component: str
    positions: tuple[str, ...]


@dataclass(frozen=True)
class SupersededPart:
    """Machines built from this month (YYYY-MM) carry another part."""

    component: str
    built_from: str
    note: str


@dataclass(frozen=True)
class UsedPrice:
    """Price of a used machine in mid condition."""

    amount: Decimal
    currency: str
    mark: str


@dataclass(frozen=True)
class Layout:
    """One model: years are model years; `cylinders` and `banks` are the labels cards use."""

    make: str
    model: str
    family: str
    built_from: int
    built_to: int
    engine: str
    use: str
    cylinders: tuple[str, ...]
    banks: tuple[str, ...]
    final_drive: str
    cooling: str
    fuelling: tuple[Fuelling, ...]
    absent: tuple[Absent, ...]
    positions: tuple[PositionOverride, ...]
    part_changes: tuple[SupersededPart, ...]
    used_price: UsedPrice


def year_field(*, nullable: bool = False) -> WholeNumber:
    return WholeNumber(required=True, allow_none=nullable, at_least=1885, at_most=2100)


class FuellingSchema(RecordSchema):
    makes = Fuelling
    kind = text_field(member_of(["carburettor", "injection"]))
    from_year = year_field()
    to_year = year_field()


class AbsentSchema(RecordSchema):
    makes = Absent
    component = text_field()
    reason = text_field()
    from_year = year_field(nullable=True)
    to_year = year_field(nullable=True)


class PositionOverrideSchema(RecordSchema):
    makes = PositionOverride
    component = text_field()
    positions = fields.List(Text(validate=SLUG), required=True)


class SupersededPartSchema(RecordSchema):
    makes = SupersededPart
    component = text_field()
    built_from = text_field(
        validate.Regexp(r"^\d{4}-(0[1-9]|1[0-2])$", error="must be a month like 2013-09: is {input!r}")
    )
    note = text_field()


class UsedPriceSchema(RecordSchema):
    makes = UsedPrice
    amount = fields.Decimal(required=True, as_string=True, validate=validate.Range(min=0, min_inclusive=False))
    currency = text_field(validate.Regexp(r"^[A-Z]{3}$", error="must be an ISO 4217 code: is {input!r}"))
    mark = text_field()


class LayoutSchema(RecordSchema):
    makes = Layout
    make = text_field()
    model = text_field()
    family = text_field()
    built_from = year_field()
    built_to = year_field()
    engine = text_field()
    use = text_field()
    cylinders = text_list()
    banks = text_list()
    final_drive = text_field(member_of(["chain", "belt", "shaft"]))
    cooling = text_field(member_of(["liquid", "air"]))
    fuelling = nested(FuellingSchema, many=True)
    absent = nested(AbsentSchema, many=True)
    positions = nested(PositionOverrideSchema, many=True)
    part_changes = nested(SupersededPartSchema, many=True)
    used_price = nested(UsedPriceSchema)

    @validates_schema
    def _agrees_with_itself(self, data: dict[str, Any], **kwargs: Any) -> None:
        if data["built_to"] < data["built_from"]:
            raise ValidationError("lies before built_from", "built_to")
        if not data["cylinders"] or len(set(data["cylinders"])) != len(data["cylinders"]):
            raise ValidationError("must name each cylinder once", "cylinders")
        covered = sorted(year for span in data["fuelling"] for year in range(span.from_year, span.to_year + 1))
        if covered != list(range(data["built_from"], data["built_to"] + 1)):
            raise ValidationError("must cover each year from built_from to built_to once", "fuelling")


LAYOUT_SCHEMA = LayoutSchema()


def read_layouts(path: Path, components: tuple[Component, ...] | None = None) -> tuple[Layout, ...]:
    """Read and check the layouts; given the catalogue's components, also that they name known ones.

    Raises
    ------
    DataFileError
        With file, model and field of every mistake.
    """
    layouts, problems = load_entries(
        path.name, "layouts", ("make", "model"), read_json(path).get("layouts"), LAYOUT_SCHEMA
    )
    if components is not None and not problems:
        problems = _unknown_components(path.name, layouts, {component.slug for component in components})
    if problems:
        raise DataFileError(problems)
    return layouts


def _unknown_components(file: str, layouts: tuple[Layout, ...], known: set[str]) -> list[Problem]:
    return [
        Problem(file, f"{layout.make} {layout.model}", field, f"{named.component!r} is not among the components")
        for layout in layouts
        for field in ("absent", "positions", "part_changes")
        for named in getattr(layout, field)
        if named.component not in known
    ]


def positions_for(component: Component, layout: Layout | None = None) -> tuple[str, ...]:
    """Positions a component has on a model; () where there is one, or where the engine is not known.

    Valves and plugs are told apart by their cylinder: cards do not name the single valve.
    """
    if layout is not None:
        for override in layout.positions:
            if override.component == component.slug:
                return override.positions
    if component.position_rule == "fixed":
        return component.positions
    if layout is None:
        return ()
    if component.position_rule in BY_CYLINDER:
        return layout.cylinders if len(layout.cylinders) > 1 else ()
    return layout.banks if component.position_rule in BY_BANK else ()


def missing_parts(document: Mapping[str, Any], year: int | None) -> frozenset[str]:
    """Slugs of the parts that a stored layout says a machine of this build year lacks; None: year not known."""
    return frozenset(row["component"] for row in document.get("absent", ()) if _missing(row, year))


def _missing(row: Mapping[str, Any], year: int | None) -> bool:
    first, last = row["from_year"], row["to_year"]
    if first is None and last is None:
        return True
    return year is not None and (first or 0) <= year <= (last or 9999)


def absent_components(layout: Layout, model_year: int | None = None) -> frozenset[str]:
    """Slugs of the rows this machine lacks; with no model year, those that every year lacks."""
    return frozenset(row.component for row in layout.absent if _lacks(row, model_year))


def _lacks(row: Absent, model_year: int | None) -> bool:
    if row.from_year is None and row.to_year is None:
        return True
    if model_year is None:
        return False
    return (row.from_year is None or row.from_year <= model_year) and (row.to_year is None or model_year <= row.to_year)
