"""After a changeover or work on a fixture a challenge is asked for, and no station asks for one in a circle. Invented."""

from __future__ import annotations

from datetime import UTC, date, datetime, timedelta
from typing import Any

import pytest

from eolseq.station.checks import Checks, Demand
from eolseq.verification.changeover import begun_with, fixture_changed, other_sequence
from eolseq.verification.fixtures import Told
from eolseq.verification.standing import (
    Covering,
    Past,
    Since,
    challenge_reasons,
    end_missing,
    made_with,
    owing,
    reasons,
)
from tests.verification.test_standing import GOOD, NOW, challenged, present, verified

AT = 10  # the entry of the first reference unit's run


def told(*entries: tuple[int, str, str] | tuple[int, str, str, str]) -> tuple[Told, ...]:
    """Entries about fixtures: index, fixture, what, and outcome if that is not a pass."""
    return tuple(Told(each[0], date(2026, 3, 4), each[1], each[2], each[3] if len(each) > 3 else "pass", "", None)
                 for each in entries)


MOUNTED = (3, "six", "mounted")
FIXTURES: dict[str, tuple[tuple[Told, ...], str]] = {
    "nothing since": (told(MOUNTED, (4, "six", "inspected"), (5, "six", "baseline", "fail"), (6, "six", "baseline")), ""),
    "no fixture was ever there": ((), ""),
    "another one": (told(MOUNTED, (11, "three", "mounted")), "Fixture three was put to the bay (entry 11)"),
    "away and back again": (told(MOUNTED, (11, "three", "mounted"), (12, "six", "mounted")), "three was put"),
    "inspected": (told(MOUNTED, (11, "six", "inspected")), "inspected or mended"),
    "another one was inspected": (told(MOUNTED, (11, "three", "inspected")), ""),
    "measured as a matter of course": (told(MOUNTED, (5, "six", "zero"), (11, "six", "zero")), ""),
    "measured for the first time": (told(MOUNTED, (11, "six", "baseline")), ""),
    "was not in order": (told(MOUNTED, (5, "six", "zero"), (11, "six", "zero", "fail")), "zero of fixture six was not"),
    "not in order, then mended": (told(MOUNTED, (11, "six", "baseline", "fault"), (12, "six", "baseline")), "baseline"),
    "not in order before, mended since": (told(MOUNTED, (9, "six", "zero", "fail"), (11, "six", "zero")), "entry 11"),
    "the zero was mended, the baseline is as it was": (
        told(MOUNTED, (8, "six", "zero", "fail"), (9, "six", "zero"), (11, "six", "baseline")), ""),
}


@pytest.mark.parametrize("name", FIXTURES)
def test_what_was_done_about_the_fixture_since(name: str) -> None:
    entries, words = FIXTURES[name]
    said = fixture_changed(entries, AT)
    assert words in said and bool(said) is bool(words)


def begin(index: int, sequence: str, serial: str = "DH6-1", trial: str = "no", bay: str = "bay-1") -> dict[str, Any]:
    return {"kind": "begin", "index": index, "sequence": {"name": sequence}, "serial": serial, "trial": trial, "bay": bay}


RUNS: dict[str, tuple[list[dict[str, Any]], str]] = {
    "none": ([begin(9, "Small")], ""),
    "the same": ([begin(11, "Large"), begin(12, "Large")], ""),
    "another": ([begin(11, "Small")], "Small"),
    "another, then this one as a trial, which no gate asked": ([begin(11, "Small"), begin(12, "Large", trial="yes")], "Small"),
    "another one's trial": ([begin(11, "Large"), begin(12, "Small", trial="yes")], "Small"),
    "reference units of another": ([begin(11, "Small", "REFERENCE-GOOD")], ""),
    "at another bay": ([begin(11, "Small", bay="bay-2")], ""),
}


@pytest.mark.parametrize("name", RUNS)
def test_which_other_sequence_was_run_since(name: str) -> None:
    runs, said = RUNS[name]
    assert other_sequence(reversed(runs), "Large", AT, "bay-1") == said


# -- what becomes of it ---------------------------------------------------------------------------------------------


def test_a_change_of_the_fixture_counts_from_the_first_reference_unit_on() -> None:
    """A fixture that was exchanged between two reference units was not shown all of them."""
    asked: list[int] = []
    since = Since(fixture=lambda index: asked.append(index) or "Fixture six was put to the bay (entry 6)")
    shown = ({"name": "a", "run": 7}, {"name": "b", "run": 5}, {"name": "c", "run": None})
    found = reasons(present(since=since), (verified(), challenged(9, shown=shown)))
    assert asked == [5] and len(found) == 1 and found[0].own
    assert found[0].what == "Fixture six was put to the bay (entry 6) after the last challenge (entry 9)."


def test_where_no_reference_unit_fits_the_fixture_the_one_challenge_counts() -> None:
    since = Since(fixture=lambda _: "Fixture three was put to the bay")
    assert reasons(present(since=since, covering=Covering(here=False)), GOOD) == []
    assert len(reasons(present(since=since, covering=Covering(here=True)), GOOD)) == 1


def test_another_sequence_is_a_changeover_where_the_station_says_so() -> None:
    since = Since(sequence=lambda _: "Small heater")
    asks = Checks(Demand(), Demand(changeover="sequence"))
    assert reasons(present(since=since), GOOD) == []
    found = reasons(present(since=since, checks=asks), GOOD)
    assert len(found) == 1 and "Small heater" in found[0].what and "changeover" in found[0].what


def test_nothing_of_this_is_asked_of_a_trial_or_where_no_challenge_is() -> None:
    since = Since(lambda _: "Fixture", lambda _: "Small", lambda _: NOW - timedelta(days=2))
    never = Checks(Demand("never"), Demand("never", changeover="sequence"))
    assert reasons(present(since=since, checks=never), ()) == []
    assert reasons(present(since=since), GOOD, trial=True) == []


LISTED = ("Duct heater", "Small heater")
OTHER = {"name": "Small heater", "digest": "sequence-2"}
SEVERAL: dict[str, tuple[str, tuple[Past, ...], str]] = {
    "its own": ("Duct heater", (challenged(6), challenged(7, sequence=OTHER)), ""),
    "only the other's": ("Duct heater", (challenged(7, sequence=OTHER),), "never challenged with Duct heater"),
    "any, for one that is not listed": ("", (challenged(7, sequence=OTHER),), ""),
    "its own was missed, the other's passed": (
        "Duct heater", (challenged(6, outcome="fail", sentence="no"), challenged(7, sequence=OTHER)), "entry 6"),
    "the other's was missed last": ("Duct heater", (challenged(6), challenged(7, sequence=OTHER, outcome="fail")), "entry 7"),
    "one was missed and never made good": (
        "", (challenged(6, outcome="fail"), challenged(7, sequence=OTHER)), "entry 6"),
    "missed and made good": ("", (challenged(5, outcome="fail"), challenged(6), challenged(7, sequence=OTHER)), ""),
}


@pytest.mark.parametrize("name", SEVERAL)
def test_which_of_several_challenges_counts(name: str) -> None:
    asked, past, words = SEVERAL[name]
    _, found = challenge_reasons(present(covering=Covering(asked, LISTED, "Do it.")), past)
    said = " ".join(each.what for each in found)
    assert words in said and bool(found) is bool(words) and all(each.own and each.do.endswith("Do it.") for each in found)


def test_a_challenge_of_another_bay_does_not_count() -> None:
    here, there, old = challenged(6, bay="bay-1"), challenged(7, bay="bay-2"), challenged(5, bay=None)
    for past, index in (((here, there), 6), ((old, there), 5), ((there,), None)):
        last, found = challenge_reasons(present(bay="bay-1", units_since=lambda *_: 0), past)
        assert (last.index if last else None) == index and bool(found) is (index is None)


# -- the end of a shift -------------------------------------------------------------------------------------------

END = Checks(Demand(), Demand("day", at_end=True), (360, 840, 1320))  # NOW is 15:30, so this shift began at 14:00
ENDS = {
    "none since": (None, ""),
    "one in this shift": (datetime(2026, 3, 4, 14, 0, tzinfo=UTC), ""),
    "one in the shift before": (datetime(2026, 3, 4, 13, 59, tzinfo=UTC), "from 2026-03-04 13:59 on"),
}


@pytest.mark.parametrize("name", ENDS)
def test_a_shift_that_ended_without_its_challenge_is_told_until_there_is_one(name: str) -> None:
    first, _ = ENDS[name]
    last = challenged(time=NOW - timedelta(hours=3))
    now = present(checks=END, since=Since(first_unit=lambda _: first))
    found = reasons(now, (verified(), last))
    assert len(found) == (name == "one in the shift before") and bool(end_missing(now, last)) is bool(found)
    assert all("A shift ended without its challenge" in each.what for each in found)
    assert reasons(present(since=Since(first_unit=lambda _: first)), (verified(), challenged())) == [], "not asked for"


def test_what_missed_with_one_sequence_is_made_good_with_that_one_and_not_in_a_circle() -> None:
    covering = Covering("", ("Large", "Small"), "with Large", True, "Large", (("Large", "with Large"), ("Small", "with Small")))
    past = [verified(), challenged(8, sequence={"name": "Small", "digest": ""}, outcome="fail", sentence="breakdown"),
            challenged(9, sequence={"name": "Large", "digest": ""})]
    now = present(covering=covering)
    assert "with Small" in challenge_reasons(now, past)[1][0].do and made_with(now, past) == "Small"
    good = [*past, challenged(10, sequence={"name": "Small", "digest": ""})]
    assert challenge_reasons(now, good)[1] == [] and made_with(now, good) == "Large"
    own = present(covering=covering._replace(name="Large"))
    assert made_with(own, past[:2]) == "Large" and "with Large" in challenge_reasons(own, past[:2])[1][0].do


def test_units_of_another_sequence_leave_no_shift_without_the_end_of_this_one() -> None:
    early = NOW - timedelta(hours=2)
    ends = Checks(Demand("never"), Demand("day", at_end=True), (360, 840, 1320))
    for own, late in ([], False), ([NOW - timedelta(minutes=30)], False), ([NOW, early], True):
        since = Since(first_unit=lambda _: early, with_it=lambda _, own=own: own)
        now = present(checks=ends, covering=Covering("Large", ("Large", "Small")), since=since, units_since=lambda _: 7)
        last = challenged(8, sequence={"name": "Large", "digest": "sequence-1"})
        assert bool(end_missing(now, last)) is late
        assert owing(now, [last]) == len(own)
    relies = present(checks=ends, since=Since(first_unit=lambda _: early), units_since=lambda _: 7)
    assert end_missing(relies, challenged()) and owing(relies, [challenged()]) == 7
    assert owing(present(units_since=lambda _: 7), [challenged()]) == 0, "a station that asks for none at the end"


def test_units_that_were_tested_with_a_sequence_are_counted_as_the_log_has_them() -> None:
    runs = [{**each, "time": f"2026-03-04T10:00:{each['index']:02}+00:00"} for each in (
        begin(16, "Large", "REFERENCE-GOOD"), begin(15, "Large", bay="bay-2"), begin(14, "Small"), begin(13, "Large"),
        begin(12, "Large"), begin(10, "Large"))]
    assert [each.second for each in begun_with(runs, "Large", AT, "bay-1")] == [13, 12]
    assert [each.second for each in begun_with(runs, "Large", AT)] == [15, 13, 12]
