"""Turn options of the command line into the same checked requests that come over HTTP."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from datetime import date
from typing import TYPE_CHECKING, Any

import click
from marshmallow import Schema, ValidationError
from sqlalchemy import select
from sqlalchemy.orm import Session

from service.cli_files import shop_named
from service.errors import InvalidInput, NotFound
from service.estimates import pool_is_open
from service.inspections.plans import InspectionPlan, plan_described, plan_recorded
from service.inspections.ranking import Ranking, horizon_of, rank_described, rank_recorded
from service.inspections.serving import ANY_MODEL, Snapshot
from service.models import Machine, Shop
from service.schemas.plan import PlanAsked
from service.schemas.ranking import MachineRankingQuery, RankingAsked
from service.vocabulary import KM_PER_MILE

if TYPE_CHECKING:
    from service.cli_context import Context


def ask_ranking(
    session: Session,
    shop_id: int,
    context: Context,
    asked: Mapping[str, Any],
    distance: float | None,
    months: float | None,
    level: float,
) -> tuple[Ranking, Snapshot]:
    """Rank the machine that the options describe or name."""
    if asked["machine"]:
        _described_only(asked)
        km = None if distance is None else distance * (KM_PER_MILE if asked["unit"] == "mi" else 1.0)
        query = checked(MachineRankingQuery(), {"distance_km": km, "months": months, "level": level})
        return rank_recorded(
            session,
            shop_id,
            machine_id_of(session, shop_id, asked),
            as_of=day_of(context, asked),
            horizon=horizon_of(query["distance_km"], query["months"]),
            level=query["level"],
            pool_open=context.settings.pool_open,
        )
    horizon: dict[str, Any] = {"months": 12.0 if distance is None and months is None else months}
    if distance is not None:
        horizon["distance"] = {"value": distance, "unit": asked["unit"]}
    # Over HTTP a ranking names its model; a person at the terminal may ask about a make, or a family, as a whole.
    schema = RankingAsked(partial=None if asked["model"] else ("machine.model",))
    request = checked(schema, {**described(context, asked, ("make",)), "horizon": horizon, "level": level})
    request["machine"].setdefault("model", ANY_MODEL)
    return rank_described(session, shop_id, request, today=day_of(context, asked), pool_open=context.settings.pool_open)


def ask_plan(
    session: Session, shop_id: int, context: Context, asked: Mapping[str, Any], wanted: Mapping[str, Any]
) -> InspectionPlan:
    """Plan the inspection of the machine that the options describe or name."""
    day = day_of(context, asked)
    if asked["machine"]:
        _described_only(asked)
        if asked["symptoms"] or asked["facts"]:
            raise click.UsageError(
                "--symptom and --fact go with a described machine; of one on record: weakspot inspect --machine"
            )
        wanted = {name: value for name, value in wanted.items() if name not in ("symptoms", "facts")}
        machine_id = machine_id_of(session, shop_id, asked)
        terms = checked(PlanAsked(only=tuple(wanted)), dict(wanted))
        return plan_recorded(session, shop_id, machine_id, terms, as_of=day, settings=context.settings)
    request = checked(PlanAsked(), {**described(context, asked), **wanted})
    return plan_described(session, shop_id, request, today=day, settings=context.settings)


def _described_only(asked: Mapping[str, Any]) -> None:
    """Of a machine on record the records say how it is used."""
    if asked["usage"] is not None:
        raise click.UsageError("--usage goes with a described machine; one on record is used as its readings say")


def any_shop(session: Session, context: Context, name: str | None) -> int:
    """The shop that asks; it matters only where shops do not share a pool."""
    if name is not None:
        return shop_named(session, name)
    ids = session.scalars(select(Shop.id).order_by(Shop.id)).all()
    if len(ids) > 1 and not pool_is_open(session, pool_open=context.settings.pool_open):
        names = ", ".join(session.scalars(select(Shop.name).order_by(Shop.id).limit(10)))
        raise InvalidInput(f"several shops keep records here and share no pool: say which with --shop NAME ({names})")
    return ids[0] if ids else 0


def machine_id_of(session: Session, shop_id: int, asked: Mapping[str, Any]) -> Any:
    statement = select(Machine.public_id).where(Machine.reference == asked["machine"])
    if asked["shop"]:
        statement = statement.where(Machine.shop_id == shop_id)
    found = session.scalars(statement.limit(2)).all()
    if len(found) != 1:
        many = "several shops have a machine" if found else "there is no machine"
        raise NotFound(
            f"{many} {asked['machine']!r}; name the shop with --shop" if found else f"{many} {asked['machine']!r}"
        )
    return found[0]


def described(context: Context, asked: Mapping[str, Any], needed: Sequence[str] = ("make", "model")) -> dict[str, Any]:
    missing = [f"--{name}" for name in needed if not asked[name]]
    if missing:
        raise click.UsageError(f"describe the machine with {' and '.join(missing)}, or name one with --machine")
    machine = {
        name: asked[name]
        for name in ("make", "model", "family", "model_year", "built", "first_registered")
        if asked[name] is not None
    }
    if asked["odometer"] is not None:
        machine["odometer"] = {"value": asked["odometer"], "unit": asked["unit"]}
    request = {
        "machine": machine,
        "as_of": day_of(context, asked).isoformat(),
        "history": [_known(text, asked["unit"]) for text in asked["known"]],
    }
    if asked["usage"] is not None:
        request["usage"] = {"value": asked["usage"], "unit": asked["unit"]}
    return request


def evidence_asked(asked: Mapping[str, Any]) -> dict[str, Any]:
    """What `evidence_options` said, in the words of the HTTP interface."""
    return {"symptoms": [{"id": key} for key in asked["symptoms"]], "facts": [_fact(text) for text in asked["facts"]]}


def _fact(text: str) -> dict[str, Any]:
    key, _, months = text.partition(":")
    try:
        return {"id": key, "idle_months": float(months)} if months else {"id": key}
    except ValueError:
        raise click.UsageError(f"--fact {text}: the months are not a number") from None


def _known(text: str, unit: str) -> dict[str, Any]:
    parts = text.split(":")
    if not 2 <= len(parts) <= 4:
        raise click.UsageError(f"--known {text}: write COMPONENT:ACTION[:DATE[:ODOMETER]]")
    item: dict[str, Any] = {"component": parts[0], "action": parts[1]}
    if len(parts) > 2 and parts[2]:
        item["date"] = parts[2]
    if len(parts) > 3:
        try:
            item["odometer"] = {"value": float(parts[3]), "unit": unit}
        except ValueError:
            raise click.UsageError(f"--known {text}: the odometer is not a number") from None
    return item


def checked(schema: Schema, request: dict[str, Any]) -> dict[str, Any]:
    try:
        return dict(schema.load(request))
    except ValidationError as error:
        raise click.UsageError("; ".join(flat(error.messages))) from None


def flat(messages: Any, path: str = "") -> list[str]:
    if isinstance(messages, Mapping):
        return [text for key, value in messages.items() for text in flat(value, f"{path}.{key}".strip("."))]
    return [f"{path}: {message}" for message in messages]


def day_of(context: Context, asked: Mapping[str, Any]) -> date:
    return context.day_of(asked["as_of"], asked.get("known_at"))


def circumstances_asked(asked: Mapping[str, Any]) -> dict[str, Any]:
    """What `visit_options` said, in the words of the HTTP interface."""
    return {
        "minutes": asked["minutes"],
        "kit": asked["kit"],
        "permission": asked["permission"].replace("-", "_"),
        "engine_cold": asked["engine"] == "cold",
    }
