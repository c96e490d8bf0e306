"""Answers to doubts: in bulk, applied to like rows on request, each with who gave it, when and why."""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, field
from typing import Any

from sqlalchemy import select
from sqlalchemy.orm import Session

from service import records
from service.corrections import Author, Part, add_link, settle_all, shop_row, supersede
from service.errors import Conflict, InvalidInput
from service.imports.known import read_histories
from service.imports.near_events import near_pairs
from service.imports.refresh import refresh_machines
from service.imports.words import CatalogueWords, catalogue_words, fold, match_position
from service.models import ComponentType, Doubt, JobLine, ShopWord
from service.review_choices import choices_of
from service.reviews import like_doubts
from service.vocabulary import COMEBACK_CAUSES, JOB_LINE_COLUMNS, LINKS_THAT_REMOVE, REASONS

_PLACE = {name: place for place, name in enumerate(JOB_LINE_COLUMNS)}
# Answers that name one row's own value are not applied to others.
OWN_VALUE = ("reading", "date")


@dataclass
class _Pending:
    """Everything one line is told in one request: it is superseded once."""

    line: JobLine
    pointer: str
    changes: dict[str, str] = field(default_factory=dict)
    part: Part | None = None
    rewritten: bool = False
    links: list[tuple[str, int | None, str | None]] = field(default_factory=list)


class _Desk:
    """One request's answers, collected line by line and then written."""

    def __init__(self, session: Session, shop_id: int, author: Author) -> None:
        self.session, self.author = session, author
        self.shop = shop_row(session, shop_id)
        self.words: CatalogueWords = catalogue_words(session, shop_id)
        self.pending: dict[int, _Pending] = {}
        self.answered: set[int] = set()
        self.skipped = 0

    def take(self, item: Mapping[str, Any], pointer: str) -> None:
        """Collect one answer and, if it is asked for, the same for like rows."""
        doubt = self.session.scalar(
            select(Doubt).where(Doubt.shop_id == self.shop.id, Doubt.public_id == item["doubt"])
        )
        if doubt is None:
            raise InvalidInput("there is no such doubt", pointer=f"{pointer}/doubt")
        if doubt.id in self.answered:
            return
        if doubt.settled_at is not None:
            raise Conflict("the doubt has been settled already", pointer=f"{pointer}/doubt")
        allowed = choices_of(doubt.kind, doubt.column)
        if item["choice"] not in allowed:
            raise InvalidInput(f"this doubt takes one of {', '.join(allowed)}", pointer=f"{pointer}/choice")
        if item["apply_to_like"] and item["choice"] in OWN_VALUE:
            raise InvalidInput(
                "a reading or a date is one row's own; answer the like rows one by one",
                pointer=f"{pointer}/apply_to_like",
            )
        line = self.session.get_one(JobLine, doubt.job_line_id)
        like = like_doubts(self.session, doubt, line) if item["apply_to_like"] else []
        self._answer(doubt, line, item, pointer)
        self._learn(doubt, line, item)
        for other, its_line in like:
            if other.id not in self.answered:
                try:
                    self._answer(other, its_line, item, pointer)
                except InvalidInput:  # the like row's own position does not fit: it stays on the list
                    self.skipped += 1

    def _answer(self, doubt: Doubt, line: JobLine, item: Mapping[str, Any], pointer: str) -> None:
        pending = self.pending.get(line.id) or _Pending(line, pointer)
        _HANDLERS[item["choice"]](self, pending, doubt, item, pointer)
        self.pending[line.id] = pending
        self.answered.add(doubt.id)
        doubt.settled_at, doubt.settled_by = self.author.now, self.author.by
        doubt.choice, doubt.why = item["choice"], self.author.why
        doubt.answer = item["component"] or item["value"] or item["position"]
        self.session.flush()

    def _learn(self, doubt: Doubt, line: JobLine, item: Mapping[str, Any]) -> None:
        # Where the model lacks the part, the slip was made on this machine: the word goes on meaning what it meant.
        if item["choice"] != "part" or doubt.kind == "not_on_model":
            return
        text = line.as_written[_PLACE["component"]]
        self.session.add(
            ShopWord(
                shop_id=self.shop.id,
                folded=fold(text),
                as_written=text,
                component_type_id=self.words.components[item["component"]].id,
                position=item["position"] or None,
                confirmed_by=self.author.by,
                confirmed_at=self.author.now,
            )
        )

    def write(self) -> dict[str, Any]:
        """Write the lines and links, and look at the machines again."""
        written = 0
        for pending in self.pending.values():
            for kind, other, cause in pending.links:
                add_link(self.session, pending.line, other, kind, self.author, cause=cause)
            kinds = {kind for kind, _, _ in pending.links}
            if kinds & {*LINKS_THAT_REMOVE, "swap"}:
                settle_all(self.session, pending.line, self.author)
                records.mark_lines(self.session, [pending.line.id])
            if pending.rewritten and not kinds & set(LINKS_THAT_REMOVE):
                supersede(
                    self.session, pending.line, pending.changes, self.author, self.words, pending.part,
                    pointer=pending.pointer,
                )  # fmt: skip
                written += 1
        lines = [pending.line for pending in self.pending.values()]
        if lines:
            machines = [line.machine_id for line in lines]
            refresh_machines(self.session, self.shop, machines, lines, now=self.author.now, today=self.author.today)
        return {"answered": len(self.answered), "lines_superseded": written, "like_rows_left": self.skipped}

    def first_of_pair(self, line: JobLine) -> int:
        """The line, by the one first written down, that this one repeats."""
        origin = line.first_id or line.id
        pairs = near_pairs(read_histories(self.session, [line.machine_id])[line.machine_id].lines)
        found = [pair.first.order for pair in pairs if pair.again.order == origin]
        if not found:
            raise Conflict("the two lines no longer lie within days of each other; read the list again")
        return found[0]


def answer_doubts(session: Session, shop_id: int, answers: Sequence[Mapping[str, Any]], author: Author) -> Any:
    """Write answers (checked by `AnswersAsked`) down; all or none."""
    desk = _Desk(session, shop_id, author)
    for number, item in enumerate(answers):
        desk.take(item, f"/answers/{number}")
    return desk.write()


Handler = Callable[[_Desk, _Pending, Doubt, Mapping[str, Any], str], None]


def _part(desk: _Desk, pending: _Pending, doubt: Doubt, item: Mapping[str, Any], pointer: str) -> None:
    component = desk.words.components.get(item["component"] or "")
    if component is None:
        raise InvalidInput("not a component of the catalogue", pointer=f"{pointer}/component")
    text = item["position"]
    if text is None:
        text = pending.line.as_written[_PLACE["position"]].strip()
    place = match_position(component, text)
    if place.kind:
        raise InvalidInput(place.detail, pointer=f"{pointer}/position")
    pending.part, pending.rewritten = Part(component, place.position), True


def _position(desk: _Desk, pending: _Pending, doubt: Doubt, item: Mapping[str, Any], pointer: str) -> None:
    if item["position"] is None:
        raise InvalidInput("give the position, or an empty text if nobody knows", pointer=f"{pointer}/position")
    slug = desk.session.scalar(select(ComponentType.slug).where(ComponentType.id == pending.line.component_type_id))
    component = pending.part.component if pending.part else desk.words.components.get(slug or "")
    assert component is not None, "a position is only in doubt where the part is known"
    place = match_position(component, item["position"])
    if place.kind:
        raise InvalidInput(place.detail, pointer=f"{pointer}/position")
    pending.part, pending.rewritten = Part(component, place.position), True


def _reading(desk: _Desk, pending: _Pending, doubt: Doubt, item: Mapping[str, Any], pointer: str) -> None:
    for name in ("value", "unit"):
        if not item[name]:
            raise InvalidInput(f"give the {name} of the reading", pointer=f"{pointer}/{name}")
    pending.changes |= {"odometer": item["value"], "unit": item["unit"]}
    pending.rewritten = True


def _other_unit(desk: _Desk, pending: _Pending, doubt: Doubt, item: Mapping[str, Any], pointer: str) -> None:
    unit = pending.line.as_written[_PLACE["unit"]].strip()
    pending.changes["unit"] = "km" if unit == "mi" else "mi"
    pending.rewritten = True


def _no_reading(desk: _Desk, pending: _Pending, doubt: Doubt, item: Mapping[str, Any], pointer: str) -> None:
    pending.changes |= {"odometer": "", "unit": ""}
    pending.rewritten = True


def _date(desk: _Desk, pending: _Pending, doubt: Doubt, item: Mapping[str, Any], pointer: str) -> None:
    if not item["value"]:
        raise InvalidInput("give the date as value", pointer=f"{pointer}/value")
    pending.changes["date"] = item["value"]
    pending.rewritten = True


def _action(desk: _Desk, pending: _Pending, doubt: Doubt, item: Mapping[str, Any], pointer: str) -> None:
    if item["value"] not in ("renewed", "repaired"):
        raise InvalidInput("give renewed or repaired as value", pointer=f"{pointer}/value")
    pending.changes["action"] = item["value"]
    pending.rewritten = True


def _swapped(desk: _Desk, pending: _Pending, doubt: Doubt, item: Mapping[str, Any], pointer: str) -> None:
    line = pending.line
    others = desk.session.scalars(
        select(JobLine).where(
            JobLine.card_id == line.card_id,
            JobLine.component_type_id == line.component_type_id,
            JobLine.action == line.action,
            JobLine.position != line.position,
            JobLine.superseded_by_id.is_(None),
        )
    ).all()
    if len(others) != 1:
        raise InvalidInput("a swap needs two lines of one card, each with its place", pointer=f"{pointer}/choice")
    (other,) = others
    pending.links.append(("swap", other.first_id or other.id, None))
    settle_all(desk.session, other, desk.author)
    records.mark_lines(desk.session, [other.id])
    open_now = select(Doubt.id).where(Doubt.job_line_id == other.id)
    desk.answered.update(desk.session.scalars(open_now))


def _reason(desk: _Desk, pending: _Pending, doubt: Doubt, item: Mapping[str, Any], pointer: str) -> None:
    if item["value"] not in REASONS:
        raise InvalidInput(f"give one of {', '.join(REASONS)} as value", pointer=f"{pointer}/value")
    pending.changes["reason"] = item["value"]
    pending.rewritten = True


def _as_written(desk: _Desk, pending: _Pending, doubt: Doubt, item: Mapping[str, Any], pointer: str) -> None:
    pending.rewritten = True


def _withdraw(desk: _Desk, pending: _Pending, doubt: Doubt, item: Mapping[str, Any], pointer: str) -> None:
    pending.links.append(("withdrawn", None, None))


def _same_job(desk: _Desk, pending: _Pending, doubt: Doubt, item: Mapping[str, Any], pointer: str) -> None:
    pending.links.append(("duplicate", desk.first_of_pair(pending.line), None))


def _two_events(desk: _Desk, pending: _Pending, doubt: Doubt, item: Mapping[str, Any], pointer: str) -> None:
    pending.links.append(("two_events", desk.first_of_pair(pending.line), None))


def _comeback(desk: _Desk, pending: _Pending, doubt: Doubt, item: Mapping[str, Any], pointer: str) -> None:
    pending.links.append(("comeback", desk.first_of_pair(pending.line), item["choice"]))


_HANDLERS: Mapping[str, Handler] = {
    "part": _part,
    "position": _position,
    "reading": _reading,
    "other_unit": _other_unit,
    "no_reading": _no_reading,
    "date": _date,
    "action": _action,
    "reason": _reason,
    "swapped": _swapped,
    "as_written": _as_written,
    "withdraw": _withdraw,
    "same_job": _same_job,
    "two_jobs": _two_events,
    "two_events": _two_events,
    **dict.fromkeys(COMEBACK_CAUSES, _comeback),
}
