"""Job lines in force as numpy columns, many of them fast.

Rows go from the driver to arrays without an object a row: from SQLite's cursor by the thousand, from PostgreSQL as
bytes of one width, many lines in one value, since the driver takes longer over a row than over what is in it. What is
asked as of a past moment, or of few machines, takes the plain way.
"""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import dataclass, fields, replace
from datetime import date, datetime
from functools import reduce
from typing import Any

import numpy as np
from numpy.typing import NDArray
from sqlalchemy import (
    ARRAY,
    BigInteger,
    Float,
    Integer,
    SmallInteger,
    String,
    cast,
    func,
    literal,
    literal_column,
    select,
)
from sqlalchemy.orm import Session

from analytics.spells import Bools, Floats, Ints, Quality
from service.models import Doubt, JobLine
from service.past import in_force, lines_then
from service.vocabulary import ACTIONS, ASKING_KINDS, QUALITIES, REASONS, SOURCES

SWAPPED = "swapped"
ACTION_WORDS = np.array([*ACTIONS, SWAPPED], dtype=object)
REASON_WORDS = np.array(REASONS, dtype=object)
SOURCE_WORDS = np.array(SOURCES, dtype=object)
QUALITY_OF_WORD = {quality.name.lower(): int(quality) for quality in Quality}
QUALITY_CODES = np.array([QUALITY_OF_WORD[word] for word in QUALITIES])
ROWS_AT_ONCE = 50_000
FEW_MACHINES = 20
_NO_DAY = date(1, 1, 1)  # stands for none in what PostgreSQL sends
_POSTGRES_EPOCH = date(2000, 1, 1).toordinal()

Codes = NDArray[np.int8]


@dataclass(frozen=True)
class LinesRead:
    """Lines by machine, then in the order written (a correction in the place of what it corrects); columns (n,).

    `origin` is the line first written down; days are ordinals, nan where unknown; `component_type` is 0 for none;
    `position` an index into `names`, -1 for none; `action`, `reason` and `source` are places in the word lists above,
    `quality` is an `analytics.spells.Quality`.
    """

    id: Ints
    origin: Ints
    machine: Ints
    card: Ints
    earliest: Floats
    latest: Floats
    odometer_km: Floats
    component_type: Ints
    position: Ints
    action: Codes
    reason: Codes
    source: Codes
    quality: Codes
    in_doubt: Bools
    names: tuple[str, ...]

    def __len__(self) -> int:
        return len(self.id)

    def take(self, rows: Ints | Bools) -> LinesRead:
        """Some of the lines."""
        return replace(self, **{f.name: getattr(self, f.name)[rows] for f in fields(self) if f.name != "names"})

    def names_used(self) -> list[str]:
        """Names of the positions that these lines name."""
        return [self.names[k] for k in np.unique(self.position[self.position >= 0]).tolist()]


def read_lines(
    session: Session,
    *,
    shop_ids: Sequence[int] | None = None,
    machine_ids: Sequence[int] | None = None,
    known_at: datetime | None = None,
) -> LinesRead:
    """Lines of some shops or machines (None: all), in force at a moment (None: now)."""
    fast = known_at is None and machine_ids is None and session.get_bind().dialect.name == "postgresql"
    read = _packed(session, shop_ids) if fast else _fetched(session, shop_ids, machine_ids, known_at)
    return read.take(np.lexsort((read.origin, read.machine)))


def _wanted(
    statement: Any, shop_ids: Sequence[int] | None, machine_ids: Sequence[int] | None, known_at: datetime | None
) -> Any:
    if shop_ids is not None:
        statement = statement.where(JobLine.shop_id.in_(shop_ids))
    if machine_ids is not None:
        statement = statement.where(JobLine.machine_id.in_(machine_ids))
    return lines_then(statement, known_at)


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
    statement = _wanted(statement, shop_ids, machine_ids, known_at)
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


_COLUMNS = tuple(f.name for f in fields(LinesRead) if f.name != "names")


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
        return LinesRead(**dict(zip(_COLUMNS, columns, strict=True)), names=tuple(self.names))

    def _days(self, column: Sequence[str]) -> list[float]:
        known = self.days
        for text in set(column) - known.keys():
            known[text] = float(date.fromisoformat(text).toordinal())
        return [known[text] for text in column]


def _coded(column: Sequence[str], words: Iterable[str]) -> Codes:
    codes = {word: code for code, word in enumerate(words)}
    return np.array([codes[word] for word in column], dtype=np.int8)


_PACKED = np.dtype(
    [
        *((name, ">i8") for name in ("id", "origin", "machine", "card")),
        *((name, ">i4") for name in ("earliest", "latest")),
        ("odometer_km", ">f8"),
        ("component_type", ">i8"),
        *((name, ">i2") for name in ("position", "action", "reason", "source", "quality", "in_doubt")),
    ]
)


def _packed(session: Session, shop_ids: Sequence[int] | None) -> LinesRead:
    """PostgreSQL writes each line as bytes of one width and hands them over by the thousand."""
    named = select(JobLine.position).where(JobLine.position.is_not(None)).distinct().order_by(JobLine.position)
    names = tuple(name for name in session.scalars(named) if name is not None)

    def small(number: Any) -> Any:
        return func.int2send(cast(number, SmallInteger))

    def code(column: Any, words: Sequence[str]) -> Any:
        return small(func.coalesce(func.array_position(cast(list(words), ARRAY(String)), column), 0))

    columns_sent: tuple[Any, ...] = (
        *map(func.int8send, (JobLine.id, func.coalesce(JobLine.first_id, JobLine.id))),
        *map(func.int8send, (JobLine.machine_id, JobLine.card_id)),
        *(func.date_send(func.coalesce(day, _NO_DAY)) for day in (JobLine.date_earliest, JobLine.date_latest)),
        func.float8send(func.coalesce(JobLine.odometer_km, cast(literal("NaN"), Float(53)))),
        func.int8send(cast(func.coalesce(JobLine.component_type_id, 0), BigInteger)),
        code(JobLine.position, names), code(JobLine.action, ACTIONS), code(JobLine.reason, REASONS),
        code(JobLine.source, SOURCES), code(JobLine.quality, QUALITIES), small(cast(JobLine.in_doubt, Integer)),
    )  # fmt: skip
    line = reduce(lambda left, right: left.op("||")(right), columns_sent)
    statement = select(func.string_agg(line, literal_column("''::bytea"))).group_by(JobLine.id // ROWS_AT_ONCE)
    statement = _wanted(statement, shop_ids, None, None)
    dialect = session.get_bind().dialect
    text = str(statement.compile(dialect=dialect, compile_kwargs={"literal_binds": True})).replace("%%", "%")
    driver: Any = session.connection().connection.driver_connection
    with driver.cursor(binary=True) as cursor:
        data = b"".join(lines for (lines,) in cursor.execute(text))
    rows = np.frombuffer(data, dtype=_PACKED)

    columns: dict[str, NDArray[Any]] = {
        name: rows[name].astype(np.int64 if rows[name].dtype.kind == "i" else float) for name in _COLUMNS
    }
    for name in ("earliest", "latest"):
        ordinal = columns[name] + float(_POSTGRES_EPOCH)
        columns[name] = np.where(ordinal == _NO_DAY.toordinal(), np.nan, ordinal)
    for name in ("action", "reason", "source"):
        columns[name] = (columns[name] - 1).astype(np.int8)
    columns["position"] -= 1
    columns["quality"] = QUALITY_CODES[columns["quality"] - 1].astype(np.int8)
    columns["in_doubt"] = columns["in_doubt"] > 0
    return LinesRead(**columns, names=names)
