"""Published data the reference tests run on; README.md beside this file says where each comes from."""

from __future__ import annotations

import warnings
from pathlib import Path

import numpy as np
import pandas as pd

HERE = Path(__file__).parent

# NIST/SEMATECH e-Handbook 8.4.1.3: hours at failure of 10 of 20 units; the rest still good at 500 h.
NIST_UNITS = (np.array([54, 187, 216, 240, 244, 335, 361, 373, 375, 386] + [500] * 10), np.arange(20) < 10)
# NIST/SEMATECH e-Handbook 8.2.2.3 and 8.4.5.1: hours at repair of one system watched for 1500 h.
NIST_REPAIRS = np.array([5, 40, 43, 175, 389, 712, 747, 795, 1299, 1478])
# MIL-HDBK-189 (1981), appendix C: ages at 27 failures of one system watched to 300.
MIL_HDBK_189_FAILURES = np.array(
    "2.6 16.5 16.5 17.0 21.4 29.1 33.3 56.5 63.1 70.6 73.0 77.7 93.9 95.5 98.1 101.1 132.0 142.2 147.7 149.0 "
    "167.2 190.7 193.0 198.7 251.9 282.5 286.1".split(),
    dtype=float,
)
# Gaver & O'Muircheartaigh 1987: failures and thousands of hours of ten pumps.
PUMP_FAILURES = np.array([5, 1, 5, 14, 3, 19, 1, 1, 4, 22])
PUMP_EXPOSURE = np.array([94.3, 15.7, 62.9, 126, 5.24, 31.4, 1.05, 1.05, 2.1, 10.5])
# Set MCF_1 of the package `reliability` 0.9.0: five systems, the last age of each is the end of its watch.
FIVE_SYSTEMS = ((5, 10, 15, 17), (6, 13, 17, 19), (12, 20, 25, 26), (13, 15, 24), (16, 22, 25, 28))
# Set system_growth of the package `reliability` 0.9.0: ages at failure of one system, stopped at the last.
SYSTEM_GROWTH = np.array(
    "2.7 10.3 12.5 30.6 57 61.3 80 109.5 125 128.6 143.8 167.9 229.2 296.7 320.6 328.2 366.2 396.7 421.1 438.2 "
    "501.2 620".split(),
    dtype=float,
)
_SHOCK_ABSORBERS = (
    "6700F 6950 7820 8790 9120F 9660 9820 11310 11690 11850 11880 12140 12200F 12870 13150F 13330 13470 14040 "
    "14300F 17520F 17540 17890 18420 18960 18980 19410 20100F 20100 20150 20320 20900F 22700F 23490 26510F "
    "27410 27490F 27890 28100"
)


def shock_absorbers() -> tuple[np.ndarray, np.ndarray]:
    """Kilometres and whether the absorber failed (O'Connor 1985; Meeker & Escobar)."""
    words = _SHOCK_ABSORBERS.split()
    return np.array([int(word.rstrip("F")) for word in words]), np.array([word.endswith("F") for word in words])


def cracks() -> tuple[np.ndarray, np.ndarray, np.ndarray, np.ndarray]:
    """Last look without a crack, first look with one, whether one was found, how many parts (Nelson 1982), months."""
    looks = np.array([0, 6.12, 19.92, 29.64, 35.40, 39.72, 45.24, 52.32, 63.48])
    lower = np.append(looks[:-1], np.nan)
    return lower, np.append(looks[1:], looks[-1]), np.arange(9) < 8, np.array([5, 16, 12, 18, 18, 2, 6, 17, 73])


def genfan() -> tuple[np.ndarray, np.ndarray]:
    """Hours and whether the fan failed."""
    table = pd.read_csv(HERE / "genfan.csv")
    return table["hours"].to_numpy(), table["status"].to_numpy()


def channing(gender: int) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    """Age at entry, age at exit (months) and death, for 1 men or 2 women; four with exit <= entry left out."""
    table = pd.read_csv(HERE / "channing.csv")
    table = table[(table["age"] > table["ageentry"]) & (table["gender"] == gender)]
    return table["ageentry"].to_numpy(), table["age"].to_numpy(), table["death"].to_numpy()


def psych() -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    """Age at entry, age at exit (years) and death."""
    table = pd.read_csv(HERE / "psych.csv")
    return table["age"].to_numpy(), (table["age"] + table["time"]).to_numpy(), table["death"].to_numpy()


def turbine() -> tuple[np.ndarray, np.ndarray, np.ndarray, np.ndarray]:
    """Last look before (0 or nan), hundreds of hours at the one look, cracked or not, how many wheels."""
    table = pd.read_csv(HERE / "turbine.csv")
    hours = np.tile(table["hours"].to_numpy(), 2)
    cracked = np.arange(len(hours)) < len(table)
    count = np.concatenate([table["failed"], table["inspected"] - table["failed"]])
    some = count > 0
    return np.where(cracked, 0.0, np.nan)[some], hours[some], cracked[some], count[some]


def bcdeter(arm: int) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    """Last month without, first month with the change (or last seen), and whether it was seen."""
    table = pd.read_csv(HERE / "bcdeter.csv")
    table = table[table["treat"] == arm]
    seen = table["upper"].notna().to_numpy()
    lower = table["lower"].to_numpy(dtype=float)
    exit_ = np.where(seen, table["upper"], lower)
    # Equal bounds are an exact month.
    return np.where(seen & (lower < exit_), lower, np.nan), exit_, seen


def mgus2() -> tuple[np.ndarray, np.ndarray]:
    """Months and how followed: 1 progression, 2 death without it, 0 neither."""
    table = pd.read_csv(HERE / "mgus2.csv")
    progressed = table["pstat"].to_numpy() == 1
    months = np.where(progressed, table["ptime"], table["futime"])
    return months, np.where(progressed, 1, 2 * table["death"])


def valve_seat() -> tuple[pd.DataFrame, pd.DataFrame]:
    """Ends of watch and replacements of valve seats on 41 engines: columns id, time (days)."""
    table = pd.read_csv(HERE / "valve_seat.csv")
    return table[table["status"] == 0], table[table["status"] == 1]


def grid_assets(name: str) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    """Entry, exit (years) and failure from `relife.datasets` (Apache-2.0): power_transformer or circuit_breaker."""
    with warnings.catch_warnings():
        warnings.simplefilter("ignore")  # its import of numba and friends may warn; that is not ours to judge
        from relife import datasets
    table = getattr(datasets, f"load_{name}")()
    return table["entry"], table["time"], table["event"]
