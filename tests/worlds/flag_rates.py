"""How often demo worlds have their planted weaknesses flagged, and legends and rare models by mistake.

    python -m tests.worlds.flag_rates --worlds 100

Worlds of the demo's size; only the components that the truths are about are made and fitted. Truths are those of the
demo's answer sheet: early Lanner regulators (P01) and connectors (P05), Falena crank sensors (P06), Hob starter
clutches (P12) and rear wheel bearings of the Dray (P17) are weak; the Shrike's charging parts (P18) and all of the
Merle (P23) are not. Intervals are exact (Clopper & Pearson 1934).
"""

from __future__ import annotations

import argparse
from collections import Counter

from scipy.stats import binomtest

from analytics.comparisons import WEAK, compare_models, flag, typical_age
from tests.worlds.demo_records import learn_demo

COMPONENTS = ("regulator_rectifier", "charging_connector", "stator", "crank_position_sensor", "starter_clutch",
              "wheel_bearing")  # fmt: skip
CHARGING = COMPONENTS[:3]
EARLY = ("Lanner 650", "Lanner 650 T")
WEAKNESSES = ("P01", "P05", "P06", "P12", "P17")
FALSE_LEADS = ("P18", "P23")


def flagged(seed: int) -> set[str]:
    """Planted truths of one world whose parts are called weak."""
    table = learn_demo(seed, COMPONENTS).table
    made = []
    for slug in COMPONENTS:
        km, days = typical_age(table.fits[table.fit_of(slug)])
        made += compare_models(table, slug, km=km, days=days)
    weak = [(c.component, c.one.cell.model, c.one.stratum, c.one.position) for c in flag(made) if c.finding == WEAK]
    found = {
        "P01": any(c == "regulator_rectifier" and m in EARLY and s == 0 for c, m, s, _ in weak),
        "P05": any(c == "charging_connector" and m in EARLY and s == 0 for c, m, s, _ in weak),
        "P06": any(c == "crank_position_sensor" and m == "Falena 990" for c, m, _, _ in weak),
        "P12": any(c == "starter_clutch" and m == "Hob 410" for c, m, _, _ in weak),
        "P17": any(c == "wheel_bearing" and m == "Dray 300" and p.startswith("rear_") for c, m, _, p in weak),
        "P18": any(c in CHARGING and m == "Shrike 900" for c, m, _, _ in weak),
        "P23": any(m == "Merle 500" for _, m, _, _ in weak),
    }
    return {name for name, is_flagged in found.items() if is_flagged}


def main() -> None:
    parser = argparse.ArgumentParser(description=(__doc__ or "").splitlines()[0])
    parser.add_argument("--worlds", type=int, default=100)
    parser.add_argument("--first", type=int, default=1, help="seed of the first world")
    args = parser.parse_args()
    counts: Counter[str] = Counter()
    for seed in range(args.first, args.first + args.worlds):
        names = flagged(seed)
        counts.update(names)
        print(seed, " ".join(sorted(names)), flush=True)
    for name in (*WEAKNESSES, *FALSE_LEADS):
        between = binomtest(counts[name], args.worlds).proportion_ci(0.9, "exact")
        print(f"{name} {counts[name]} of {args.worlds} ({between.low:.3f} to {between.high:.3f} at 90 %)")


if __name__ == "__main__":
    main()
