"""The ranking of a described machine, and what symptoms, facts and measurements do to its chances of being bad now."""

from __future__ import annotations

from collections.abc import Mapping
from datetime import date
from typing import Any

from sqlalchemy.orm import Session

from service.inspections.evidence import Observed, Weighed, weigh
from service.inspections.explained import part_replies, safety_reply
from service.inspections.implied import implied_by
from service.inspections.inspected import Places, places_of
from service.inspections.observed import observed_in
from service.inspections.part_marks import MEANS, chance_reply
from service.inspections.ranking import Ranking, rank_described
from service.inspections.serving import Snapshot
from service.said import joined, say


def answer_ranking(
    session: Session, shop_id: int, asked: Mapping[str, Any], *, today: date, pool_open: bool
) -> dict[str, Any]:
    """The reply for a described machine.

    Without evidence nothing is added. With some, each entry gains `chance_bad_now_after`, `moved_by` and
    `not_counted`; the order stays that of the chance in the horizon, which looks ahead of today's evidence.
    """
    ranking, snapshot = rank_described(session, shop_id, asked, today=today, pool_open=pool_open)
    return ranking_reply(ranking, snapshot, asked)


def ranking_reply(ranking: Ranking, snapshot: Snapshot, asked: Mapping[str, Any]) -> dict[str, Any]:
    """The reply for a machine described or on record, with what its own lines imply."""
    reply = ranking.to_dict()
    implied = implied_by(ranking.machine, snapshot.catalogue)
    reply["notes"] += implied.notes
    if not implied.facts and not any(asked.get(name) for name in ("symptoms", "facts", "measurements")):
        return reply
    places = places_of(ranking, snapshot)
    observed = observed_in(asked, places)
    weighed = weigh(places, observed)
    after = _by_entry(weighed, part_replies(weighed, snapshot.catalogue))
    for entry in reply["ranking"]:
        entry |= after[entry["component"], entry["position"]]
    _with_numbers_read(reply, observed, places, ranking)
    reply["safety"] = safety_reply(observed.findings, observed.symptoms, snapshot.catalogue)
    return reply


def _with_numbers_read(reply: dict[str, Any], observed: Observed, places: Places, ranking: Ranking) -> None:
    """A part number read says which part is fitted, and so what it has ahead: those entries and the order follow it."""
    if ranking.order_only:
        return
    marks = {(p.component, p.position): p.marks for p in places.parts}
    for found in observed.findings:
        for entry in reply["ranking"]:
            named = marks.get((entry["component"], entry["position"]), {}).get(found.part_mark or "")
            here = found.component == entry["component"] and found.position in (None, entry["position"])
            if named is not None and here:
                entry["chance_in_horizon"] = chance_reply(named.in_season)
                mark = found.part_mark or ""
                read = say("Number read, %(mark)s: %(means)s.", mark=say(mark), means=say(MEANS[mark]))
                entry["why"] = joined(read, entry["why"])
    known_bad = {(p.component, p.position) for p in ranking.parts if p.known_bad}
    reply["ranking"].sort(
        key=lambda e: ((e["component"], e["position"]) not in known_bad, -e["chance_in_horizon"]["value"])
    )
    for rank, entry in enumerate(reply["ranking"], 1):
        entry["rank"] = rank


def _by_entry(weighed: Weighed, replies: list[dict[str, Any]]) -> dict[tuple[str, str | None], dict[str, Any]]:
    """What each entry of the ranking gains.

    Where evidence tells positions apart that the records do not, the entry shows the one likeliest bad and lists all.
    """
    found: dict[tuple[str, str | None], dict[str, Any]] = {}
    for reply in replies:  # likeliest first
        gained = {name: reply[name] for name in ("chance_bad_now_after", "moved_by", "not_counted")}
        found[reply["component"], reply["position"]] = gained
        told_apart = {"position": reply["position"], **gained}
        entry = found.setdefault((reply["component"], None), {**gained, "by_position": []})
        if reply["position"] is not None and "by_position" in entry:
            entry["by_position"].append(told_apart)
    return found
