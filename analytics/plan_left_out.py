"""Why an option is no line of a plan: what rules it out, what has its place, or that it would change nothing."""

from __future__ import annotations

from collections.abc import Mapping, Sequence

from analytics.check_worth import PartWorth, worth_of
from analytics.planning_types import CheckOption, LeftOut

NO_GAIN = 1e-9  # share of the plan's worth below which a line is left out as adding nothing


def _no_time(option: CheckOption, alone: Mapping[str, float], missing: Sequence[str] = ()) -> LeftOut:
    first = f" with {' and '.join(missing)} first, which it leans on" if missing else ""
    return LeftOut(option, "no_time", f"no time for it in these minutes{first}", alone[option.id])


def left_out(
    options: Sequence[CheckOption],
    chosen: Sequence[CheckOption],
    refused: Mapping[str, tuple[str, str]],
    worths: Sequence[PartWorth],
    alone: Mapping[str, float],
) -> tuple[LeftOut, ...]:
    """Every option that was not chosen, with the reason; `refused` are those that the circumstances rule out."""
    taken = {o.parent: o.id for o in chosen}
    ids = {o.id for o in chosen}
    reachable = {o.parent for o in options if o.id not in refused}
    total = worth_of(ids, worths)
    found = []
    for option in options:
        if option.id in ids:
            continue
        if option.id in refused:
            found.append(LeftOut(option, *refused[option.id], alone[option.id]))
        elif option.parent in taken:
            words = f"variant chosen: {taken[option.parent]}"
            found.append(LeftOut(option, "variant_chosen", words, alone[option.id]))
        elif not option.safety_class_a and worth_of(ids | {option.id}, worths) - total <= NO_GAIN * total:
            words = "whatever it reads, the same things would be done"
            found.append(LeftOut(option, "no_gain", words, alone[option.id]))
        else:
            missing = [p for p in option.needs if p not in taken and p in reachable]
            found.append(_no_time(option, alone, missing))
    return tuple(found)


def without(
    option: CheckOption,
    options: Sequence[CheckOption],
    chosen: Sequence[CheckOption],
    refused: Mapping[str, tuple[str, str]],
) -> tuple[tuple[str, str], ...]:
    """Checks a line leans on that today rules out, each with the reason; those done already are not among options."""
    taken = {o.parent for o in chosen}
    found = []
    for parent in option.needs:
        ruled_out = [refused[o.id][1] for o in options if o.parent == parent and o.id in refused]
        if parent not in taken and ruled_out:
            found.append((parent, ruled_out[0]))
    return tuple(found)


def unmet_safety(
    options: Sequence[CheckOption],
    chosen: Sequence[CheckOption],
    refused: Mapping[str, tuple[str, str]],
    alone: Mapping[str, float],
) -> tuple[LeftOut, ...]:
    """One entry a safety check with no variant in the plan: its quickest possible variant, else its quickest."""
    taken = {o.parent for o in chosen}
    missing: dict[str, CheckOption] = {}
    for option in sorted(options, key=lambda o: (o.id in refused, o.minutes)):
        if option.safety_class_a and option.parent not in taken:
            missing.setdefault(option.parent, option)
    return tuple(
        LeftOut(o, *refused[o.id], alone[o.id]) if o.id in refused else _no_time(o, alone) for o in missing.values()
    )
