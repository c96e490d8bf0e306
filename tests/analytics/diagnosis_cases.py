"""Worked figures of the trade brief (all ratios and accuracies invented there) and what the tests share."""

from __future__ import annotations

from analytics.diagnosis_types import CheckTarget, Finding, Verdict
from analytics.outcomes import Shares

# fail / marginal / pass if bad, if good, and the printed ratios of fail, marginal, pass
PRINTED = """
T01 battery 0.55 0.30 0.15 0.10 0.25 0.65 5.5 1.2 0.23
T02 battery 0.70 0.20 0.10 0.06 0.14 0.80 12 1.4 0.12
T03 charging_set 0.85 0.10 0.05 0.04 0.11 0.85 21 0.91 0.06
T04 stator 0.45 0.10 0.45 0.04 0.06 0.90 11 1.7 0.50
T05 stator 0.55 0.05 0.40 0.01 0.02 0.97 55 2.5 0.41
T06 stator 0.85 0.08 0.07 0.03 0.05 0.92 28 1.6 0.08
T06 alternator_rotor 0.70 0.15 0.15 0.05 0.08 0.87 14 1.9 0.17
T07 regulator_rectifier 0.60 0.05 0.35 0.06 0.04 0.90 10 1.2 0.39
T08 charging_connector 0.80 0.12 0.08 0.05 0.10 0.85 16 1.2 0.09
T09 main_harness 0.75 0.15 0.10 0.08 0.12 0.80 9.4 1.2 0.12
T11 starter_clutch 0.70 0.15 0.15 0.02 0.05 0.93 35 3.0 0.16
T13 fuel_pump 0.85 0.10 0.05 0.03 0.07 0.90 28 1.4 0.06
T15 injector 0.25 0.05 0.70 0.01 0.02 0.97 25 2.5 0.72
T16 injector 0.90 0.06 0.04 0.04 0.08 0.88 22 0.75 0.05
T19cold crank_position_sensor 0.35 0.10 0.55 0.03 0.05 0.92 12 2.0 0.60
T19hot crank_position_sensor 0.80 0.08 0.12 0.04 0.06 0.90 20 1.3 0.13
T24 valve_train 0.95 0.04 0.01 0.02 0.08 0.90 48 0.50 0.01
T31 brake_pad 0.95 0.04 0.01 0.02 0.08 0.90 48 0.50 0.01
T32 tyre 0.97 0.02 0.01 0.01 0.09 0.90 97 0.22 0.01
T35 cam_chain_tensioner 0.65 0.20 0.15 0.06 0.14 0.80 11 1.4 0.19
T30q wheel_bearing 0.35 0.20 0.45 0.04 0.10 0.86 8.8 2.0 0.52
T35q cam_chain_tensioner 0.50 0.20 0.30 0.08 0.14 0.78 6.2 1.4 0.38
""".split("\n")[1:-1]

SHARES = {
    (words[0], words[1]): (Shares.of([*map(float, words[2:5])]), Shares.of([*map(float, words[5:8])]))
    for words in map(str.split, PRINTED)
}
CHARGING_SET = ("regulator_rectifier", "stator", "charging_connector", "alternator_rotor")


def target(check: str, component: str, position: str | None = None, of: str | None = None) -> CheckTarget:
    """A target with the printed shares of (check, `of` or component)."""
    return CheckTarget(component, position, *SHARES[check, of or component])


def finding(check: str, verdict: Verdict, *components: str, **changes) -> Finding:
    """A finding on single parts with the printed shares."""
    fields = {"check": check, "parent": check[:3], "verdict": verdict}
    return Finding(targets=tuple(target(check, c) for c in components), **fields | changes)


def charging_voltage(verdict: Verdict, *, battery: bool = False, **changes) -> Finding:
    """T03 on the charging set; `battery`: with the 0.15 fails of a bad battery, its other shares scaled."""
    targets = [target("T03", c, of="charging_set") for c in CHARGING_SET]
    if battery:
        good = targets[0].given_good
        rest = 0.85 / (good.marginal + good.passed)
        targets.append(CheckTarget("battery", None, Shares(0.15, good.marginal * rest, good.passed * rest), good))
    fields = {"check": "T03", "parent": "T03", "verdict": verdict, "targets": tuple(targets), "group": "charging"}
    return Finding(set_level=True, **fields | changes)
