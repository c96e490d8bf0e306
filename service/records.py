"""The write rules: the only way rows change. Plain functions over a session; the caller commits."""

from __future__ import annotations

import os
import time
import uuid
from collections.abc import Callable, Iterable, Mapping, Sequence
from datetime import datetime
from typing import Any, NamedTuple

from sqlalchemy import BindParameter, Table, bindparam, case, func, insert, select, update
from sqlalchemy.dialects import postgresql, sqlite
from sqlalchemy.orm import Session

from service.bulk import Rows, insert_columns, insert_returning, insert_rows
from service.errors import InvalidInput
from service.keyed import KEYS_AT_ONCE, Keyed, chunks, connection_of
from service.models import (
    Base,
    Doubt,
    ImportBatch,
    JobCard,
    JobLine,
    Machine,
    MachineBefore,
    MachineFamily,
    MachineMake,
    MachineModel,
    OdometerEntry,
    OdometerSegment,
    Shop,
    StaleComponent,
)
from service.prepared import Prepared
from service.vocabulary import ASKING_KINDS

INSERTED_AT_ONCE = 5_000
SETTLED_BY_ROWS = "later rows"


class ShopKey(NamedTuple):
    """A shop by its key, where nothing else of it is needed."""

    id: int


AnyShop = Shop | ShopKey


def _table(model: type[Base]) -> Table:
    table = model.__table__
    assert isinstance(table, Table)
    return table


def _mark_stale(dialect: Any) -> Any:
    statement = dialect.insert(_stale).values(
        {name: bindparam(name) for name in ("shop_id", "component_slug", "since", "marks")}
    )
    # Counted, so that a fit that is under way does not take this mark for the one it saw.
    return statement.on_conflict_do_update(
        index_elements=["shop_id", "component_slug"], set_={"marks": _stale.c.marks + 1}
    )


# Made once and of tables alone: for a line written down by itself, making statements took longer than running them.
_machine, _before, _card, _line = map(_table, (Machine, MachineBefore, JobCard, JobLine))
_segment, _stale, _shop = map(_table, (OdometerSegment, StaleComponent, Shop))
_RAISE_VERSIONS = Keyed(
    lambda among: update(_machine).where(among(_machine.c.id)).values(version=_machine.c.version + 1)
)
_BUILD = ("model_year", "built", "first_registered", "new_on")
_KEEP_BUILDS = Keyed(
    lambda among: insert(_before).from_select(
        ["until", "shop_id", "machine_id", *_BUILD],
        select(
            bindparam("now", type_=_before.c.until.type), _machine.c.shop_id, _machine.c.id,
            *(_machine.c[name] for name in _BUILD),
        ).where(among(_machine.c.id)),
    )
)  # fmt: skip
_NUMBERS: BindParameter[Any] = bindparam("numbers", expanding=True)
# The shop is named although the machine says it: the index of cards begins with it.
_CARDS = select(_card.c.machine_id, _card.c.number, _card.c.id).where(_card.c.shop_id == bindparam("shop"))
_CARDS_OF = Keyed(lambda among: _CARDS.where(among(_card.c.machine_id)))
_CARDS_NAMED = _CARDS.where(_card.c.machine_id.in_(bindparam("machines", expanding=True)), _card.c.number.in_(_NUMBERS))
_CARD = Keyed(lambda among: _CARDS.where(among(_card.c.machine_id), _card.c.number == bindparam("number")))
_LAST_CARD = select(func.max(_card.c.id))
# Keys rise, and nobody else writes into the shop meanwhile.
_CARDS_SINCE = _CARDS.where(_card.c.id > bindparam("last"))
_WITH_SEGMENTS = Keyed(lambda among: select(_segment.c.machine_id).where(among(_segment.c.machine_id)))
_HOLD = Prepared(select(_shop.c.id).where(_shop.c.id == bindparam("shop")).with_for_update())
_MARK_STALE = {"sqlite": Prepared(_mark_stale(sqlite)), "postgresql": Prepared(_mark_stale(postgresql))}


def public_ids(count: int) -> list[uuid.UUID]:
    """Many UUIDs version 7 of this moment, rising, laid out as `service.db.new_public_id` does it."""
    millis = time.time_ns() // 1_000_000
    head = (millis << 80) | (0x7 << 76) | (0x2 << 62)
    noise = os.urandom(10 * count)
    free = (0xFFF << 64) | ((1 << 62) - 1)
    drawn = [int.from_bytes(noise[start : start + 10], "big") & free for start in range(0, 10 * count, 10)]
    # Rising keys are appended to their index instead of being scattered over it.
    return [uuid.UUID(int=head | value) for value in sorted(drawn)]


def get_or_create_shop(session: Session, name: str, *, now: datetime) -> Shop:
    """The shop of that name; written down if it is new."""
    name = " ".join(name.split())
    if not name or len(name) > 120 or not name.isprintable():
        raise InvalidInput("a shop's name has 1 to 120 printable characters", pointer="/shop")
    shop = session.scalar(select(Shop).where(Shop.name == name))
    if shop is None:
        shop = Shop(name=name, created_at=now)
        session.add(shop)
        session.flush()
    return shop


def hold_shop(session: Session, shop: AnyShop) -> None:
    """Make other writers of this shop's lines wait until the transaction ends (SQLite has one writer anyway)."""
    connection = connection_of(session)
    if connection.dialect.name != "sqlite":
        _HOLD.rows(connection, {"shop": shop.id})


def add_makes(session: Session, names: Sequence[str]) -> dict[str, int]:
    """Write makes down; their keys by name."""
    _insert_missing(session, MachineMake, [{"name": name} for name in names])
    return _keys(
        session, names, lambda part: select(MachineMake.name, MachineMake.id).where(MachineMake.name.in_(part))
    )


def add_families(session: Session, families: Sequence[tuple[int, str]]) -> dict[tuple[int, str], int]:
    """Write (make, name) down; their keys."""
    _insert_missing(session, MachineFamily, [{"make_id": make_id, "name": name} for make_id, name in families])
    return _made(session, MachineFamily, families)


def add_models(
    session: Session, models: Sequence[tuple[int, str]], families: Mapping[tuple[int, str], int]
) -> dict[tuple[int, str], int]:
    """Write models (make, name) down, each with the family it is in, if any; their keys."""
    rows = [{"make_id": make, "name": name, "family_id": families.get((make, name))} for make, name in models]
    _insert_missing(session, MachineModel, rows)
    return _made(session, MachineModel, models)


def set_families(session: Session, families: Mapping[int, int], *, now: datetime) -> None:
    """Put models into the family they turned out to be in."""
    rows = [{"key": key, "family_id": family, "family_since": now} for key, family in families.items()]
    _update(session, MachineModel, rows)


def add_machines(session: Session, shop: AnyShop, rows: Rows, *, now: datetime) -> dict[str, int]:
    """Write machines down; their keys by the shop's reference."""
    if not rows:
        return {}
    for row, public_id in zip(rows, public_ids(len(rows)), strict=True):
        row.update(public_id=public_id, shop_id=shop.id, recorded_at=now)
    _insert(session, Machine, rows)
    references = [row["reference"] for row in rows]
    columns = select(Machine.reference, Machine.id).where(Machine.shop_id == shop.id)
    return _keys(session, references, lambda part: columns.where(Machine.reference.in_(part)))


def change_machines(session: Session, rows: Rows, *, now: datetime) -> None:
    """Fill in what was not known of machines: model_year, built, first_registered, new_on, by `key`.

    What was on record until now is kept.
    """
    _KEEP_BUILDS.run(session, [row["key"] for row in rows], now=now)
    _update(session, Machine, rows)


def raise_versions(session: Session, machine_ids: Sequence[int]) -> None:
    """Say that something on record about these machines has changed."""
    _RAISE_VERSIONS.run(session, machine_ids)


def add_cards(
    session: Session, shop: AnyShop, cards: Sequence[tuple[int, str]], *, now: datetime
) -> dict[tuple[int, str], int]:
    """Write those cards (machine, number) down that are not there yet; the keys of all of them."""
    found = _card_keys(session, shop, cards)
    new = [card for card in cards if card not in found]
    rows = [
        {"public_id": public_id, "shop_id": shop.id, "machine_id": machine, "number": number, "recorded_at": now}
        for (machine, number), public_id in zip(new, public_ids(len(new)), strict=True)
    ]
    if len(rows) == 1:
        found[new[0]] = insert_returning(session.connection(), _card, rows[0], "id")
    elif rows:
        last = session.connection().scalar(_LAST_CARD) or 0
        _insert(session, JobCard, rows)
        made = session.connection().execute(_CARDS_SINCE, {"shop": shop.id, "last": last})
        found.update({(machine, number): key for machine, number, key in made})
    return found


def _card_keys(session: Session, shop: AnyShop, cards: Sequence[tuple[int, str]]) -> dict[tuple[int, str], int]:
    """Keys of the cards of these machines; of few numbers those cards alone, however long the machines' histories."""
    machines = sorted({machine for machine, _ in cards})
    numbers = sorted({number for _, number in cards})
    if len(numbers) == 1:
        rows = _CARD.rows(session, machines, shop=shop.id, number=numbers[0])
    elif len(numbers) <= KEYS_AT_ONCE:
        asked = [{"shop": shop.id, "machines": part, "numbers": numbers} for part in chunks(machines)]
        rows = [row for part in asked for row in session.connection().execute(_CARDS_NAMED, part)]
    else:
        rows = _CARDS_OF.rows(session, machines, shop=shop.id)
    return {(machine, number): key for machine, number, key in rows}


def add_import(
    session: Session,
    shop: AnyShop,
    *,
    public_id: uuid.UUID,
    file_name: str,
    digest: bytes,
    summary: dict[str, Any],
    now: datetime,
) -> ImportBatch:
    """Write an import down."""
    batch = ImportBatch(
        public_id=public_id, shop_id=shop.id, file_name=file_name, digest=digest, summary=summary, recorded_at=now
    )
    session.add(batch)
    session.flush()
    return batch


def add_lines(session: Session, parts: Iterable[dict[str, Any]], *, done: Callable[[int], None] | None = None) -> None:
    """Write job lines down, given in parts by column, so that a long file never stands in memory twice."""
    count = 0
    for part in parts:
        size = len(part["line_number"])
        insert_columns(session.connection(), _line, {"public_id": public_ids(size), **part})
        count += size
        if done:
            done(count)


def add_doubts(session: Session, rows: Rows) -> None:
    """Raise doubts; their lines must be marked too, see `mark_lines`."""
    for row, public_id in zip(rows, public_ids(len(rows)), strict=True):
        row["public_id"] = public_id
    _insert(session, Doubt, rows)


def settle_doubts(session: Session, keys: Sequence[int], *, by: str, now: datetime) -> None:
    """Settle doubts; they stay on record."""
    for part in chunks(keys):
        session.execute(update(Doubt).where(Doubt.id.in_(part)).values(settled_at=now, settled_by=by))


def mark_lines(session: Session, keys: Sequence[int]) -> None:
    """Put lines in or out of doubt: in doubt is a line with a doubt that is not settled."""
    for part in chunks(keys):
        open_doubts = select(Doubt.job_line_id).where(
            Doubt.job_line_id.in_(part), Doubt.settled_at.is_(None), Doubt.kind.not_in(ASKING_KINDS)
        )
        doubtful = set(session.scalars(open_doubts))
        for value in (True, False):
            which = [key for key in part if (key in doubtful) is value]
            if which:
                session.execute(update(JobLine).where(JobLine.id.in_(which)).values(in_doubt=value))
        raise_versions(
            session, session.scalars(select(JobLine.machine_id).where(JobLine.id.in_(part)).distinct()).all()
        )


def add_odometer_entries(session: Session, rows: Rows) -> None:
    """Write readings down; `service.odometers.refresh_odometers` then puts them on the total distance."""
    _insert(session, OdometerEntry, rows)


def mark_entries(session: Session, in_doubt: Mapping[int, bool]) -> None:
    """Put readings in or out of doubt; on a first clock a reading that stands is the distance."""
    _update(session, OdometerEntry, [{"key": key, "in_doubt": value} for key, value in in_doubt.items()])
    for part in chunks(list(in_doubt)):
        entries = OdometerEntry.id.in_(part), OdometerEntry.segment_ordinal == 0
        stands = case((OdometerEntry.in_doubt, None), else_=OdometerEntry.reading_km)
        session.execute(
            update(OdometerEntry)
            .where(*entries)
            .values(distance_km=stands)
            .execution_options(synchronize_session=False)
        )


def add_first_segments(session: Session, shop: AnyShop, machines: Sequence[int]) -> None:
    """Say of machines that have their first clock still that it is so, where that is not on record."""
    there = {machine for (machine,) in _WITH_SEGMENTS.rows(session, machines)}
    rows = [
        {
            "shop_id": shop.id,
            "machine_id": machine,
            "ordinal": 0,
            "started_on": None,
            "start_reading_km": 0.0,
            "offset_km": 0.0,
            "offset_known": True,
            "basis": "first clock",
        }
        for machine in machines
        if machine not in there
    ]
    _insert(session, OdometerSegment, rows)


def mark_stale(session: Session, shop: AnyShop, slugs: Iterable[str], *, now: datetime) -> None:
    """Say that these components have lines newer than their estimate."""
    connection = session.connection()
    mark = _MARK_STALE[connection.dialect.name]
    for slug in sorted(set(slugs)):
        mark.run(connection, {"shop_id": shop.id, "component_slug": slug, "since": now, "marks": 1})


def _insert(session: Session, model: type[Base], rows: Rows) -> None:
    # Straight to the table: tens of thousands of rows need no objects of their own.
    for part in chunks(rows, INSERTED_AT_ONCE):
        insert_rows(session.connection(), _table(model), part)


def _insert_missing(session: Session, model: type[Base], rows: Rows) -> None:
    """Insert rows of a table all shops share: another import may have just written the same one."""
    if rows:
        dialect = sqlite if session.get_bind().dialect.name == "sqlite" else postgresql
        statement = dialect.insert(_table(model)).on_conflict_do_nothing()
        session.connection().execute(statement, list(rows))


def _update(session: Session, model: type[Base], rows: Rows) -> None:
    if rows:
        table = _table(model)
        session.connection().execute(update(table).where(table.c.id == bindparam("key")), list(rows))


def _keys(session: Session, names: Sequence[str], find: Callable[[Sequence[str]], Any]) -> dict[str, int]:
    found: dict[str, int] = {}
    for part in chunks(names):
        found.update(session.execute(find(part)).all())
    return found


def _made(
    session: Session, model: type[MachineFamily] | type[MachineModel], wanted: Sequence[tuple[int, str]]
) -> dict[tuple[int, str], int]:
    found: dict[tuple[int, str], int] = {}
    for part in chunks(sorted({make for make, _ in wanted})):
        for make, name, key in session.execute(
            select(model.make_id, model.name, model.id).where(model.make_id.in_(part))
        ):
            found[make, name] = key
    return found
