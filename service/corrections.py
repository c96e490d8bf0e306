"""Corrections of lines on record: a new line supersedes, with who wrote it and why; nothing is overwritten."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from datetime import date, datetime
from typing import NamedTuple

from sqlalchemy import or_, select, update
from sqlalchemy.orm import Session

from service import records
from service.errors import Conflict, InvalidInput
from service.imports.doubts import HISTORY_KINDS
from service.imports.faults import shorten
from service.imports.known import read_layouts, read_machines
from service.imports.missing_parts import NOT_ON_MODEL, missing_words, parts_missing
from service.imports.rows import ParsedRow, RowChecker
from service.imports.words import CatalogueWords, ComponentWord, match_position
from service.models import ComponentType, Doubt, JobLine, LineLink, Machine, Shop
from service.vocabulary import ASKING_KINDS, JOB_LINE_COLUMNS

# What a correction may change; which machine and card a line belongs to is said by writing a new line.
CORRECTABLE = (
    *("date", "odometer", "unit", "component", "position", "action", "reason", "source", "quality"),
    *("labour_hours", "parts_cost", "labour_cost", "currency", "notes"),
)
_PLACE = {name: place for place, name in enumerate(JOB_LINE_COLUMNS)}
BY_A_PERSON = "shop"


class Author(NamedTuple):
    """Who writes a correction or an answer, why, and when."""

    by: str
    why: str
    now: datetime
    today: date


class Part(NamedTuple):
    """What a line's words mean, said by a person."""

    component: ComponentWord | None
    position: str | None


def supersede(
    session: Session,
    line: JobLine,
    changes: Mapping[str, str],
    author: Author,
    words: CatalogueWords,
    part: Part | None = None,
    *,
    pointer: str = "/changes",
) -> JobLine:
    """Write the line that takes the place of `line`; the caller then refreshes the machine.

    `changes` are cells as the job-line file has them; `part` says what the words mean where a person said so.
    """
    if line.superseded_by_id is not None:
        raise Conflict("the line has been corrected already; correct the line that took its place")
    row = _checked(line, changes, pointer)
    new = JobLine(
        shop_id=line.shop_id,
        machine_id=line.machine_id,
        card_id=line.card_id,
        import_id=line.import_id,
        line_number=line.line_number,
        as_written=list(row.cells),
        action=row.action,
        reason=row.reason or "unknown",
        source=row.source,
        quality=row.quality,
        labour_hours=row.labour_hours,
        parts_cost=row.parts_cost,
        labour_cost=row.labour_cost,
        currency=row.currency or None,
        in_doubt=False,
        fingerprint=row.fingerprint,
        occurrence=_occurrence(session, line, row.fingerprint),
        recorded_at=author.now,
        first_id=line.first_id or line.id,
        recorded_by=author.by,
        correction_reason=author.why,
    )
    _place(new, line, row, changes)
    _understand(new, line, row, changes, words, part, pointer)
    session.add(new)
    session.flush()
    line.superseded_by_id = new.id
    _carry_doubts_over(session, line, new, changes, part, author)
    if new.component_type_id != line.component_type_id:
        _ask_about_missing_part(session, new, row.component, author)
    session.flush()
    return new


def _checked(line: JobLine, changes: Mapping[str, str], pointer: str) -> ParsedRow:
    cells = list(line.as_written)
    for name, value in changes.items():
        if name not in CORRECTABLE:
            raise InvalidInput(f"{name} cannot be corrected; write a new line instead", pointer=f"{pointer}/{name}")
        cells[_PLACE[name]] = value
    row = RowChecker().check(line.line_number, cells)
    if isinstance(row, ParsedRow):
        return row
    problem = row[0]
    raise InvalidInput(f"{problem.reason}; write {problem.instead}", pointer=f"{pointer}/{problem.column}")


def _place(new: JobLine, line: JobLine, row: ParsedRow, changes: Mapping[str, str]) -> None:
    """Date and reading: read anew where they were changed, else as they were understood before."""
    new.date_earliest, new.date_latest = line.date_earliest, line.date_latest
    if "date" in changes:
        new.date_earliest, new.date_latest = row.when if row.when is not None else (None, None)
    changed = {"odometer", "unit"} & set(changes)
    new.odometer_km = row.odometer_km if changed else line.odometer_km


def _understand(
    new: JobLine,
    line: JobLine,
    row: ParsedRow,
    changes: Mapping[str, str],
    words: CatalogueWords,
    part: Part | None,
    pointer: str,
) -> None:
    same_part = not {"component", "position"} & set(changes) and bool(row.component)
    if part is None and (same_part or not {"component", "position", "action"} & set(changes)):
        new.component_type_id, new.position = line.component_type_id, line.position
        new.mapped_by, new.mapping_confidence = line.mapped_by, line.mapping_confidence
        return
    part = part or _part_of(row, words, pointer)
    new.component_type_id = part.component.id if part.component else None
    new.position = part.position
    new.mapped_by, new.mapping_confidence = (BY_A_PERSON, 1.0) if part.component else (None, None)


def _part_of(row: ParsedRow, words: CatalogueWords, pointer: str) -> Part:
    if not row.component:
        return Part(None, None)
    match = words.component(row.component)
    if match.component is None:
        raise InvalidInput(match.detail, pointer=f"{pointer}/component")
    place = match_position(match.component, row.position)
    if place.kind:
        raise InvalidInput(place.detail, pointer=f"{pointer}/position")
    return Part(match.component, place.position if row.position else match.position)


def _occurrence(session: Session, line: JobLine, fingerprint: bytes) -> int:
    """A free number among equal lines; below zero where only the meaning changed, so that a file still matches."""
    numbers = select(JobLine.occurrence).where(JobLine.shop_id == line.shop_id, JobLine.fingerprint == fingerprint)
    taken = set(session.scalars(numbers))
    step = -1 if fingerprint == line.fingerprint else 1
    free = -1 if step < 0 else 0
    while free in taken:
        free += step
    return free


def _carry_doubts_over(
    session: Session, line: JobLine, new: JobLine, changes: Mapping[str, str], part: Part | None, author: Author
) -> None:
    """Open doubts end with their line; those the correction does not speak of are raised on its successor.

    Doubts about the history are looked for again by the refresh.
    """
    spoken_of = set(changes) | ({"component", "position"} if part else set())
    open_doubts = session.scalars(select(Doubt).where(Doubt.job_line_id == line.id, Doubt.settled_at.is_(None))).all()
    for doubt in open_doubts:
        if doubt.kind not in HISTORY_KINDS and doubt.column not in spoken_of:
            new.in_doubt = new.in_doubt or doubt.kind not in ASKING_KINDS
            session.add(
                Doubt(
                    shop_id=doubt.shop_id,
                    import_id=doubt.import_id,
                    job_line_id=new.id,
                    line_number=doubt.line_number,
                    kind=doubt.kind,
                    column=doubt.column,
                    value=doubt.value,
                    detail=doubt.detail,
                    raised_at=author.now,
                )
            )
        answered = doubt.column in spoken_of
        doubt.settled_at, doubt.settled_by = author.now, author.by if answered else records.SETTLED_BY_ROWS
        doubt.choice = "correction" if answered else None


def _ask_about_missing_part(session: Session, new: JobLine, written: str, author: Author) -> None:
    """A part that the machine's model does not carry is asked about, as in a file."""
    if new.component_type_id is None:
        return
    shop, machine = session.get_one(Shop, new.shop_id), session.get_one(Machine, new.machine_id)
    (record,) = read_machines(session, shop, [machine.reference])
    layout = read_layouts(session, {record.model_key}).get(record.model_key, {})
    slug = session.get_one(ComponentType, new.component_type_id).slug
    if slug not in parts_missing(record, layout):
        return
    new.in_doubt = True
    session.add(
        Doubt(
            shop_id=new.shop_id,
            import_id=new.import_id,
            job_line_id=new.id,
            line_number=new.line_number,
            kind=NOT_ON_MODEL,
            column="component",
            value=shorten(written or slug),
            detail=missing_words(record.model, slug),
            raised_at=author.now,
        )
    )


def trail_of(session: Session, line: JobLine) -> Sequence[JobLine]:
    """The line first written down and everything that took its place, oldest first."""
    origin = line.first_id or line.id
    same = or_(JobLine.id == origin, JobLine.first_id == origin)
    return session.scalars(
        select(JobLine).where(JobLine.machine_id == line.machine_id, same).order_by(JobLine.id)
    ).all()


def add_link(
    session: Session, line: JobLine, other: int | None, kind: str, author: Author, *, cause: str | None = None
) -> LineLink:
    """Say what a line has to do with another; both go by the line first written down."""
    link = LineLink(
        shop_id=line.shop_id,
        line_id=line.first_id or line.id,
        to_line_id=other,
        kind=kind,
        cause=cause,
        why=author.why,
        made_by=author.by,
        made_at=author.now,
    )
    session.add(link)
    session.flush()
    return link


def undo_link(session: Session, link: LineLink, author: Author) -> None:
    """Take a link back; it stays on record."""
    if link.undone_at is not None:
        raise Conflict("the link has been undone already")
    link.undone_at, link.undone_by, link.undone_why = author.now, author.by, author.why
    session.flush()


def settle_all(session: Session, line: JobLine, author: Author) -> None:
    """End every open doubt of a line that stands for nothing any more."""
    open_doubts = Doubt.job_line_id == line.id, Doubt.settled_at.is_(None)
    session.execute(
        update(Doubt).where(*open_doubts).values(settled_at=author.now, settled_by=author.by, why=author.why)
    )


def line_in_force(session: Session, origin: int) -> JobLine:
    """The line that now stands in the place of one first written down."""
    first = session.get_one(JobLine, origin)
    return trail_of(session, first)[-1]


def shop_row(session: Session, shop_id: int) -> Shop:
    """The shop, held against other writers of its lines until the transaction ends."""
    return session.get_one(Shop, shop_id, with_for_update=True)
