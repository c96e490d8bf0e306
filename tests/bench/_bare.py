"""What the driver alone would take: routes of the very same server that insert one row and select fifty."""

from __future__ import annotations

import threading
from typing import Any

from flask import Response
from sqlalchemy.engine import make_url

from service.app import WeakspotApp

PATH = "/static/bare"  # under a path that asks for no token
BODY = "x" * 600
ROWS = 50
INSERT = "INSERT INTO bare (shop, card, body) VALUES (1, 'c', {})"
SELECT = "SELECT id, shop, card, body FROM bare WHERE shop = 1 LIMIT 50"


def make_table(url: str) -> None:
    """The table that is written to, with the rows that are read; to be made once."""
    connection = _opened(url, "NORMAL")
    key = "INTEGER PRIMARY KEY" if url.startswith("sqlite") else "BIGSERIAL PRIMARY KEY"
    connection.execute(f"CREATE TABLE bare (id {key}, shop INTEGER, card TEXT, body TEXT)")
    for _ in range(ROWS):
        connection.execute(INSERT.format(_mark(url)), (BODY,))
    connection.close()


def add_routes(app: WeakspotApp, synchronous: str) -> None:
    """One insert, one select of fifty rows; every thread keeps its connection, no token is looked at."""
    url = app.settings.database_url
    insert = INSERT.format(_mark(url))
    kept = threading.local()

    def connection() -> Any:
        if not hasattr(kept, "connection"):
            kept.connection = _opened(url, synchronous)
        return kept.connection

    def post() -> Response:
        with app.database.writer_turn():
            connection().execute(insert, (BODY,))
        return Response("{}", status=201, mimetype="application/json")

    def get() -> Response:
        rows = connection().execute(SELECT).fetchall()
        return Response(app.json.dumps(rows), mimetype="application/json")

    app.add_url_rule(PATH, "static_bare_insert", post, methods=["POST"])
    app.add_url_rule(PATH, "static_bare_select", get, methods=["GET"])


def _mark(url: str) -> str:
    return "?" if url.startswith("sqlite") else "%s"


def _opened(url: str, synchronous: str) -> Any:
    """A connection of the driver's that commits each statement."""
    if url.startswith("sqlite"):
        import sqlite3

        connection = sqlite3.connect(make_url(url).database or "", timeout=30, isolation_level=None)
        connection.execute(f"PRAGMA synchronous={synchronous}")
        return connection
    import psycopg

    return psycopg.connect(url, autocommit=True)
