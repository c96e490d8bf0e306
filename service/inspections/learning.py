"""Learn how good the checks are from parts that were opened, and let plans and diagnoses use what was learnt.

A finding is paired with what its part turned out to be in the same inspection. Where a finding names no position, the
part is bad if any opened one is, good if all opened ones were good. A check on a set knows one state, "something in
the set is bad"; the set counts as good only where every member of it was opened and good.
"""

from __future__ import annotations

import threading
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, field
from datetime import datetime
from typing import Any

from sqlalchemy import func, select
from sqlalchemy.orm import Session

from analytics.check_accuracy import LearntAccuracy, LearntShares, Opened, learn_accuracy
from analytics.outcomes import CONCLUSIVE, Shares, Verdict
from service.catalogue_types import Catalogue
from service.check_types import Check, OutcomeShares, QuickVariant, Target
from service.estimates import pool_is_open
from service.inspections.plan_texts import title_of
from service.inspections.taught import Key, shares_of, with_taught
from service.models import Finding, Inspection, StripDown
from service.past import not_superseded, reads_the_past, said_by

SEED = 20_260_601
LEAST_CHANCE = 0.005  # the learner wants a chance off 0 and 1
KEPT = 8


@dataclass
class Tally:
    """Findings of one check on one part, and the chances before them."""

    bad: dict[Verdict, int] = field(default_factory=lambda: dict.fromkeys(CONCLUSIVE, 0))
    good: dict[Verdict, int] = field(default_factory=lambda: dict.fromkeys(CONCLUSIVE, 0))
    unopened: dict[Verdict, int] = field(default_factory=lambda: dict.fromkeys(CONCLUSIVE, 0))
    chances: list[float] = field(default_factory=list)

    def add(self, verdict: Verdict, really_bad: bool | None, chance: float) -> None:
        """Count one finding; `really_bad` is None where the part was not opened."""
        into = self.unopened if really_bad is None else self.bad if really_bad else self.good
        into[verdict] += 1
        self.chances.append(chance)

    @property
    def counts(self) -> dict[Verdict, Opened]:
        """As the learner takes them."""
        return {v: Opened(self.bad[v], self.good[v], self.unopened[v]) for v in CONCLUSIVE}

    @property
    def chance_before(self) -> float:
        """Mean chance before any evidence, off 0 and 1."""
        return min(max(sum(self.chances) / len(self.chances), LEAST_CHANCE), 1 - LEAST_CHANCE)


def tallies(
    session: Session, shop_id: int | None, catalogue: Catalogue, until: datetime | None = None
) -> dict[Key, Tally]:
    """Findings and strip-downs of one shop, or of all where `shop_id` is None, as they were at a moment (None: now)."""
    findings = not_superseded(Finding, select(Finding), until).order_by(Finding.id)
    opened = not_superseded(StripDown, select(StripDown), until)
    visits = select(Inspection.id, Inspection.priors)
    if shop_id is not None:
        findings, opened = findings.where(Finding.shop_id == shop_id), opened.where(StripDown.shop_id == shop_id)
        visits = visits.where(Inspection.shop_id == shop_id)
    priors = {row.id: row.priors for row in session.execute(visits)}
    strips: dict[int, list[StripDown]] = {}
    for strip in session.scalars(opened):
        strips.setdefault(strip.inspection_id, []).append(strip)
    latest = {
        (row.inspection_id, row.check_key, row.component, row.position, row.engine_state): row
        for row in session.scalars(findings)
    }
    found: dict[Key, Tally] = {}
    for row in latest.values():
        _count(row, priors[row.inspection_id], strips.get(row.inspection_id, []), catalogue, found)
    return found


def _count(
    row: Finding,
    priors: Sequence[Mapping[str, Any]],
    strips: Sequence[StripDown],
    catalogue: Catalogue,
    into: dict[Key, Tally],
) -> None:
    entry, verdict = catalogue.check_by_id.get(row.check_key), Verdict(row.outcome)
    if entry is None or verdict not in CONCLUSIVE:
        return
    for key, slugs in _keys(row, entry):
        chance = _chance(priors, slugs)
        if chance is not None:
            into.setdefault(key, Tally()).add(verdict, _turned_out(slugs, row.position, strips, priors), chance)


def _keys(row: Finding, entry: Check | QuickVariant) -> Iterable[tuple[Key, tuple[str, ...]]]:
    """What a finding tells about: the set of its check, or each component it speaks of."""
    targets = [t for t in entry.targets if t.when is None or t.when == row.engine_state]
    if isinstance(entry, Check) and entry.set_level and row.component is None:
        yield (entry.id, None, None), tuple(t.component for t in targets)
        return
    for target in targets:
        if row.component in (None, target.component):
            yield (entry.id, target.component, target.when), (target.component,)


def _chance(priors: Sequence[Mapping[str, Any]], slugs: Sequence[str]) -> float | None:
    """Chance before any evidence that at least one of these parts was bad; None where the machine has none of them."""
    mine = [p["chance_bad_now"]["value"] for p in priors if p["component"] in slugs]
    good = 1.0
    for chance in mine:
        good *= 1 - chance
    return 1 - good if mine else None


def _turned_out(
    slugs: Sequence[str], position: str | None, strips: Sequence[StripDown], priors: Sequence[Mapping[str, Any]]
) -> bool | None:
    """Whether the part, or something in the set, was bad; None where nobody can say."""
    mine = [s for s in strips if s.component in slugs and (position is None or s.position in (None, position))]
    if any(strip.really_bad for strip in mine):
        return True
    there = {prior["component"] for prior in priors} & set(slugs)
    return False if there and there <= {strip.component for strip in mine} else None


def learn(found: Mapping[Key, Tally], catalogue: Catalogue) -> dict[Key, LearntAccuracy]:
    """Accuracies of the checks of which at least one part was opened."""
    learnt = {}
    for key, tally in found.items():
        target = _target(key, catalogue)
        if target is None or not any(o.bad + o.good for o in tally.counts.values()):
            continue
        learnt[key] = learn_accuracy(
            _shares(target.given_bad),
            _shares(target.given_good),
            tally.counts,
            chance_before=tally.chance_before,
            seed=SEED,
        )
    return learnt


def _target(key: Key, catalogue: Catalogue) -> Target | None:
    check, component, when = key
    entry = catalogue.check_by_id.get(check)
    targets = [] if entry is None else [t for t in entry.targets if component in (None, t.component) and t.when == when]
    if component is None and len({(t.given_bad, t.given_good) for t in targets}) > 1:
        return None  # members that differ cannot be learnt from the set's outcome
    return targets[0] if targets else None


def _shares(shares: OutcomeShares) -> Shares:
    return Shares(shares.fail, shares.marginal, shares.pass_)


@dataclass(frozen=True)
class Taught:
    """A catalogue, and the same with what was learnt in it."""

    plain: Catalogue
    taught: Catalogue
    learnt: Mapping[Key, LearntAccuracy]


_cache: dict[tuple[Any, ...], Taught] = {}
_lock = threading.Lock()


def taught_catalogue(session: Session, shop_id: int, catalogue: Catalogue, *, pool_open: bool) -> Taught:
    """The catalogue as this shop's strip-downs, or the open pool's, have taught it; learnt anew after each of them.

    What is found after the last of them waits for the next: every process learns the same, now and looking back.
    """
    scope = None if pool_is_open(session, pool_open=pool_open) else shop_id
    newest = select(func.max(StripDown.id)).where(*said_by(StripDown.recorded_at, reads_the_past(session)))
    if scope is not None:
        newest = newest.where(StripDown.shop_id == scope)
    last = session.scalar(newest)
    if last is None:
        return Taught(catalogue, catalogue, {})
    key = (str(session.get_bind().engine.url), scope, last)
    with _lock:
        kept = _cache.get(key)
    # A catalogue read anew is another object.
    if kept is None or kept.plain is not catalogue:
        until = session.scalar(select(StripDown.recorded_at).where(StripDown.id == last))
        learnt = learn(tallies(session, scope, catalogue, until), catalogue)
        kept = Taught(catalogue, with_taught(catalogue, shares_of(learnt)), learnt)
        with _lock:
            if len(_cache) >= KEPT:
                _cache.pop(next(iter(_cache)))
            _cache[key] = kept
    return kept


def forget() -> None:
    """Drop what is kept in memory."""
    with _lock:
        _cache.clear()


LEARNING_NOTES = (
    "Counted with the parts nobody opened: among opened parts alone every check looks better at finding bad ones.",
    "Taken for granted: whether a part is opened depends on how the check came out, not on what else was suspected.",
)


def accuracies_document(taught: Taught) -> dict[str, Any]:
    """What was learnt, beside the invented figures it started from."""
    entries = [_accuracy(key, found, taught.plain) for key, found in sorted(taught.learnt.items(), key=str)]
    return {"accuracies": entries, "notes": list(LEARNING_NOTES)}


def _accuracy(key: Key, found: LearntAccuracy, catalogue: Catalogue) -> dict[str, Any]:
    target = _target(key, catalogue)
    assert target is not None  # learnt from it
    return {
        "check": key[0],
        "title": title_of(key[0], catalogue),
        "component": key[1],
        "engine_state": key[2],
        "says": found.words,
        "opened": found.opened,
        "unopened": found.unopened,
        "opened_passes": found.opened_passes,
        "given_bad": _shares_reply(found.given_bad, target.given_bad, found.level),
        "given_good": _shares_reply(found.given_good, target.given_good, found.level),
        "prior_weight_bad": round(found.given_bad.prior_weight, 3),
        "prior_weight_good": round(found.given_good.prior_weight, 3),
    }


def _shares_reply(learnt: LearntShares, prior: OutcomeShares, level: float) -> list[dict[str, Any]]:
    return [
        {
            "outcome": verdict.value,
            "value": round(learnt.shares.as_tuple()[k], 4),
            "low": round(learnt.low[k], 4),
            "high": round(learnt.high[k], 4),
            "level": level,
            "prior": _shares(prior).as_tuple()[k],
        }
        for k, verdict in enumerate(CONCLUSIVE)
    ]
