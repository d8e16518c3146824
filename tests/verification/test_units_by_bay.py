"""After how many units a check is due where there are several bays: a bay's own by its units, what is shared by all's."""

from __future__ import annotations

from datetime import UTC, date, datetime, timedelta
from typing import Any

import pytest
from hypothesis import given
from hypothesis import strategies as st

from eolseq.station.checks import Checks, Demand
from eolseq.verification.standing import OnBench, Past, Present, challenge_reasons, owing, reasons

NOW = datetime(2026, 3, 4, 15, 30, tzinfo=UTC)
CHECKS = Checks(Demand("day", 100), Demand("shift", 50), (360, 840, 1320))
OWN = OnBench("guard-1", "GU-2", "1101", date(2026, 12, 31), "page", bay="bay-1")
SHARED = OnBench("withstand", "WT-5", "1001", date(2026, 12, 31), "page")


def present(units: dict[tuple[int, str], int], *, bay: str = "bay-1", sharing: tuple[str, ...] = ("bay-1", "bay-2"),
            checks: Checks = CHECKS) -> Present:
    """``units``: how many came after an entry at a bay ("" all)."""
    def since(index: int, at: str = "") -> int:
        return units.get((index, at), 0)
    return Present(NOW, checks, (OWN, SHARED), (), "station", "Duct heater", "digest", since, bay=bay, sharing=sharing)


def challenged(index: int, bay: str, **changed: Any) -> Past:
    said = {"outcome": "pass", "sentence": "", "sequence": {"name": "Duct heater", "digest": "digest"}, "bay": bay,
            "station_digest": "station", "pages": {"guard-1": "page", "withstand": "page", "guard-2": "other"}}
    return Past(index, "challenge", NOW - timedelta(hours=1), {**said, **changed}, True)


def verified(index: int, of: OnBench) -> Past:
    return Past(index, "verification", NOW - timedelta(hours=1), {
        "instrument": {"name": of.name, "model": of.model, "serial": of.serial}, "outcome": "pass", "sentence": "",
        "page": "page"}, True)


def told(units: dict[tuple[int, str], int], *past: Past, **changed: Any) -> list[str]:
    return [each.what for each in challenge_reasons(present(units, **changed), past)[1]]


CASES: dict[str, tuple[dict[tuple[int, str], int], tuple[Past, ...], dict[str, Any], str]] = {
    "a neighbour's units do not count here": ({(6, "bay-1"): 49, (6, ""): 49}, (challenged(6, "bay-1"),), {}, ""),
    "its own do": ({(6, "bay-1"): 50, (6, ""): 50}, (challenged(6, "bay-1"),), {}, "counts for 50 units; 50 came"),
    "what is shared serves the units of all": (
        {(6, "bay-1"): 20, (6, ""): 50}, (challenged(6, "bay-1"),), {}, "What bays share counts for 50 units"),
    "a newer challenge at another bay shows what is shared": (
        {(6, "bay-1"): 20, (6, ""): 90, (7, ""): 49}, (challenged(6, "bay-1"), challenged(7, "bay-2")), {}, ""),
    "it does not show this bay": (
        {(6, "bay-1"): 50, (6, ""): 90, (7, ""): 0}, (challenged(6, "bay-1"), challenged(7, "bay-2")), {}, "counts for 50 units; 50 came"),
    "nor anything, at a bay that does not use all of it": (
        {(6, "bay-1"): 20, (6, ""): 90, (7, ""): 0}, (challenged(6, "bay-1"), challenged(7, "bay-2")),
        {"sharing": ("bay-1",)}, "What bays share"),
    "nor when it missed": ({(6, "bay-1"): 20, (6, ""): 90}, (challenged(6, "bay-1"), challenged(7, "bay-2", outcome="fail")),
                           {}, "What bays share"),
    "with one bay all count": ({(6, ""): 50}, (challenged(6, "bay-1"),), {"bay": "", "sharing": ()}, "counts for 50 units; 50 came"),
}


@pytest.mark.parametrize("name", CASES)
def test_a_challenge_counts_for_so_many_units(name: str) -> None:
    units, past, changed, said = CASES[name]
    found = told(units, *past, **changed)
    assert len(found) == bool(said) and (not said or said in found[0])


def test_an_instrument_of_one_bay_counts_its_units_and_a_shared_one_all() -> None:
    past = (verified(4, OWN), verified(5, SHARED), challenged(6, "bay-1"))
    for units, names in (({(4, "bay-1"): 99, (4, ""): 150, (5, ""): 99}, []),
                         ({(4, "bay-1"): 100, (5, ""): 99}, ["guard-1"]),
                         ({(4, "bay-1"): 10, (5, ""): 100}, ["withstand"])):
        found = [each.what for each in reasons(present(units), past)]
        assert [name for name in ("guard-1", "withstand") if any(name in each for each in found)] == names


def test_a_shift_ends_with_the_challenge_of_the_units_of_its_bay() -> None:
    ends = Checks(Demand("never"), Demand("day", at_end=True), (360,))
    assert owing(present({(6, "bay-1"): 3, (6, ""): 7}, checks=ends), [challenged(6, "bay-1")]) == 3


def test_a_driver_page_of_another_bay_is_of_no_concern_here() -> None:
    assert told({}, challenged(6, "bay-1")) == []
    assert "page" in told({}, challenged(6, "bay-1", pages={"guard-1": "older", "withstand": "page"}))[0]
    assert "page" in told({}, challenged(6, "bay-1", pages={"guard-1": "page"}))[0]


@given(st.lists(st.tuples(st.sampled_from(("bay-1", "bay-2")), st.booleans()), max_size=60))
def test_never_more_units_than_asked_for_since_a_challenge_that_shows_them(course: list[tuple[str, bool]]) -> None:
    """A course of units and challenges at two bays, in which a unit is tested only where the check stands."""
    least = Checks(Demand("never"), Demand("day", 5), ())
    events: list[tuple[str, str]] = []  # "unit" or "challenge", bay

    def since(index: int, at: str = "") -> int:
        return sum(what == "unit" and at in ("", bay) for what, bay in events[index + 1:])

    for bay, challenge in course:
        past = [challenged(at, each) for at, (what, each) in enumerate(events) if what == "challenge"]
        now = Present(NOW, least, (), (), "station", "Duct heater", "digest", since, bay=bay, sharing=("bay-1", "bay-2"))
        if challenge:
            events.append(("challenge", bay))
        elif not challenge_reasons(now, past)[1]:
            events.append(("unit", bay))
        run = of_all = 0
        mine = dict.fromkeys(("bay-1", "bay-2"), 0)
        for what, each in events:
            of_all, mine[each] = (0, 0) if what == "challenge" else (of_all + 1, mine[each] + 1)
            run = max(run, of_all, *mine.values())
        assert run <= 5


def test_what_bays_share_is_to_be_verified_at_the_bay_that_asks() -> None:
    never = [each.do for each in reasons(present({}, bay="bay-2"), [verified(4, OWN), challenged(6, "bay-2")])]
    assert never == ["Verify it: eolseq verify withstand --bay bay-2."]
