"""What a shop's habits do to its figures: renewals by policy, machines by use, how its log is kept."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import asdict
from typing import Any

import numpy as np
from sqlalchemy import select
from sqlalchemy.orm import Session

from analytics.groups_compared import USES, GroupCompared, compare_groups, use_group
from analytics.risk_draws import RiskTable
from analytics.selection import ALL_SHOPS
from analytics.shop_policy import ShopPolicy, shop_policies
from analytics.spells import Spells
from service.errors import InvalidInput, NotFound
from service.estimates import release_for
from service.inspections.serving import snapshot_for
from service.models import Shop
from service.records_seen import records_seen

NO_REGIONS = (
    "Regions and kinds of use are compared where the members of the pool opened it: a region's figures tell of its"
    " shops, and are no cell of the published grid."
)
ONE_REGION = "fewer than two regions: each shop says its own in its settings"
ALONE = "only this shop's own records may be shown: there is no other to hold it against"


def groups_of(
    session: Session, shop_id: int, component: str, *, asked: Mapping[str, Any], pool_open: bool
) -> dict[str, Any]:
    """The asking shop against all others together (none of them named), and machines by how hard they are used.

    `asked` is the checked `GroupsQuery`; a model, or one issue of its part, may be asked about apart.
    """
    level = asked["level"]
    snapshot = snapshot_for(session, shop_id, pool_open=pool_open)
    if component not in snapshot.documents:
        raise NotFound(f"{component!r} is not a component of the catalogue")
    seen = records_seen(session, shop_id, pool_open=pool_open)
    spells = seen.lines.life_records([component]).get(component)
    own = session.get_one(Shop, shop_id).name
    spells = None if spells is None else _asked_about(spells, asked)
    policy, notes, by_use, shops = None, [], [], []
    kinds: dict[str, list[dict[str, Any]]] = {"by_region": [], "by_machine_use": []}
    if spells is not None and len(spells):
        by_use = compare_groups(snapshot.risks, component, spells, use_group(spells), USES, level=level)
        mine = np.array([name == own for name in spells.shops])[spells.shop]
        known = spells.known_start
        if mine[known].any() and not mine[known].all():
            shops = compare_groups(
                snapshot.risks, component, spells, np.where(mine, 0, 1), (own, "others"), level=level
            )
            found = shop_policies(snapshot.risks, component, spells, level=level)
            policy = next((p for p in found if p.shop == own), None)
        if seen.everyone:
            kinds = {
                f"by_{kind}": _by_kind(session, snapshot.risks, component, spells, kind, level)
                for kind in ("region", "machine_use")
            }
    notes += [snapshot.refit_note] if component in snapshot.outdated else []
    notes += [] if seen.everyone else [NO_REGIONS]
    if seen.everyone and not kinds["by_region"]:
        notes.append(ONE_REGION)
    if policy is None:
        notes.append(ALONE if not seen.everyone else "this shop, or every other, has no part of known age on record")
    return {
        "component": component,
        "name": snapshot.documents[component]["name"],
        "level": level,
        "basis": "failures over those expected at equal distance and age",
        "records": "all members of the pool" if seen.everyone else "this shop's own",
        "policy": None if policy is None else _policy(policy),
        "shop": next((_group(g) for g in shops if g.group == own), None),
        "by_use": [_group(g) for g in by_use],
        **kinds,
        "estimate": {"version": snapshot.version},
        "notes": notes,
    }


def _by_kind(
    session: Session, risks: RiskTable, component: str, spells: Spells, kind: str, level: float
) -> list[dict[str, Any]]:
    """Groups of shops that said the same of their region, or of what their machines are used for; none of only one."""
    said: dict[str, str] = dict(
        session.execute(select(Shop.name, getattr(Shop, kind)).where(getattr(Shop, kind).is_not(None))).all()
    )
    of_shop = [(said.get(name) or "").strip() for name in spells.shops]
    names = list({text.casefold(): text for text in sorted(of_shop, reverse=True) if text}.values())
    place = {name.casefold(): k for k, name in enumerate(names)} | {"": -1}
    group_of_shop = np.array([place[text.casefold()] for text in of_shop], dtype=np.int64)
    group = group_of_shop[spells.shop]
    if len(np.unique(group[spells.known_start & (group >= 0)])) < 2:
        return []
    rows = []
    for found in compare_groups(risks, component, spells, group, names, level=level):
        mine = group_of_shop == names.index(found.group)
        rows.append(_group(found) | {"shops": len(np.unique(spells.shop[mine[spells.shop]]))})
    return rows


def _asked_about(spells: Spells, asked: Mapping[str, Any]) -> Spells:
    """Only those of the make, the model and the issue asked about."""
    make, model, stratum = (asked[name] for name in ("make", "model", "stratum"))
    wanted = np.array([make in (None, cell.make) and model in (None, cell.model) for cell in spells.cells], dtype=bool)
    if not wanted.any() and len(wanted):
        named = " ".join(name for name in (make, model) if name)
        raise InvalidInput(f"no {named} is on record", pointer="/model" if model else "/make")
    mine = wanted[spells.cell] if len(spells) else np.zeros(0, dtype=bool)
    return spells.subset(mine if stratum is None else mine & (spells.stratum == stratum))


def _policy(p: ShopPolicy) -> dict[str, Any]:
    plain = {key: _known(value) for key, value in asdict(p).items() if key not in ("naive_ratio", "censored_ratio")}
    ratios = {key: _ratio(asdict(getattr(p, key))) for key in ("naive_ratio", "censored_ratio")}
    return plain | ratios


def _group(g: GroupCompared) -> dict[str, Any]:
    return {key: _known(value) for key, value in asdict(g).items() if key != "ratio"} | {
        "ratio": _ratio(asdict(g.ratio))
    }


def _ratio(ratio: dict[str, float]) -> dict[str, float | None]:
    return {key: _known(value) for key, value in ratio.items()}


def _known(value: Any) -> Any:
    """JSON has no number for what is not known, nor for no bound."""
    return None if isinstance(value, float) and not np.isfinite(value) else value


# What no count here can make up for.
COVERS = (
    "machines that were brought in, from their first card to their last; those that never come in are in no figure."
    " A fleet that logs every machine it runs has no such gap"
)


def log_marks(session: Session, shop_id: int, *, pool_open: bool) -> dict[str, Any]:
    """How the shop's log looked to the last fit of all components, and all shops' together."""
    release = release_for(session, shop_id, pool_open=pool_open)
    rows = {row["shop"]: row for row in (release.counts.get("selection", []) if release else [])}
    own = session.get_one(Shop, shop_id).name
    return {
        "shop": rows.get(own),
        "all_shops": rows.get(ALL_SHOPS),
        "covers": COVERS,
        "estimate": {"version": str(release.public_id) if release else "catalogue prior"},
    }
