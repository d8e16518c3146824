"""Every sentence that the program can say of a bay is read whole on the screen of four bays at 80 by 24.

The table is made from the program's own text: each refusal, fault and stop that is raised anywhere, with names of usual
length in it. What to do and whom to call stand in the bay's frame; what is cut there comes whole at the foot in turn.
"""

from __future__ import annotations

import ast
import itertools
import re
from collections.abc import Iterator

import pytest

import eolseq.errors as errors
from eolseq.bands.band import Outcome
from eolseq.engine.arrows import KEEP_CLEAR
from eolseq.engine.events import Instruction, RunBegins, SafetyState
from eolseq.line.after_pass import ANOTHER
from eolseq.line.bay_events import Busy
from eolseq.line.out_of_use import turned_away_at, whom_to_call
from eolseq.line.shift import NEXT_UNIT
from eolseq.line.shift_events import Note, ShiftBegins, Situation, Stands, UnitOver
from eolseq.screen.bays_draw import draw_bays
from eolseq.screen.bays_model import BaysView
from eolseq.screen.frame import Row
from eolseq.screen.pieces import paged
from eolseq.screen.turn import SECONDS
from eolseq.station.out_of_use import BACK, LEAVE_ALONE
from eolseq.station.out_of_use import CALL as CALL_MAINTENANCE
from tests.pictures import ROOT

BAYS = ("bay-1", "bay-2", "bay-3", "bay-4")
BAY = "bay-3"
SERIAL = "DH6-00000003"
CALL = "Call maintenance: telephone 411"
DARK = SafetyState("waiting", False, False, True, False)
LIVE = SafetyState("energised", True, True, False, True)
RAISED = ("Refused", "InUse", "Stopped", "StationFault", "InstrumentFault", "LinkFault", "LinkTimeout", "LinkLost",
          "LinkAborted", "LinkNotOpen", "RecordFault", "NotGenuine", "LockedRed", "Reason")
LEFT_OUT = ("approve", "approving", "people", "keys", "signing", "enter", "label", "boxing", "carrying", "release", "void",
            "rework", "unlock", "review", "review_watch", "talk", "records", "review_page", "filing", "batch")
"""Rooms of commands that a person types by themselves; nothing of them is said of a bay."""


def text_of(node: ast.expr) -> str:
    """A text of the program, with a serial or a name of usual length for whatever stands in it."""
    if isinstance(node, ast.Constant):
        return str(node.value)
    if isinstance(node, ast.JoinedStr):
        return "".join(text_of(each) for each in node.values)
    if isinstance(node, ast.FormattedValue):
        return SERIAL if "serial" in ast.unparse(node.value) else "residual-2"
    return text_of(node.left) + text_of(node.right) if isinstance(node, ast.BinOp) else "withstand"


def said() -> Iterator[tuple[str, str]]:
    """What is wrong, and what to do, of everything that is raised."""
    for path in sorted((ROOT / "eolseq").rglob("*.py")):
        if path.stem in LEFT_OUT:
            continue
        for node in ast.walk(ast.parse(path.read_text(encoding="utf-8"))):
            if not (isinstance(node, ast.Call) and node.args and ast.unparse(node.func).split(".")[-1] in RAISED):
                continue
            first = 1 if ast.unparse(node.func).endswith("Reason") and len(node.args) > 2 else 0
            texts = [text_of(each) for each in node.args[first:first + 2]]
            yield texts[0], texts[1] if len(texts) > 1 else ""


TABLE = sorted(set(said()))


def view_of(*told: object, safety: SafetyState = DARK) -> BaysView:
    """Four bays, of which one is told something."""
    view = BaysView.of(BAYS)
    for bay in BAYS:
        view.tell(bay, ShiftBegins("Aldervale four bays", bay, True, 30.0), 0.0)
        view.tell(bay, safety if bay == BAY else DARK, 0.0)
        view.tell(bay, Stands(Situation.WAITING, NEXT_UNIT, "op-07"), 0.0)
    for event in told:
        view.tell(BAY, event, 0.0)
    return view


def plain(text: str) -> str:
    """Words with one blank between them, and a word that was cut into parts whole again."""
    return re.sub(r"\s+", "", text)


def frame_of(rows: list[Row]) -> str:
    """What is written in the frame of the bay, beside and below its large word."""
    first = next(i for i, row in enumerate(rows) if any(BAY.upper() in text for text, _ in row))
    return plain(" ".join("".join(text for text, _ in row[(4 if number < 3 else 2):])
                          for number, row in enumerate(rows[first + 1:first + 5])))


def read(view: BaysView) -> tuple[str, str]:
    """The text of the bay's frame, and that of every page at the foot that names the bay."""
    frame, foot, seen = "", "", list[str]()
    for number in range(60):
        rows = list(draw_bays(view, number * SECONDS, 80, 24).rows)
        assert len(rows) == 24
        frame = frame_of(rows)
        page = ["".join(text for text, _ in row) for row in rows[21:23]]
        if "".join(page) in seen:
            break
        seen.append("".join(page))
        label = rows[21][0][0]
        if BAY in label:
            foot += plain(page[0].removeprefix(label) + page[1])
    return frame, foot


def readable(view: BaysView, do: str, why: str, call: str = "") -> list[str]:
    """What of these texts cannot be read; empty for none."""
    frame, foot = read(view)
    wrong = [f"whom to call is cut: {call}"] if plain(call) not in frame else []
    wrong += [f"not in the frame: {do}"] if plain(do) not in frame else []
    return wrong + ([f"nowhere whole: {why}"] if plain(why) not in frame and plain(why) not in foot else [])


def refused(what: str, do: str) -> Note:
    """The note of a refusal or fault, as the shift makes it."""
    return Note("REFUSED", f"{what} {do}".strip(), CALL, do=do)


SET_ASIDE = f"Call maintenance first. {SERIAL} has no result: set it aside. Then scan the next unit."


def ended(outcome: Outcome, what: str, do: str) -> tuple[object, ...]:
    """What is told as a test ends without a pass in its withstand step, and the next unit is waited for."""
    note = Note(str(outcome).upper(), f"Withstand, line and neutral to earth: {what} {do}", CALL, do=do)
    return (Stands(Situation.RUNNING, ""), UnitOver(SERIAL, outcome, note.sentence, False),
            Stands(Situation.WAITING, SET_ASIDE, "op-07"), note)


def test_the_table_is_that_of_the_program() -> None:
    assert len(TABLE) > 150
    assert any("does not answer in time" in what for what, _ in TABLE)
    assert all(issubclass(getattr(errors, name), Exception) for name in RAISED[:-2])


@pytest.mark.parametrize("part", range(8))
def test_every_refusal_can_be_read_whole_and_what_to_do_is_never_cut(part: int) -> None:
    wrong = []
    for what, do in TABLE[part::8]:
        wrong += readable(view_of(refused(what, do)), do, what, CALL)
    assert not wrong, "\n".join(wrong)


@pytest.mark.parametrize("outcome", [Outcome.STOPPED, Outcome.FAULT])
def test_what_ended_a_test_is_read_beside_its_outcome(outcome: Outcome) -> None:
    wrong = []
    for what, do in TABLE:
        frame, foot = read(view_of(*ended(outcome, what, do)))
        wrong += [text for text in (SET_ASIDE, do, f"Withstand, line and neutral to earth: {what}")
                  if plain(text) not in frame and plain(text) not in foot]
        wrong += [f"cut: {do}"] if plain(do) not in frame else []
        assert plain(CALL) in frame
    assert not wrong, "\n".join(wrong)


@pytest.mark.parametrize("safety", [DARK, LIVE], ids=["off", "danger"])
def test_a_locked_station_says_what_to_do_and_at_length_why(safety: SafetyState) -> None:
    do, wrong = "Test nothing here. Leave the unit where it is, call maintenance.", []
    for what, _ in TABLE:
        view = view_of(Stands(Situation.LOCKED, do, "op-07", why=f"At bay-2: {what}"), safety=safety)
        wrong += readable(view, do, f"At bay-2: {what}")
    assert not wrong, "\n".join(wrong)


UNSEEN = SafetyState("waiting", False, None, None, None)


@pytest.mark.parametrize("alone", [LEAVE_ALONE, CALL_MAINTENANCE])
@pytest.mark.parametrize("safety", [DARK, UNSEEN], ids=["seen", "unseen"])
def test_a_bay_out_of_use_says_what_to_do_and_at_length_why(safety: SafetyState, alone: str) -> None:
    """Also after a fault that put it out of use, and when somebody scans a unit there all the same."""
    do, wrong = whom_to_call(f"{alone} {BACK}", {"maintenance": "telephone 411"}), []
    out = turned_away_at(BAY)
    for what, then in TABLE:
        stands = Stands(Situation.OUT_OF_USE, do, "op-07", why=f"guard-3: {what} {then}")
        wrong += readable(view_of(stands, safety=safety), do, stands.why)
        wrong += readable(view_of(stands, refused(what, then), safety=safety), do, what, CALL)
        frame, foot = read(view_of(stands, refused(what, then), safety=safety))
        wrong += [f"nowhere whole: {then}"] if plain(then) not in frame and plain(then) not in foot else []
    frame, foot = read(view_of(stands, out, safety=safety))
    assert plain(do) in frame and (plain(out.do) in frame or plain(out.do) in foot)
    assert not wrong, "\n".join(wrong)


@pytest.mark.parametrize("text", [
    KEEP_CLEAR.text, "Open the guard, connect the unit, close the guard.", "Waiting for withstand tester of the hall, which "
    "bay-1 has and bay-2, bay-4 gets before. Keep the guard closed.", "Fan from the inlet: type its number, Enter, within "
    "30 s. 1 ↑ up, 2 → right, 3 ↓ down, 4 ← left", "Take the unit out of the fixture and connect the known load KL-10 to "
    "the leads of the continuity tester. Close the guard."])
@pytest.mark.parametrize("safety", [DARK, LIVE], ids=["off", "danger"])
def test_what_to_do_while_a_test_runs_is_whole(text: str, safety: SafetyState) -> None:
    view = view_of(*running(), Instruction(text), safety=safety)
    assert not readable(view, text, "")
    note = Note("NOT NOW", "'PLATE DH-6 DH6-00000001' has no effect: a test runs. Stop only with the red button.",
                running=True, do="Stop only with the red button.")
    view.tell(BAY, note, 0.0)
    assert not readable(view, note.do, note.why)
    frame, foot = read(view)
    assert plain(text) in frame or plain(text) in foot


def running() -> list[object]:
    """The events of a test that has begun."""
    from tests.screen.story import story

    return [Stands(Situation.RUNNING, "", "op-07"), next(each for each in story() if isinstance(each, RunBegins))]


@pytest.mark.parametrize("do", [ANOTHER, f"Look at the printer. {ANOTHER}", "To print it, type =not-found.",
                                "To do the check now, type =verify or =challenge.",
                                "VOLTAGE MAY HAVE BEEN ON: keep out until every output is proved off. Unit "
                                f"{SERIAL} needs a new run from the start."])
def test_what_the_bay_waits_for_is_whole(do: str) -> None:
    why = "A reason that is long. " * 60
    for situation in (Situation.LABEL_MISSING, Situation.CHECK_DUE, Situation.AFTER_CUT):
        assert not readable(view_of(Stands(situation, do, "op-07", why=why)), do, why)


def test_long_names_of_people_and_instruments_come_in_turn() -> None:
    names = tuple(f"the-{word}-tester-of-the-north-hall" for word in ("continuity", "withstand", "input", "current"))
    view = view_of()
    view.tell("", Busy(names, tuple(zip(names, BAYS, strict=True)), ((BAY, names),)), 0.0)
    for number, bay in enumerate(BAYS):
        view.tell(bay, Stands(Situation.WAITING, NEXT_UNIT, f"operator-{number}", (f"supervisor-{number}",)), 0.0)
    shown = plain(" ".join(draw_bays(view, at * SECONDS, 80, 24).text().split("━━━━")[-1] for at in range(12)))
    assert all(name in shown for name in names) and all(
        f"operator-{n}" in shown and f"supervisor-{n}" in shown for n in range(4))


def test_a_page_stands_long_enough_to_be_read_and_only_one_bay_is_spoken_of() -> None:
    view = view_of(refused("A reason that is long. " * 20, "Do this."))
    view.tell("bay-1", Note("REFUSED", "Another reason, which is long as well. " * 9, CALL), 0.0)
    pages = [draw_bays(view, at / 2, 80, 24).text().splitlines()[21:23] for at in range(200)]
    changes = [at for at in range(1, len(pages)) if pages[at] != pages[at - 1]]
    assert changes and all(b - a == 2 * SECONDS for a, b in itertools.pairwise(changes))
    assert {"bay-1" in page[0] for page in pages} == {True, False}
    assert all(("bay-1" in page[0]) != (BAY in page[0]) for page in pages)


def test_no_word_is_lost_between_pages() -> None:
    text = "one " + "x" * 200 + " two three " * 30
    assert plain("".join(line for page in paged(text, [30, 50]) for line in page)) == plain(text)
