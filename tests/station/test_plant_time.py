"""Local time, breaks, and nights in which the clocks change.

Europe/London changes in 2026 on 29 March and 25 October, at one o'clock in the morning Greenwich mean time both times:
Summer Time Act 1972 (c. 6) s. 1 as amended by the Summer Time Order 2002 (SI 2002/262), last Sundays of March and October
(from memory). What a local time means where it is twice or never is PEP 495 (seen).
"""

from __future__ import annotations

from datetime import UTC, datetime, time, timedelta
from itertools import pairwise
from pathlib import Path
from zoneinfo import ZoneInfo

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from eolseq.errors import FileMistakes
from eolseq.station.file import load_station
from eolseq.station.plant_time import UTC_TIME, Break, PlantTime, Rest, Span, joined, zone_of

ROOT = Path(__file__).resolve().parents[2]
LONDON = "Europe/London"


def utc(text: str) -> datetime:
    return datetime.fromisoformat(text).replace(tzinfo=UTC)


def plant(*breaks: str, zone: str = LONDON) -> PlantTime:
    """A plant with breaks as they stand in its file."""
    found = []
    for each in breaks:
        begins, ends = (datetime.strptime(text, "%H:%M") for text in each.split("-"))
        found.append(Break(begins.time(), (ends - begins) % timedelta(days=1)))
    return PlantTime(zone, tuple(found))


SHOWN = {
    "2026-03-29T00:59": "2026-03-29 00:59 GMT", "2026-03-29T01:00": "2026-03-29 02:00 BST",
    "2026-10-25T00:59": "2026-10-25 01:59 BST", "2026-10-25T01:00": "2026-10-25 01:00 GMT",
    "2026-10-24T23:30": "2026-10-25 00:30 BST",
}


@pytest.mark.parametrize("moment", SHOWN)
def test_the_clocks_of_a_plant(moment: str) -> None:
    assert plant().stamp(utc(moment)) == SHOWN[moment]
    assert UTC_TIME.stamp(utc(moment)) == f"{moment.replace('T', ' ')} UTC"
    assert plant().day(utc(moment)) == SHOWN[moment][:10]


def test_a_zone_without_a_name_says_how_far_it_is_from_utc() -> None:
    assert plant(zone="America/Sao_Paulo").clock(utc("2026-01-05T06:00")) == "03:00 UTC-03"
    assert plant().clock(utc("2026-07-01T06:00:05"), seconds=True) == "07:00:05 BST"


RESTS: dict[str, tuple[tuple[str, ...], str, str, list[tuple[str, str]]]] = {
    "none": ((), "2026-03-28T00:00", "2026-03-30T00:00", []),
    "a day": (("09:00-09:15",), "2026-03-28T06:00", "2026-03-28T14:00", [("2026-03-28T09:00", "2026-03-28T09:15")]),
    "in summer an hour earlier": (("09:00-09:15",), "2026-03-29T06:00", "2026-03-29T14:00",
                                  [("2026-03-29T08:00", "2026-03-29T08:15")]),
    "cut at both ends": (("09:00-09:15", "12:00-12:30"), "2026-03-28T09:05", "2026-03-28T12:10",
                         [("2026-03-28T09:05", "2026-03-28T09:15"), ("2026-03-28T12:00", "2026-03-28T12:10")]),
    "over midnight": (("23:50-00:20",), "2026-03-28T00:10", "2026-03-28T23:55",
                      [("2026-03-28T00:10", "2026-03-28T00:20"), ("2026-03-28T23:50", "2026-03-28T23:55")]),
    "a time that the night does not have": (("01:15-01:45",), "2026-03-28T22:00", "2026-03-29T06:00",
                                            [("2026-03-29T01:15", "2026-03-29T01:45")]),
    "the clocks go on in it": (("00:45-01:15",), "2026-03-28T22:00", "2026-03-29T06:00",
                               [("2026-03-29T00:45", "2026-03-29T01:15")]),
    "a time that the night has twice": (("01:15-01:45",), "2026-10-24T22:00", "2026-10-25T06:00",
                                        [("2026-10-25T00:15", "2026-10-25T00:45")]),
    "the clocks go back in it": (("01:45-02:15",), "2026-10-24T22:00", "2026-10-25T06:00",
                                 [("2026-10-25T00:45", "2026-10-25T01:15")]),
    "nothing between": (("09:00-09:15",), "2026-03-28T10:00", "2026-03-28T09:00", []),
}


@pytest.mark.parametrize("case", RESTS)
def test_the_breaks_between_two_moments(case: str) -> None:
    breaks, first, then, expected = RESTS[case]
    spans = [Span(utc(begins), utc(ends)) for begins, ends in expected]
    assert plant(*breaks).rests(utc(first), utc(then)) == spans
    assert plant(*breaks).rest(utc(first), utc(then)) == sum((b - a).total_seconds() for a, b in spans)


@pytest.mark.parametrize(("text", "begins", "ends"), [
    ("2026-03-29", "2026-03-29T00:00", "2026-03-29T23:00"), ("2026-10-25", "2026-10-24T23:00", "2026-10-26T00:00"),
    ("2026-03", "2026-03-01T00:00", "2026-03-31T23:00"), ("2026", "2026-01-01T00:00", "2027-01-01T00:00"),
    ("2026-12", "2026-12-01T00:00", "2027-01-01T00:00"), ("2024-02", "2024-02-01T00:00", "2024-03-01T00:00")])
def test_when_a_day_a_month_and_a_year_begin_and_end(text: str, begins: str, ends: str) -> None:
    assert (plant().begins(text), plant().ends(text)) == (utc(begins), utc(ends))


EVENTS = st.lists(st.tuples(st.integers(1, 90), st.booleans()), max_size=12)
NIGHTS = st.sampled_from(["2026-03-28T23:30", "2026-10-24T23:30", "2026-07-01T08:00"])


@given(EVENTS, NIGHTS, st.lists(st.sampled_from(["00:40-01:00", "02:10-02:20", "09:00-09:45", "03:00-03:01"]), unique=True))
@settings(max_examples=60, deadline=None)
def test_a_rest_is_every_minute_of_a_break_in_which_nothing_was_under_test(
        events: list[tuple[int, bool]], night: str, breaks: list[str]) -> None:
    """Held against the local clock, asked minute by minute; none of these breaks is in an hour that is twice or never."""
    found = Rest(plant(*breaks))
    at = utc(night)
    found.until(at, testing=False)
    taken = tested = 0
    for minutes, testing in events:
        for minute in range(minutes):
            local = (at + timedelta(minutes=minute)).astimezone(ZoneInfo(LONDON)).time()
            inside = any(time.fromisoformat(each[:5]) <= local < time.fromisoformat(each[6:]) for each in breaks)
            taken += inside and not testing
            tested += inside and testing
        at += timedelta(minutes=minutes)
        found.until(at, testing=testing)
    assert (found.taken, found.tested) == (60.0 * taken, 60.0 * tested)


@given(st.lists(st.tuples(st.integers(0, 50), st.integers(1, 9))))
def test_joined_spans_have_the_same_minutes_and_do_not_touch(pairs: list[tuple[int, int]]) -> None:
    start = utc("2026-01-05T00:00")
    spans = list(joined(Span(start + timedelta(minutes=a), start + timedelta(minutes=a + n)) for a, n in pairs))
    minutes = [(each.begins - start) // timedelta(minutes=1) + n for each in spans
               for n in range((each.ends - each.begins) // timedelta(minutes=1))]
    assert sorted({a + k for a, n in pairs for k in range(n)}) == minutes
    assert all(one.ends < other.begins for one, other in pairwise(spans))


@pytest.mark.parametrize("name", ["Europe/Lundon", "Europe", "../etc/passwd", "/etc/passwd", ""])
def test_a_zone_that_nobody_knows(name: str) -> None:
    with pytest.raises(KeyError):
        zone_of(name)


MISTAKES = {
    "no such zone": ("zone: Europe/Lundon\n", "", "no time zone that this computer knows"),
    "breaks without a zone": ("", "  breaks: ['09:00-09:15']\n", "'breaks' without 'zone'"),
    "no time": ("zone: Europe/London\n", "  breaks: ['09:00-24:15']\n", "does not fit here"),
    "a break of nothing": ("zone: Europe/London\n", "  breaks: ['09:00-09:00']\n", "ends as it begins"),
    "two at once": ("zone: Europe/London\n", "  breaks: ['09:00-09:15', '09:10-09:20']\n", "have a time in common"),
    "two at once past midnight": ("zone: Europe/London\n", "  breaks: ['23:50-00:20', '00:10-00:30']\n", "have a time in common"),
}


def station_file(folder: Path, zone: str, breaks: str) -> Path:
    """The line bench with these two keys."""
    text = (ROOT / "simulators/line-station.yaml").read_text(encoding="utf-8")
    path = folder / "station.yaml"
    path.write_text(text.replace("\nshift:\n", f"\n{zone}shift:\n{breaks}"), encoding="utf-8")
    return path


@pytest.mark.parametrize("case", MISTAKES)
def test_mistakes_in_the_station_file(case: str, tmp_path: Path) -> None:
    zone, breaks, said = MISTAKES[case]
    with pytest.raises(FileMistakes, match=said):
        load_station(station_file(tmp_path, zone, breaks))


def test_what_a_station_file_says(tmp_path: Path) -> None:
    assert load_station(ROOT / "simulators/line-station.yaml").plant == UTC_TIME
    found = load_station(station_file(tmp_path, "zone: Europe/London\n", "  breaks: ['09:00-09:15', '23:50-00:20']\n")).plant
    assert found == plant("09:00-09:15", "23:50-00:20")
    assert [each.words for each in found.breaks] == ["09:00-09:15", "23:50-00:20"]
