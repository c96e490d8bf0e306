"""A bill in words: lines, what to have before opening, the list for the seller's table, points for the talk."""

from __future__ import annotations

from collections.abc import Callable, Collection, Mapping, Sequence
from decimal import ROUND_HALF_EVEN, Decimal
from typing import Any

from analytics.pricing import for_talk
from analytics.pricing_types import Bill, PriceTalk
from service.catalogue_types import Catalogue
from service.inspections.bill_parts import consumables_of
from service.inspections.plan_texts import caution_texts
from service.inspections.prices import PriceList
from service.said import Money, Part, Place, Said, joined, say

PLACE_OPEN = "position to be found"
TENS_ABOVE = 100


def part_name(component: str, position: str | None, catalogue: Catalogue, unplaced: Collection[str] = ()) -> str:
    """A part as a person says it; `unplaced` are components that failed at a place nobody noted."""
    name = catalogue.component_by_slug[component].name
    if position is None and component in unplaced:
        return f"{name}, {PLACE_OPEN}"
    return f"{name}, {position.replace('_', ' ')}" if position else name


def about(amount: Decimal | str) -> str:
    """An amount that is an estimate: to whole tens above 100, to whole units below. What is certain stays exact."""
    value = Decimal(amount)
    step = Decimal(10) if abs(value) > TENS_ABOVE else Decimal(1)
    return f"{(value / step).quantize(Decimal(1), rounding=ROUND_HALF_EVEN) * step:.0f}"


def bill_lines(
    bill: Bill, catalogue: Catalogue, prices: PriceList, unplaced: Collection[str] = ()
) -> list[dict[str, Any]]:
    """Jobs, certain ones first; safety parts first among those."""
    lines = []
    for line in bill.lines:
        component = catalogue.component_by_slug[line.component]
        lines.append(
            {
                "component": line.component,
                "name": part_name(line.component, line.position, catalogue, unplaced),
                "position": line.position,
                "section": line.section,
                "safety_class": component.safety_class,
                "chance": round(line.chance, 3),
                "job_hours": line.job_hours,
                "part_price": prices.text(line.part_cost),
                "price_source": prices.part(component)[1],
                "alone": prices.text(line.alone),
            }
        )
    certain = [line for line in lines if line["section"] == "certain"]
    certain.sort(key=lambda line: line["safety_class"] != "A")
    return certain + lines[len(certain) :]


def to_have_document(bill: Bill, catalogue: Catalogue, unplaced: Collection[str] = ()) -> list[dict[str, Any]]:
    """Parts, seals, gaskets and fluids to have before opening, cautions before items."""
    found = []
    for (component, position), items in bill.to_have:
        entries = consumables_of(component, position, catalogue)
        cautions = dict.fromkeys(caution for entry in entries for caution in entry.cautions)
        name = part_name(component, position, catalogue, unplaced)
        found.append(
            {
                "component": component,
                "name": name,
                "position": position,
                "cautions": caution_texts(cautions, catalogue),
                "items": [name, *items],
                "mark": "; ".join(dict.fromkeys(entry.mark for entry in entries)),
            }
        )
    return found


def sellers_list(bill: Bill, lines: Sequence[Mapping[str, Any]]) -> list[str]:
    """A plain list to print and lay on the table: facts first, then doubts, no season."""
    certain = [line for line in lines if line["section"] == "certain"]
    likely = [line for line in lines if line["section"] == "likely"]
    printed = ["Found today"]
    printed += [
        f"  {line['name']}: {line['job_hours']:g} h and part {line['part_price']} = {line['alone']} {bill.currency}"
        + ("  (safety: before it is ridden)" if line["safety_class"] == "A" else "")
        for line in certain
    ] or ["  nothing"]
    if certain:
        shared = f", {bill.access_saved} less for work shared" if bill.access_saved else ""
        printed.append(f"  Together {bill.certain} {bill.currency}{shared}")
    if likely:
        printed.append("Likely, not certain")
        printed += [
            f"  {line['name']}: {round(100 * line['chance'])} in 100, {about(line['alone'])} {bill.currency} if so"
            for line in likely
        ]
    return [*printed, "A screening look, not an examination."]


def talk_document(
    talk: PriceTalk, bill: Bill, lines: Sequence[Mapping[str, Any]], text: Callable[[Decimal], str]
) -> dict[str, Any]:
    """Rounded amounts, and what to say."""
    amounts = ("asking", "certain", "likely", "season", "ask_off", "offer", "bad_case")
    return {name: _plain(getattr(talk, name)) for name in amounts} | {"points": _points(talk, bill, lines)}


def _points(talk: PriceTalk, bill: Bill, lines: Sequence[Mapping[str, Any]]) -> list[str]:
    def money(amount: Decimal) -> Money:
        return Money(amount, talk.currency)

    points: list[str] = []
    certain = [line for line in lines if line["section"] == "certain"]
    safety = [line for line in certain if line["safety_class"] == "A"]
    if safety:
        points.append(say("Safety first: %(parts)s. Not to be ridden before that is put right.", parts=_names(safety)))
    if certain:
        about_it = money(talk.certain)
        points.append(say("Found: %(parts)s. About %(sum)s to put right.", parts=_names(certain), sum=about_it))
    likely = [line for line in lines if line["section"] == "likely"]
    if likely:
        about_it = money(talk.likely)
        points.append(say("Likely: %(parts)s. About %(sum)s on average.", parts=_names(likely), sum=about_it))
    if talk.ask_off:
        points.append(
            say("Ask %(less)s off: offer %(offer)s.", less=money(talk.ask_off), offer=money(talk.offer)),
        )
    else:
        points.append(say("Nothing was found that speaks for less than the asking price."))
    points.append(
        say(
            "The season to come is yours: about %(mean)s on average, in one case of ten above %(high)s. It is no"
            " argument against the seller.",
            mean=money(talk.season),
            high=money(for_talk(bill.season.high)),
        )
    )
    points.append(
        say("In one case of ten the machine and its repairs come to %(sum)s or more.", sum=money(talk.bad_case))
    )
    return points


def _names(lines: Sequence[Mapping[str, Any]]) -> Said:
    return joined(*(_name(line) for line in lines), by="; ")


def _name(line: Mapping[str, Any]) -> Said:
    if line["position"]:
        place = Place(line["position"])
        part = Part(line["component"], line["name"].removesuffix(f", {place}"))
        return say("%(part)s, %(place)s", part=part, place=place)
    if line["name"].endswith(f", {PLACE_OPEN}"):
        part = Part(line["component"], line["name"].removesuffix(f", {PLACE_OPEN}"))
        return say("%(part)s, position to be found", part=part)
    return say("%(part)s", part=Part(line["component"], line["name"]))


def _plain(amount: Decimal) -> str:
    return f"{amount:.0f}"
