"""Job lines in force as numpy columns, many of them fast.

All lines on record come many in one value (`packed_lines`); what is asked as of a past moment, or of few machines, goes
from the driver's cursor to arrays without an object a row.
"""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import replace
from datetime import date, datetime
from typing import Any

import numpy as np
from numpy.typing import NDArray
from sqlalchemy import String, cast, func, select
from sqlalchemy.orm import Session

from service.lines_read import (
    ACTION_WORDS,
    COLUMNS,
    QUALITY_CODES,
    REASON_WORDS,
    ROWS_AT_ONCE,
    SOURCE_WORDS,
    Codes,
    LinesRead,
    wanted_lines,
)
from service.models import Doubt, JobLine
from service.packed_lines import from_postgresql, from_sqlite, worth_packing
from service.past import in_force
from service.vocabulary import ASKING_KINDS, QUALITIES

FEW_MACHINES = 20


def read_lines(
    session: Session,
    *,
    shop_ids: Sequence[int] | None = None,
    machine_ids: Sequence[int] | None = None,
    known_at: datetime | None = None,
) -> LinesRead:
    """Lines of some shops or machines (None: all), in force at a moment (None: now)."""
    whole = known_at is None and machine_ids is None
    if whole and session.get_bind().dialect.name == "postgresql":
        read = from_postgresql(session, shop_ids)
    elif whole and worth_packing(session):
        read = from_sqlite(session, shop_ids)
    else:
        read = _fetched(session, shop_ids, machine_ids, known_at)
    return read.take(np.lexsort((read.origin, read.machine)))


def with_doubts_then(
    session: Session, read: LinesRead, shop_ids: Sequence[int] | None, known_at: datetime
) -> LinesRead:
    """Lines in doubt at a moment, whatever was settled or raised since."""
    return replace(read, in_doubt=np.isin(read.id, list(_doubtful_at(session, shop_ids, known_at))))


def _doubtful_at(session: Session, shop_ids: Sequence[int] | None, known_at: datetime) -> set[int]:
    """Lines about which something was open at a moment."""
    statement = select(Doubt.job_line_id).where(
        in_force(Doubt.raised_at, Doubt.settled_at, known_at),
        Doubt.kind.not_in(ASKING_KINDS),
    )
    if shop_ids is not None:
        statement = statement.where(Doubt.shop_id.in_(shop_ids))
    return set(session.scalars(statement))


def _fetched(
    session: Session,
    shop_ids: Sequence[int] | None,
    machine_ids: Sequence[int] | None,
    known_at: datetime | None,
) -> LinesRead:
    statement = select(
        JobLine.id, func.coalesce(JobLine.first_id, JobLine.id), JobLine.machine_id, JobLine.card_id,
        # as the driver has them: SQLAlchemy would make a date object of each
        func.coalesce(cast(JobLine.date_earliest, String), ""), func.coalesce(cast(JobLine.date_latest, String), ""),
        JobLine.odometer_km, func.coalesce(JobLine.component_type_id, 0), func.coalesce(JobLine.position, ""),
        JobLine.action, JobLine.reason, JobLine.source, JobLine.quality, JobLine.in_doubt,
    )  # fmt: skip
    statement = wanted_lines(statement, shop_ids, machine_ids, known_at)
    words = _Words()
    if machine_ids is not None and len(machine_ids) <= FEW_MACHINES:  # few rows: what counts is the statement itself
        return words.lines([words.columns(session.execute(statement).all())])
    # Straight to the driver's cursor: no row objects, no result processing.
    compiled = statement.compile(dialect=session.get_bind().dialect, compile_kwargs={"render_postcompile": True})
    connection = session.connection()
    parameters: Any = compiled.params
    if compiled.positional:
        processors = compiled._bind_processors
        parameters = tuple(
            processors[name](compiled.params[name]) if name in processors else compiled.params[name]
            for name in compiled.positiontup or ()
        )
    cursor = connection.connection.cursor()
    try:
        cursor.execute(str(compiled), parameters)
        parts = [words.columns(rows) for rows in iter(lambda: cursor.fetchmany(ROWS_AT_ONCE), [])]
    finally:
        cursor.close()
    return words.lines(parts or [words.columns([])])


class _Words:
    """Turns columns of words into columns of numbers, remembering what is what."""

    def __init__(self) -> None:
        self.days: dict[str, float] = {"": float("nan")}
        self.names: dict[str, int] = {}

    def columns(self, rows: Sequence[Any]) -> list[NDArray[Any]]:
        given = list(zip(*rows, strict=True)) or [()] * 14
        ids = [np.array(column, dtype=np.int64) for column in given[:4]]
        days = [np.array(self._days(column), dtype=float) for column in given[4:6]]
        km = np.array(given[6], dtype=float)
        component = np.array(given[7], dtype=np.int64)
        for name in sorted(set(given[8]) - {""} - self.names.keys()):
            self.names[name] = len(self.names)
        known = {**self.names, "": -1}
        position = np.array([known[name] for name in given[8]], dtype=np.int64)
        coded = [
            _coded(column, words)
            for column, words in zip(given[9:12], (ACTION_WORDS, REASON_WORDS, SOURCE_WORDS), strict=True)
        ]
        quality = QUALITY_CODES[_coded(given[12], QUALITIES)].astype(np.int8)
        return [*ids, *days, km, component, position, *coded, quality, np.array(given[13], dtype=bool)]

    def lines(self, parts: Sequence[Sequence[NDArray[Any]]]) -> LinesRead:
        """The lines whose columns were made in parts."""
        columns = [np.concatenate(column) for column in zip(*parts, strict=True)]
        return LinesRead(**dict(zip(COLUMNS, columns, strict=True)), names=tuple(self.names))

    def _days(self, column: Sequence[str]) -> list[float]:
        known = self.days
        for text in set(column) - known.keys():
            known[text] = float(date.fromisoformat(text).toordinal())
        return [known[text] for text in column]


def _coded(column: Sequence[str], words: Iterable[str]) -> Codes:
    codes = {word: code for code, word in enumerate(words)}
    return np.array([codes[word] for word in column], dtype=np.int8)
