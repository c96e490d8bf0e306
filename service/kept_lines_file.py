"""The file that lines are kept in beside an SQLite database: a later process starts from it."""

from __future__ import annotations

import contextlib
import os
import zipfile
from dataclasses import fields
from pathlib import Path
from typing import Any

import numpy as np
from sqlalchemy.orm import Session

from analytics.fleet_clocks import FleetLines
from service.kept_lines import BY_MACHINE, TOLD, LifeLines

FORMAT = 2  # goes up with any change of what is kept or of the rules that place lines


def path_of(session: Session) -> Path | None:
    engine: Any = session.get_bind().engine
    database = engine.url.database
    on_file = engine.dialect.name == "sqlite" and database not in (None, "", ":memory:")
    return Path(f"{database}.lives.npz") if on_file else None


def store(path: Path | None, kept: LifeLines) -> None:
    """Written aside and put in place at one stroke; what cannot be written is left to the next time."""
    if path is None:
        return
    columns: dict[str, Any] = {name: getattr(kept, name) for name in (*BY_MACHINE, *TOLD, "last_line", "last_public")}
    columns |= {f"fleet {f.name}": getattr(kept.fleet, f.name) for f in fields(FleetLines)}
    aside = path.with_name(f"{path.name}.{os.getpid()}")
    with contextlib.suppress(OSError):
        descriptor = os.open(aside, os.O_WRONLY | os.O_CREAT | os.O_TRUNC, 0o600)
        with os.fdopen(descriptor, "wb") as handle:
            np.savez(handle, format=FORMAT, names=np.array(kept.names, dtype=str), **columns)
        os.replace(aside, path)


def load(path: Path | None) -> LifeLines | None:
    """What a file holds; None where there is none that can be read."""
    if path is None or not path.exists():
        return None
    try:
        with path.open("rb") as handle, np.load(handle, allow_pickle=False) as stored:
            if int(stored["format"]) != FORMAT:
                return None
            fleet = FleetLines(**{f.name: stored[f"fleet {f.name}"] for f in fields(FleetLines)})
            columns = {name: stored[name] for name in (*BY_MACHINE, *TOLD)}
            names = tuple(str(name) for name in stored["names"])
            return LifeLines(
                **columns, fleet=fleet, names=names,
                last_line=int(stored["last_line"]), last_public=str(stored["last_public"]),
            )  # fmt: skip
    except (OSError, EOFError, ValueError, KeyError, TypeError, zipfile.BadZipFile):
        return None
