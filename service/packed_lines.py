"""All lines on record into arrays, many lines in one value: a driver takes longer over a row than over what is in it.

PostgreSQL hands them over as bytes of one width, SQLite as text that is read like a file.
"""

from __future__ import annotations

import io
from collections.abc import Mapping, Sequence
from datetime import date
from functools import reduce
from typing import TYPE_CHECKING, Any

import numpy as np
from numpy.typing import NDArray
from sqlalchemy import (
    ARRAY,
    BigInteger,
    Connection,
    Float,
    Integer,
    SmallInteger,
    String,
    case,
    cast,
    func,
    literal,
    literal_column,
    select,
)
from sqlalchemy.orm import Session

from analytics.spells import Floats, Ints
from service.keyed import connection_of
from service.lines_read import (
    COLUMNS,
    QUALITY_CODES,
    ROWS_AT_ONCE,
    LinesRead,
    wanted_lines,
)
from service.models import JobLine
from service.vocabulary import ACTIONS, QUALITIES, REASONS, SOURCES

if TYPE_CHECKING:
    import pyarrow

WORTH_PACKING = 20_000  # lines that an SQLite file may hold from which on loading the reader of text pays
_NO_DAY = date(1, 1, 1)  # stands for none in what PostgreSQL sends
_POSTGRES_EPOCH = date(2000, 1, 1).toordinal()
_DAYS = ("earliest", "latest")
_CODES: Mapping[str, Sequence[str]] = {
    "action": ACTIONS,
    "reason": REASONS,
    "source": SOURCES,
    "quality": QUALITIES,
}
_NOT_WRITTEN = "nan"  # no distance, or one that is not whole: SQLite does not write such numbers to the last bit

_PACKED = np.dtype(
    [
        *((name, ">i8") for name in ("id", "origin", "machine", "card")),
        *((name, ">i4") for name in ("earliest", "latest")),
        ("odometer_km", ">f8"),
        ("component_type", ">i8"),
        *((name, ">i2") for name in ("position", "action", "reason", "source", "quality", "in_doubt")),
    ]
)


def from_postgresql(session: Session, shop_ids: Sequence[int] | None) -> LinesRead:
    """Lines of some shops (None: all) in force now; PostgreSQL writes each as bytes of one width."""
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
    statement = wanted_lines(statement, shop_ids, None, None)
    dialect = session.get_bind().dialect
    text = str(statement.compile(dialect=dialect, compile_kwargs={"literal_binds": True})).replace("%%", "%")
    driver: Any = session.connection().connection.driver_connection
    with driver.cursor(binary=True) as cursor:
        data = b"".join(lines for (lines,) in cursor.execute(text))
    rows = np.frombuffer(data, dtype=_PACKED)

    columns: dict[str, NDArray[Any]] = {
        name: rows[name].astype(np.int64 if rows[name].dtype.kind == "i" else float) for name in COLUMNS
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


def worth_packing(session: Session) -> bool:
    """Whether an SQLite file may hold so many lines that reading them as text is quicker."""
    return (session.scalar(select(func.max(JobLine.id))) or 0) >= WORTH_PACKING


def from_sqlite(session: Session, shop_ids: Sequence[int] | None) -> LinesRead:
    """Lines of some shops (None: all) in force now; SQLite writes each as a line of text."""
    import pyarrow  # not before it is needed: it takes a while to load

    line = func.printf(
        ",".join(("%d",) * 4 + ("%s",) * 3 + ("%d",) + ("%s",) * 5 + ("%d",)),
        JobLine.id, func.coalesce(JobLine.first_id, JobLine.id), JobLine.machine_id, JobLine.card_id,
        JobLine.date_earliest, JobLine.date_latest, _whole_km(), JobLine.component_type_id,
        func.hex(func.coalesce(JobLine.position, "")),  # a name may hold commas
        JobLine.action, JobLine.reason, JobLine.source, JobLine.quality, JobLine.in_doubt,
    )  # fmt: skip
    text = wanted_lines(select(func.group_concat(line, func.char(10))), shop_ids, None, None)
    connection, last = connection_of(session), session.scalar(select(func.max(JobLine.id))) or 0
    parts = (
        connection.scalar(text.where(JobLine.id >= first, JobLine.id < first + ROWS_AT_ONCE))
        for first in range(0, last + 1, ROWS_AT_ONCE)
    )
    table = pyarrow.concat_tables([_table(part or "") for part in parts]).unify_dictionaries()
    columns: dict[str, NDArray[Any]] = {}
    for name in COLUMNS:
        if name in _DAYS:
            days = {day: float(date.fromisoformat(day).toordinal()) for day in _dictionary(table[name]) if day}
            columns[name] = _coded(table[name], {"": np.nan} | days)
        elif name not in (*_CODES, "position"):
            columns[name] = _numbers(table[name], float if name == "odometer_km" else np.int64)
    for name, words in _CODES.items():
        columns[name] = _coded(table[name], {word: code for code, word in enumerate(words)}).astype(np.int8)
    hexed = [word for word in _dictionary(table["position"]) if word]
    columns["position"] = _coded(table["position"], {"": -1} | {word: place for place, word in enumerate(hexed)})
    columns["quality"] = QUALITY_CODES[columns["quality"]].astype(np.int8)
    columns["in_doubt"] = columns["in_doubt"] > 0
    columns["odometer_km"] = _with_fractions(connection, shop_ids, columns["id"], columns["odometer_km"])
    return LinesRead(**columns, names=tuple(bytes.fromhex(word).decode() for word in hexed))


def _whole_km() -> Any:
    """A distance as SQLite writes it without loss: a whole number, or the mark of what it does not write."""
    whole = cast(JobLine.odometer_km, Integer)
    return case((JobLine.odometer_km == whole, whole), else_=_NOT_WRITTEN)


def _with_fractions(connection: Connection, shop_ids: Sequence[int] | None, line: Ints, km: Floats) -> Floats:
    """The distances, those that are not whole as the driver has them."""
    driven = JobLine.odometer_km
    statement = select(JobLine.id, driven).where(driven.is_not(None), _whole_km() == _NOT_WRITTEN)
    rows = connection.execute(wanted_lines(statement, shop_ids, None, None)).all()
    if not rows:
        return km
    exact, order = km.copy(), np.argsort(line)
    at = order[np.searchsorted(line, np.array([row[0] for row in rows], dtype=np.int64), sorter=order)]
    exact[at] = [row[1] for row in rows]
    return exact


def _table(text: str) -> pyarrow.Table:
    """Lines of text as columns; words by number."""
    import pyarrow
    from pyarrow import csv

    kinds = dict.fromkeys(COLUMNS, pyarrow.int64()) | {"odometer_km": pyarrow.float64()}
    kinds |= dict.fromkeys((*_DAYS, "position", *_CODES), pyarrow.dictionary(pyarrow.int32(), pyarrow.string()))
    if not text:
        return pyarrow.table({name: pyarrow.array([], kind) for name, kind in kinds.items()})
    return csv.read_csv(
        io.BytesIO(text.encode()),
        csv.ReadOptions(column_names=list(COLUMNS), use_threads=False),
        csv.ParseOptions(quote_char=False),
        csv.ConvertOptions(column_types=kinds, null_values=[]),  # "nan" is a number here
    )


def _numbers(column: pyarrow.ChunkedArray, dtype: type) -> NDArray[Any]:
    """A column of numbers without gaps."""
    return np.concatenate([_lying(chunk, dtype) for chunk in column.chunks] or [np.zeros(0, dtype)])


def _lying(chunk: pyarrow.Array, dtype: type) -> NDArray[Any]:
    """Numbers as they lie in memory: `to_numpy` would load pandas."""
    _, data = chunk.buffers()
    size = np.dtype(dtype).itemsize
    return np.frombuffer(data, dtype, len(chunk), size * chunk.offset) if len(chunk) else np.zeros(0, dtype)


def _dictionary(column: pyarrow.ChunkedArray) -> list[str]:
    """The different words of a column; its chunks have them in common."""
    return column.chunk(0).dictionary.to_pylist() if column.num_chunks else []


def _coded(column: pyarrow.ChunkedArray, codes: Mapping[str, float]) -> NDArray[Any]:
    """Numbers for the words of a column."""
    of_word = np.array([codes[word] for word in _dictionary(column)])
    parts = [of_word[_lying(chunk.indices, np.int32)] for chunk in column.chunks if len(chunk)]
    return np.concatenate(parts or [np.zeros(0, dtype=np.int64)])
