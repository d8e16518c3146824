"""Every sentence that the program can say is read whole on the screen of one bay at 80 by 24.

The table is that of several bays, made from the program's own text. What to do and whom to call stand in the picture; what
is cut there comes whole at the foot, in turn with the count.
"""

from __future__ import annotations

import itertools

import pytest

from eolseq.bands.band import Outcome
from eolseq.engine.events import Cautions, Instruction, RunEnds, SafetyState, StepBegins, StepEnds
from eolseq.line.shift import NEXT_UNIT
from eolseq.line.shift_events import CautionPage, CodeTaken, Note, ShiftBegins, Situation, Stands, Tally
from eolseq.screen.draw import draw
from eolseq.screen.model import RunView
from eolseq.screen.shift_draw import draw_shift
from eolseq.screen.shift_model import ShiftView
from eolseq.screen.turn import SECONDS, Turn
from tests.screen.story import begins
from tests.screen.test_whole_sentences import (
    CALL,
    DARK,
    LIVE,
    SERIAL,
    SET_ASIDE,
    TABLE,
    ended,
    plain,
    refused,
    running,
)

STEPS = (("Earth path to every metal part", 3), ("Insulation resistance", 1))


def view_of(*told: object, safety: SafetyState = DARK) -> ShiftView:
    """One bay that is told something."""
    view = ShiftView()
    for event in (ShiftBegins("Aldervale line bench", "bay-1", True, 30.0), safety,
                  Stands(Situation.WAITING, NEXT_UNIT, "op-07"), Tally(600.0, 20, STEPS), *told):
        view.tell(event, 0.0)
    return view


def read(view: ShiftView, height: int = 24) -> tuple[str, str, str]:
    """The text above the foot, that of every page at the foot, and the first picture whole."""
    turn, foot, seen, first = Turn(), "", list[str](), ""
    for number in range(60):
        frame = draw_shift(view, number * SECONDS, 80, height, turn)
        assert len(frame.rows) == height
        rows = ["".join(text for text, _ in row) for row in frame.rows]
        first = first or "\n".join(rows)
        page = rows[-2:] if view.situation is not Situation.CAUTIONS else rows[-3:-1]
        if "".join(page) in seen:
            break
        seen.append("".join(page))
        label = frame.rows[-2 if page == rows[-2:] else -3][0][0]
        foot += plain(page[0].removeprefix(label) + page[1])
    above = plain(first.rpartition("\n")[0].rpartition("\n")[0].replace("┃", " "))
    return above, foot, first


def readable(view: ShiftView, do: str, why: str, call: str = "") -> list[str]:
    """What of these texts cannot be read; empty for none."""
    above, foot, _ = read(view)
    wrong = [f"whom to call is cut: {call}"] if plain(call) not in above else []
    wrong += [f"not above: {do}"] if plain(do) not in above else []
    return wrong + ([f"nowhere whole: {why}"] if plain(why) not in above and plain(why) not in foot else [])


@pytest.mark.parametrize("part", range(2))
def test_every_refusal_can_be_read_whole_and_what_to_do_is_never_cut(part: int) -> None:
    wrong = []
    for what, do in TABLE[part::2]:
        wrong += readable(view_of(refused(what, do)), do, what, CALL)
    assert not wrong, "\n".join(wrong)


@pytest.mark.parametrize("outcome", [Outcome.FAIL, Outcome.UNDECIDED, Outcome.STOPPED, Outcome.FAULT])
def test_what_ended_a_test_is_read_beside_its_outcome_and_its_unit(outcome: Outcome) -> None:
    wrong = []
    for what, do in TABLE:
        view = view_of(*ended(outcome, what, do))
        wrong += readable(view, do, f"Withstand, line and neutral to earth: {what}", CALL)
        above, _, picture = read(view)
        assert plain(SET_ASIDE) in above and f"unit {SERIAL}" in picture
        assert picture.count("█") + picture.count("▀") + picture.count("▄") > 40  # the large word stands
    assert not wrong, "\n".join(wrong)


@pytest.mark.parametrize("safety", [DARK, LIVE], ids=["off", "danger"])
@pytest.mark.parametrize("situation", [Situation.LOCKED, Situation.CHECK_DUE, Situation.LABEL_MISSING, Situation.AFTER_CUT])
def test_a_bay_that_waits_says_what_to_do_and_at_length_why(safety: SafetyState, situation: Situation) -> None:
    do = "Test nothing here. Leave the unit where it is, call maintenance."
    wrong = []
    for what, _ in TABLE[::3]:
        wrong += readable(view_of(Stands(situation, do, "op-07", why=what), safety=safety), do, what)
    wrong += readable(view_of(Stands(situation, do, "op-07", why="A reason that is long. " * 60)), do, "A reason that is long. " * 60)
    assert not wrong, "\n".join(wrong)


def test_a_note_above_a_long_reason_is_read_as_well() -> None:
    view = view_of(Stands(Situation.LOCKED, "Call maintenance.", "op-07", why="One reason of many. " * 20),
                   refused("Another reason, which is long as well. " * 12, "Do this."))
    above, foot, _ = read(view)
    assert plain("Call maintenance.") in above and plain("Do this.") in above
    assert plain("One reason of many. " * 20) in foot and plain("Another reason, which is long as well. " * 12) in foot


@pytest.mark.parametrize("text", ["Open the guard, connect the unit, close the guard.", "Take the unit out of the fixture. " * 12])
def test_what_to_do_while_a_test_runs_is_whole(text: str) -> None:
    view = view_of(*running(), Instruction(text))
    above, foot, _ = read(view)
    assert plain(text) in above or plain(text) in foot
    note = Note("NOT NOW", "'PLATE DH-6 DH6-00000001 of a line that is long' has no effect: a test runs. Stop only with the red "
                "button.", running=True, do="Stop only with the red button.")
    view.tell(note, 0.0)
    above, foot, _ = read(view)
    assert plain(note.sentence) in foot or plain(f"{note.do} {note.why}") in foot


def test_what_is_said_below_cautions_is_whole() -> None:
    long = "That badge is not on the list of people who may test here. " * 5
    view = view_of(Stands(Situation.CAUTIONS, "Read all of this. Then scan your badge.", "op-07"),
                   CautionPage(Cautions(("Test voltage can kill.",), ("Hot parts.",)), 0, 1), refused(long, "Ask the lead."))
    _, foot, picture = read(view)
    assert plain(long) in foot and "Test voltage can kill." in picture and "Then scan your badge." in picture


def test_the_count_takes_its_turn_and_comes_back_when_the_note_is_gone() -> None:
    view, turn = view_of(refused("A reason that is long. " * 30, "Do this.")), Turn()
    feet = [draw_shift(view, at / 2, 80, 24, turn).text().splitlines()[-2:] for at in range(120)]
    changes = [at for at in range(1, len(feet)) if feet[at] != feet[at - 1] and ("tested" in feet[at][0]) >= 0]
    assert any("tested 24: 20 passed" in foot[0] for foot in feet) and any("REFUSED" in foot[0] for foot in feet)
    assert all(b - a == 2 * SECONDS for a, b in itertools.pairwise(changes))
    view.tell(CodeTaken(), 60.0)
    assert "tested 24: 20 passed" in draw_shift(view, 60.0, 80, 24, turn).text().splitlines()[-2]


@pytest.mark.parametrize("outcome", [Outcome.STOPPED, Outcome.FAULT, Outcome.UNDECIDED])
def test_the_last_picture_of_a_single_run_which_cannot_take_turns_has_it_all(outcome: Outcome) -> None:
    wrong = []
    for what, do in TABLE:
        view = RunView()
        for event in (begins(), StepBegins(4), StepEnds(4, outcome, what), RunEnds(outcome, f"{what} {do}", "records/log.jsonl", 42)):
            view.tell(event, 0.0)
        rows = draw(view, 0.0, 80, 24).text()
        wrong += [text for text in (f"{what} {do}", what) if plain(text) not in plain(rows)]
    assert not wrong, "\n".join(wrong)


def test_long_names_and_many_rejects_come_in_turn() -> None:
    steps = tuple((f"Withstand number {n}, line and neutral to earth", n) for n in range(1, 9))
    view = view_of(Stands(Situation.WAITING, NEXT_UNIT, "o" * 40, ("supervisor-of-the-north-hall",)), Tally(600.0, 20, steps))
    _, foot, _ = read(view)
    assert "o" * 40 in foot and "supervisor-of-the-north-hall" in foot
    assert all(plain(f"{n} {step}") in foot for step, n in steps)
