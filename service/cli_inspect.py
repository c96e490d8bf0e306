"""`weakspot inspect`: one check after another at the machine, kept in the database; `weakspot recommission`."""

from __future__ import annotations

import uuid
from collections.abc import Mapping
from datetime import datetime
from typing import TYPE_CHECKING, Any

import click

from service.cli_options import evidence_options, known_at_option, machine_options, visit_options

if TYPE_CHECKING:
    from service.cli_context import Context


@click.command("inspect")
@machine_options
@visit_options
@evidence_options
@click.option("--region", help="Whose legal limits stand beside.")
@click.option("--asking", metavar="PRICE", help="Asking price: what to say about it comes with the bill.")
@click.option("--resume", type=click.UUID, help="Take up an inspection again.")
@click.pass_obj
def inspect_machine(context: Context, resume: uuid.UUID | None, asking: str | None, **asked: Any) -> None:
    """Inspect a machine check by check: readings are judged at once, the rest is planned again.

    What the options leave open is asked. Everything is kept as it is typed: stop at any time, resume later.
    """
    from service.cli_visit import Visit

    shop_id = _shop(context, asked["shop"], resume)
    visit = Visit(context, shop_id, quiet=asked["json_output"])
    if resume is None:
        resume = visit.start(_request(context, shop_id, _completed(asked)))
    visit.run(resume, asking)


def _shop(context: Context, name: str | None, resume: uuid.UUID | None) -> int:
    """The shop an inspection is kept under; one taken up again knows its own."""
    from sqlalchemy import select

    from service.errors import InvalidInput, NotFound
    from service.models import Inspection, Shop
    from service.records import get_or_create_shop

    database = context.ready()
    if name is not None and resume is None:
        with database.write() as session:
            return get_or_create_shop(session, name, now=context.now).id
    with database.read() as session:
        wanted = select(Shop.id, Shop.name).order_by(Shop.id)
        if name is None and resume is not None:
            wanted = wanted.join(Inspection, Inspection.shop_id == Shop.id).where(Inspection.public_id == resume)
        found = session.execute(wanted if name is None else wanted.where(Shop.name == name)).all()
    if len(found) == 1:
        return int(found[0].id)
    if name is not None:
        raise NotFound(f"there is no shop {name!r}")
    if resume is not None:
        raise NotFound(f"there is no inspection {resume}: type the line that was printed when it was left")
    if not found:
        raise InvalidInput("an inspection is kept under a shop's name: give one with --shop NAME; it is made if new")
    raise InvalidInput(f"several shops keep records here: say which with --shop ({', '.join(r.name for r in found)})")


def _completed(asked: dict[str, Any]) -> dict[str, Any]:
    """The options, with what they leave open asked for."""
    if asked["machine"]:
        return asked
    given = dict(asked)
    new = not (given["make"] and given["model"])
    given["make"] = given["make"] or click.prompt("Make")
    given["model"] = given["model"] or click.prompt("Model")
    if not (given["built"] or given["first_registered"] or given["model_year"]):
        given["built"] = (
            click.prompt("Built (YYYY or YYYY-MM, empty if unknown)", default="", show_default=False) or None
        )
    if given["odometer"] is None:
        given["odometer"] = click.prompt(f"Odometer ({given['unit']})", type=click.FloatRange(0, 3_000_000))
    if new:
        given["minutes"] = click.prompt("Minutes you have", type=click.FloatRange(1, 1440), default=given["minutes"])
        for name, choices in (("kit", ["pocket", "home", "shop", "bench"]),
                              ("permission", ["look-only", "seat-off", "may-strip", "may-ride"]),
                              ("engine", ["cold", "warm"])):  # fmt: skip
            given[name] = click.prompt(name.capitalize(), type=click.Choice(choices), default=given[name])
        told = click.prompt("Symptoms seen (like S07 S18, empty for none)", default="", show_default=False)
        given["symptoms"] = (*given["symptoms"], *told.replace(",", " ").split())
    return given


def _request(context: Context, shop_id: int, asked: Mapping[str, Any]) -> dict[str, Any]:
    """The checked request that starts an inspection, as over HTTP."""
    from service.cli_ask import checked, circumstances_asked, day_of, described, evidence_asked, machine_id_of
    from service.schemas.inspection import InspectionAsked

    request: dict[str, Any] = {
        **circumstances_asked(asked),
        "as_of": day_of(context, asked).isoformat(),
        **evidence_asked(asked),
        "region": asked["region"],
    }
    if asked["machine"]:
        with context.database.read() as session:
            request["machine_id"] = str(machine_id_of(session, shop_id, asked))
    else:
        machine = described(context, asked)
        del machine["as_of"]
        request |= machine
    return checked(InspectionAsked(), request)


@click.command("recommission")
@click.option("--make", help="Make.")
@click.option("--model", help="Model.")
@click.option("--model-year", type=int, help="Year the maker sold it as.")
@click.option("--built", help="YYYY-MM, or YYYY.")
@click.option("--odometer-km", type=float, help="Reading in km.")
@click.option("--months-stood", type=float, help="How long it stood.")
@click.option("--shop", help="Whose records answer; needed where several shops do not share a pool.")
@known_at_option
@click.option("--steps/--no-steps", default=True, show_default=True, help="Print how each check is done.")
@click.option("--json", "json_output", is_flag=True, help="Print the result as JSON.")
@click.pass_obj
def recommission(
    context: Context, steps: bool, json_output: bool, shop: str | None, known_at: datetime | None, **asked: Any
) -> None:
    """Lay out what to do first, and what not yet, with a machine that stood."""
    from service.cli_ask import any_shop, checked
    from service.cli_context import as_json
    from service.cli_visit_text import show_work_order
    from service.inspections.recommission import work_order
    from service.schemas.work_orders import WorkOrderQuery

    query = checked(WorkOrderQuery(), {name: value for name, value in asked.items() if value is not None})
    today = context.day_of(None, known_at)
    with context.reading(known_at) as session:
        shop_id = any_shop(session, context, shop)
        made = work_order(session, shop_id, "recommissioning", query, today=today, settings=context.settings)
    if json_output:
        as_json(made)
    else:
        show_work_order(made, steps=steps)
