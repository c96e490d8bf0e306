"""Data traps of the trade brief (section on job cards), by number: wrong parts and campaigns."""

from __future__ import annotations

from analytics.spells import Outcome, Removal
from service.app import WeakspotApp
from service.setup import load_layouts
from tests.service.callers import Caller
from tests.service.job_files import row, seen
from tests.service.test_card_texts import text
from tests.service.test_corrections import lines
from tests.service.test_reviews import answer, reviews, send
from tests.service.test_traps_cards import FIRST, LAST, spells


def test_d27_the_part_renewed_in_error_was_good_and_the_culprit_has_its_own_event(
    app: WeakspotApp, gasket: Caller
) -> None:
    send(gasket, FIRST, LAST)
    text(gasket, "won't start, fuel pump £££, still wouldn't, was side stand sw", date="2019-04-01")
    said = [(line["understood"]["component"], line["understood"]["action"], line["understood"]["reason"])
            for line in lines(gasket, "?card=77")]  # fmt: skip
    assert said == [("fuel_pump", "renewed", "misdiagnosis"), ("interlock_switch", "checked_bad", "failed")]
    (doubt,) = reviews(gasket)["doubts"]
    assert (doubt["kind"], doubt["keeps_out_of_fits"]) == ("misdiagnosis", True)
    answer(gasket, {"doubt": doubt["id"], "choice": "as_written"})
    pump, switch = spells(app, "fuel_pump"), spells(app, "interlock_switch")
    assert (pump.outcome.tolist(), int(pump.removal[0])) == ([Outcome.CENSORED] * 2, Removal.MISDIAGNOSIS)
    assert switch.outcome[0] in (Outcome.FAILED, Outcome.FAILED_BETWEEN)
    reasons = {line["understood"]["component"]: line["understood"]["reason"] for line in lines(gasket, "?card=77")}
    assert reasons == {"fuel_pump": "misdiagnosis", "interlock_switch": "failed"}


BUILT = {"built": "2012-06"}  # before the regulator was changed in mid-build (September 2013, invented layout)


def test_d30_a_campaign_renewal_is_no_failure_and_what_follows_is_another_population(
    app: WeakspotApp, gasket: Caller
) -> None:
    load_layouts(app.database)
    for number, reason in enumerate(("campaign", "campaign", "found_failed"), 1):
        machine = f"M-{number}"
        send(gasket, seen(f"a{number}", "2013-01-10", "1000", machine=machine, **BUILT),
             row(card=f"b{number}", machine=machine, date="2014-03-12", odometer="9000", reason=reason),
             seen(f"c{number}", "2016-01-10", "20000", machine=machine))  # fmt: skip
    found = spells(app, "regulator_rectifier")
    assert [int(code) for code in found.removal] == [
        Removal.CAMPAIGN, Removal.STILL_FITTED, Removal.CAMPAIGN, Removal.STILL_FITTED,
        Removal.FOUND_FAILED, Removal.STILL_FITTED,
    ]  # fmt: skip
    # One failure, of the part that was found failed; the parts fitted after the change are of the later issue.
    assert (found.outcome != Outcome.CENSORED).tolist() == [False, False, False, False, True, False]
    assert found.stratum.tolist() == [0, 1, 0, 1, 0, 1]
