"""Breaks in a review: taken out of pace, stops and available time, but where something was under test. Invented plant."""

from __future__ import annotations

import json
from collections.abc import Callable
from datetime import UTC, datetime
from pathlib import Path

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from eolseq.commands.watching import Watched
from eolseq.review.plain import plain
from eolseq.review.review import Review
from eolseq.review.sheet import pdf_of
from eolseq.review.times import behind
from eolseq.review.window import Window, of_dates
from eolseq.review.words import lines
from eolseq.screen.watch_draw import draw_watch, pace_words
from eolseq.station.plant_time import PlantTime
from tests.records.samples import begin
from tests.review.lines import Did, Line
from tests.station.test_plant_time import LONDON, plant, utc

MINUTE = 60.0
AT_NINE = utc("2026-01-05T08:50")  # ten minutes before the break, in winter when London has UTC
BREAKS = plant("09:00-09:15")


def reviewed(folder: Path, tell: Callable[[Line], object], zone: PlantTime = BREAKS, start: datetime = AT_NINE,
             takt: float | None = 5 * MINUTE) -> Review:
    """The review of what was done at a line from a moment on."""
    line = Line(folder, start=start)
    with line.log:
        tell(line)
        return line.review(takt=takt, plant=zone)


def until(line: Line, clock: str) -> None:
    """Let time pass up to a time of day."""
    wanted = datetime.combine(line.clock.now().date(), datetime.strptime(clock, "%H:%M").time(), UTC)
    line.clock.sleep((wanted - line.clock.now()).total_seconds())


def unit(line: Line, clock: str, minutes: float, outcome: str = "pass", bay: str = "bay-1") -> None:
    """A unit that begins at a time of day and takes so long."""
    until(line, clock)
    line.did(Did(outcome, bay=bay, cycle=minutes * MINUTE, after=0.0))


def units(*at: tuple[str, float] | tuple[str, float, str]) -> Callable[[Line], object]:
    """Units one after the other."""
    def tell(line: Line) -> None:
        for each in at:
            unit(line, *each)
    return tell


BETWEEN: dict[str, tuple[tuple[tuple[str, float], ...], list[float]]] = {
    "no break between": ((("08:51", 1), ("08:56", 1)), [5]),
    "a break between": ((("08:55", 2), ("09:20", 2)), [10]),
    "a unit that ends in the break": ((("08:55", 10), ("09:20", 2)), [15]),
    "a unit that begins in it": ((("08:55", 2), ("09:10", 2)), [5]),
    "a break that was worked through": ((("08:58", 5), ("09:03", 5), ("09:08", 8)), [5, 5]),
    "one unit in the middle of it": ((("08:55", 2), ("09:05", 3), ("09:20", 1)), [5, 8]),
}


@pytest.mark.parametrize("case", BETWEEN)
def test_begin_to_begin_without_breaks(quick_path: Path, case: str) -> None:
    at, expected = BETWEEN[case]
    found = reviewed(quick_path, units(*at))
    assert found.pace.between.number == len(expected) == found.pace.with_breaks.number
    assert found.pace.whole.mean == pytest.approx(MINUTE * sum(expected) / len(expected))
    assert found.pace.in_takt == sum(each <= 5 for each in expected)
    assert found.first_pass.of == len(at)  # what was tested counts, whenever it was


def test_a_unit_that_is_tested_through_a_break_takes_as_long_as_it_does(quick_path: Path) -> None:
    assert reviewed(quick_path, units(("08:58", 20))).pace.cycle.middle == 20 * MINUTE


def test_a_stop_does_not_last_through_a_break(quick_path: Path) -> None:
    found = reviewed(quick_path, units(("08:55", 3, "stopped"), ("09:20", 1)))
    (stop,) = found.stops
    assert (stop.lost, stop.breaks) == (7 * MINUTE, 15 * MINUTE) and found.stops_by_bay[0].breaks == 15 * MINUTE
    cut = reviewed(quick_path / "cut", units(("08:50", 15, "abandoned"), ("09:20", 1)))
    assert (cut.stops[0].lost, cut.stops[0].breaks) == (15 * MINUTE, 15 * MINUTE)


def whole_shift(line: Line) -> None:
    """Two hours with a break, of which five minutes were worked."""
    line.shift("begin")
    for clock in ("08:50", "08:55", "09:00", "09:20", "09:25"):
        unit(line, clock, 5)
    until(line, "10:50")
    line.shift("end")


def test_the_takt_asks_for_nothing_in_a_break(quick_path: Path) -> None:
    found = reviewed(quick_path, whole_shift)
    assert found.available.seconds == 110 * MINUTE and found.asked == 22
    assert (found.available.taken, found.available.tested) == (10 * MINUTE, 5 * MINUTE)
    text = " ".join(" ".join(lines(found)).split())
    assert behind(found) == "17 behind" and "tested 5 in 1 h 50 min; the takt of 5 min 00 s asks for 22: 17 behind" in text
    assert "breaks 09:00-09:15: 10 min 00 s taken out of pace and lost time; 5 min 00 s more was under test" in text
    whole = reviewed(quick_path / "whole", whole_shift, plant())
    assert whole.available.seconds == 120 * MINUTE and whole.asked == 24
    assert "breaks" not in "\n".join(lines(whole)) and behind(whole) == "19 behind"
    without = reviewed(quick_path / "no shift", units(("08:55", 5)))
    assert without.asked is None and behind(without) == "" and "asks for" not in "\n".join(lines(without))


def test_hour_by_hour(quick_path: Path) -> None:
    found = reviewed(quick_path, whole_shift)
    assert [(each.local, each.tested, each.passed, each.available) for each in found.hours] == [
        ("08:00 GMT", 1, 1, 600.0), ("09:00 GMT", 4, 4, 3000.0), ("10:00 GMT", 0, 0, 3000.0)]
    text = "\n".join(lines(found))
    assert "09:00 GMT  4 tested of 10 asked for, 4 passed" in text and "10:00 GMT  0 tested of 10 asked for" in text
    plain_text = "\n".join(lines(reviewed(quick_path / "no takt", whole_shift, takt=None)))
    assert "09:00 GMT  4 tested, 4 passed" in plain_text


def test_a_shift_that_was_cut_off_has_no_time_until_somebody_came_back(quick_path: Path) -> None:
    def tell(line: Line) -> None:
        line.shift("begin")
        unit(line, "09:20", 5)
        line.did(Did("abandoned", cycle=3600.0))
        line.shift("begin")
        unit(line, "11:00", 5)
    found = reviewed(quick_path, tell, takt=60.0)
    assert found.available.seconds == 20 * MINUTE + 40 * MINUTE - 10.0  # up to 09:25, and from 10:25:10 on


NIGHTS = {"2026-03-28": (7, "2026-03-28 22:00 GMT to 2026-03-29 06:00 BST"),
          "2026-10-24": (9, "2026-10-24 22:00 BST to 2026-10-25 06:00 GMT")}


@pytest.mark.parametrize("night", NIGHTS)
def test_a_night_in_which_the_clocks_change_is_as_long_as_it_is(quick_path: Path, night: str) -> None:
    hours, said = NIGHTS[night]
    zone = plant("02:00-02:30")
    start = utc(f"{night}T{'22:00' if hours == 7 else '21:00'}")

    def tell(line: Line) -> None:
        line.shift("begin")
        line.did(Did("pass", after=hours * 3600.0 - 20.0))
        line.did(Did("pass", after=0.0))
        line.shift("end")
    found = reviewed(quick_path, tell, zone, start)
    assert found.available.seconds == hours * 3600 + 20 - 1800
    assert f"units begun from {said} (Europe/London)" in " ".join(lines(found)).replace("  ", " ")
    labels = [each.local for each in found.hours]
    assert labels[0] == f"22:00 {said[17:20]}" and labels[-1] == f"06:00 {said[-3:]}" and len(labels) == hours + 1
    assert [each for each in labels if each.startswith("01:00")] == ([] if hours == 7 else ["01:00 BST", "01:00 GMT"])
    document = plain(found)
    assert json.loads(json.dumps(document))["hours"][0]["tested"] == 1
    assert document["began"]["first"].endswith("Z") and document["local"]["zone"] == LONDON
    assert [document["local"]["began"][each][-6:] for each in ("first", "last")] == (
        ["+00:00", "+01:00"] if hours == 7 else ["+01:00", "+00:00"])


def test_days_are_those_of_the_plant(quick_path: Path) -> None:
    line = Line(quick_path, start=utc("2026-07-01T22:30"))
    with line.log:
        line.did(Did("pass", after=3600.0))  # 23:30 in London
        line.did(Did("fail"))  # 00:30 on the next day there
        for zone, day, outcomes in ((plant(), "2026-07-01", {"pass": 1}), (plant(), "2026-07-02", {"fail": 1}),
                                    (PlantTime(), "2026-07-01", {"pass": 1, "fail": 1}), (PlantTime(), "2026-07-02", {})):
            assert dict(line.review(of_dates(day, day, zone), plant=zone).outcomes) == outcomes
            assert of_dates(day, day, zone).words == day


def test_the_page_has_the_times_of_the_plant(quick_path: Path) -> None:
    import subprocess

    line = Line(quick_path, start=utc("2026-07-01T05:00"))
    with line.log:
        line.shift("begin")
        line.did(Did("pass"))
        line.shift("end")
        found = line.review(Window(first=1, last=99), plant=plant("09:00-09:15"))
    text = subprocess.run(["pdftotext", "-layout", "-", "-"], input=pdf_of(found), capture_output=True, check=True).stdout.decode()
    assert "the shift of 2026-07-01, 06:00 BST" in text and "UTC" not in text and "(Europe/London)" in text


def test_the_live_line_takes_breaks_out_and_says_that_one_is_on(quick_path: Path) -> None:
    line = Line(quick_path, start=AT_NINE)
    with line.log:
        line.shift("begin")
        found = Watched(line.base / "records", 5 * MINUTE, line.clock, BREAKS)
        unit(line, "08:50", 5)
        unit(line, "08:55", 5)
        until(line, "09:10")
        seen = found.look()
        assert seen.ahead(line.clock.now()) == 0 and pace_words(seen, line.clock.now()) == "IN TAKT"
        text = draw_watch(seen, line.clock.now(), 80, 24).text()
        assert "BREAK until 09:15 GMT" in text and "09:10 GMT" in text.splitlines()[0]
        assert "bay-1  waiting 10 min" in text
        unit(line, "09:10", 5)
        seen = found.look()
        assert seen.ahead(line.clock.now()) == 0 and seen.rested(line.clock.now()) == 600.0
        assert seen.break_now(line.clock.now()) is None
        until(line, "09:35")
        assert found.look().ahead(line.clock.now()) == -4
        index = line.log.append(begin(line.log, "DH6-99999999"))
        assert index and found.look().ahead(line.clock.now()) == -4


RUNS = st.lists(st.tuples(st.integers(0, 12), st.integers(1, 6), st.sampled_from(["pass", "fail", "stopped"]),
                          st.sampled_from(["bay-1", "bay-2"])), min_size=1, max_size=8)


@given(RUNS)
@settings(max_examples=15, deadline=None)
def test_what_is_taken_out_and_what_is_left_are_the_whole_time(runs: list[tuple[int, int, str, str]]) -> None:
    from tempfile import TemporaryDirectory
    with TemporaryDirectory(dir="/dev/shm") as folder:
        line = Line(Path(folder), start=AT_NINE)
        with line.log:
            for bay in ("bay-1", "bay-2"):
                line.shift("begin", bay)
            for wait, takes, outcome, bay in runs:
                line.clock.sleep(wait * MINUTE)
                line.did(Did(outcome, bay=bay, cycle=takes * MINUTE, after=0.0))
            for bay in ("bay-1", "bay-2"):
                line.shift("end", bay)
            found, whole = line.review(takt=60.0, plant=BREAKS), line.review(takt=60.0)
        gone = (line.clock.now() - AT_NINE).total_seconds()
        assert found.available.seconds + found.available.taken == pytest.approx(gone) == pytest.approx(whole.available.seconds)
        assert found.available.taken + found.available.tested == BREAKS.rest(AT_NINE, line.clock.now())
        assert found.pace.cycle == whole.pace.cycle and found.pace.with_breaks == whole.pace.between == whole.pace.with_breaks
        for one, other in zip(*(sorted(each.stops, key=lambda stop: stop.bay) for each in (found, whole)), strict=True):
            assert one.lost + one.breaks == pytest.approx(other.lost) and other.breaks == 0.0
        assert found.first_pass == whole.first_pass and found.outcomes == whole.outcomes
        for each in (found, whole):
            assert sum(hour.available for hour in each.hours) == pytest.approx(each.available.seconds)
            assert sum(hour.tested for hour in each.hours) == sum(each.outcomes.values())
            assert sum(hour.passed for hour in each.hours) == each.outcomes.get("pass", 0)
