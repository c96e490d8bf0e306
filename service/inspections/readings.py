"""Judge readings as they come over the wire, by the limits on file or by the figure the person has."""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, replace
from typing import Any

from analytics.judging import STRICTEST_FIRST, judge_by_best
from analytics.judging_types import InvalidReading, Judgement, Measured, Reading
from analytics.judging_types import Limit as JudgingLimit
from analytics.outcomes import Verdict
from analytics.units import InvalidUnit, convert, is_resistance
from service.catalogue_types import Catalogue
from service.check_types import Limit
from service.errors import InvalidInput
from service.inspections.limits_on_file import OF_THE_SET, Judging, for_judging, judging_of
from service.inspections.plan_texts import limit_text
from service.inspections.plausible import refuse_implausible

NOT_JUDGED = "not judged"
LEADS_MATTER_BELOW_OHM = 2.0  # the trade brief: note the leads' own resistance when under 2 ohm


@dataclass(frozen=True)
class Judged:
    """One reading with everything that was said of it; `limit_id` names the limit that decided."""

    verdict: Verdict
    limit_id: str | None
    entries: tuple[dict[str, Any], ...]

    @property
    def left_open(self) -> bool:
        """True where no limit on file judges this machine: it is neither good nor bad."""
        return self.verdict is Verdict.INCONCLUSIVE and all(e["reason"].startswith(NOT_JUDGED) for e in self.entries)


def judge_reading(
    check: str,
    component: str | None,
    asked: Mapping[str, Any],
    *,
    region: str | None,
    ambient_celsius: float | None,
    unmet: Sequence[str],
    catalogue: Catalogue,
    pointer: str,
) -> Judged:
    """Judge one reading of a full check.

    Parameters
    ----------
    check : str
        Id of the full check.
    component : str or None
        Part the reading is about, where the check has several.
    asked : mapping
        A checked `ReadingAsked`.
    region : str or None
        Whose jurisdiction limits stand beside.
    unmet : sequence of str
        Prerequisites that were not met, in words; any makes the reading inconclusive.
    pointer : str
        JSON pointer of the reading in the request.

    Raises
    ------
    InvalidInput
        For an unknown quantity, a unit of the wrong dimension or a value no such reading can have.
    """
    judging = judging_of(check, component, asked["quantity"], region, catalogue, pointer)
    _refuse_impossible(check, judging, asked, pointer)
    judgements = []
    leads = _lead_resistance(asked, pointer)
    try:
        reading = _reading(asked, leads, ambient_celsius, unmet)
        for limits in _limits_to_use(judging, asked, len(reading.values)):
            judgements.append(_judge(reading, limits, judging))
    except InvalidUnit as error:
        raise InvalidInput(str(error), pointer=f"{pointer}/unit") from None
    except InvalidReading as error:
        raise InvalidInput(str(error), pointer=f"{pointer}/values") from None
    return _strictest(judgements, judging, asked, catalogue)


def _refuse_impossible(check: str, judging: Judging, asked: Mapping[str, Any], pointer: str) -> None:
    for number, value in enumerate(asked["values"]):
        try:
            converted = convert(value["value"], asked["unit"], judging.unit)
        except InvalidUnit as error:
            raise InvalidInput(str(error), pointer=f"{pointer}/unit") from None
        if not value["over_range"]:
            where = f"{pointer}/values/{number}/value"
            refuse_implausible(check, judging.quantity, converted, judging.unit, where)


def _lead_resistance(asked: Mapping[str, Any], pointer: str) -> float:
    """What the probes read shorted, in ohm; 0 where it was not noted. Part of every reading, so never above one."""
    leads = asked["lead_resistance"]
    if leads is None:
        return 0.0
    try:
        ohm = convert(leads["value"], leads["unit"], "ohm")
    except InvalidUnit as error:
        raise InvalidInput(str(error), pointer=f"{pointer}/lead_resistance/unit") from None
    if is_resistance(asked["unit"]):
        read = min(convert(v["value"], asked["unit"], "ohm") for v in asked["values"])
        if ohm > read * (1 + 1e-9):
            raise InvalidInput(
                f"lead resistance {ohm:g} ohm is larger than the reading, {read:g} ohm: measure again, the probes"
                " shorted first",
                pointer=f"{pointer}/lead_resistance/value",
            )
    return ohm


def _reading(
    asked: Mapping[str, Any], leads_ohm: float, ambient_celsius: float | None, unmet: Sequence[str]
) -> Reading:
    figure = asked["figure"]
    reference = None
    if figure is not None:
        low, high = figure["low"], figure["high"]
        reference = (low if low is not None else high, high if high is not None else low)
    return Reading(
        values=tuple(Measured(v["value"], v["over_range"]) for v in asked["values"]),
        unit=asked["unit"],
        resolution=asked["resolution"],
        lead_resistance_ohm=leads_ohm,
        ambient_celsius=ambient_celsius,
        reference=reference,
        prerequisites_unmet=tuple(unmet),
    )


def _limits_to_use(judging: Judging, asked: Mapping[str, Any], values: int) -> Iterable[list[JudgingLimit]]:
    """Limits in lots, each of which gives one judgement: those of the quantity itself, then each judged along."""
    own = [for_judging(limit) for limit in (*judging.own, *judging.jurisdiction)]
    relative = any(limit.basis not in OF_THE_SET for limit in judging.along)
    if asked["figure"] is not None and not relative and all(x.basis == "value" for x in own):
        own.append(_own_figure(judging, asked))
    if own or not judging.along:
        yield own
    for quantity in dict.fromkeys(limit.quantity for limit in judging.along):
        lot = [limit for limit in judging.along if limit.quantity == quantity]
        if values > 1 or lot[0].basis not in OF_THE_SET:
            yield [for_judging(limit) for limit in lot]


def _own_figure(judging: Judging, asked: Mapping[str, Any]) -> JudgingLimit:
    """The model's own figure, as the person gave it with its source."""
    figure = asked["figure"]
    return JudgingLimit(
        id="figure given",
        quantity=judging.quantity,
        unit=asked["unit"],
        scope="model",
        direction="two_sided",
        pass_low=figure["low"],
        pass_high=figure["high"],
        sources=(figure["source"],),
    )


def _judge(reading: Reading, limits: list[JudgingLimit], judging: Judging) -> Judgement:
    """Judge by one lot of limits; what stands above the legal limit is compared with the region's."""
    legal = judging.jurisdiction[0] if judging.jurisdiction else None
    of_region = any(x.basis == "above_jurisdiction_limit" for x in limits)
    if of_region and reading.reference is None and judging.everywhere:
        return _without_region(reading, judging.everywhere)
    if of_region and legal is not None and legal.pass_low is not None:
        depth = convert(legal.pass_low, legal.unit, reading.unit)
        reading = replace(reading, reference=(depth, depth))
    return judge_by_best(reading, limits)


def _without_region(reading: Reading, everywhere: Sequence[Limit]) -> Judgement:
    """Below what the most lenient region asks for it fails anywhere; above that it depends on the region."""
    found = judge_by_best(reading, [for_judging(everywhere[0])])
    if found.verdict is Verdict.FAIL:
        return replace(found, reason=f"{found.reason}; below every legal limit on file")
    if reading.prerequisites_unmet:
        return found
    known = "; ".join(f"{x.region}: {x.quantity} {x.pass_low:g} {x.unit}" for x in everywhere)
    return Judgement(Verdict.INCONCLUSIVE, None, None, f"{NOT_JUDGED}: legal limits differ, give region ({known})")


def _strictest(
    judgements: Sequence[Judgement], judging: Judging, asked: Mapping[str, Any], catalogue: Catalogue
) -> Judged:
    """The strictest that judged at all; what no limit on file could judge stands beside it."""
    judged = [j for j in judgements if not j.reason.startswith(NOT_JUDGED)]
    best = min(judged or judgements, key=lambda j: STRICTEST_FIRST.index(j.verdict))
    ordered = [best, *(j for j in judgements if j is not best)]
    leads = _about_leads(asked)
    entries = tuple(_entry(j, judging, catalogue, leads if j is best else ()) for j in ordered)
    return Judged(best.verdict, best.limit.id if best.limit and judged else None, entries)


def _about_leads(asked: Mapping[str, Any]) -> tuple[str, ...]:
    if not is_resistance(asked["unit"]) or asked["lead_resistance"] is not None:
        return ()
    small = [v for v in asked["values"] if not v["over_range"]]
    if any(convert(v["value"], asked["unit"], "ohm") < LEADS_MATTER_BELOW_OHM for v in small):
        return ("lead resistance not given: short the probes, read them and subtract",)
    return ()


def _entry(judgement: Judgement, judging: Judging, catalogue: Catalogue, notes: tuple[str, ...]) -> dict[str, Any]:
    limit = judgement.limit
    return {
        "quantity": judging.quantity,
        "verdict": judgement.verdict.value,
        "reason": judgement.reason,
        "measure": judgement.measure,
        "side": _side(judgement),
        "limit": None if limit is None else limit_reply(limit.id, limit, catalogue),
        "notes": [*notes, *judgement.notes],
    }


def _side(judgement: Judgement) -> str | None:
    """On which side of the pass band the reading lies; None inside it, or where nothing was compared."""
    limit, measure = judgement.limit, judgement.measure
    if limit is None or measure is None:
        return None
    if limit.pass_high is not None and measure > limit.pass_high:
        return "above"
    return "below" if limit.pass_low is not None and measure < limit.pass_low else None


def limit_reply(limit_id: str, judging_limit: JudgingLimit, catalogue: Catalogue) -> dict[str, Any]:
    """A limit with its source, date and region."""
    on_file = {limit.id: limit for limit in catalogue.limits}.get(limit_id)
    return {
        "id": limit_id,
        "quantity": judging_limit.quantity,
        "unit": judging_limit.unit,
        "scope": judging_limit.scope,
        "text": limit_text(on_file) if on_file else _given_text(judging_limit),
        "class_default": judging_limit.scope == "class default",
        "region": judging_limit.region,
        "as_of": judging_limit.as_of,
        "sources": sources_of(on_file, catalogue)
        if on_file
        else [{"id": "", "what": s} for s in judging_limit.sources],
        "mark": judging_limit.mark,
    }


def _given_text(limit: JudgingLimit) -> str:
    low, high = limit.pass_low, limit.pass_high
    if low is not None and high is not None:
        return f"{limit.quantity}: pass {low:g} to {high:g} {limit.unit}"
    return (
        f"{limit.quantity}: pass {'from' if high is None else 'up to'} {low if high is None else high:g} {limit.unit}"
    )


def sources_of(limit: Limit, catalogue: Catalogue) -> list[dict[str, str]]:
    """Where a limit was read."""
    return [
        {"id": key, "what": catalogue.source_by_id[key].what} for key in limit.sources if key in catalogue.source_by_id
    ]
