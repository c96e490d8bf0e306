"""Which parts are valued together, and what a check says of each of their states."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from functools import cached_property
from itertools import product

import numpy as np
from numpy.typing import NDArray

from analytics.planning_types import CheckOption, CheckTarget, ComponentRisk, InvalidPlanInput, JointChances

Part = tuple[str, str | None]

MOST_PARTS = 8  # of a set that are enumerated together


@dataclass(frozen=True, eq=False)  # arrays have no single truth of being equal
class PartGroup:
    """Parts with the chances of their joint states: `states` (m, n) says which are bad, `chances` (m,) how likely."""

    parts: tuple[Part, ...]
    states: NDArray[np.bool_]
    chances: NDArray[np.float64]

    @cached_property
    def index(self) -> dict[Part, int]:
        """Column of each part."""
        return {part: i for i, part in enumerate(self.parts)}


def groups_of_parts(
    options: Sequence[CheckOption], risks: Mapping[Part, ComponentRisk], joint: Sequence[JointChances]
) -> list[PartGroup]:
    """Group the parts at stake: tied by a diagnosis, or spoken for by one set-level check where few enough.

    Raises
    ------
    InvalidPlanInput
        If joint chances name a part without a risk, or twice, or contradict the risk's chance.
    """
    groups = {part: _alone(risk) for part, risk in risks.items()}
    for known in joint:
        _check_joint(known, groups, risks)
        tied = PartGroup(known.parts, known.states, known.chances)
        groups |= dict.fromkeys(known.parts, tied)
    for option in options:
        if option.set_level:
            targets = [t.part for t in option.targets if t.part in risks]
            together = list({id(groups[p]): groups[p] for p in targets}.values())
            if len(together) > 1 and sum(len(g.parts) for g in together) <= MOST_PARTS:
                merged = _together(together)
                groups |= dict.fromkeys(merged.parts, merged)
    return list({id(g): g for g in groups.values()}.values())


def likelihoods(option: CheckOption, group: PartGroup, risks: Mapping[Part, ComponentRisk]) -> NDArray[np.float64]:
    """Chance of each outcome in each state of the group, shape (outcomes, m).

    A check on a set has three outcomes, one on single parts three for each target in the group. Parts of a set that
    are not in the group are taken as bad independently of it.
    """
    inside = [t for t in option.targets if t.part in group.index]
    if option.set_level:
        return _of_set(option, inside, group, risks)
    factor = np.ones((1, len(group.chances)))
    for target in inside:
        bad = group.states[:, group.index[target.part]]
        shares = np.where(bad, np.array(target.given_bad.as_tuple())[:, None], _column(target.given_good.as_tuple()))
        factor = (factor[:, None, :] * shares[None, :, :]).reshape(-1, len(bad))
    return factor


def _column(shares: tuple[float, float, float]) -> NDArray[np.float64]:
    return np.array(shares)[:, None]


def _of_set(
    option: CheckOption, inside: Sequence[CheckTarget], group: PartGroup, risks: Mapping[Part, ComponentRisk]
) -> NDArray[np.float64]:
    """Of several bad members the one with the greatest share of fails decides."""
    good = np.array(option.targets[0].given_good.as_tuple())
    outside = [(risks[t.part].chance_bad_now, t) for t in option.targets if t not in inside and t.part in risks]
    weight = sum(chance for chance, _ in outside)
    if weight > 0:
        another_bad = 1 - float(np.prod([1 - chance for chance, _ in outside]))
        mixed = sum(chance * np.array(t.given_bad.as_tuple()) for chance, t in outside) / weight
        good = another_bad * mixed + (1 - another_bad) * good
    factor = np.repeat(good[:, None], len(group.chances), axis=1)
    for target in sorted(reversed(inside), key=lambda t: t.given_bad.fail):
        factor[:, group.states[:, group.index[target.part]]] = _column(target.given_bad.as_tuple())
    return factor


def _alone(risk: ComponentRisk) -> PartGroup:
    p = risk.chance_bad_now
    return PartGroup((risk.part,), np.array([[False], [True]]), np.array([1 - p, p]))


def _together(groups: Sequence[PartGroup]) -> PartGroup:
    """Groups that are independent of each other as one."""
    parts = tuple(part for g in groups for part in g.parts)
    rows = list(product(*(range(len(g.chances)) for g in groups)))
    states = [np.concatenate([g.states[i] for g, i in zip(groups, row, strict=True)]) for row in rows]
    chances = [np.prod([g.chances[i] for g, i in zip(groups, row, strict=True)]) for row in rows]
    return PartGroup(parts, np.array(states), np.array(chances))


def _check_joint(known: JointChances, groups: Mapping[Part, PartGroup], risks: Mapping[Part, ComponentRisk]) -> None:
    for part, marginal in zip(known.parts, known.marginals, strict=True):
        if part not in risks:
            raise InvalidPlanInput(f"joint chances name {part[0]}, which has no risk; give one, or leave it out")
        if len(groups[part].parts) > 1:
            raise InvalidPlanInput(f"joint chances name {part[0]} twice; give each part in one set")
        chance = risks[part].chance_bad_now
        if abs(marginal - chance) > 1e-6:
            raise InvalidPlanInput(
                f"{part[0]}: chance_bad_now {chance:.6g} contradicts its joint chances, {marginal:.6g}"
            )
