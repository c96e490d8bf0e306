"""A fixed order of work laid out for one machine: what first, what not too early, what to buy and what not yet."""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass
from datetime import date
from typing import Any

from sqlalchemy.orm import Session

from service.catalogue import current_catalogue
from service.catalogue_types import Catalogue
from service.check_types import OrderAfter, WorkOrder, WorkStep
from service.errors import NotFound
from service.inspections.evidence import Observed, weigh
from service.inspections.inspected import Places, parts_of
from service.inspections.part_states import is_absent
from service.inspections.plan_texts import caution_texts, check_text, title_of
from service.inspections.plans import SCREENING_NOTE
from service.inspections.ranking import Ranking, rank_described
from service.inspections.serving import Snapshot
from service.layout_files import LAYOUT_SCHEMA, Layout
from service.settings import Settings

READ_FIRST = ("C1", "C5", "C6", "C9", "C10")  # fuel, batteries, brakes: before any other caution
# Months from which a lay-up counts as the next longer one (the trade brief's history facts).
LAY_UPS = ((24.0, "H04d"), (9.0, "H04c"), (3.0, "H04b"), (1.0, "H04a"))
SHOWN_LIKELY = 8
LEAST_RISE = 1e-6  # below it is rounding
WORTH_SAYING = 0.05  # chance bad now from which a part is named among the likely ones


@dataclass(frozen=True)
class Standing:
    """The machine an order of work is for: which parts it has, how it is fuelled, chances after standing."""

    present: frozenset[str]
    fuelling: str | None
    chances: Mapping[str, float]
    notes: tuple[str, ...]
    suffered: frozenset[str] = frozenset()  # parts that standing made likelier bad


def work_order(
    session: Session, shop_id: int, order_id: str, asked: Mapping[str, Any], *, today: date, settings: Settings
) -> dict[str, Any]:
    """One order of work, adapted to the machine that is described (checked by `WorkOrderQuery`), if one is.

    Raises
    ------
    NotFound
        If there is no such order.
    """
    catalogue = current_catalogue(session)
    order = catalogue.work_order_by_id.get(order_id)
    if order is None:
        raise NotFound(f"there is no order of work {order_id!r}; there is {', '.join(catalogue.work_order_by_id)}")
    months = asked["months_stood"]
    if asked["make"] is None:
        standing = _any_machine(catalogue)
    else:
        described = _described(asked, today)
        ranking, snapshot = rank_described(session, shop_id, described, today=today, pool_open=settings.pool_open)
        standing = _standing(ranking, snapshot, months, asked["model_year"])
    return _document(order, standing, months, catalogue)


def _described(asked: Mapping[str, Any], today: date) -> dict[str, Any]:
    machine = {name: asked[name] for name in ("make", "model", "family", "model_year", "built", "first_registered")}
    km = asked["odometer_km"]
    machine["odometer"] = None if km is None else {"value": km, "unit": "km"}
    horizon = {"distance": None, "months": 12.0}
    return {"machine": machine, "as_of": asked["as_of"] or today, "horizon": horizon, "usage": None, "history": [],
            "level": 0.9}  # fmt: skip


def _any_machine(catalogue: Catalogue) -> Standing:
    note = "No machine was named: steps for injection and for carburettors both stand here; do those of yours."
    return Standing(frozenset(catalogue.component_by_slug), None, {}, (note,))


def _standing(ranking: Ranking, snapshot: Snapshot, months: float | None, model_year: int | None) -> Standing:
    catalogue, machine = snapshot.catalogue, ranking.machine
    raw = snapshot.layout(machine.cell)
    layout: Layout | None = LAYOUT_SCHEMA.load(dict(raw)) if raw else None
    present = frozenset(part.component for part in ranking.parts if not is_absent(part.component, raw, machine.new_day))
    year = model_year or date.fromordinal(int(machine.new_day)).year
    fuelling = _fuelling(layout, year)
    fact = next((key for least, key in LAY_UPS if months is not None and months >= least), None)
    facts = [] if fact is None else [{"id": fact, "present": True, "idle_months": months}]
    weighed = weigh(Places(tuple(parts_of(ranking, {})), catalogue, layout), Observed(facts=facts))
    good: dict[str, float] = {}
    for part in weighed.diagnosis.parts:
        good[part.component] = good.get(part.component, 1.0) * (1 - part.posterior)
    before = {(part.component, part.position): part.value for part in weighed.parts}
    worse = {
        part.component
        for part in weighed.diagnosis.parts
        if part.posterior > before[part.component, part.position] + LEAST_RISE
    }
    notes = list(ranking.notes)
    if fuelling is None:
        notes.append("Whether it has injection or carburettors is not known here: do the steps of yours.")
    chances = {slug: 1 - all_good for slug, all_good in good.items()}
    return Standing(present, fuelling, chances, tuple(notes), frozenset(worse) if facts else frozenset())


def _fuelling(layout: Layout | None, year: int) -> str | None:
    """How a model of this year is fuelled; the nearest span where the year lies outside the ones on file."""
    if layout is None:
        return None
    nearest = min(layout.fuelling, key=lambda span: max(span.from_year - year, year - span.to_year, 0))
    return nearest.kind


def _fits(only_for: str | None, standing: Standing) -> bool:
    return only_for is None or standing.fuelling is None or only_for == standing.fuelling


def _document(order: WorkOrder, standing: Standing, months: float | None, catalogue: Catalogue) -> dict[str, Any]:
    steps = [step for step in order.steps if _fits(step.fuelling, standing)]
    laid_out = [_step(step, order, standing, catalogue) for step in steps]
    named = dict.fromkeys(caution["id"] for step in laid_out for caution in step["cautions"])
    return {
        "id": order.id,
        "title": order.title,
        "cautions": caution_texts(_read_first(named), catalogue),
        "first": order.first,
        "fuelling": standing.fuelling,
        "months_stood": months,
        "not_before": [{"what": n.what, "until_step": n.until_step, "why": n.why} for n in order.not_before],
        "steps": laid_out,
        "order_now": [entry.what for entry in order.order_now if _fits(entry.fuelling, standing)],
        "order_not_yet": [
            _not_yet(entry, standing, catalogue) for entry in order.order_after if entry.component in standing.present
        ],
        "likely_bad": _likely(standing, catalogue),
        "mark": order.mark,
        "notes": [*standing.notes, "Chances are invented priors where no records stand behind them.", SCREENING_NOTE],
    }


def _read_first(named: Iterable[str]) -> list[str]:
    return sorted(named, key=lambda key: (key not in READ_FIRST, int(key[1:])))


def _step(step: WorkStep, order: WorkOrder, standing: Standing, catalogue: Catalogue) -> dict[str, Any]:
    checks = [found for key in step.checks if (found := _check(key, standing, catalogue)) is not None]
    cautions = dict.fromkeys([*step.cautions, *(c["id"] for check in checks for c in check["cautions"])])
    return {
        "order": step.order,
        "title": step.title,
        "only_for": step.fuelling if standing.fuelling is None else None,
        "cautions": caution_texts(_read_first(cautions), catalogue),
        "why": step.why,
        "not_before": [
            f"{n.what} before this is done: {n.why}." for n in order.not_before if n.until_step == step.order
        ],
        "checks": checks,
    }


def _check(key: str, standing: Standing, catalogue: Catalogue) -> dict[str, Any] | None:
    """A check of a step; None where the machine has nothing it looks at."""
    check = catalogue.check_by_id[key]
    if not set(check.components) & standing.present:
        return None
    text = check_text(key, catalogue)
    return {
        "check": check.id,
        "title": title_of(key, catalogue),
        "minutes": check.minutes,
        "kit": check.kit,
        **{name: text[name] for name in ("cautions", "before", "steps", "expected", "judging", "trap")},
    }


def _not_yet(entry: OrderAfter, standing: Standing, catalogue: Catalogue) -> dict[str, Any]:
    chance = standing.chances.get(entry.component)
    return {
        "component": entry.component,
        "name": catalogue.component_by_slug[entry.component].name,
        "chance_bad_now": None if chance is None else round(chance, 2),
        "until": [{"check": key, "title": title_of(key, catalogue)} for key in entry.checks],
        "why": entry.why,
    }


def _likely(standing: Standing, catalogue: Catalogue) -> list[dict[str, Any]]:
    """Parts most likely bad, and those that standing made so; with the checks that would tell, safety parts marked."""
    order: Sequence[tuple[str, float]] = sorted(standing.chances.items(), key=lambda item: -item[1])
    most = {slug for slug, _ in order[:SHOWN_LIKELY]}
    return [
        {
            "component": slug,
            "name": catalogue.component_by_slug[slug].name,
            "chance_bad_now": round(chance, 2),
            "safety_class": catalogue.component_by_slug[slug].safety_class,
            "from_standing": slug in standing.suffered,
            "checks": [c.id for c in catalogue.checks if slug in c.components],
        }
        for slug, chance in order
        if chance >= WORTH_SAYING and (slug in most or slug in standing.suffered)
    ]


def work_orders(session: Session) -> list[dict[str, str]]:
    """The orders of work there are."""
    return [{"id": order.id, "title": order.title} for order in current_catalogue(session).work_orders]
