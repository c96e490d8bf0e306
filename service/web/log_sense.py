"""What a card being written already says: the parts its words mean, the machine it names, what stands in doubt."""

from __future__ import annotations

import hashlib
import re
from collections.abc import Sequence
from datetime import date
from typing import Any

from sqlalchemy import func, select
from sqlalchemy.orm import Session

from service.corrections import Author
from service.imports.candidates import Context, candidates, decide
from service.imports.dates import read_date
from service.imports.faults import Fault
from service.imports.plan import Plan
from service.imports.words import CatalogueWords, catalogue_words
from service.line_entry import Entered
from service.log_figures import usual_prices
from service.models import Doubt, JobCard, JobLine, Machine, OdometerEntry
from service.review_answers import answer_doubts
from service.reviews import WORD_KINDS
from service.vocabulary import HOURS, JOB_LINE_COLUMNS, KM_PER_MILE
from service.web.formats import day, distance
from service.web.log_forms import CardForm, filled_lines
from service.web.names import DOUBT_NAMES
from service.web.texts import _

NUMBERED = re.compile(r"(.*?)([0-9]{1,18})")
OFFERED = 20  # machines in the list at the field


def understood(session: Session, shop_id: int, form: CardForm) -> list[dict[str, Any] | None]:
    """What each line's words were taken for, or can mean; None where there are no words yet."""
    words = catalogue_words(session, shop_id)
    sure = [_certain(words, line.words.data) for line in form.lines]
    usual = usual_prices(session, shop_id) if any(match is None for match in sure) else {}
    found: list[dict[str, Any] | None] = []
    for number, line in enumerate(form.lines):
        text = (line.words.data or "").strip()
        others = tuple(slug for other, slug in enumerate(sure) if slug and other != number)
        price = float(line.parts_cost.data) if line.parts_cost.data else None
        found.append(_one(words, text, Context(others, line.position.data or "", price, usual)) if text else None)
    return found


def _certain(words: CatalogueWords, text: str | None) -> str | None:
    match = words.component((text or "").strip()).component if text else None
    return match.slug if match else None


def _one(words: CatalogueWords, text: str, context: Context) -> dict[str, Any]:
    match = words.component(text)
    if match.component is None:
        match = decide(words, text, Context(context.neighbours, context.position)) or match
    if match.component is not None:
        part = match.component
        return {"part": part.slug, "how": match.mapped_by, "confidence": match.confidence, "places": part.positions}
    found = [(c.slug, c.meaning, c.weight) for c in candidates(words, text, context)]
    found = found or [(slug, slug, likeness) for slug, likeness in words.nearest(text)]
    return {"part": None, "kind": match.kind, "candidates": found}


def machines_like(session: Session, shop_id: int, text: str) -> Sequence[str]:
    """References of the shop's machines that contain a text, those written about last first."""
    wanted = select(Machine.reference).where(Machine.shop_id == shop_id)
    if text:
        wanted = wanted.where(func.lower(Machine.reference).contains(text.lower(), autoescape=True))
    return session.scalars(wanted.order_by(Machine.id.desc()).limit(OFFERED)).all()


def machine_named(session: Session, shop_id: int, reference: str) -> Machine | None:
    """The shop's machine of exactly that reference."""
    return session.scalar(select(Machine).where(Machine.shop_id == shop_id, Machine.reference == reference.strip()))


def readings_of(session: Session, machine: Machine | None) -> list[OdometerEntry]:
    """Readings of a machine that stand, by day."""
    if machine is None:
        return []
    rows = select(OdometerEntry).where(OdometerEntry.machine_id == machine.id, OdometerEntry.in_doubt.is_(False))
    return list(session.scalars(rows.where(OdometerEntry.read_on.is_not(None)).order_by(OdometerEntry.read_on)))


def contradiction(form: CardForm, readings: Sequence[OdometerEntry]) -> str | None:
    """Which reading on record speaks against the one on the card, in a sentence; only of the clock now fitted."""
    when, odometer = _day(form.date.data), form.odometer.data
    if when is None or odometer is None or form.unit.data == HOURS or not readings:
        return None
    km = float(odometer) * (KM_PER_MILE if form.unit.data == "mi" else 1.0)
    clock = readings[-1].segment_ordinal
    same = [entry for entry in readings if entry.segment_ordinal == clock and entry.read_on is not None]
    for entry in reversed(same):
        if entry.read_on <= when and entry.reading_km > km:  # type: ignore[operator]
            return _("Lower than %(km)s on %(day)s.", km=distance(entry.reading_km), day=day(entry.read_on))
    for entry in same:
        if entry.read_on > when and entry.reading_km < km:  # type: ignore[operator]
            return _("Higher than %(km)s on %(day)s.", km=distance(entry.reading_km), day=day(entry.read_on))
    return None


def _day(text: str | None) -> date | None:
    try:
        return read_date((text or "").strip()).middle
    except Fault:
        return None


def doubts_ahead(plan: Plan, form: CardForm) -> list[dict[str, Any]]:
    """What would stand in doubt if the card were written down as it is, once for each contradiction."""
    numbers = filled_lines(form)
    found: dict[tuple[str, str, str, bool], dict[str, Any]] = {}
    for doubt in plan.doubts:
        finding, earlier = doubt.finding, doubt.line_key is not None
        line = None if earlier or not numbers else numbers[doubt.line - 1]
        if line is not None and finding.kind in WORD_KINDS and form.lines[line].form.part.data:
            continue  # the person has said what was meant
        key = finding.kind, finding.column, finding.value, earlier
        found.setdefault(
            key,
            {
                "kind": finding.kind,
                "means": DOUBT_NAMES[finding.kind],
                "value": finding.value,
                "detail": finding.detail,
                "earlier": earlier,
            },
        )
    return list(found.values())


def mark_of(doubts: Sequence[dict[str, Any]]) -> str:
    """What a set of doubts goes by: the form says with it which ones were shown."""
    told = sorted(repr((d["kind"], d["value"], d["detail"], d["earlier"])) for d in doubts)
    return hashlib.sha256("\n".join(told).encode()).hexdigest()[:32] if told else ""


def answer_words(session: Session, shop_id: int, form: CardForm, entered: Sequence[Entered], author: Author) -> None:
    """Answer the doubts about words that the person had answered on the card already; the shop's words learn it."""
    answers = []
    for number, one in zip(filled_lines(form), entered, strict=False):
        part = form.lines[number].form.part.data
        if not part or not one.created:
            continue
        open_now = select(Doubt).where(
            Doubt.job_line_id == one.line.id, Doubt.kind.in_(WORD_KINDS), Doubt.settled_at.is_(None)
        )
        for doubt in session.scalars(open_now):
            answers.append({"doubt": doubt.public_id, "choice": "part", "component": part, "position": None,
                            "value": None, "unit": None, "apply_to_like": False})  # fmt: skip
    if answers:
        answer_doubts(session, shop_id, answers, author)


def next_card_number(session: Session, shop_id: int) -> str:
    """The number after the last card's, where those end in one."""
    last = session.scalar(select(JobCard.number).where(JobCard.shop_id == shop_id).order_by(JobCard.id.desc()).limit(1))
    found = NUMBERED.fullmatch(last or "")
    return f"{found[1]}{int(found[2]) + 1:0{len(found[2])}}"[:80] if found else ""


def stored_lines(session: Session, shop_id: int, card_id: int) -> Sequence[JobLine]:
    """The lines of a card that are in force."""
    wanted = select(JobLine).where(JobLine.shop_id == shop_id, JobLine.card_id == card_id)
    return session.scalars(wanted.where(JobLine.superseded_by_id.is_(None)).order_by(JobLine.id)).all()


def words_of(line: JobLine) -> str:
    """What stands in a line's cell for the part."""
    return line.as_written[JOB_LINE_COLUMNS.index("component")]
