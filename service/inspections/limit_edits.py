"""Limits that a shop set for a model, a family or a region beside the catalogue's, version by version.

The catalogue's own limit stays: it judges every machine the shop's figures do not name. A version is never changed;
the newest one for the same machines is in force until a version for the same machines withdraws it. A reading judged
by such a limit names it with its version, like `T03-01/2`.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from datetime import datetime
from typing import Any

from sqlalchemy import select
from sqlalchemy.exc import IntegrityError
from sqlalchemy.orm import Session

from analytics.units import InvalidUnit, convert
from service.catalogue_types import Catalogue
from service.check_types import Limit
from service.errors import Conflict, InvalidInput, NotFound
from service.inspections.plan_texts import limit_text
from service.models import LimitEdit
from service.past import reads_the_past, said_by

APPLIES = ("make", "model", "family", "year_from", "year_to", "region")
BOUNDS = ("pass_low", "pass_high", "marginal_low", "marginal_high")
KEPT = (*APPLIES, "as_of", "unit", *BOUNDS, "condition", "source", "withdrawn")


@dataclass(frozen=True)
class WhichMachine:
    """What has to be known of a machine to find its limits."""

    make: str | None = None
    model: str | None = None
    family: str | None = None
    model_year: int | None = None
    region: str | None = None


def base_limit(limit_key: str, catalogue: Catalogue) -> Limit:
    """The catalogue's limit, or NotFound."""
    found = next((limit for limit in catalogue.limits if limit.id == limit_key), None)
    if found is None:
        raise NotFound(f"there is no limit {limit_key!r}; GET /api/v1/limits lists them")
    return found


def add_version(
    session: Session, shop_id: int, limit_key: str, asked: Mapping[str, Any], catalogue: Catalogue, *, now: datetime
) -> LimitEdit:
    """Write one more version beside a limit of the catalogue (checked by `LimitEditAsked`).

    Raises
    ------
    NotFound
        If the catalogue has no such limit.
    InvalidInput
        If the unit does not measure the same, or a bound is on the side the limit does not judge.
    Conflict
        If there is nothing to withdraw for these machines.
    """
    base = base_limit(limit_key, catalogue)
    document = {name: asked[name] for name in KEPT}
    document |= _in_unit_of(base, asked)
    _refuse_other_side(base, document)
    versions = _versions(session, shop_id, limit_key)
    if asked["withdrawn"] and _applies(document) not in _in_force(versions):
        raise Conflict("no version in force is for exactly these machines: there is nothing to withdraw")
    row = LimitEdit(
        shop_id=shop_id,
        limit_key=limit_key,
        version=len(versions) + 1,
        document=document,
        editor=asked["editor"],
        why=asked["why"],
        recorded_at=now,
    )
    session.add(row)
    try:
        session.flush()
    except IntegrityError:
        raise Conflict("another version was written at the same moment; look at it and send yours again") from None
    return row


def _in_unit_of(base: Limit, asked: Mapping[str, Any]) -> dict[str, Any]:
    unit = asked["unit"] or base.unit
    try:
        bounds = {name: None if asked[name] is None else convert(asked[name], unit, base.unit) for name in BOUNDS}
    except InvalidUnit as error:
        raise InvalidInput(str(error), pointer="/unit") from None
    return {**bounds, "unit": base.unit}


def _refuse_other_side(base: Limit, document: Mapping[str, Any]) -> None:
    """A figure for the side that is not judged would pass everything on the side that is."""
    wanted = {"higher_is_better": "pass_low", "lower_is_better": "pass_high"}.get(base.direction)
    if wanted and document[wanted] is None and not document["withdrawn"]:
        words = base.direction.replace("_", " ")
        raise InvalidInput(f"{base.id} judges '{words}': give {wanted}", pointer=f"/{wanted}")


def _versions(session: Session, shop_id: int, limit_key: str | None = None) -> Sequence[LimitEdit]:
    known = said_by(LimitEdit.recorded_at, reads_the_past(session))
    statement = select(LimitEdit).where(LimitEdit.shop_id == shop_id, *known).order_by(LimitEdit.version)
    if limit_key is not None:
        statement = statement.where(LimitEdit.limit_key == limit_key)
    return session.scalars(statement).all()


def _applies(document: Mapping[str, Any]) -> tuple[Any, ...]:
    return tuple(v.casefold() if isinstance(v := document[name], str) else v for name in APPLIES)


def _in_force(versions: Sequence[LimitEdit]) -> dict[tuple[Any, ...], LimitEdit]:
    """The newest version for each lot of machines, of one limit."""
    found: dict[tuple[Any, ...], LimitEdit] = {}
    for row in versions:
        if row.document["withdrawn"]:
            found.pop(_applies(row.document), None)
        else:
            found[_applies(row.document)] = row
    return found


def with_limit_edits(session: Session, shop_id: int, catalogue: Catalogue, machine: WhichMachine) -> Catalogue:
    """The catalogue with the shop's own limits for this machine among its limits."""
    by_key: dict[str, list[LimitEdit]] = {}
    for row in _versions(session, shop_id):
        by_key.setdefault(row.limit_key, []).append(row)
    added: list[Limit] = []
    for key, versions in by_key.items():
        base = next((limit for limit in catalogue.limits if limit.id == key), None)
        if base is None:
            continue  # a newer catalogue no longer has what this stood beside
        fitting = [as_limit(row, base) for row in _in_force(versions).values() if _holds_for(row.document, machine)]
        # Of one scope the newest counts, however wide its years.
        added += {limit.scope: limit for limit in sorted(fitting, key=_version_of)}.values()
    return replace(catalogue, limits=(*added, *catalogue.limits)) if added else catalogue


def _version_of(limit: Limit) -> int:
    return int(limit.id.rsplit("/", 1)[1])


def _holds_for(document: Mapping[str, Any], machine: WhichMachine) -> bool:
    if document["region"] is not None and document["region"] != machine.region:
        return False
    for name in ("make", "model", "family"):
        wanted, has = document[name], getattr(machine, name)
        if wanted is not None and (has is None or wanted.casefold() != has.casefold()):
            return False
    first, last = document["year_from"], document["year_to"]
    if first is None and last is None:
        return True
    return machine.model_year is not None and (first or 0) <= machine.model_year <= (last or 9999)


def as_limit(row: LimitEdit, base: Limit) -> Limit:
    """A version as a limit readings can be judged by: the catalogue's, with the shop's bounds and source."""
    document = row.document
    return replace(
        base,
        id=f"{row.limit_key}/{row.version}",
        scope=scope_of(document),
        class_default=False,
        **{name: document[name] for name in BOUNDS},
        beyond="fail",
        condition=document["condition"],
        temperature_points=(),
        temperature_note=None,
        region=document["region"],
        as_of=document["as_of"] or row.recorded_at.date().isoformat(),
        machine=_machine_words(document),
        sources=(),
        mark=f"{document['source']}; entered by {row.editor}",
        note=row.why,
    )


def scope_of(document: Mapping[str, Any]) -> str:
    """Model, family or jurisdiction."""
    return "model" if document["model"] else "family" if document["family"] else "jurisdiction"


def _machine_words(document: Mapping[str, Any]) -> str | None:
    names = [document["make"], document["model"] or document["family"]]
    years = [str(y) for y in (document["year_from"], document["year_to"]) if y is not None]
    return " ".join([*(n for n in names if n), "-".join(dict.fromkeys(years))]).strip() or None


def history_document(session: Session, shop_id: int, limit_key: str, catalogue: Catalogue) -> dict[str, Any]:
    """The catalogue's limit and every version beside it, with who wrote it and why."""
    base = base_limit(limit_key, catalogue)
    versions = _versions(session, shop_id, limit_key)
    in_force = {row.version for row in _in_force(versions).values()}
    return {
        "limit": base.id,
        "check": base.check,
        "quantity": base.quantity,
        "unit": base.unit,
        "catalogue": {"scope": base.scope, "text": limit_text(base), "region": base.region, "as_of": base.as_of},
        "versions": [version_document(row, base, in_force=row.version in in_force) for row in versions],
    }


def version_document(row: LimitEdit, base: Limit, *, in_force: bool) -> dict[str, Any]:
    """One version with its trail."""
    return {
        "limit": f"{row.limit_key}/{row.version}",
        "version": row.version,
        "scope": scope_of(row.document),
        "text": "withdrawn" if row.document["withdrawn"] else limit_text(as_limit(row, base)),
        "document": row.document,
        "editor": row.editor,
        "why": row.why,
        "recorded_at": row.recorded_at,
        "in_force": in_force,
    }
