"""How a shop's own files are read: its columns and its forms of dates and numbers, as it confirmed them."""

from __future__ import annotations

from collections.abc import Mapping
from datetime import datetime
from typing import Any

from sqlalchemy import select
from sqlalchemy.orm import Session

from service.errors import InvalidInput
from service.imports.columns import fold_column, read_mapping
from service.imports.currencies import CURRENCIES
from service.imports.options import DATE_ORDERS, DECIMAL_MARKS, LEFT_OUT, FileReading, ReadOptions
from service.models import ShopColumn, ShopFormat
from service.past import reads_the_past, said_by
from service.vocabulary import HOURS, JOB_LINE_COLUMNS, TAX_WORDS, UNITS

NO_FORMAT: Mapping[str, str] = {"date_order": "ymd", "decimal_mark": ".", "unit": "", "currency": "", "tax": ""}
_ALLOWED: Mapping[str, tuple[str, ...]] = {
    "date_order": DATE_ORDERS,
    "decimal_mark": DECIMAL_MARKS,
    "unit": ("", *UNITS, HOURS),
    "tax": ("", *TAX_WORDS),
}


def read_columns(session: Session, shop_id: int) -> dict[str, ShopColumn]:
    """What the shop's columns mean, by folded name: the last confirmation of each."""
    known = said_by(ShopColumn.confirmed_at, reads_the_past(session))
    rows = session.scalars(select(ShopColumn).where(ShopColumn.shop_id == shop_id, *known).order_by(ShopColumn.id))
    return {row.folded: row for row in rows}


def read_format(session: Session, shop_id: int) -> dict[str, str]:
    """How the shop writes dates and numbers, and what it means where it names no unit or currency."""
    known = said_by(ShopFormat.set_at, reads_the_past(session))
    last = session.scalar(
        select(ShopFormat).where(ShopFormat.shop_id == shop_id, *known).order_by(ShopFormat.id.desc()).limit(1)
    )
    return {name: getattr(last, name) for name in NO_FORMAT} if last is not None else dict(NO_FORMAT)


def costs_hold_tax(session: Session, shop_id: int, at: datetime) -> str:
    """What the shop had said by a moment of the costs on its cards: "with" or "without" tax, empty for nothing."""
    said = select(ShopFormat.tax).where(ShopFormat.shop_id == shop_id, ShopFormat.set_at <= at)
    return session.scalar(said.order_by(ShopFormat.id.desc()).limit(1)) or ""


def save_columns(session: Session, shop_id: int, mapping: Mapping[str, str], *, by: str, now: datetime) -> None:
    """Remember what columns mean; equal confirmations are not written again."""
    read_mapping(mapping)
    known = {key: row.column for key, row in read_columns(session, shop_id).items()}
    for written, column in mapping.items():
        key, meant = fold_column(written), "" if column == LEFT_OUT else column
        if known.get(key) != meant:
            session.add(
                ShopColumn(
                    shop_id=shop_id, folded=key, as_written=written, column=meant, confirmed_by=by, confirmed_at=now
                )
            )
            known[key] = meant
    session.flush()


def save_format(session: Session, shop_id: int, wanted: Mapping[str, str], *, by: str, now: datetime) -> None:
    """Remember how the shop writes; what is not named stays."""
    check_format(wanted)
    session.add(ShopFormat(shop_id=shop_id, **{**read_format(session, shop_id), **wanted}, set_by=by, set_at=now))
    session.flush()


def check_format(wanted: Mapping[str, str]) -> None:
    """Raise `InvalidInput` for a value that is none of those that can be used."""
    for name, value in wanted.items():
        if name == "currency" and value and value not in CURRENCIES:
            raise InvalidInput("write an ISO 4217 code such as EUR, or nothing", pointer="/currency")
        if name in _ALLOWED and value not in _ALLOWED[name]:
            listed = ", ".join(repr(allowed) for allowed in _ALLOWED[name])
            raise InvalidInput(f"write one of {listed}", pointer=f"/{name}")


def options_of(session: Session, shop_id: int | None, asked: Mapping[str, Any]) -> ReadOptions:
    """How to read a file: what was said with it, and for the rest what is on record of its shop."""
    said = {name: value for name, value in asked.items() if value not in (None, "", {})}
    remembered: dict[str, str] = {}
    habits = dict(NO_FORMAT)
    if shop_id is not None:
        remembered = {key: row.column or LEFT_OUT for key, row in read_columns(session, shop_id).items()}
        habits = read_format(session, shop_id)
    chosen = {name: str(said.get(name, habits[name])) for name in NO_FORMAT}
    check_format(chosen)
    fill = {name: chosen[name] for name in ("unit", "currency") if chosen[name]} | _fill(said.get("fill", {}))
    return ReadOptions(
        encoding=said.get("encoding"),
        delimiter=said.get("delimiter"),
        sheet=said.get("sheet"),
        columns=read_mapping(said.get("columns", {})),
        remembered=remembered,
        accept_columns=bool(said.get("accept_columns", False)),
        date_order=chosen["date_order"],
        decimal_mark=chosen["decimal_mark"],
        fill=fill,
    )


def _fill(wanted: Mapping[str, str]) -> dict[str, str]:
    for name in wanted:
        if name not in JOB_LINE_COLUMNS:
            raise InvalidInput(f"there is no column {name[:40]!r} to fill in", pointer="/fill")
    return dict(wanted)


def accepted(reading: FileReading | None) -> dict[str, str]:
    """Columns whose meaning was guessed and accepted, or said with the file: what is remembered from now on."""
    return {
        use.written: use.column or LEFT_OUT
        for use in (reading.columns if reading else ())
        if use.how in ("guess", "given")
    }
