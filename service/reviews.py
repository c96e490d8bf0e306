"""The review list: every open doubt with the evidence around it and the answers it takes."""

from __future__ import annotations

import uuid
from collections import Counter, defaultdict
from collections.abc import Mapping, Sequence
from datetime import date, datetime
from typing import Any

from sqlalchemy import Row, Select, func, select
from sqlalchemy.orm import Session

from service.imports.candidates import Context, candidates
from service.imports.words import CatalogueWords, fold
from service.log_figures import usual_prices
from service.models import ComponentType, Doubt, ImportBatch, JobCard, JobLine, Machine
from service.past import in_doubt_at, in_force, lines_then, reads_the_past, said_by
from service.review_choices import CHOICES, choices_of
from service.vocabulary import ASKING_KINDS, JOB_LINE_COLUMNS

READINGS_SHOWN = 2  # before and after
_PLACE = {name: place for place, name in enumerate(JOB_LINE_COLUMNS)}
WORD_KINDS = ("unknown_word", "ambiguous_word")
BY_WORDS = frozenset({*WORD_KINDS, "position_unclear"})  # alike where the same words were written


def doubts_of(
    shop_id: int,
    *,
    known_at: datetime | None = None,
    kind: str | None = None,
    column: str | None = None,
    machine: uuid.UUID | None = None,
    import_id: uuid.UUID | None = None,
    settled: bool = False,
) -> Select[Any]:
    """A shop's doubts, open ones or answered ones, now or at a past moment."""
    statement = select(Doubt).where(Doubt.shop_id == shop_id, *said_by(Doubt.raised_at, known_at))
    still_open = in_force(Doubt.raised_at, Doubt.settled_at, known_at)
    statement = statement.where(~still_open if settled else still_open)
    if kind is not None:
        statement = statement.where(Doubt.kind == kind)
    if column is not None:
        statement = statement.where(Doubt.column == column)
    if machine is not None:
        lines = select(JobLine.id).join(Machine, JobLine.machine_id == Machine.id)
        statement = statement.where(Doubt.job_line_id.in_(lines.where(Machine.public_id == machine)))
    if import_id is not None:
        batch = select(ImportBatch.id).where(ImportBatch.public_id == import_id).scalar_subquery()
        statement = statement.where(Doubt.import_id == batch)
    return statement


def like_key(doubt: Any, line: Any) -> tuple[Any, ...]:
    """Doubts of equal keys can take one answer: the same word everywhere, other contradictions on one machine.

    Takes a `Doubt` and its `JobLine`, or rows with their columns.
    """
    if doubt.kind in WORD_KINDS:
        return "word", fold(line.as_written[_PLACE["component"]])
    if doubt.kind == "position_unclear":
        return "position", line.component_type_id, fold(line.as_written[_PLACE["position"]])
    if doubt.kind == "not_on_model":
        return doubt.kind, line.component_type_id, line.machine_id
    if doubt.kind == "filler_reading":
        return doubt.kind, doubt.value
    return doubt.kind, doubt.column, line.machine_id


def like_doubts(session: Session, doubt: Doubt, line: JobLine) -> list[tuple[Doubt, JobLine]]:
    """The shop's other open doubts that take the same answer."""
    key = like_key(doubt, line)
    kinds = WORD_KINDS if doubt.kind in WORD_KINDS else (doubt.kind,)
    rows = session.execute(
        select(Doubt, JobLine)
        .join(JobLine, Doubt.job_line_id == JobLine.id)
        .where(Doubt.shop_id == doubt.shop_id, Doubt.settled_at.is_(None), Doubt.kind.in_(kinds))
        .where(Doubt.id != doubt.id)
        .order_by(Doubt.id)
    )
    return [(other, its_line) for other, its_line in rows if like_key(other, its_line) == key]


def review_documents(session: Session, doubts: Sequence[Doubt], words: CatalogueWords) -> list[dict[str, Any]]:
    """Doubts with their line, what stands around it, and the choices; as they were when the session reads as of."""
    known_at = reads_the_past(session)
    lines = {
        line.id: line
        for line in session.scalars(select(JobLine).where(JobLine.id.in_({doubt.job_line_id for doubt in doubts})))
    }
    machines = {
        row.id: row
        for row in session.scalars(select(Machine).where(Machine.id.in_({line.machine_id for line in lines.values()})))
    }
    cards = {
        row.id: row.number
        for row in session.scalars(select(JobCard).where(JobCard.id.in_({line.card_id for line in lines.values()})))
    }
    around = _histories(session, list(machines))
    likes = _like_counts(session, doubts)
    slugs = dict(session.execute(select(ComponentType.id, ComponentType.slug)).all())
    usual = usual_prices(session, doubts[0].shop_id) if doubts else {}
    documents = []
    for doubt in doubts:
        line = lines[doubt.job_line_id]
        history = around[line.machine_id]
        machine = machines[line.machine_id]
        answer = _answer(doubt, known_at)
        documents.append(
            {
                "id": doubt.public_id,
                "kind": doubt.kind,
                "column": doubt.column,
                "value": doubt.value,
                "detail": doubt.detail,
                "raised_at": doubt.raised_at,
                **answer,
                "keeps_out_of_fits": answer["settled_at"] is None and doubt.kind not in ASKING_KINDS,
                "job_line": line.public_id,
                "card": cards[line.card_id],
                "line": doubt.line_number,
                "cells": written_cells(line),
                "machine": {"id": machine.public_id, "reference": machine.reference},
                "same_card": [_short(other, slugs) for other in history if _same_card(other, line)],
                "readings": _readings_around(history, line),
                "candidates": _candidates(doubt, line, history, words, slugs, usual),
                "choices": [{"choice": c, "means": CHOICES[c]} for c in choices_of(doubt.kind, doubt.column)],
                "like": likes[like_key(doubt, line)] - 1 if answer["settled_at"] is None else 0,
            }
        )
    return documents


def _answer(doubt: Doubt, known_at: datetime | None) -> dict[str, Any]:
    """How a doubt was settled; nothing where it was still open at a moment (None: now)."""
    names = ("settled_at", "settled_by", "choice", "answer", "why")
    if known_at is not None and doubt.settled_at is not None and doubt.settled_at > known_at:
        return dict.fromkeys(names)
    return {name: getattr(doubt, name) for name in names}


def written_cells(line: JobLine | Row[Any]) -> dict[str, str]:
    """The cells that were filled, by column."""
    return {name: cell for name, cell in zip(JOB_LINE_COLUMNS, line.as_written, strict=True) if cell.strip()}


def _histories(session: Session, machine_ids: Sequence[int]) -> Mapping[int, list[Any]]:
    """The machines' lines in force, as rows of what is shown of them."""
    known_at = reads_the_past(session)
    found: dict[int, list[Any]] = defaultdict(list)
    columns = select(
        JobLine.id, JobLine.machine_id, JobLine.card_id, JobLine.component_type_id, JobLine.position, JobLine.action,
        JobLine.reason, JobLine.date_earliest, JobLine.odometer_km, in_doubt_at(known_at).label("in_doubt"),
        JobLine.as_written,
    )  # fmt: skip
    wanted = lines_then(columns.where(JobLine.machine_id.in_(machine_ids)), known_at)
    for line in session.execute(wanted.order_by(JobLine.id)):
        found[line.machine_id].append(line)
    return found


def _like_counts(session: Session, doubts: Sequence[Doubt]) -> Counter[tuple[Any, ...]]:
    """How many open doubts take one answer, by key."""
    kinds = {doubt.kind for doubt in doubts}
    if kinds & set(WORD_KINDS):
        kinds |= set(WORD_KINDS)
    found: Counter[tuple[Any, ...]] = Counter()
    if not doubts:
        return found
    # Plain rows, counted by the database: a shop may have thousands of open doubts, and objects for all of them, and
    # their lines as they were written where no word is asked about, take most of a page's time.
    told = [Doubt.kind, Doubt.column, Doubt.value, JobLine.component_type_id, JobLine.machine_id]
    open_ones = (
        select(*told)
        .join(JobLine, Doubt.job_line_id == JobLine.id)
        .where(Doubt.shop_id == doubts[0].shop_id)
        .where(in_force(Doubt.raised_at, Doubt.settled_at, reads_the_past(session)))
    )
    asked_of_words = kinds & BY_WORDS
    if asked_of_words:
        rows = session.execute(open_ones.add_columns(JobLine.as_written).where(Doubt.kind.in_(asked_of_words)))
        found.update(like_key(row, row) for row in rows)
    if kinds - BY_WORDS:
        counted = open_ones.add_columns(func.count().label("many")).where(Doubt.kind.in_(kinds - BY_WORDS))
        for row in session.execute(counted.group_by(*told)):
            found[like_key(row, row)] += row.many
    return found


def _same_card(other: Any, line: JobLine) -> bool:
    return other.card_id == line.card_id and other.id != line.id


def _short(line: Any, slugs: Mapping[int, str]) -> dict[str, Any]:
    return {
        "component": slugs.get(line.component_type_id or 0),
        "as_written": line.as_written[_PLACE["component"]],
        "position": line.position,
        "action": line.action,
        "reason": line.reason,
    }


def _readings_around(history: Sequence[Any], line: JobLine) -> list[dict[str, Any]]:
    """The machine's readings just before and after the line, on other days."""
    if line.date_earliest is None:
        return []
    read: dict[date, Any] = {
        other.date_earliest: other
        for other in history
        if other.odometer_km is not None and other.date_earliest is not None and other.id != line.id
    }
    before = sorted(day for day in read if day <= line.date_earliest)[-READINGS_SHOWN:]
    after = sorted(day for day in read if day > line.date_earliest)[:READINGS_SHOWN]
    return [
        {
            "date": day.isoformat(),
            "odometer": read[day].as_written[_PLACE["odometer"]],
            "unit": read[day].as_written[_PLACE["unit"]],
            "in_doubt": read[day].in_doubt,
        }
        for day in before + after
    ]


def _candidates(
    doubt: Doubt,
    line: JobLine,
    history: Sequence[Any],
    words: CatalogueWords,
    slugs: Mapping[int, str],
    usual: Mapping[str, float],
) -> list[dict[str, Any]]:
    if doubt.kind not in WORD_KINDS:
        return []
    text = line.as_written[_PLACE["component"]]
    neighbours = tuple(
        slugs[other.component_type_id]
        for other in history
        if _same_card(other, line) and other.component_type_id is not None
    )
    price = float(line.parts_cost) if line.parts_cost else None
    context = Context(
        tuple(slug for slug in neighbours if slug in words.components),
        line.as_written[_PLACE["position"]],
        price,
        usual,
    )
    found = candidates(words, text, context)
    if found:
        return [{"component": c.slug, "meaning": c.meaning, "weight": c.weight} for c in found]
    return [{"component": slug, "meaning": slug, "weight": weight} for slug, weight in words.nearest(text)]
