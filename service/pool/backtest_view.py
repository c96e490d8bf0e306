"""A backtest of an opened pool as all its members may read it: nobody's machine, shop or day is named."""

from __future__ import annotations

from typing import Any


def without_names(document: dict[str, Any]) -> dict[str, Any]:
    """The document with shops counted, machines left out, and the days of single parts coarsened to months."""
    about = document["backtest"]
    misses = [
        {**miss, "machine": None, "from": str(miss["from"])[:7], "until": str(miss["until"])[:7]}
        for miss in document["worst_misses"]
    ]
    return {**document, "backtest": {**about, "shops": len(about["shops"])}, "worst_misses": misses}
