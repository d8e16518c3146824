"""The screen of a shift: it keeps to its room, says SIMULATED, and its pictures in the manual are those of today."""

from __future__ import annotations

import io
import itertools

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from eolseq.bands.band import Outcome
from eolseq.clock import VirtualClock
from eolseq.engine.cautions import STANDARD
from eolseq.engine.events import Cautions, SafetyState
from eolseq.line.shift_events import (
    CautionPage,
    CodeTaken,
    Note,
    ShiftBegins,
    ShortCaution,
    Situation,
    SoundIs,
    Stands,
    Tally,
    Tick,
    Typing,
    UnitOver,
)
from eolseq.screen.frame import columns
from eolseq.screen.shift_draw import caution_pages, draw_shift
from eolseq.screen.shift_model import ShiftView
from eolseq.screen.shift_screen import open_shift_screen
from eolseq.screen.sound import GAP, RINGS, Bell
from eolseq.screen.turn import SECONDS, Turn
from tests.shift_pictures import FOLDER, drawings

BEGINS = ShiftBegins("Aldervale line bench", "bay-1", True, 90.0)
SIZES = [(80, 24), (60, 16), (120, 40), (200, 60), (60, 24), (80, 16)]
LONG = "A sentence that is much longer than any line of a terminal in a hall may ever be. " * 6


def view_of(*events: object) -> ShiftView:
    view = ShiftView()
    for event in events:
        view.tell(event, 0.0)
    return view


def everything(situation: Situation, outcome: Outcome | None) -> ShiftView:
    """Every part of the picture filled to the brim."""
    over = [] if outcome is None else [UnitOver("DH6-00000001", outcome, LONG, outcome is Outcome.PASS)]
    return view_of(BEGINS, SafetyState("waiting", False, False, True, False), Stands(Situation.RUNNING, ""), *over,
                   Stands(situation, LONG, "op-07", ("op-12", "op-21")), Note("REFUSED", LONG, "Call the lead: " + LONG),
                   Tally(1e5, 999, (("A step of a long name", 12), ("Another", 3)), 40, 1111), Typing("=DH6-0000"),
                   CautionPage(Cautions(STANDARD, (LONG,)), 0, 1))


@pytest.mark.parametrize(("situation", "size"), list(itertools.product(Situation, SIZES)))
def test_every_picture_keeps_to_its_room_and_says_simulated(situation: Situation, size: tuple[int, int]) -> None:
    for outcome in (None, *Outcome):
        frame = draw_shift(everything(situation, outcome), 10.0, *size)
        assert len(frame.rows) <= size[1]
        assert {sum(columns(text) for text, _ in row) for row in frame.rows} == {frame.width}
        assert frame.width <= size[0]
        assert "SIMULATED" in frame.text()


def test_at_80_by_24_whom_to_call_is_never_cut_away() -> None:
    for situation in Situation:
        if situation in (Situation.CAUTIONS, Situation.RUNNING):
            continue
        view, turn = everything(situation, Outcome.STOPPED), Turn()
        texts = [draw_shift(view, 10.0 + at * SECONDS, 80, 24, turn).text() for at in range(60)]
        assert all("Call the lead: A sentence" in text and "=DH6-0000" in text for text in texts)
        assert not any("1039 passed" in text for text in texts)
        assert any("999 passed, 15 rejected, 40 without a result" in text for text in texts)  # in turn with what was cut


def test_only_safety_has_colours() -> None:
    for situation in Situation:
        for row in draw_shift(everything(situation, Outcome.FAIL), 0.0, 80, 24).rows:
            assert {style for _, style in row} <= {"", "bold", "quiet", "inverse", "green lamp", "WARNING"}


@given(st.integers(20, 130), st.integers(8, 50), st.lists(st.text(max_size=300), max_size=12))
@settings(deadline=None, max_examples=40)
def test_no_caution_is_lost_on_the_way_to_its_page(width: int, height: int, own: list[str]) -> None:
    cautions = Cautions(STANDARD, tuple(own))
    pages = caution_pages(cautions, width, height)
    assert sum(len(page) for page in pages) == len(caution_pages(cautions, width, 10_000)[0])
    assert all(len(page) <= max(4, height - 6) for page in pages)


def test_the_outcome_of_a_unit_goes_when_the_next_one_is_meant() -> None:
    passed = UnitOver("DH6-00000001", Outcome.PASS, "", True)
    failed = UnitOver("DH6-00000002", Outcome.FAIL, "", False)
    view = view_of(BEGINS, Stands(Situation.RUNNING, ""), Stands(Situation.LABEL, ""), passed, CodeTaken())
    assert view.over == passed
    view.tell(Stands(Situation.PLATE, ""), 0.0)
    assert view.over == passed
    view.tell(Stands(Situation.WAITING, ""), 0.0)
    assert view.over is None
    view = view_of(BEGINS, Stands(Situation.RUNNING, ""), failed, Stands(Situation.WAITING, ""))
    assert view.over == failed
    view.tell(CodeTaken(), 0.0)
    assert view.over is None


def test_a_bell_for_each_outcome_that_never_waits_and_can_be_silenced() -> None:
    assert len(set(RINGS.values())) == len(RINGS) - 1  # fail and undecided are both rejects
    rung: list[str] = []
    bell = Bell(lambda: rung.append("ring"))
    bell.tell(Outcome.FAIL, 0.0)
    assert len(rung) == 1
    for moment in (0.1, GAP, GAP * 1.5, GAP * 2, GAP * 5):
        bell.moment(moment)
    assert len(rung) == RINGS[Outcome.FAIL]
    bell.on = False
    bell.tell(Outcome.FAULT, 9.0)
    assert len(rung) == RINGS[Outcome.FAIL]


def test_plain_lines_say_all_that_matters() -> None:
    stream = io.StringIO()
    screen = open_shift_screen(stream, VirtualClock(), plain=True)
    for event in (BEGINS, Stands(Situation.SIGN_IN, "Scan your badge."), CautionPage(Cautions(("Danger.",), ("Hot.",)), 0, 1),
                  Stands(Situation.WAITING, "Scan.", "op-21", ("op-07",)), ShortCaution("It can kill."),
                  Note("REFUSED", "Not this one.\x1b[2J", "Call the lead."), Tally(100.0, 1, (("Bond", 2),), 0, 3),
                  UnitOver("DH6-1", Outcome.FAIL, "", False), SoundIs(False), Tick(), Typing("=x")):
        screen.tell(event)
    screen.close()
    assert stream.getvalue().splitlines() == [
        "SIMULATED shift at Aldervale line bench, bay-1", "SIMULATED SIGN IN. Scan your badge.",
        "SIMULATED WARNING: Danger.", "SIMULATED WARNING: Hot.",
        "SIMULATED SCAN UNIT (operator op-21, beside op-07). Scan.", "SIMULATED WARNING: It can kill.",
        "SIMULATED REFUSED: Not this one.?[2J Call the lead.",
        "SIMULATED 3 units, 3 expected by now: 1 passed, rejects: 2 at Bond, 0 others", "SIMULATED unit DH6-1: FAIL",
        "SIMULATED sound off"]


def test_the_pictures_of_the_manual_are_those_of_the_screen() -> None:
    found = drawings()
    assert len(found) == 13
    for name, text in found.items():
        assert (FOLDER / name).read_text(encoding="utf-8") == text, f"run: python tests/shift_pictures.py ({name})"
