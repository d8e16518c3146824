"""A person is asked which way the fan turns, in whole runs in virtual time; the guard goes first at every moment."""

from __future__ import annotations

import base64
import dataclasses
import itertools
import json
from collections.abc import Callable, Iterator
from pathlib import Path

import pytest
from hypothesis import given
from hypothesis import strategies as st

from eolseq.bands.band import Outcome
from eolseq.engine.arrows import ARROWS, order_for, question
from eolseq.engine.events import Instruction
from eolseq.engine.run import RunResult
from eolseq.quantity import parse
from eolseq.screen.draw import wrapped
from eolseq.steps.motor_current import MotorCurrent
from eolseq.steps.motor_turning import DIRECTIONS, Seen
from tests.rig import SCAN, SEQUENCE, Rig

TURNING = Seen("clockwise", "inlet side", parse("10 s"))
WITH_ARROWS = dataclasses.replace(SEQUENCE, steps=tuple(
    dataclasses.replace(step, turning=TURNING) if isinstance(step, MotorCurrent) else step for step in SEQUENCE.steps))


class Person:
    """Types a number so many seconds after listening began; ``gone`` when the terminal goes away then instead."""

    def __init__(self, rig: Rig, number: int | None, after: float = 4.0, leaves: bool = False) -> None:
        self.gone = False
        self._rig, self._number, self._leaves = rig, number, leaves
        self._at = rig.clock.monotonic() + after

    def number(self) -> int | None:
        """The number, once its time has come."""
        due = self._rig.clock.monotonic() >= self._at
        self.gone = self._leaves and due
        return self._number if due and not self._leaves else None


@pytest.fixture
def rig(quick_path: Path) -> Iterator[Rig]:
    with Rig(quick_path, sequence=WITH_ARROWS) as opened:
        yield opened


def motor_of(result: RunResult) -> tuple[str, str]:
    """Outcome and sentence of the motor current step."""
    return next((str(verdict.outcome), verdict.sentence) for step, verdict in result.steps
                if isinstance(step, MotorCurrent))


def typing(rig: Rig, direction: str) -> Callable[[int], Person]:
    """A person who picks the arrow of a direction as it is shown for this unit."""
    return lambda most: Person(rig, order_for(rig.serial, DIRECTIONS).index(direction) + 1)


@pytest.mark.parametrize("direction", DIRECTIONS)
def test_the_arrow_seen_decides_and_is_on_record(rig: Rig, direction: str) -> None:
    rig.listen = typing(rig, direction)
    result = rig.run()
    assert result.outcome is (Outcome.PASS if direction == "clockwise" else Outcome.FAIL)
    lines = Path(rig.log.path).read_text().splitlines()
    end = json.loads(base64.b64decode(json.loads(lines[-1])["payload"]))
    found = next(each for step in end["steps"] if step["kind"] == "motor_current" for each in step["readings"]
                 if each["name"] == "direction of the fan")
    assert (found["raw"], found["value"], found["unit"]) == (direction, str(DIRECTIONS.index(direction) + 1), "")
    assert (found["at_least"], found["at_most"], found["instrument"]) == ("1", "1", None)
    assert "by the operator" in found["basis"]


@pytest.mark.parametrize(("listen", "words"), [
    (lambda rig: None, "no person is at a terminal"),
    (lambda rig: lambda most: None, "no person is at a terminal"),
    (lambda rig: lambda most: Person(rig, None), "nobody picked an arrow within 10 s"),
    (lambda rig: lambda most: Person(rig, 1, leaves=True), "no person is at a terminal"),
    (lambda rig: lambda most: Person(rig, 5), "nobody picked an arrow within 10 s"),
    (lambda rig: lambda most: Person(rig, 1, after=11), "nobody picked an arrow within 10 s"),
])
def test_without_an_answer_it_is_a_fault_and_no_number(rig: Rig, listen: Callable[[Rig], object], words: str) -> None:
    rig.listen = listen(rig)
    result = rig.run()
    outcome, sentence = motor_of(result)
    assert (result.outcome, outcome) == (Outcome.FAULT, "fault") and not result.released
    assert words in sentence


@pytest.mark.parametrize("after", [0.0, 0.04, 1.0, 3.99, 4.0, 4.01, 9.9])
def test_the_guard_trips_while_the_person_looks(rig: Rig, after: float) -> None:
    opened: list[float] = []

    def begin(most: int) -> Person:
        rig.world.due("guard opens", rig.clock.monotonic() + after, open_it)
        return Person(rig, None)

    def open_it() -> None:
        opened.append(rig.clock.monotonic())
        rig.world.guard.open("both")

    rig.listen = begin
    result = rig.run()
    assert result.outcome is Outcome.STOPPED and motor_of(result)[0] == "stopped"
    off = [each["time"] for each in rig.world.changes if each.get("name") == "power" and each.get("output") == "off"]
    assert len(opened) == 1 and len(off) == 1, "it was on until then"
    assert 0 <= off[0] - opened[0] < SCAN + 0.005
    assert not rig.world.output_on("power") and rig.world.voltage_at_unit() < 25.0


def test_the_question_is_shown_while_the_fan_runs_and_taken_away(rig: Rig) -> None:
    rig.listen = typing(rig, "clockwise")
    rig.run()
    told = [each.text for each in rig.events if isinstance(each, Instruction)]
    assert told[-1] == "Keep clear. The test is running."
    assert told[-2] == question("inlet side", order_for(rig.serial, DIRECTIONS), parse("10 s"))


@given(st.from_regex(r"[A-Z0-9-]{1,20}", fullmatch=True))
def test_every_order_has_every_arrow_once_and_is_the_same_for_a_unit(serial: str) -> None:
    order = order_for(serial, DIRECTIONS)
    assert sorted(order) == sorted(DIRECTIONS)
    assert order == order_for(serial, DIRECTIONS)
    assert all(f"{at} {ARROWS[each]} {each}" in question("inlet side", order, parse("10 s"))
               for at, each in enumerate(order, 1))


def test_the_right_number_changes_from_unit_to_unit() -> None:
    """Each of four places has its share of 1000 units, and a unit tells little of the next (counted, not proved)."""
    places = [order_for(f"DH6-{number:08d}", DIRECTIONS).index("clockwise") for number in range(1000)]
    assert all(200 < places.count(place) < 300 for place in range(4))
    assert sum(a == b for a, b in itertools.pairwise(places)) < 320


def test_the_question_fits_the_box_of_a_small_screen_and_names_no_right_one() -> None:
    texts = [question("W" * 24, order_for(str(number), DIRECTIONS), parse("59.5 s")) for number in range(50)]
    assert max(len(wrapped(text, 74, 9)) for text in texts) <= 2
    assert all(text.count("clockwise") == 2 for text in texts), "clockwise and anticlockwise, in the list alone"
