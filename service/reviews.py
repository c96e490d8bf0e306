"""The review list: every open doubt with the evidence around it and the answers it takes."""

from __future__ import annotations

import uuid
from collections import Counter, defaultdict
from collections.abc import Mapping, Sequence
from datetime import date
from statistics import median
from typing import Any

from sqlalchemy import Row, Select, func, select
from sqlalchemy.orm import Session

from service.imports.candidates import Context, candidates
from service.imports.words import CatalogueWords, fold
from service.kept import Kept, database_key
from service.models import ComponentType, Doubt, ImportBatch, JobCard, JobLine, Machine
from service.queries import line_versions
from service.vocabulary import ASKING_KINDS, COMEBACK_CAUSES, JOB_LINE_COLUMNS

READINGS_SHOWN = 2  # before and after
_PLACE = {name: place for place, name in enumerate(JOB_LINE_COLUMNS)}
WORD_KINDS = ("unknown_word", "ambiguous_word")
BY_WORDS = frozenset({*WORD_KINDS, "position_unclear"})  # alike where the same words were written
_prices: Kept[Mapping[str, float]] = Kept(64)
_missing: Kept[dict[str, dict[str, Any]]] = Kept(64)
_shares: Kept[dict[str, Any]] = Kept(64)

# What each answer does, in plain words; the order is the one they are offered in.
CHOICES: Mapping[str, str] = {
    "part": "the part that was meant: component, and position where it has one",
    "position": "the position that was meant; empty if nobody knows",
    "reading": "the right reading: value and unit",
    "other_unit": "the number is right, the unit is the other one",
    "no_reading": "nobody read the clock: no reading",
    "date": "the right date as value",
    "action": "what was done, as value: renewed or repaired",
    "swapped": "two units changed places: each keeps its age",
    "reason": "why, as value: one of the reasons of the job-line file",
    "same_job": "one job written down twice: this line is taken out",
    "two_jobs": "two jobs indeed",
    "faulty_part": "one event: the new part was faulty",
    "wrong_diagnosis": "one event: the first diagnosis was wrong",
    "fitting": "one event: it was fitted badly",
    "two_events": "two failures that have nothing to do with each other",
    "as_written": "it is right as it is written",
    "withdraw": "the line stands for nothing: it is taken out",
}
_BY_COLUMN = {
    "component": ("part", "withdraw"),
    "position": ("position", "withdraw"),
    "odometer": ("reading", "other_unit", "no_reading", "as_written", "withdraw"),
    "unit": ("reading", "no_reading", "withdraw"),
    "date": ("date", "as_written", "withdraw"),
    "action": ("action", "swapped", "as_written", "withdraw"),
    "reason": ("reason", "as_written", "withdraw"),
}
_BY_KIND = {
    "not_on_model": ("as_written", "part", "withdraw"),
    "duplicate_card": ("same_job", "two_jobs"),
    "comeback": (*COMEBACK_CAUSES, "two_events", "same_job"),
}


def choices_of(kind: str, column: str) -> tuple[str, ...]:
    """The answers a doubt takes."""
    return _BY_KIND.get(kind) or _BY_COLUMN.get(column, ("as_written", "withdraw"))


def doubts_of(
    shop_id: int,
    *,
    kind: str | None = None,
    column: str | None = None,
    machine: uuid.UUID | None = None,
    import_id: uuid.UUID | None = None,
    settled: bool = False,
) -> Select[Any]:
    """A shop's doubts, open ones or answered ones."""
    statement = select(Doubt).where(Doubt.shop_id == shop_id)
    statement = statement.where(Doubt.settled_at.is_not(None) if settled else Doubt.settled_at.is_(None))
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
    """Doubts with their line, what stands around it, and the choices."""
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
        documents.append(
            {
                "id": doubt.public_id,
                "kind": doubt.kind,
                "column": doubt.column,
                "value": doubt.value,
                "detail": doubt.detail,
                "raised_at": doubt.raised_at,
                "settled_at": doubt.settled_at,
                "settled_by": doubt.settled_by,
                "choice": doubt.choice,
                "answer": doubt.answer,
                "why": doubt.why,
                "keeps_out_of_fits": doubt.settled_at is None and doubt.kind not in ASKING_KINDS,
                "job_line": line.public_id,
                "card": cards[line.card_id],
                "line": doubt.line_number,
                "cells": written_cells(line),
                "machine": {"id": machine.public_id, "reference": machine.reference},
                "same_card": [_short(other, slugs) for other in history if _same_card(other, line)],
                "readings": _readings_around(history, line),
                "candidates": _candidates(doubt, line, history, words, slugs, usual),
                "choices": [{"choice": c, "means": CHOICES[c]} for c in choices_of(doubt.kind, doubt.column)],
                "like": likes[like_key(doubt, line)] - 1 if doubt.settled_at is None else 0,
            }
        )
    return documents


def written_cells(line: JobLine | Row[Any]) -> dict[str, str]:
    """The cells that were filled, by column."""
    return {name: cell for name, cell in zip(JOB_LINE_COLUMNS, line.as_written, strict=True) if cell.strip()}


def _histories(session: Session, machine_ids: Sequence[int]) -> Mapping[int, list[Any]]:
    """The machines' lines in force, as rows of what is shown of them."""
    found: dict[int, list[Any]] = defaultdict(list)
    columns = select(
        JobLine.id, JobLine.machine_id, JobLine.card_id, JobLine.component_type_id, JobLine.position, JobLine.action,
        JobLine.reason, JobLine.date_earliest, JobLine.odometer_km, JobLine.in_doubt, JobLine.as_written,
    )  # fmt: skip
    wanted = columns.where(JobLine.machine_id.in_(machine_ids), JobLine.superseded_by_id.is_(None))
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
        .where(Doubt.shop_id == doubts[0].shop_id, Doubt.settled_at.is_(None))
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


def usual_prices(session: Session, shop_id: int) -> Mapping[str, float]:
    """The middle price the shop paid for each part, where its lines say; kept as long as its lines stay."""
    key = (*database_key(session), shop_id, line_versions(session, shop_id, None))
    return _prices.get(key, lambda: _usual_prices(session, shop_id))


def _usual_prices(session: Session, shop_id: int) -> dict[str, float]:
    rows = session.execute(
        select(ComponentType.slug, JobLine.parts_cost)
        .join(ComponentType, JobLine.component_type_id == ComponentType.id)
        .where(JobLine.shop_id == shop_id, JobLine.parts_cost.is_not(None), JobLine.superseded_by_id.is_(None))
    )
    prices: dict[str, list[float]] = defaultdict(list)
    for slug, cost in rows:
        if cost:
            prices[slug].append(float(cost))
    return {slug: median(costs) for slug, costs in prices.items()}


def missing_readings(session: Session, shop_id: int) -> dict[str, dict[str, Any]]:
    """Share of card lines without a reading, by reason: what is missing is seldom missing at random.

    Kept as long as the shop's lines stay.
    """
    key = (*database_key(session), shop_id, line_versions(session, shop_id, None))
    return _missing.get(key, lambda: _missing_readings(session, shop_id))


def _missing_readings(session: Session, shop_id: int) -> dict[str, dict[str, Any]]:
    rows = session.execute(
        select(JobLine.reason, func.count(), func.count(JobLine.odometer_km))
        .where(JobLine.shop_id == shop_id, JobLine.superseded_by_id.is_(None), JobLine.source == "card")
        .group_by(JobLine.reason)
        .order_by(JobLine.reason)
    )
    return {
        reason: {"lines": lines, "without_reading": lines - read, "share": (lines - read) / lines}
        for reason, lines, read in rows
    }


def doubt_share(session: Session, shop_id: int, import_id: int | None = None) -> dict[str, Any]:
    """Lines in force, how many of them nothing is fitted from, and their share."""
    statement = select(JobLine.in_doubt, func.count()).where(
        JobLine.shop_id == shop_id, JobLine.superseded_by_id.is_(None)
    )
    if import_id is not None:
        statement = statement.where(JobLine.import_id == import_id)
    counts: dict[bool, int] = {bool(key): n for key, n in session.execute(statement.group_by(JobLine.in_doubt))}
    lines = sum(counts.values())
    return {
        "lines": lines,
        "lines_in_doubt": counts.get(True, 0),
        "share_in_doubt": counts.get(True, 0) / lines if lines else 0.0,
    }


def kept_share(session: Session, shop_id: int, import_id: int | None = None) -> dict[str, Any]:
    """The same, kept as long as the shop's lines stay; for sessions that only read, as others may yet take it back."""
    key = (*database_key(session), shop_id, line_versions(session, shop_id, None), import_id)
    return _shares.get(key, lambda: doubt_share(session, shop_id, import_id))
