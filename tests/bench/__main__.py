"""Run every benchmark, or those named: python -m tests.bench [one_group life_model ...].

Each prints ratios of two things timed in turn in the same run; absolute times say more about the machine.
"""

from __future__ import annotations

import argparse
import importlib
import pkgutil

import tests.bench as package


def main() -> None:
    names = [module.name for module in pkgutil.iter_modules(package.__path__) if not module.name.startswith("_")]
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0] if __doc__ else None)
    parser.add_argument("names", nargs="*", default=names, choices=[*names, []])
    for name in parser.parse_args().names or names:
        print(f"== {name}", flush=True)
        importlib.import_module(f"tests.bench.{name}").main()


if __name__ == "__main__":
    main()
