"""What the screen knows after a sequence of events."""

from __future__ import annotations

import pytest

from eolseq.bands.band import Outcome, Reading
from eolseq.engine.events import Acknowledged, Cautions, JudgedReading, Live, RunEnds, StepBegins, StepEnds
from eolseq.screen.model import RunView, deciding
from tests.screen.story import BOND, FAILED, LEAK, STEPS, VOLTS, begins, reading, step_ends, story


def told(events: object, view: RunView | None = None, now: float = 0.0) -> RunView:
    view = view or RunView()
    for event in events:  # type: ignore[attr-defined]
        view.tell(event, now)
    return view


def test_a_whole_run_ends_with_every_step_passed() -> None:
    view = told(story())
    assert [step.outcome for step in view.steps] == [Outcome.PASS] * len(STEPS)
    assert view.ended is not None and view.ended.outcome is Outcome.PASS
    assert view.operator == "demo" and view.simulated()
    assert not view.live and view.seconds_left(99.0) == 0.0


def test_steps_after_a_failed_one_are_not_reached() -> None:
    view = told(story(FAILED))
    assert [step.outcome for step in view.steps][3:] == [Outcome.PASS, Outcome.FAIL, Outcome.NOT_REACHED]
    assert str(view.steps[4].reading) == "6.40 mA" and view.steps[5].reading is None


def test_cautions_wait_for_a_named_operator() -> None:
    view = told([begins(), Cautions(("one",), ())])
    assert view.waiting_for_acknowledgement()
    assert not told([Acknowledged("an operator")], view).waiting_for_acknowledgement()


def test_a_refusal_ends_the_waiting() -> None:
    view = told([begins(), Cautions(("one",), ()), RunEnds(Outcome.REFUSED, "Start again.", None, None)])
    assert not view.waiting_for_acknowledgement()


def test_seconds_left_run_down_within_a_step_and_stop_at_its_end() -> None:
    view = told([begins()])
    total = sum(step.seconds for step in STEPS)
    assert view.seconds_left(50.0) == pytest.approx(total)
    view.tell(StepBegins(0), 100.0)
    assert view.seconds_left(101.0) == pytest.approx(total - 1.0)
    assert view.seconds_left(500.0) == pytest.approx(total - STEPS[0].seconds)
    view.tell(Live(0, "resistance", None, BOND, "rising", 2.0), 101.5)
    assert view.seconds_left(101.5) == pytest.approx(total - STEPS[0].seconds + 2.0)
    view.tell(step_ends(0, "resistance", "0.041 ohm", BOND), 102.0)
    assert view.seconds_left(102.0) == pytest.approx(total - STEPS[0].seconds)


LATE_OR_WRONG = {
    "live of a judged step": [begins(), StepBegins(1), Live(0, "x", reading("x", "1 ohm"), BOND, "", 1.0)],
    "live before any step": [begins(), Live(0, "x", reading("x", "1 ohm"), BOND, "", 1.0)],
    "a step that is not planned": [begins(), StepBegins(99), StepEnds(99, Outcome.PASS, "")],
    "a step below the first": [begins(), StepBegins(-1), StepEnds(-1, Outcome.PASS, "")],
    "a step without a plan": [StepBegins(0), StepEnds(0, Outcome.PASS, "")],
}


@pytest.mark.parametrize("case", LATE_OR_WRONG)
def test_late_or_unplanned_events_change_nothing_shown(case: str) -> None:
    view = told(LATE_OR_WRONG[case])
    assert not view.live
    assert all(step.outcome is None for step in view.steps)


def test_the_first_of_the_worst_readings_decides_what_is_shown() -> None:
    def one(name: str, outcome: Outcome) -> JudgedReading:
        return JudgedReading(name, Reading(name, None, "A"), BOND, outcome, "")

    given = (one("a", Outcome.PASS), one("b", Outcome.UNDECIDED), one("c", Outcome.FAIL), one("d", Outcome.FAIL))
    found = deciding(given)
    assert found is not None and found.name == "c"
    first = deciding(given[:1])
    assert first is not None and first.name == "a"
    assert deciding(()) is None


def test_the_main_reading_is_the_one_held_against_the_first_band_of_the_plan() -> None:
    view = told([begins(), StepBegins(4)])
    assert view.main_live() is None and view.other_live() == []
    names = []
    for name, text, limits in (("volts", "900 V", None), ("voltage", "900 V", VOLTS), ("current", "1 mA", LEAK),
                               ("voltage", "901 V", VOLTS)):
        view.tell(Live(4, name, reading(name, text), limits, "rising", 1.0), 0.0)
        main = view.main_live()
        names.append((main.name if main else None, [live.name for live in view.other_live()]))
    assert names == [("volts", []), ("voltage", ["volts"]), ("current", ["volts", "voltage"]),
                     ("current", ["volts", "voltage"])]


def test_of_several_points_under_one_band_only_the_newest_is_live() -> None:
    view = told([begins(), StepBegins(0)])
    for point in ("front", "motor", "box"):
        view.tell(Live(0, point, reading(point, "0.02 ohm"), BOND, "holding", 1.0), 0.0)
    main = view.main_live()
    assert main is not None and main.name == "box" and view.other_live() == []


def test_a_second_run_begins_with_a_clean_picture() -> None:
    view = told([*story(FAILED), begins()])
    assert view.ended is None and view.current is None and view.operator == ""
    assert all(step.outcome is None for step in view.steps)
