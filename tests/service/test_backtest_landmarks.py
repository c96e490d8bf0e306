"""Who counts in a backtest and from when, on a workshop small enough to follow every machine.

As of 1 February 2021: 25 machines whose regulator fails in May; one that is first seen in April; one that left before;
one that never came back; one whose regulator was found bad and is still on. A stator fails in July: no line had named
one before.
"""

from __future__ import annotations

from datetime import UTC, date, datetime

import numpy as np
import pytest
from sqlalchemy import select, update

from service.backtest_parts import FOUND_BAD, GONE, NEVER_NAMED, NOT_FOLLOWED, NOT_YET_SEEN
from service.backtests import BacktestReport, run_backtest, season
from service.db import Database
from service.errors import Conflict, InvalidInput
from service.models import JobLine, Machine
from tests.service.job_files import NOW, csv_file, row, seen, take_in

AS_OF = date(2021, 2, 1)


def rows(machines: int = 25) -> list[dict[str, str]]:
    out = []
    for k in range(machines):
        out += history(f"M{k:02d}", "2020-01-10", "2021-01-10", "2021-05-10", "2022-06-10")
    out += history("LATE", "2021-04-01", None, "2021-09-01", "2022-08-01")
    out += [seen("g1", "2020-01-10", "10000", machine="GONE", built="2016-01"),
            seen("g2", "2020-12-01", "14000", machine="GONE") | {"action": "gone"}]  # fmt: skip
    out += [seen("n1", "2020-01-10", "10000", machine="NEVER", built="2016-01"),
            seen("n2", "2021-01-15", "14000", machine="NEVER")]  # fmt: skip
    out += [seen("b1", "2020-01-10", "10000", machine="BAD", built="2016-01"),
            row(card="b2", date="2021-01-10", odometer="14000", machine="BAD", action="checked_bad", reason=""),
            seen("b3", "2022-06-10", "18000", machine="BAD")]  # fmt: skip
    out += [row(card="s1", date="2021-07-01", odometer="15500", machine="M00", component="stator")]
    return out


def history(machine: str, first: str, second: str | None, failed: str, last: str) -> list[dict[str, str]]:
    return [
        seen(f"{machine}-1", first, "10000", machine=machine, built="2016-01"),
        *([seen(f"{machine}-2", second, "14000", machine=machine)] if second else []),
        row(card=f"{machine}-3", date=failed, odometer="15000", machine=machine),
        seen(f"{machine}-4", last, "18000", machine=machine),
    ]


def backtest(database: Database, **asked: object) -> BacktestReport:
    wanted = {"as_of": AS_OF, "now": NOW, "horizon": season(None, None)} | asked
    with database.read() as session:
        return run_backtest(session, **wanted)  # type: ignore[arg-type]


def test_who_counts_and_who_is_left_out(database: Database) -> None:
    take_in(database, csv_file(rows()))
    followed = backtest(database).document["followed"]
    assert (followed["failures"], followed["parts"], followed["machines"]) == (26, 26, 26)
    assert (followed["machines_entered_later"], followed["parts_of_machines_entered_later"]) == (1, 1)
    assert followed["left_out"] == {GONE: 1, NOT_FOLLOWED: 1, FOUND_BAD: 1, NEVER_NAMED: 27}


def test_a_machine_that_comes_in_later_counts_from_its_entry(database: Database) -> None:
    take_in(database, csv_file(rows()))
    judged = backtest(database, horizon=season(None, 12.0)).judged
    late = judged.late
    # from 1 April, not from 1 February, to the failure on 1 September; the others from 1 February to 10 May
    assert judged.followed[late] * 365.25 == pytest.approx([(date(2021, 9, 1) - date(2021, 4, 1)).days])
    assert judged.followed[~late] * 365.25 == pytest.approx(np.full(25, (date(2021, 5, 10) - AS_OF).days))
    # the late one is asked about at 10,000 km; the others, run on from 14,000 km, are the older ones
    assert judged.model.horizon[late][0] != pytest.approx(judged.model.horizon[~late][0], rel=1e-3)


def test_what_happens_after_the_day_does_not_reach_the_prediction(database: Database) -> None:
    """The same day asked about records that stop in May and about all of them: the same chances."""
    take_in(database, csv_file(rows()))
    full = backtest(database)
    with database.write() as session:
        ids = select(Machine.id).where(Machine.reference == "M00")
        stator = update(JobLine).where(JobLine.machine_id.in_(ids), JobLine.date_latest > date(2021, 6, 1))
        session.execute(stator.values(in_doubt=True))
    other = backtest(database)
    assert other.judged.model.horizon == pytest.approx(full.judged.model.horizon, rel=1e-12)
    assert other.document["fitted_on"] == full.document["fitted_on"]


def test_known_at_leaves_out_what_was_typed_in_later(database: Database) -> None:
    take_in(database, csv_file(rows(26)))
    with database.write() as session:
        session.execute(update(JobLine).values(recorded_at=datetime(2021, 2, 1, tzinfo=UTC)))
        machine = session.scalar(select(Machine.id).where(Machine.reference == "M01"))
        late_card = update(JobLine).where(JobLine.machine_id == machine)
        session.execute(late_card.values(recorded_at=datetime(2023, 1, 1, tzinfo=UTC)))
    known_at = datetime(2022, 1, 1, tzinfo=UTC)
    without, with_it = backtest(database).document, backtest(database, known_at=known_at).document
    assert with_it["followed"]["left_out"][NOT_YET_SEEN] == 1
    assert without["followed"]["machines"] - with_it["followed"]["machines"] == 1
    assert without["fitted_on"]["machines"] - with_it["fitted_on"]["machines"] == 1
    assert with_it["backtest"]["known_at"] == known_at.isoformat()


def test_too_little_is_refused_with_what_would_help(database: Database) -> None:
    take_in(database, csv_file(rows(5)))
    with pytest.raises(Conflict, match=r"6 failures followed among 6 parts.*would help"):
        backtest(database)


def test_days_outside_the_records_are_refused(database: Database) -> None:
    take_in(database, csv_file(rows(5)))
    with pytest.raises(InvalidInput, match="choose a later day"):
        backtest(database, as_of=date(2019, 1, 1))
    with pytest.raises(InvalidInput, match="records end on 2022-08-01"):
        backtest(database, as_of=date(2023, 1, 1))
