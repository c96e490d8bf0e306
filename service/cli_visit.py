"""One inspection at the terminal: show a check, take what was found, say what it changed, until it is enough."""

from __future__ import annotations

import hashlib
import uuid
from collections.abc import Mapping, Sequence
from dataclasses import replace
from typing import TYPE_CHECKING, Any

import click
from marshmallow import ValidationError

from service.cli_answers import HELP, Answer, NotUnderstood, understand
from service.cli_ask import flat
from service.cli_visit_text import (
    show_check,
    show_found,
    show_header,
    show_next,
    show_refused,
    show_verdict,
)
from service.errors import InvalidInput
from service.inspections.bill import PricedBill
from service.inspections.check_options import ENDS_VISIT, full_check
from service.inspections.evidence import NAMES_THE_PART
from service.inspections.limits_on_file import judging_of, quantities_of
from service.inspections.standing import Standing, stand
from service.inspections.visit_bill import bill_of_inspection
from service.inspections.visit_view import found_reply, inspection_reply
from service.inspections.visits import add_finding, close, start
from service.schemas.bill import BillQuery
from service.schemas.inspection import FindingAsked

if TYPE_CHECKING:
    from service.cli_context import Context

SKIP, STOP = "s", "q"


class Stopped(Exception):
    """The person wants to stop here."""


class Visit:
    """Reads from the terminal and writes to the database; holds nothing that is not in there."""

    def __init__(self, context: Context, shop_id: int, *, quiet: bool = False) -> None:
        self.context = context
        self.shop_id = shop_id
        self.quiet = quiet  # questions and answers to the error stream, the result alone to the output

    def start(self, request: Mapping[str, Any]) -> uuid.UUID:
        """Begin an inspection (checked by `InspectionAsked`)."""
        now = self.context.now
        with self.context.database.write() as session:
            row = start(session, self.shop_id, request, now=now, today=now.date(), settings=self.context.settings)
            return row.public_id

    def run(self, inspection_id: uuid.UUID, asking: str | None) -> None:
        """Check after check, then the verdict and the bill."""
        shown = self._shown(inspection_id)
        with self.context.database.read() as session:
            catalogue = stand(session, self.shop_id, inspection_id, self.context.settings).places.catalogue
        show_header(shown, catalogue, err=self.quiet)
        skipped: set[str] = set()
        try:
            while shown["closed_at"] is None and (line := _following(shown["plan"], skipped)) is not None:
                if not self._check(inspection_id, line, shown["plan"]):
                    skipped.add(line["check"])
                shown = self._shown(inspection_id)
            self._ask_to_close(inspection_id, shown)
        except (Stopped, click.exceptions.Abort):
            pass
        self._end(inspection_id, asking)

    def _shown(self, inspection_id: uuid.UUID) -> dict[str, Any]:
        with self.context.database.read() as session:
            standing = stand(session, self.shop_id, inspection_id, self.context.settings)
            return inspection_reply(session, standing, self.context.settings)

    def _prompt(self, text: str, **options: Any) -> Any:
        return click.prompt(text, err=self.quiet, **options)

    def _ask_to_close(self, inspection_id: uuid.UUID, shown: Mapping[str, Any]) -> None:
        if shown["closed_at"] is None and click.confirm("No check is left in these minutes. Close it?", err=self.quiet):
            with self.context.database.write() as session:
                close(stand(session, self.shop_id, inspection_id, self.context.settings).row, self.context.now)

    def _check(self, inspection_id: uuid.UUID, line: Mapping[str, Any], plan: Mapping[str, Any]) -> bool:
        """Show one check and take its findings; False where it was skipped."""
        show_check(line, plan, err=self.quiet)
        unmet = self._unmet(line["before"])
        with self.context.database.read() as session:
            standing = stand(session, self.shop_id, inspection_id, self.context.settings)
        done = False
        for component in _asked_apart(line, standing):
            done = self._part(inspection_id, line, component, unmet, standing) or done
        return done

    def _unmet(self, before: Sequence[str]) -> list[str]:
        """Conditions that are not met, by their numbers."""
        if not before:
            return []
        for number, text in enumerate(before, 1):
            click.echo(f"  {number} {text}", err=self.quiet)
        while True:
            told = self._prompt(
                "Which of these are NOT met? (numbers, Enter if all are)", default="", show_default=False
            )
            words = str(told).replace(",", " ").split()
            if words == [STOP]:
                raise Stopped
            if all(word.isdigit() and 1 <= int(word) <= len(before) for word in words):
                return [before[int(word) - 1][:200] for word in words]
            click.echo(f"Type numbers from 1 to {len(before)}, Enter, or q to stop.", err=self.quiet)

    def _part(
        self,
        inspection_id: uuid.UUID,
        line: Mapping[str, Any],
        component: str | None,
        unmet: Sequence[str],
        standing: Standing,
    ) -> bool:
        """Ask about one part until an answer is taken; False where it was skipped."""
        name = "" if component is None else standing.places.catalogue.component_by_slug[component].name
        places = () if component is None else standing.places.positions(component) or ()
        label = f"{name} ({', '.join(places)})" if len(places) > 1 else name or line["title"]
        while True:
            text = str(self._prompt(f"{label}: reading or outcome (? help, s skip, q stop)")).strip()
            if text.lower() == STOP:
                raise Stopped
            if text.lower() == SKIP:
                return False
            if text == "?":
                click.echo(f"Type {HELP}.", err=self.quiet)
                continue
            try:
                answer = self._placed(understand(text), component, places)
                asked = self._finding(line, component, answer, unmet, standing)
                self._record(inspection_id, asked)
                return True
            except (NotUnderstood, InvalidInput) as error:
                show_refused(str(error), err=self.quiet)
            except ValidationError as error:
                show_refused("; ".join(flat(error.messages)), err=self.quiet)

    def _placed(self, answer: Answer, component: str | None, places: Sequence[str]) -> Answer:
        """The answer with its place asked for, where a fail or a single reading is of one place among several."""
        of_one = answer.outcome == "fail" or len(answer.values) == 1
        if component is None or answer.position is not None or len(places) < 2 or not of_one:
            return answer
        while True:
            told = self._prompt(
                f"Which position ({', '.join(places)}; Enter if not known)", default="", show_default=False
            )
            place = str(told).strip().lower().replace(" ", "_")
            if place == STOP:
                raise Stopped
            if place in ("", *places):
                return replace(answer, position=place or None)
            show_refused(f"{place!r} is no position here.", err=self.quiet)

    def _finding(
        self,
        line: Mapping[str, Any],
        component: str | None,
        answer: Answer,
        unmet: Sequence[str],
        standing: Standing,
    ) -> dict[str, Any]:
        """The checked request for one finding, as over HTTP."""
        catalogue = standing.places.catalogue
        entry = catalogue.check_by_id[line["check"]]
        one_part = component or (line["components"][0] if len(line["components"]) == 1 else None)
        found: dict[str, Any] = {
            "check": line["check"],
            "component": component if component or answer.position is None else one_part,
            "position": answer.position,
            "outcome": answer.outcome,
            "part_mark": answer.part_mark,
            "prerequisites_unmet": list(unmet),
        }
        if any(target.when for target in entry.targets):
            found["engine_state"] = self._prompt("Engine", type=click.Choice(["hot", "cold"]))
        if answer.values:
            found["readings"] = [self._reading(line, one_part, answer, standing)]
        return dict(FindingAsked().load(found))

    def _reading(
        self, line: Mapping[str, Any], component: str | None, answer: Answer, standing: Standing
    ) -> dict[str, Any]:
        catalogue = standing.places.catalogue
        full = full_check(line["check"], catalogue)
        quantity = self._quantity(quantities_of(full.id, component, catalogue))
        unit = answer.unit
        if not unit:
            region = standing.row.circumstances["region"]
            known = judging_of(full.id, component, quantity, region, catalogue, "").unit
            unit = self._prompt("Unit", default=known)
        reading: dict[str, Any] = {"quantity": quantity, "values": list(answer.values), "unit": unit}
        if answer.leads is not None:
            reading["lead_resistance"] = {"value": answer.leads, "unit": unit}
        return reading

    def _quantity(self, quantities: Sequence[str]) -> str:
        if not quantities:
            raise NotUnderstood("No reading is judged here: type p, m, f or i for what was seen and felt.")
        if len(quantities) == 1:
            return quantities[0]
        for number, name in enumerate(quantities, 1):
            click.echo(f"  {number} {name}", err=self.quiet)
        return quantities[self._prompt("Which was read", type=click.IntRange(1, len(quantities))) - 1]

    def _record(self, inspection_id: uuid.UUID, asked: Mapping[str, Any]) -> None:
        settings = self.context.settings
        digest = hashlib.sha256(repr(sorted(asked.items(), key=str)).encode()).digest()
        with self.context.database.write() as session:
            before = stand(session, self.shop_id, inspection_id, settings)
            finding, _ = add_finding(session, before, asked, digest=digest, now=self.context.now)
            session.expire_all()
            now = stand(session, self.shop_id, inspection_id, settings)
            reply = found_reply(before.without(finding), now, finding, settings)
            catalogue = now.places.catalogue
        show_found(reply, catalogue, err=self.quiet)
        # A machine that is not the one on its papers needs no further check.
        ends = asked["check"][:3] in ENDS_VISIT and reply["finding"]["outcome"] == "fail"
        if ends and not click.confirm("A fail here ends the visit. Go on all the same?", err=self.quiet):
            raise Stopped
        show_next(reply["plan"], catalogue, err=self.quiet)

    def _end(self, inspection_id: uuid.UUID, asking: str | None) -> None:
        """The verdict and the bill; how to go on where something is left."""
        from service.cli_ask import checked

        terms = checked(BillQuery(), {} if asking is None else {"asking_price": asking})
        shown = self._shown(inspection_id)
        with self.context.database.read() as session:
            standing = stand(session, self.shop_id, inspection_id, self.context.settings)
            bill: PricedBill = bill_of_inspection(session, standing, terms, settings=self.context.settings)
        if self.quiet:
            from service.cli_context import as_json

            as_json({"inspection": shown, "bill": bill.to_dict()})
        else:
            show_verdict(shown, bill.to_dict(), standing.places.catalogue)
        if shown["closed_at"] is None:
            click.echo(f"Take it up again with: weakspot inspect --resume {inspection_id}", err=self.quiet)


def _following(plan: Mapping[str, Any], skipped: set[str]) -> Mapping[str, Any] | None:
    """The next line of the plan that was not skipped."""
    return next((line for line in plan["lines"] if line["check"] not in skipped), None)


def _asked_apart(line: Mapping[str, Any], standing: Standing) -> list[str | None]:
    """Parts a check is asked about one by one; None where one answer speaks for all of it."""
    full = full_check(line["check"], standing.places.catalogue)
    of_set = full.set_level and not line["quick_variant"]
    if of_set and full.id not in NAMES_THE_PART:
        return [None]
    slugs = list(dict.fromkeys(line["components"]))
    return [None] if of_set else list(slugs)
