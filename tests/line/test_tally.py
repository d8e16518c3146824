"""The pace on the technician's screen, through a break and through a unit that is tested in one. Invented plant."""

from __future__ import annotations

from datetime import timedelta

from eolseq.clock import VirtualClock
from eolseq.line.shift_events import ShiftBegins, Situation, Stands, Tally
from eolseq.line.tally import Count
from eolseq.screen.shift_draw import draw_shift
from eolseq.screen.shift_model import ShiftView
from eolseq.station.plant_time import UTC_TIME
from tests.shift_rig import MORNING
from tests.station.test_plant_time import plant

TAKT = 60.0
BREAKS = plant("06:10-06:20")  # MORNING is six o'clock, in winter


def shown(view: ShiftView, now: float) -> str:
    """What stands in the row of the pace."""
    return next(line for line in draw_shift(view, now, 80, 24).text().splitlines() if "takt 60 s" in line).split("takt 60 s: ")[1]


def test_a_break_asks_for_no_unit_and_one_that_is_worked_does() -> None:
    clock = VirtualClock(MORNING)
    count = Count(clock, TAKT, BREAKS)
    clock.sleep(300.0)
    assert (count.now().seconds, count.now().expected) == (300.0, 5)
    clock.sleep(600.0)
    assert (count.now().seconds, count.now().expected) == (600.0, 10)
    with count.testing():
        assert count.now().rests == ()
        clock.sleep(120.0)
    assert count.now().seconds == 720.0
    clock.sleep(600.0)
    assert count.now().seconds == 720.0 + 600.0 - 180.0


def test_without_breaks_all_time_counts() -> None:
    clock = VirtualClock(MORNING)
    count = Count(clock, TAKT, UTC_TIME)
    clock.sleep(900.0)
    assert count.now() == Tally(900.0, expected=15)


def test_the_screen_knows_the_breaks_to_come() -> None:
    clock = VirtualClock(MORNING)
    count, view = Count(clock, TAKT, BREAKS), ShiftView()
    view.tell(ShiftBegins("Aldervale", "bay-1", True, TAKT), 0.0)
    view.tell(Stands(Situation.WAITING, "Scan.", "op-07"), 0.0)
    view.tell(count.now(), 0.0)
    assert count.now().rests == ((600.0, 1200.0),)
    assert (shown(view, 599.0), shown(view, 601.0)) == ("9 behind", "10 behind, break")
    assert (shown(view, 1199.0), shown(view, 1261.0)) == ("10 behind, break", "11 behind")


def test_tomorrow_has_its_breaks_too() -> None:
    clock = VirtualClock(MORNING + timedelta(minutes=15))
    assert Count(clock, TAKT, BREAKS).now().rests == ((0.0, 300.0), (86_100.0, 86_400.0))
