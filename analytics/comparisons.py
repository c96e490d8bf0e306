"""Which models are weak at this component, compared at equal distance and age?

Question answered: does this model's part fail more than the same part on other models, used as hard and as old? Not:
does it fail often, which says as much about who rides it how far.
A comparison is the ratio of the failures a part has up to one distance and age (cumulative hazards) by the fitted
lives, which are shrunk already: a model with few records stands near its family. Each model's life is on its own
clock. The ratio's doubt is what the two do not have in common (`lives_apart`); its log is taken as normal. It is made
at the age about which the model's own records lie, where they say most: at a younger or older age its curve is the
others' word, and a part that ages in a way of its own would be missed. The class a model is held against is the other
models' mean, weighed by their exposure. Build strata and positions of a model are compared apart, and with each other,
never averaged away.

Many comparisons: a model is flagged weak only in a set whose expected share of false flags is at most `FALSE_SHARE`,
and only if its own chance of being at least `MATTERS` times the class is above `SURE`.
Sources: Newton et al. 2004 (false discovery by posterior probabilities); shrinkage as in `analytics.pooling`.
"""

from __future__ import annotations

from collections.abc import Collection, Sequence
from dataclasses import dataclass, replace

import numpy as np
from scipy.special import ndtr, ndtri

from analytics.component_fit import ANY_STRATUM, ComponentFit, clock_index
from analytics.errors import InvalidObservations
from analytics.life_model_types import Probability
from analytics.lives_apart import LivesApart
from analytics.operational_time import operational_units
from analytics.risk_draws import RiskTable
from analytics.spells import DAYS_PER_YEAR, Cell

MATTERS = 1.25  # own choice: a ratio below this is nobody's reason to choose another model
SURE = 0.95  # own choice
FALSE_SHARE = 0.01
MOST_TIMES = 5.0  # an age that far from the usual one is not compared at
CLEARED = 0.25  # own choice: chance of being that much worse, or better, below which a model is as the others
ENOUGH_FAILURES = 5.0  # seen or expected, below which nothing is said but that there is not enough data

WEAK, BETTER, AS_OTHERS, UNCLEAR = "weak", "better", "as the others", "unclear"
NOT_ENOUGH, FALSE_LEAD = "not enough data", "false lead"


@dataclass(frozen=True)
class Compared:
    """One side of a comparison: a model, or one build stratum or position of it, with the records behind it."""

    cell: Cell
    stratum: int
    position: str
    failures: float
    expected_failures: float
    machines: int
    shops: int
    exposure_km: float


@dataclass(frozen=True)
class Comparison:
    """Hazard of one part against others at equal distance and age.

    Attributes
    ----------
    component, kind : str
        kind is "model" (against all other models), "stratum", "position" or "quality".
    one, other : Compared or None
        `other` is None where the class is meant.
    ratio : Probability
        Median and interval.
    at_km, at_days : float
        Distance and age at which it was made.
    chance_weak, chance_better : float
        That the ratio is above `MATTERS`, or below its inverse.
    naive_ratio : float
        Failures a machine against the class, at whatever distance they ran; nan where that says nothing.
    km_ratio : float
        Distance watched a machine against the class.
    finding : str
        One of the findings above; "weak" only after `flag`.
    """

    component: str
    kind: str
    one: Compared | None
    other: Compared | None
    ratio: Probability
    chance_weak: float
    chance_better: float
    naive_ratio: float
    km_ratio: float
    finding: str
    at_km: float = float("nan")
    at_days: float = float("nan")


def compare_models(
    table: RiskTable,
    component: str,
    *,
    km: float,
    days: float,
    level: float = 0.9,
    suspected: Collection[Cell] = (),
) -> list[Comparison]:
    """Every model against the others, unflagged: pass all components' comparisons to `flag` together.

    Parameters
    ----------
    table : RiskTable
    component : str
    km, days : float
        A usual age of the part on both clocks: comparisons are made on that path of use.
    level : float
        Of the intervals.
    suspected : collection of Cell
        Models that talk has it are weak here; where the records clear them they are a "false lead".

    Raises
    ------
    UnknownComponent
        There is no fit of that name.
    InvalidObservations
        An age that is not above 0.
    """
    leaves, rows, lives = _leaves(table, component, km, days)
    if not leaves:
        return []
    ages = _own_ages(table.fits[table.fit_of(component)], leaves, rows, (km, days))
    exposure = np.array([leaf.exposure_km for leaf in leaves])
    out = []
    for i, leaf in enumerate(leaves):
        others = [j for j, other in enumerate(leaves) if other.cell != leaf.cell]
        if not others or exposure[others].sum() <= 0:
            continue
        watched = [j for j in others if exposure[j] > 0]
        like = [j for j in watched if leaves[j].position == leaf.position] or watched
        at_km, at_days = ages[i]
        apart = lives.log_ratio(i, like, exposure[like] / exposure[like].sum(), km=at_km, days=at_days)
        naive, further = _naive(leaf, [leaves[j] for j in like])
        made = _from_normal(component, "model", (leaf, None), *apart, level)
        finding = _finding(made, leaf, leaf.cell in suspected)
        out.append(replace(made, naive_ratio=naive, km_ratio=further, finding=finding, at_km=at_km, at_days=at_days))
    return out


def compare_within(table: RiskTable, component: str, *, km: float, days: float, level: float = 0.9) -> list[Comparison]:
    """Build strata of a model with the next ones, positions with each other, and pattern parts with the maker's.

    A ratio above 1 says that the older stratum, the first position, the pattern part fails more.
    """
    leaves, rows, lives = _leaves(table, component, km, days)
    fit = table.fits[table.fit_of(component)]
    ages = _own_ages(fit, leaves, rows, (km, days))
    out = []
    for i, one in enumerate(leaves):
        for j, other in enumerate(leaves):
            kind = _kind_of_pair(one, other)
            if kind:
                at_km, at_days = (float(np.sqrt(a * b)) for a, b in zip(ages[i], ages[j], strict=True))
                apart = lives.log_ratio(i, [j], np.ones(1), km=at_km, days=at_days)
                made = _from_normal(component, kind, (one, other), *apart, level)
                fewer = min((one, other), key=_weight_of)
                out.append(replace(made, finding=_finding(made, fewer, False), at_km=at_km, at_days=at_days))
    out.append(_pattern(fit, component, level))
    return out


def flag(comparisons: Sequence[Comparison], *, false_share: float = FALSE_SHARE) -> list[Comparison]:
    """The same comparisons, in order, with those flagged weak that hold up among all of them.

    Give the comparisons of all components at once: the more are made, the more would be flagged by chance.
    """
    order = sorted(range(len(comparisons)), key=lambda i: -comparisons[i].chance_weak)
    doubt = np.cumsum([1.0 - comparisons[i].chance_weak for i in order])
    held = np.flatnonzero(doubt <= false_share * np.arange(1, len(order) + 1))
    count = int(held[-1]) + 1 if len(held) else 0
    flagged = {i for i in order[:count] if comparisons[i].chance_weak > SURE}
    return [replace(c, finding=WEAK) if i in flagged else c for i, c in enumerate(comparisons)]


def _leaves(table: RiskTable, component: str, km: float, days: float) -> tuple[list[Compared], list[int], LivesApart]:
    """What can be compared, the rows of the fit they are, and their lives."""
    for name, value in (("km", km), ("days", days)):
        if not 0 < value < np.inf:
            raise InvalidObservations(f"{name}: the age to compare at must be above 0, not {value!r}")
    fit = table.fits[table.fit_of(component)]
    leaves, rows = [], []
    for row, (make, family, model, stratum, position) in enumerate(fit.row_keys):
        if model == "*" or stratum == ANY_STRATUM or position == "*":
            continue
        failures, _, machines, shops, exposure_km, _ = fit.evidence[row].tolist()
        expected = float(fit.copies @ fit.rate[row] / fit.copies.sum())
        counts = failures, expected, int(machines), int(shops), float(exposure_km)
        leaves.append(Compared(Cell(make, family, model), stratum, position, *counts))
        rows.append(row)
    return leaves, rows, LivesApart.of(table, component, rows)


def _own_ages(
    fit: ComponentFit, leaves: Sequence[Compared], rows: Sequence[int], usual: tuple[float, float]
) -> list[tuple[float, float]]:
    """Age about which each one's records lie, on the usual path of use: mean log age, weighed by hazard run through.

    There an error in the shape of the curve does not move its height (`shape_deviation`: d log E / d log shape).
    """
    km, days = usual
    clock = clock_index(fit.clock_weight)
    share = fit.copies / fit.copies.sum()
    usual_u = np.log(operational_units(np.asarray(km), np.asarray(days), fit.clock_weight.astype(float)))
    out = []
    for leaf, row in zip(leaves, rows, strict=True):
        times = 1.0
        if leaf.exposure_km > 0:
            log_u = fit.slope[clock, row].astype(float) / np.exp(fit.centre[clock].astype(float))
            times = float(np.clip(np.exp(share @ (log_u - usual_u)), 1.0 / MOST_TIMES, MOST_TIMES))
        out.append((times * km, times * days))
    return out


def _from_normal(
    component: str, kind: str, sides: tuple[Compared | None, Compared | None], mean: float, sd: float, level: float
) -> Comparison:
    sd = max(sd, 1e-9)
    z = float(ndtri(0.5 + level / 2))
    ratio = Probability(float(np.exp(mean)), float(np.exp(mean - z * sd)), float(np.exp(mean + z * sd)), level)
    weak = float(ndtr((mean - np.log(MATTERS)) / sd))
    better = float(ndtr((-np.log(MATTERS) - mean) / sd))
    return Comparison(component, kind, *sides, ratio, weak, better, float("nan"), float("nan"), UNCLEAR)


def _weight_of(side: Compared) -> float:
    return max(side.failures, side.expected_failures)


def _finding(made: Comparison, side: Compared, suspected: bool) -> str:
    if suspected and made.chance_weak < CLEARED and _weight_of(side) >= ENOUGH_FAILURES:
        return FALSE_LEAD
    if _weight_of(side) < ENOUGH_FAILURES:
        return NOT_ENOUGH
    if made.chance_better > SURE:
        return BETTER
    return AS_OTHERS if max(made.chance_weak, made.chance_better) < CLEARED else UNCLEAR


def _naive(leaf: Compared, others: Sequence[Compared]) -> tuple[float, float]:
    """Failures and distance a machine, against the others."""
    machines = sum(o.machines for o in others)
    failures, distance = sum(o.failures for o in others), sum(o.exposure_km for o in others)
    if not (machines and leaf.machines and failures and distance):
        return float("nan"), float("nan")
    return (
        leaf.failures / leaf.machines / (failures / machines),
        leaf.exposure_km / leaf.machines / (distance / machines),
    )


def _kind_of_pair(one: Compared, other: Compared) -> str:
    """What two leaves differ in, each pair once; empty where they are not to be compared."""
    if one.cell != other.cell:
        return ""
    if one.position == other.position:
        return "stratum" if other.stratum == one.stratum + 1 and one.stratum >= 0 else ""
    return "position" if one.stratum == other.stratum and one.position < other.position and one.position else ""


def _pattern(fit: ComponentFit, component: str, level: float) -> Comparison:
    """Pattern-made parts against others, over all models: the fit's own effect on the log hazard."""
    share = fit.copies / fit.copies.sum()
    mean = float(share @ fit.pattern_mean)
    variance = float(share @ (fit.pattern_variance + (fit.pattern_mean - mean) ** 2))
    made = _from_normal(component, "quality", (None, None), mean, float(np.sqrt(variance)), level)
    if made.ratio.high > 3.0 * made.ratio.low:
        return replace(made, finding=NOT_ENOUGH)
    if made.chance_better > SURE:
        return replace(made, finding=BETTER)
    return replace(made, finding=AS_OTHERS if made.chance_weak < CLEARED else UNCLEAR)


def typical_age(fit: ComponentFit) -> tuple[float, float]:
    """Distance and days to compare at where nobody says: mean exposure of a part, at least a year."""
    parts = max(float(fit.evidence[:, 1].sum()), 1.0)
    years = max(float(fit.evidence[:, 5].sum()) / parts, 1.0)
    km = float(fit.evidence[:, 4].sum()) / parts
    return (km if km > 0 else 5000.0 * years), years * DAYS_PER_YEAR
