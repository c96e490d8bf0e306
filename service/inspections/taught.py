"""What strip-downs had taught of the checks, laid into the catalogue's shares, and kept with an inspection.

An inspection keeps what was known of its checks when it began, so that it says the same when it is taken up again,
whatever was opened elsewhere since.
"""

from __future__ import annotations

import hashlib
import json
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from typing import Any, TypeVar

from analytics.check_accuracy import LearntAccuracy
from analytics.outcomes import Shares
from service.catalogue_types import Catalogue
from service.check_types import Check, OutcomeShares, QuickVariant

# (option done, component or None for the whole set, engine state where the two differ)
Key = tuple[str, str | None, str | None]
Entry = TypeVar("Entry", Check, QuickVariant)


@dataclass(frozen=True)
class TaughtShares:
    """Shares of a check on a part that take the place of the catalogue's, and where they come from."""

    given_bad: Shares
    given_good: Shares
    says: str


def shares_of(learnt: Mapping[Key, LearntAccuracy]) -> dict[Key, TaughtShares]:
    """The mean shares of what was learnt."""
    return {k: TaughtShares(a.given_bad.shares, a.given_good.shares, a.words) for k, a in learnt.items()}


def with_taught(catalogue: Catalogue, taught: Mapping[Key, TaughtShares]) -> Catalogue:
    """The catalogue with what was learnt in the place of the invented shares, marked so."""
    if not taught:
        return catalogue
    return replace(
        catalogue,
        checks=tuple(_retaught(check, taught) for check in catalogue.checks),
        quick_variants=tuple(_retaught(variant, taught) for variant in catalogue.quick_variants),
    )


def _retaught(entry: Entry, taught: Mapping[Key, TaughtShares]) -> Entry:
    targets = []
    for target in entry.targets:
        found = taught.get((entry.id, target.component, target.when)) or taught.get((entry.id, None, target.when))
        if found is not None:
            target = replace(
                target, given_bad=_written(found.given_bad), given_good=_written(found.given_good), mark=found.says
            )
        targets.append(target)
    return replace(entry, targets=tuple(targets))


def _written(shares: Shares) -> OutcomeShares:
    return OutcomeShares(shares.fail, shares.marginal, shares.passed)


def to_keep(taught: Mapping[Key, TaughtShares]) -> list[dict[str, Any]]:
    """As an inspection keeps it."""
    return [
        {
            "check": key[0],
            "component": key[1],
            "when": key[2],
            "given_bad": list(found.given_bad.as_tuple()),
            "given_good": list(found.given_good.as_tuple()),
            "says": found.says,
        }
        for key, found in sorted(taught.items(), key=str)
    ]


def from_kept(kept: Sequence[Mapping[str, Any]]) -> dict[Key, TaughtShares]:
    """From what an inspection kept."""
    return {
        (entry["check"], entry["component"], entry["when"]): TaughtShares(
            Shares(*entry["given_bad"]), Shares(*entry["given_good"]), entry["says"]
        )
        for entry in kept
    }


def version_of(kept: Sequence[Mapping[str, Any]]) -> str:
    """A name for a state of what was learnt: the catalogue's own shares, or a SHA-256 of what stands for them."""
    if not kept:
        return "catalogue prior"
    return hashlib.sha256(json.dumps(list(kept), sort_keys=True, ensure_ascii=False).encode()).hexdigest()
