"""When a station refuses units: every reason by itself, at its edge, and nothing else. The plant is invented."""

from __future__ import annotations

from dataclasses import replace
from datetime import UTC, date, datetime, timedelta
from typing import Any

import pytest
from hypothesis import given
from hypothesis import strategies as st

from eolseq.quantity import parse
from eolseq.station.checks import Checks, Demand, KnownLoad
from eolseq.verification.standing import OnBench, Past, Present, reasons

NOW = datetime(2026, 3, 4, 15, 30, tzinfo=UTC)
METER = OnBench("resistance", "RM-4", "1004", date(2026, 12, 31), "page-1")
LOAD = KnownLoad("r-19", "resistance", parse("19 ohm"), parse("10 mohm"), "C-1", date(2026, 6, 30), parse("10 V"),
                 parse("10 W"), parse("60 s"))
CHECKS = Checks(Demand("day", 100), Demand("shift", 50), (360, 840, 1320))


def present(**changed: Any) -> Present:
    values: dict[str, Any] = {"now": NOW, "checks": CHECKS, "instruments": (METER,), "loads": (LOAD,),
                              "station_digest": "station-1", "sequence_name": "Duct heater", "sequence_digest": "sequence-1",
                              "units_since": lambda index: 0}
    return Present(**{**values, **changed})


def verified(index: int = 5, time: datetime = NOW - timedelta(hours=1), trusted: bool = True, **changed: Any) -> Past:
    said = {"instrument": {"name": "resistance", "model": "RM-4", "serial": "1004"}, "outcome": "pass", "sentence": "",
            "page": "page-1"}
    return Past(index, "verification", time, {**said, **changed}, trusted)


def challenged(index: int = 6, time: datetime = NOW - timedelta(hours=1), **changed: Any) -> Past:
    said = {"outcome": "pass", "sentence": "", "sequence": {"name": "Duct heater", "digest": "sequence-1"}, "station_digest": "station-1",
            "pages": {"resistance": "page-1"}}
    return Past(index, "challenge", time, {**said, **changed}, True)


GOOD = (verified(), challenged())


def test_a_station_that_was_checked_tests_units() -> None:
    assert reasons(present(), GOOD) == []


REFUSED = {
    "calibration past due": (present(now=NOW.replace(year=2027)), "calibration of resistance"),
    "load past due": (present(loads=(replace(LOAD, good_until=date(2026, 3, 3)),)), "known load r-19"),
    "exchanged": (present(instruments=(replace(METER, serial="1005"),)), "never verified"),
    "page changed": (present(instruments=(replace(METER, page="page-2"),)), "page of resistance (RM-4 1004) was changed"),
    "station file changed": (present(station_digest="station-2"), "station file was changed"),
    "sequence changed": (present(sequence_digest="sequence-2"), "sequence was changed"),
    "too many units since verified": (present(units_since=lambda index: 100 if index == 5 else 0), "counts for 100"),
    "too many units since challenged": (present(units_since=lambda index: 50 if index == 6 else 0), "counts for 50"),
}


@pytest.mark.parametrize("name", REFUSED)
def test_each_change_of_the_present_is_a_reason(name: str) -> None:
    now, words = REFUSED[name]
    assert words in " ".join(each.what for each in reasons(now, GOOD))
    assert all(each.do for each in reasons(now, GOOD))


HISTORIES = {
    "no verification": ((challenged(),), "never verified"),
    "no challenge": ((verified(),), "never challenged"),
    "verified yesterday": ((verified(time=NOW - timedelta(hours=16)), challenged()), "before this day began"),
    "challenged in the last shift": ((verified(), challenged(time=NOW - timedelta(hours=2))), "before this shift began"),
    "verification failed": ((verified(outcome="fail", sentence="1 ohm too high"), challenged()), "1 ohm too high"),
    "failed after it was good": ((verified(), verified(7, outcome="fail"), challenged()), "did not hold"),
    "missed": ((verified(), challenged(), challenged(8, outcome="fail", sentence="breakdown")), "missed"),
    "not signed": ((verified(trusted=False), challenged()), "never verified"),
    "fails without a signature too": ((verified(), verified(7, outcome="fail", trusted=False), challenged()), "did not"),
    "of another instrument": ((verified(instrument={"model": "RM-4", "serial": "2"}), challenged()), "never verified"),
    "challenged with other pages": ((verified(), challenged(pages={"resistance": "page-0"})), "page was changed"),
}


@pytest.mark.parametrize("name", HISTORIES)
def test_each_gap_in_the_past_is_a_reason(name: str) -> None:
    past, words = HISTORIES[name]
    found = reasons(present(), past)
    assert len(found) == 1 and words in found[0].what


def test_what_failed_is_good_again_once_it_was_verified() -> None:
    assert reasons(present(), (verified(4, outcome="fail"), verified(), challenged(3, outcome="fail"), challenged())) == []


def test_a_trial_needs_no_checks_in_time_but_nothing_known_bad() -> None:
    assert reasons(present(), (), trial=True) == []
    assert len(reasons(present(), (verified(outcome="fail"),), trial=True)) == 1
    assert len(reasons(present(now=NOW.replace(year=2027)), (), trial=True)) == 2


def test_a_challenge_with_another_sequence_counts_for_the_station() -> None:
    assert reasons(present(sequence_name="Small heater", sequence_digest="sequence-9"), GOOD) == []


def test_never_asks_for_nothing() -> None:
    never = Checks(Demand("never"), Demand("never"))
    assert reasons(present(checks=never), ()) == []
    assert len(reasons(present(checks=never, now=NOW.replace(year=2027)), ())) == 1


@given(st.datetimes(datetime(2025, 1, 1), datetime(2027, 1, 1), timezones=st.just(UTC)),
       st.lists(st.integers(0, 1439), min_size=1, max_size=6))
def test_a_shift_began_at_one_of_its_times_and_at_most_a_day_ago(now: datetime, shifts: list[int]) -> None:
    since = Checks(shifts=tuple(shifts)).since(Demand("shift"), now)
    assert since is not None and now - timedelta(days=1) < since <= now
    assert since.hour * 60 + since.minute in shifts
    later = [since.replace(hour=0, minute=0) + timedelta(days=day, minutes=each) for each in shifts for day in (0, 1)]
    assert not any(since < each <= now for each in later), "a later shift has begun"


def test_what_stands_at_a_bay_is_to_be_verified_there() -> None:
    one, two, shared = replace(METER, name="guard-1", bay="bay-1"), replace(METER, name="guard-2", bay="bay-2"), METER
    def said(*instruments: OnBench) -> str:
        return " ".join(each.do for each in reasons(present(instruments=instruments), [challenged()]) if "verify" in each.do)
    assert said(two) == "Verify it: eolseq verify guard-2 --bay bay-2."
    assert said(one, shared, two) == "Verify them: eolseq verify --all --bay bay-1, eolseq verify --all --bay bay-2."
    assert said(shared, shared) == "Verify them: eolseq verify --all."
