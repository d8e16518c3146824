"""The screen of several bays: it keeps to its room, every sentence names its bay, it never waits, its pictures are new."""

from __future__ import annotations

import io
import itertools
import re
from decimal import Decimal

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from rich.console import Console

from eolseq.bands.band import Outcome
from eolseq.clock import VirtualClock
from eolseq.engine.cautions import STANDARD
from eolseq.engine.events import Cautions, Live, SafetyState
from eolseq.line.bay_events import Busy
from eolseq.line.crew import Hazard
from eolseq.line.shift_events import CautionPage, CodeTaken, Note, ShiftBegins, Situation, Stands, Tally, UnitOver
from eolseq.line.switchboard import THIS_BAY, WHICH_BAY
from eolseq.screen.bays_draw import caution_pages_of, draw_bays, fits
from eolseq.screen.bays_model import BaysView
from eolseq.screen.bays_screen import EVERY, MOST, DrawnBays
from eolseq.screen.frame import columns
from eolseq.screen.turn import SECONDS
from tests.bays_pictures import FOLDER, drawings
from tests.screen.story import FAILED, LEAK, reading, story

NAMES = ("bay-1", "bay-2", "bay-3", "bay-4")
SIZES = [(80, 24), (72, 24), (60, 16), (120, 40), (160, 45), (200, 60)]
LONG = "A sentence that is much longer than any line of a terminal in a hall may ever be. " * 6
BUSY = Busy(("continuity", "withstand"), (("withstand", "bay-1"),), (("bay-2", ("withstand",)),))
DARK = SafetyState("waiting", False, False, True, False)
LIVE = SafetyState("energised", True, True, False, True)


def view_of(count: int, *told: tuple[str, object]) -> BaysView:
    view = BaysView.of(NAMES[:count])
    for bay in NAMES[:count]:
        view.tell(bay, ShiftBegins("Aldervale four bays", bay, True, 30.0), 0.0)
        view.tell(bay, DARK, 0.0)
    for bay, event in told:
        view.tell(bay, event, 0.0)
    return view


def filled(count: int, situation: Situation, outcome: Outcome | None) -> BaysView:
    """Every part of the picture filled to the brim."""
    view = view_of(count, ("", BUSY))
    for bay in view.bays:
        view.tell(bay, Stands(Situation.RUNNING, ""), 0.0)
        for event in itertools.islice(story(FAILED), 40):
            view.tell(bay, event, 0.0)
        if outcome is not None:
            view.tell(bay, UnitOver("DH6-00000001", outcome, LONG, outcome is Outcome.PASS), 0.0)
        view.tell(bay, CautionPage(Cautions(STANDARD, (LONG,)), 0, 1), 0.0)
        view.tell(bay, Stands(situation, LONG, "op-07", ("op-12", "op-21")), 0.0)
        view.tell(bay, Note("REFUSED", LONG, "Call the lead: desk 2"), 0.0)
        view.tell(bay, Tally(1e5, 999, (("A step of a long name", 12),), 40), 0.0)
    return view


@pytest.mark.parametrize(("situation", "size"), list(itertools.product(Situation, SIZES)))
def test_every_picture_keeps_to_its_room_and_says_simulated(situation: Situation, size: tuple[int, int]) -> None:
    for count, outcome in itertools.product((2, 3, 4), (None, Outcome.PASS, Outcome.FAULT, Outcome.UNDECIDED)):
        frame = draw_bays(filled(count, situation, outcome), 10.0, *size)
        assert len(frame.rows) == size[1]
        assert {sum(columns(text) for text, _ in row) for row in frame.rows} == {frame.width}
        assert frame.width <= size[0]
        assert "SIMULATED" in frame.text()
        assert all(f" {bay.upper()} " in frame.text() for bay in NAMES[:count]), "every bay keeps the head of its frame"


@pytest.mark.parametrize("outcome", Outcome)
def test_at_80_by_24_four_bays_fit_and_say_whom_to_call(outcome: Outcome) -> None:
    assert fits(4, 80, 24) and not fits(4, 80, 20) and fits(4, 160, 20)
    view = filled(4, Situation.WAITING, outcome)
    text = draw_bays(view, 10.0, 80, 24).text()
    assert text.count("Call the lead: desk 2") == 4
    in_turn = [draw_bays(view, 10.0 + SECONDS * at, 80, 24).text() for at in range(20)]
    assert any("bay-1 has withstand; bay-2 waits for withstand" in each for each in in_turn)
    assert "3996 passed, 48 rejected, 160 without a result" in text


def test_every_sentence_names_its_bay() -> None:
    view = view_of(4)
    for bay in NAMES:
        view.tell(bay, Stands(Situation.WAITING, f"Do what is due at {bay[-1]}."), 0.0)
        view.tell(bay, Note("REFUSED", f"Not the unit of {bay[-1]}.", f"Call number {bay[-1]}"), 0.0)
    for size in SIZES[:2] + SIZES[3:]:
        text = draw_bays(view, 0.0, *size).text()
        for bay in NAMES:
            assert f"{bay}: Do what is due at {bay[-1]}." in text
            assert re.search(rf"{bay} REFUSED:? +Not the unit of {bay[-1]}\.", text)
        assert text.count("Do what is due") == text.count("Not the unit") == text.count("Call number") == 4


def test_danger_comes_before_an_outcome_and_only_where_it_is() -> None:
    view = view_of(2, ("bay-1", UnitOver("DH6-1", Outcome.PASS, "", True)), ("bay-2", LIVE))
    assert "VOLTAGE MAY BE PRESENT" not in draw_bays(view, 0.0, 80, 24).text().split(" BAY-2 ")[0]
    view.tell("bay-1", LIVE, 0.0)
    text = draw_bays(view, 0.0, 80, 24).text()
    assert "bay-1: VOLTAGE MAY BE PRESENT" in text and "bay-2: VOLTAGE MAY BE PRESENT" in text
    styles = {style for row in draw_bays(view_of(2), 0.0, 80, 24).rows for _, style in row}
    assert styles <= {"", "bold", "quiet", "inverse", "green lamp"}  # only safety has colours


def test_cautions_leave_the_lamps_of_every_bay_in_sight_and_are_for_those_who_read_them() -> None:
    page = CautionPage(Cautions(STANDARD, ("Wear gloves.",)), 0, 2)
    view = view_of(4, ("bay-4", Stands(Situation.RUNNING, "")), ("bay-4", LIVE))
    for bay in ("bay-1", "bay-3"):
        view.tell(bay, page, 0.0)
        view.tell(bay, Stands(Situation.CAUTIONS, "op-07 reads."), 0.0)
    view.tell("bay-2", CautionPage(page.cautions, 1, 2), 0.0)
    view.tell("bay-2", Stands(Situation.CAUTIONS, "op-07 reads."), 0.0)
    text = draw_bays(view, 0.0, 80, 24).text()
    assert view.reading == ("bay-1", "bay-3") and "For bay-1, bay-3:" in text
    assert text.count("● GREEN ON") == 3 and text.count("● RED ON") == 1 and "DANGER" in text
    assert "bay-1, bay-3: op-07 reads." in text


@given(st.integers(72, 200), st.integers(20, 60), st.lists(st.text(max_size=200), max_size=8))
@settings(deadline=None, max_examples=25)
def test_no_caution_is_lost_on_the_way_to_its_page(width: int, height: int, own: list[str]) -> None:
    cautions = Cautions(STANDARD, tuple(own))
    pages = caution_pages_of(4, cautions, width, height, simulated=True)
    view = view_of(4)
    shown: list[str] = []
    for number in range(len(pages)):
        view.tell("bay-1", CautionPage(cautions, number, len(pages)), 0.0)
        view.tell("bay-1", Stands(Situation.CAUTIONS, LONG, "op-07"), 0.0)
        view.tell("bay-1", Note("NOT YET", LONG), 0.0)
        shown += draw_bays(view, 0.0, width, height).text().splitlines()
    for row in itertools.chain(*pages):
        assert "".join(text for text, _ in row).rstrip() in shown


def test_a_question_which_bay_goes_once_it_is_answered() -> None:
    view = view_of(3, *((bay, Note(WHICH_BAY, "Whose?")) for bay in NAMES[:3]))
    view.tell("bay-2", Note(THIS_BAY, "What is scanned now is for bay-2.", running=True), 0.0)
    assert [each.note is not None and each.note.word for each in view.bays.values()] == [False, THIS_BAY, False]
    view.tell("bay-3", Note(THIS_BAY, "What is scanned now is for bay-3.", running=True), 0.0)
    assert [each.note is not None for each in view.bays.values()] == [False, False, True]
    view.tell("bay-3", CodeTaken(), 0.0)
    assert all(each.note is None for each in view.bays.values())


def test_telling_never_draws_and_readings_are_dropped_when_nobody_draws() -> None:
    clock, stream = VirtualClock(), io.StringIO()
    console = Console(file=stream, force_terminal=True, width=80, height=24, markup=False, highlight=False)
    screen = DrawnBays(console, clock, NAMES, silent=True)
    live = Live(0, "current", reading("current", "2.91 mA"), LEAK, "holding", 1.0)
    for _ in range(2 * MOST):
        screen.tell("bay-1", live)
    assert stream.getvalue() == "" and len(screen._told) == MOST
    screen.tell("bay-1", LIVE)  # what is no reading is kept
    screen.start()
    clock.sleep(3 * EVERY)
    assert "bay-1: VOLTAGE MAY BE PRESENT" in stream.getvalue() and not screen._told
    before = len(stream.getvalue())
    clock.sleep(EVERY)
    assert len(stream.getvalue()) == before  # nothing new, nothing drawn
    assert screen.pages(Hazard((LONG,), Decimal(1230))) > 1
    screen.close()
    clock.close()


def test_when_a_picture_fails_plain_lines_go_on(monkeypatch: pytest.MonkeyPatch) -> None:
    clock, stream = VirtualClock(), io.StringIO()
    screen = DrawnBays(Console(file=stream, force_terminal=True, width=80, height=24), clock, NAMES, silent=True).start()
    clock.sleep(3 * EVERY)

    def fails(*_: object) -> None:
        raise ValueError("no picture")
    monkeypatch.setattr("eolseq.screen.bays_screen.draw_bays", fails)
    screen.tell("bay-2", DARK)
    clock.sleep(3 * EVERY)
    screen.tell("bay-2", Note("REFUSED", "Not this one."))
    clock.sleep(3 * EVERY)
    screen.close()
    text = stream.getvalue()
    assert "The screen failed (ValueError('no picture'))" in text and "bay-2 | REFUSED: Not this one." in text
    clock.close()


def test_the_pictures_of_the_manual_are_those_of_the_screen() -> None:
    found = drawings()
    assert len(found) == 12
    assert found["bays-locked.svg"].count(">At</text>") == 4  # each neighbour is told that it is not about its bay; and whole at the foot
    for name, text in found.items():
        assert (FOLDER / name).read_text(encoding="utf-8") == text, f"run: python tests/bays_pictures.py ({name})"


def test_a_serial_is_whole_where_it_has_room_though_the_lamps_need_theirs() -> None:
    view = view_of(4, ("bay-1", CautionPage(Cautions(STANDARD, ()), 0, 1)),
                   ("bay-1", Stands(Situation.CAUTIONS, "Read.", "op-07")))
    for bay in NAMES[1:]:
        view.tell(bay, Stands(Situation.RUNNING, ""), 0.0)
        for event in itertools.islice(story(FAILED), 40):
            view.tell(bay, event, 0.0)
        view.tell(bay, LIVE, 0.0)
    rows = ["".join(text for text, _ in row) for row in draw_bays(view, 0.0, 80, 24).rows]
    heads = [row for row in rows if row.startswith("┏━")]
    assert len(heads) == 4 and all(re.search(r" DH6-[0-9]{8} ", row) for row in heads[1:]), heads
