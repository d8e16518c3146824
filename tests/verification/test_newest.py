"""The newest checks answer every question about a station as all its checks do. The plant is invented."""

from __future__ import annotations

from dataclasses import replace
from datetime import timedelta
from types import SimpleNamespace
from typing import Any

from hypothesis import given, settings
from hypothesis import strategies as st

from eolseq.station.checks import Checks, Demand
from eolseq.verification.newest import Newest
from eolseq.verification.standing import (
    Covering,
    Past,
    Since,
    challenge_reasons,
    made_with,
    owing,
    reasons,
    reasons_about,
)
from tests.verification.test_standing import METER, NOW, present

SEQUENCES, BAYS, OUTCOMES = ("Duct heater", "Small heater"), (None, "bay-1", "bay-2"), ("pass", "pass", "fail")
OTHER = replace(METER, name="spare", serial="1005")

VERIFICATIONS = st.fixed_dictionaries({
    "kind": st.just("verification"), "outcome": st.sampled_from(OUTCOMES), "serial": st.sampled_from(("1004", "1005")),
    "page": st.sampled_from(("page-1", "page-2")), "trusted": st.booleans(), "hours": st.integers(0, 9)})
CHALLENGES = st.fixed_dictionaries({
    "kind": st.just("challenge"), "outcome": st.sampled_from(OUTCOMES), "bay": st.sampled_from(BAYS),
    "name": st.sampled_from(SEQUENCES), "digest": st.sampled_from(("sequence-1", "sequence-2")),
    "run": st.sampled_from((None, 3)), "trusted": st.just(True), "hours": st.integers(0, 9)})
PRESENTS = st.builds(
    lambda bay, sharing, name, with_name, every, units, at_end: present(
        bay=bay, sharing=sharing if bay else (), sequence_name=name, instruments=(METER, OTHER), loads=(),
        covering=Covering(name if with_name else "", SEQUENCES, made_with=SEQUENCES[0],
                          ways=tuple((each, f"Challenge with {each}.") for each in SEQUENCES)),
        units_since=lambda index, bay="": max(0, 30 - index), checks=Checks(
            Demand(every, units), Demand(every, units, at_end=at_end), (360, 840, 1320)),
        since=Since(fixture=lambda index: "Another fixture came" if index < 4 else "", sequence=lambda index: "",
                    first_unit=lambda index: NOW - timedelta(hours=9), with_it=lambda index: [NOW] if index < 9 else [])),
    st.sampled_from(("", "bay-1", "bay-2")), st.sampled_from(((), ("bay-1",), ("bay-1", "bay-2"))),
    st.sampled_from(SEQUENCES), st.booleans(), st.sampled_from(("day", "shift", "never")),
    st.sampled_from((None, 5, 20)), st.booleans())


def entries(told: list[dict[str, Any]]) -> list[tuple[Any, bool]]:
    """Entries as a log has them, oldest first, and whether each is signed."""
    found = []
    for index, each in enumerate(told):
        time = NOW - timedelta(hours=12 - each["hours"])
        said = {"time": time.isoformat(), "outcome": each["outcome"], "sentence": f"said in {index}"}
        if each["kind"] == "verification":
            said |= {"instrument": {"model": "RM-4", "serial": each["serial"]}, "page": each["page"]}
        else:
            said |= {"sequence": {"name": each["name"], "digest": each["digest"]}, "station_digest": "station-1",
                     "pages": {"resistance": "page-1"}, "shown": [{"run": each["run"]}], "bay": each["bay"]}
        found.append((SimpleNamespace(index=index, kind=each["kind"], payload=said, time=time), each["trusted"]))
    return found


@given(st.lists(VERIFICATIONS | CHALLENGES, max_size=24), PRESENTS)
@settings(max_examples=150, deadline=None)
def test_no_question_looks_behind_the_newest_checks(told: list[dict[str, Any]], now: Any) -> None:
    newest = Newest()
    for entry, trusted in entries(told):
        newest.take(entry, trusted=trusted)
    every = tuple(Past(entry.index, entry.kind, entry.time, entry.payload, trusted) for entry, trusted in entries(told))
    kept = newest.all()
    assert [each.index for each in kept] == sorted({each.index for each in kept})
    for trial in (False, True):
        assert reasons(now, kept, trial=trial) == reasons(now, every, trial=trial)
    assert challenge_reasons(now, kept) == challenge_reasons(now, every)
    assert made_with(now, kept) == made_with(now, every) and owing(now, kept) == owing(now, every)
    for instrument in (METER, OTHER):
        assert reasons_about(now, instrument, kept) == reasons_about(now, instrument, every)


def test_a_pass_that_a_miss_followed_still_counts_for_what_bays_share() -> None:
    told = [{"kind": "challenge", "outcome": outcome, "bay": bay, "name": SEQUENCES[0], "digest": "sequence-1", "run": None,
             "trusted": True, "hours": 11} for bay, outcome in (("bay-1", "pass"), ("bay-2", "pass"), ("bay-2", "fail"))]
    newest = Newest()
    for entry, trusted in entries(told):
        newest.take(entry, trusted=trusted)
    now = present(bay="bay-1", sharing=("bay-1", "bay-2"), units_since=lambda index, bay="": 0 if bay else 30 - index,
                  checks=Checks(Demand("never"), Demand("day", 29), (360,)))
    assert [each.what[-10:] for each in challenge_reasons(now, newest.all())[1]] == ["(entry 1)."]


def test_a_year_of_checks_keeps_no_more_than_a_day_of_them() -> None:
    newest = Newest()
    day: list[dict[str, Any]] = [
        {"kind": "verification", "outcome": "pass", "serial": serial, "page": "page-1", "trusted": True, "hours": 1}
        for serial in ("1004", "1005")]
    day += [{"kind": "challenge", "outcome": "pass", "bay": bay, "name": name, "digest": "sequence-1", "run": 3,
             "trusted": True, "hours": 2} for bay in ("bay-1", "bay-2") for name in SEQUENCES]
    for entry, trusted in entries(day * 365):
        newest.take(entry, trusted=trusted)
    assert len(newest.all()) == len(day)
