"""A small pool: shops with machines of one model, each with a history of its own. Everything is invented."""

from __future__ import annotations

from collections.abc import Sequence
from datetime import datetime
from typing import Any

import numpy as np

from service.db import Database
from tests.service.job_files import NOW, csv_file, row, seen, take_in

SHOPS = ("The Cog & Gasket", "Brackenhythe Two-Wheel Works", "Midplain Moto Hall", "Sallow Lane Arches",
         "Quayside Rental Desk", "Upper Tarn School Workshop")  # fmt: skip
SECRET = "Mrs Quillfeather, plate VD 77 QX"
FRAMES = ("GTDLN65A2CA000127", "GTDLT65B0DA000482")


def machine_rows(rng: np.random.Generator, reference: str, model: str, card: str) -> list[dict[str, str]]:
    """First visit, a regulator somewhere between, last visit."""
    named: dict[str, Any] = {"machine": reference, "make": "Tindrake", "model": model, "built": "2012-11"}
    first, failed = int(rng.integers(2_000, 6_000)), int(rng.integers(12_000, 24_000))
    last = failed + int(rng.integers(8_000, 20_000))
    return [
        seen(f"{card}a", "2014-03-03", str(first), notes=SECRET, **named),
        row(card=f"{card}b", date=f"2016-0{int(rng.integers(1, 9))}-11", odometer=str(failed),
            reason=str(rng.choice(["failed", "failed", "failed", "scheduled"])), **named),
        seen(f"{card}c", f"2019-0{int(rng.integers(1, 9))}-20", str(last), **named),
    ]  # fmt: skip


def fill_pool(
    database: Database,
    shops: Sequence[str] = SHOPS,
    *,
    machines: int = 6,
    seed: int = 3,
    model: str = "Lanner 650",
    tag: str = "",
    frames: Sequence[str] = (),
    now: datetime = NOW,
) -> None:
    """Cards of every shop; `frames` are given to the first machines of the first shop instead of own references."""
    rng = np.random.default_rng(seed)
    for number, shop in enumerate(shops):
        rows = []
        for k in range(machines):
            own = frames[k] if number == 0 and k < len(frames) else f"{tag}{number}-{k}"
            rows += machine_rows(rng, own, model, f"{tag}{number}-{k}")
        take_in(database, csv_file(rows), shop=shop, now=now)
