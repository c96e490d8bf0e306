"""How often a broken log is flagged, and a full one by mistake, by the size of the shop.

    python -m tests.worlds.flag_power --seeds 940-942

Twelve shops a world; the fits are those of the full logs. Simulated, so that what is broken is known.
"""

from __future__ import annotations

import argparse

import numpy as np

from analytics.pooling import fit_components
from analytics.selection import ALL_SHOPS, selection_flags
from tests.worlds.broken_logs import BREAKS, full
from tests.worlds.simulate import SHOPS, WorldSettings, make_world

SIZES = (20, 50, 100, 200)


def flagged(seed: int, machines: int) -> dict[str, list[bool]]:
    """Whether each shop of one world is flagged, by how its log is broken."""
    world = make_world(seed, WorldSettings(machines=SHOPS * machines, components=24))
    logs = full(world)
    fits, _ = fit_components(logs, {t.name: t.prior for t in world.truths})
    out = {}
    for name in ("full", *BREAKS):
        broken = logs if name == "full" else BREAKS[name](logs)
        out[name] = [bool(s.flags) for s in selection_flags(broken, fits) if s.shop != ALL_SHOPS]
    return out


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("--seeds", default="940-942", help="first-last")
    first, last = (int(x) for x in parser.parse_args().seeds.split("-"))
    for machines in SIZES:
        found = [flagged(seed, machines) for seed in range(first, last + 1)]
        shares = {name: np.mean([f for world in found for f in world[name]]) for name in found[0]}
        print(f"{machines} machines a shop:", " ".join(f"{n} {s:.2f};" for n, s in shares.items()), flush=True)


if __name__ == "__main__":
    main()
