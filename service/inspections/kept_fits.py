"""Fits that rankings are served from, in memory by estimate: a release in which one is new is built from the others.

An estimate is never changed once written, so what was read of it stays right.
"""

from __future__ import annotations

import threading
from collections import OrderedDict
from collections.abc import Mapping
from typing import Any

from sqlalchemy import select
from sqlalchemy.orm import Session

from analytics.component_fit import ComponentFit
from analytics.pooling import fit_component
from analytics.spells import Spells
from service.estimates import MODEL_VERSION, prior_of
from service.models import Estimate, EstimateRelease

MOST_KEPT = 400  # eight releases of a catalogue of fifty that have nothing in common
_kept: OrderedDict[tuple[Any, ...], ComponentFit] = OrderedDict()
_lock = threading.Lock()


def fits_of(
    session: Session, release: EstimateRelease | None, documents: Mapping[str, Mapping[str, Any]]
) -> tuple[dict[str, ComponentFit], frozenset[str]]:
    """Fits of all components, and which of them are the release's.

    A component it has not, or that another version of the model wrote, stands on its prior.
    """
    bind = session.get_bind().engine
    # In-memory databases share one address: their engines tell them apart.
    database = (str(bind.url), id(bind.pool))
    wanted = {slug: (*database, key) for slug, key in release.estimates.items()} if release else {}
    with _lock:
        found = {slug: _kept[key] for slug, key in wanted.items() if key in _kept}
    missing = [key[-1] for slug, key in wanted.items() if slug not in found]
    if missing:
        rows = session.execute(
            select(Estimate.component_slug, Estimate.document)
            .where(Estimate.id.in_(missing))
            .where(Estimate.code_version == MODEL_VERSION)
        )
        read = {row.component_slug: ComponentFit.from_document(row.document) for row in rows}
        found |= read
    fitted = frozenset(found)
    keys: dict[str, tuple[Any, ...]] = {slug: wanted[slug] for slug in found}
    for slug, document in documents.items():
        if slug not in found:
            keys[slug] = (slug, prior_of(dict(document)))
            found[slug] = _kept.get(keys[slug]) or fit_component(Spells.empty(), keys[slug][1], component=slug)
    with _lock:
        for slug, key in keys.items():
            _kept[key] = found[slug]
            _kept.move_to_end(key)
        while len(_kept) > MOST_KEPT:
            _kept.popitem(last=False)
    return {slug: found[slug] for slug in documents}, fitted


def forget() -> None:
    """Drop what is kept in memory."""
    with _lock:
        _kept.clear()
