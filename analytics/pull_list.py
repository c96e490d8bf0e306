"""Which machines to pull this week: the jobs worth most within the workshop's hours, chosen exactly.

A job is worth pulling where waiting costs more than it saves: over the coming time the part may fail, at the price of
a failure instead of a planned renewal, against the average cost that a part kept longer puts off. Jobs on one machine
share the time to bring it in. Jobs that must be done, safety class A among them, are in whatever they are worth.

Source of the rule: the marginal condition of age replacement, hazard x (failure - planned) against the cost rate
(Barlow & Proschan 1965, 4.2). The choice is an integer programme (HiGHS through scipy).
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass

import numpy as np
from scipy.optimize import Bounds, LinearConstraint, milp
from scipy.sparse import coo_array

from analytics.errors import AnalyticsError, InvalidObservations
from analytics.renewal_policy import RenewalCosts


class NoPullList(AnalyticsError):
    """The solver gave no list; never passed off as an empty one."""


@dataclass(frozen=True)
class PullJob:
    """One job that could be done now.

    Attributes
    ----------
    id, machine : str
    hours : float
        Once the machine is in.
    worth : float
        Money saved by doing it now; jobs worth nothing are left unless they must be done.
    must : bool
        Found bad, or a safety class A job that is due.
    """

    id: str
    machine: str
    hours: float
    worth: float
    must: bool = False

    def __post_init__(self) -> None:
        if not (np.isfinite(self.hours) and self.hours >= 0):
            raise InvalidObservations(f"{self.id}: hours must be a number of at least 0, not {self.hours!r}")
        if not np.isfinite(self.worth):
            raise InvalidObservations(f"{self.id}: worth must be a number, not {self.worth!r}")


@dataclass(frozen=True)
class PullList:
    """Jobs to do, and those left with the reason. `over_by` is how far the jobs that must be done exceed the hours."""

    jobs: tuple[PullJob, ...]
    machines: tuple[str, ...]
    hours: float
    worth: float
    left_out: tuple[tuple[PullJob, str], ...]
    over_by: float


def worth_of_pulling(chance: float, days_ahead: float, costs: RenewalCosts, cost_per_day: float) -> float:
    """Money saved by renewing a part now and not at the end of the time looked ahead.

    Parameters
    ----------
    chance : float
        To fail within that time.
    days_ahead : float
    costs : RenewalCosts
    cost_per_day : float
        Average cost of the position under its policy (`RenewalPolicy.cost_rate` on the days clock): what keeping the
        part longer puts off.
    """
    if not 0 <= chance <= 1:
        raise InvalidObservations(f"chance: must lie between 0 and 1, not {chance!r}")
    return chance * (costs.all_failure - costs.all_planned) - cost_per_day * days_ahead * (1.0 - 0.5 * chance)


def pull_list(
    jobs: Sequence[PullJob], hours: float, *, hours_to_bring_in: Mapping[str, float] | None = None
) -> PullList:
    """Choose the jobs worth most within the hours.

    Parameters
    ----------
    jobs : sequence of PullJob
    hours : float
        Workshop hours to fill.
    hours_to_bring_in : mapping of machine to hours, or None
        Spent once a machine, whatever is done on it.

    Raises
    ------
    InvalidObservations
        Hours below 0, or a job given twice.
    """
    if not (np.isfinite(hours) and hours >= 0):
        raise InvalidObservations(f"hours: must be a number of at least 0, not {hours!r}")
    if len({j.id for j in jobs}) < len(jobs):
        raise InvalidObservations("jobs: an id is given twice")
    bring = dict(hours_to_bring_in or {})
    if any(not (np.isfinite(h) and h >= 0) for h in bring.values()):
        raise InvalidObservations("hours_to_bring_in: every number must be at least 0")
    must = [j for j in jobs if j.must]
    fixed = _hours(must, bring)
    worthy = [j for j in jobs if not j.must and j.worth > 0]
    already = {j.machine for j in must}
    chosen = must + _best(worthy, max(hours - fixed, 0.0), {m: h for m, h in bring.items() if m not in already})
    taken = {j.id for j in chosen}
    left = tuple(
        (j, "worth less than what is on the list, for the hours it takes" if j.worth > 0 else "cheaper to run on")
        for j in jobs
        if j.id not in taken
    )
    ordered = tuple(sorted(chosen, key=lambda j: (not j.must, -j.worth, j.id)))
    machines = tuple(dict.fromkeys(j.machine for j in ordered))
    worth = float(sum(j.worth for j in ordered))
    return PullList(ordered, machines, _hours(chosen, bring), worth, left, max(fixed - hours, 0.0))


def _hours(jobs: Sequence[PullJob], bring: Mapping[str, float]) -> float:
    return float(sum(j.hours for j in jobs) + sum(bring.get(m, 0.0) for m in {j.machine for j in jobs}))


def _best(jobs: Sequence[PullJob], hours: float, bring: Mapping[str, float]) -> list[PullJob]:
    """Variables: one a job, then one a machine that has to be brought in; a job needs its machine."""
    if not jobs:
        return []
    machines = sorted({j.machine for j in jobs if bring.get(j.machine, 0.0) > 0})
    column = {m: len(jobs) + i for i, m in enumerate(machines)}
    width = len(jobs) + len(machines)
    entries = [(0, i, j.hours) for i, j in enumerate(jobs)] + [(0, column[m], bring[m]) for m in machines]
    high = [hours + 1e-9]
    for i, job in enumerate(jobs):
        if job.machine in column:
            entries += [(len(high), i, 1.0), (len(high), column[job.machine], -1.0)]
            high.append(0.0)
    rows, columns, values = zip(*entries, strict=True)
    matrix = coo_array((values, (rows, columns)), shape=(len(high), width)).tocsr()
    scale = max(j.worth for j in jobs)
    gain = np.array([j.worth / scale for j in jobs] + [0.0] * len(machines))
    found = milp(
        -gain,
        constraints=LinearConstraint(matrix, np.full(len(high), -np.inf), np.array(high)),
        integrality=np.ones(width, dtype=np.int64),
        bounds=Bounds(0, 1),
        options={"mip_rel_gap": 0.0},
    )
    if found.x is None or not found.success:
        raise NoPullList(f"no list was found ({found.message}); check hours and worths for extreme values")
    return [j for i, j in enumerate(jobs) if found.x[i] > 0.5]
