"""Free text as shops write it; a few lines in German, French and Spanish. Never read by the analysis."""

from __future__ import annotations

from seed.world_lives import Why

COMMON = {
    int(Why.FAILED): ("failed on the road", "brought in on a van", "would not go on", "tested bad, renewed"),
    int(Why.WORN): ("at the limit", "worn out", "customer says due", "down to the marks"),
    int(Why.FOUND): ("found at service", "found when checking over", "showed up on the stand", "not noticed by rider"),
    int(Why.SCHEDULED): ("due", "by the book", "as planned", "interval reached"),
    int(Why.STUCK): ("stood all winter", "first start after lay-up", "gummed up, stood too long", "stale fuel"),
    int(Why.SECONDARY): ("taken out by the other part", "went with it", "damaged by the other failure"),
    int(Why.MISDIAGNOSED): ("fitted, fault still there", "changed, no better", "was not it after all"),
    int(Why.APART): ("done while it was open", "changed while apart"),
    int(Why.DAMAGE): ("dropped", "fell over at a standstill", "hit by debris", "knocked in the car park"),
    int(Why.UPGRADE): ("fitted uprated part at customer's request", "upgrade wanted"),
    int(Why.CAMPAIGN): ("recall done", "maker's campaign"),
    int(Why.WISH): ("customer wanted new", "for peace of mind"),
}
OPENING = {
    "midplain-moto-hall": ("menu service", "annual menu", "full menu service"),
    "cog-and-gasket": ("serviced, readings on sheet", "rest 12.7 V, 14.3 V at 5,000", "all fluids good"),
    "brackenhythe": ("svc", "out of winter storage", "svc, stored Nov to Mar", "service and road test"),
    "sallow-lane-arches": ("svc", "quick look over", "job as phoned"),
    "upper-tarn-school": ("weekly sheet done", "412 h on the meter sheet", "term check"),
    "quayside-rental": ("turnround check", "pre-season check", "end of season check"),
}
FOREIGN = (
    "Regler getauscht", "Lichtmaschine geprüft, i.O.", "Zündkerze verrußt", "Kupplung rutscht", "Kette gelängt",
    "Bremsbeläge hinten am Limit", "régulateur HS", "bougie encrassée", "embrayage patine", "kit chaîne à prévoir",
    "plaquettes usées", "batería agotada", "bujía sucia", "pastillas gastadas", "cadena floja", "Batterie leer",
)  # fmt: skip
FALSE_LEAD = ("stator eater, these are known for it", "another Shrike, another stator", "they all eat stators")
POLICY = "30,000 km policy"
RECOVERY = ("recovered", "roadside, van", "pushed in", "collected")


def note_for(why: int, u: float) -> str:
    """A remark that fits what happened, for a draw u in [0, 1); empty for most."""
    said = COMMON.get(why)
    if said is None or u > 0.3:
        return ""
    return said[int(u / 0.3 * len(said)) % len(said)]
