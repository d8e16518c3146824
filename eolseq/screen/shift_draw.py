"""The picture of a shift: the run's own picture while one runs, else what to do, what was refused, and the count.

From the top: station and operator; whether voltage may be present; what to do now; the outcome of the last unit or the
large word of what is awaited; the last note; at the foot the pace, passes and rejects by step. No colour but safety's.
"""

from __future__ import annotations

from eolseq.engine.events import Cautions
from eolseq.line.shift_events import CautionPage, Note, Situation, Tally
from eolseq.screen.draw import WIDEST, banner, boxed, caution_rows, draw, labelled, outcome_rows, wrapped
from eolseq.screen.frame import Frame, Row, columns, ends, fit
from eolseq.screen.letters import drawable, tall
from eolseq.screen.shift_model import ShiftView
from eolseq.screen.words import SIMULATED, clean

_FOOT = 2        # rows of the count
_NOTE_MOST = 4   # rows of a note
_CAUTION_REST = 6  # rows beside the cautions: what to do, a note, what is typed


def draw_shift(view: ShiftView, now: float, width: int, height: int) -> Frame:
    """Draw what is known at the monotonic time ``now`` in so many columns and rows."""
    width = max(20, min(width, WIDEST))
    if view.testing:
        rows = _testing(view, now, width, height)
    elif view.situation is Situation.CAUTIONS and view.reading is not None:
        rows = _cautions(view, view.reading, width, height)
    else:
        rows = _standing(view, now, width, height)
    return Frame(rows[:height], width)


def caution_pages(cautions: Cautions, width: int, height: int, *, simulated: bool = False) -> list[list[Row]]:
    """The cautions in full, on as many pages as they need beside what is asked of the person."""
    rows = caution_rows(cautions, min(width, WIDEST), simulated=simulated)
    room = max(4, height - _CAUTION_REST)
    return [rows[first:first + room] for first in range(0, len(rows), room)]


def _cautions(view: ShiftView, reading: CautionPage, width: int, height: int) -> list[Row]:
    pages = caution_pages(reading.cautions, width, height, simulated=view.simulated)
    page = min(reading.page, len(pages) - 1)
    rows = list(pages[page])
    do = view.stands.do if view.stands is not None else ""
    below = labelled("DO NOW", do, width, 2)
    below += _note(view.note, width, 2) if view.note is not None else []
    rows += _blank(width, height - len(rows) - len(below) - 1)
    return [*rows, *below, _typing(view, width)]


def _testing(view: ShiftView, now: float, width: int, height: int) -> list[Row]:
    """The run as it draws itself, with one row for a code that was turned away, else for the short caution."""
    rows = list(draw(view.run, now, width, height - 2).rows)
    note = view.note
    words = f"{note.word}: {note.sentence}" if note is not None else view.short
    style = "inverse" if note is not None else "quiet"
    return [*rows, [(fit(f" {clean(words)}", width), style)], _pace(view, now, width)]


def _standing(view: ShiftView, now: float, width: int, height: int) -> list[Row]:
    stands = view.stands
    do = f"{stands.do} {stands.why}".strip() if stands is not None else "Wait."
    top = [_header(view, width), *banner(view.safety, width, simulated=view.simulated),
           *boxed("DO NOW", do, width, 3)]
    note = _note(view.note, width, _NOTE_MOST) if view.note is not None else []
    foot = [_typing(view, width), *_count(view, now, width)]
    room = height - len(top) - len(note) - len(foot)
    middle = _middle(view, width)[:room]
    return [*top, *middle, *_blank(width, room - len(middle)), *note, *foot]


def _header(view: ShiftView, width: int) -> Row:
    begins, stands = view.begins, view.stands
    left = f" {clean(begins.station)}  {clean(begins.bay)}" if begins is not None else " Before the shift"
    who = ""
    if stands is not None and stands.operator:
        who = f"operator {stands.operator}" + (f", beside {', '.join(stands.beside)}" if stands.beside else "")
    return [(ends(left, f"{f'{SIMULATED}  ' if view.simulated else ''}{who} ", width), "bold")]


def _middle(view: ShiftView, width: int) -> list[Row]:
    """The outcome of the last unit, then what is awaited; or only the large word of the situation."""
    over = view.over
    word = str(view.situation) if view.situation is not None else ""
    if over is not None:
        rows = outcome_rows(over.outcome, width, simulated=view.simulated)
        return [*rows, [(fit(f"unit {clean(over.serial)}".center(width), width), "bold")]]
    strange = view.situation in (Situation.LOCKED, Situation.CHECK_DUE, Situation.AFTER_CUT, Situation.LABEL_MISSING)
    strip: Row = [((f" {SIMULATED} " if view.simulated else "").center(width, "╱" if strange else " "),
                   "inverse" if strange else "bold")]
    lines = (tall(word, width - 2) if drawable(word) else ()) or (" ".join(word),)
    style = "inverse" if strange else "bold"
    return [strip, *([(fit(line.center(width), width), style)] for line in lines), strip]


def _note(note: Note, width: int, most: int) -> list[Row]:
    """The word inverse, its sentence beside it, and whom to call in a row of its own that is never cut away."""
    call: list[Row] = [[(fit(f" {' ' * (len(note.word) + 3)}{clean(note.call)}", width), "bold")]] if note.call else []
    return [*labelled(note.word, order_first(note, width - columns(note.word) - 5, most - len(call)), width,
                      most - len(call)), *call]


def order_first(note: Note, width: int, rows: int) -> str:
    """The sentence of a note as it is where there is room for all of it, else what to do before why."""
    whole = len(wrapped(note.sentence, width, rows + 1)) <= rows
    return note.sentence if whole or not note.do else f"{note.do} {note.why}"


def _count(view: ShiftView, now: float, width: int) -> list[Row]:
    tally = view.tally
    if tally is None:
        return _blank(width, _FOOT)
    rejects = ", ".join(f"{count} {step}" for step, count in tally.rejects)
    return [_pace(view, now, width),
            [(fit(f" rejects by step: {clean(rejects) or 'none'}", width), "")]]


def _pace(view: ShiftView, now: float, width: int) -> Row:
    """Units against those that the takt expects by now."""
    tally = view.tally or Tally(0.0)
    rejected = sum(count for _, count in tally.rejects)
    total = tally.passed + rejected + tally.others
    takt = view.begins.takt if view.begins is not None else None
    seconds = view.seconds(now)
    words = f" tested {total}: {tally.passed} passed, {rejected} rejected, {tally.others} without a result"
    if takt is None:
        return [(fit(words, width), "")]
    ahead = total - int(seconds // takt)
    pace = f"{abs(ahead)} behind" if ahead < 0 else f"{ahead} ahead" if ahead else "on pace"
    pace += ", break" if view.resting(now) else ""
    return [(ends(words, f"takt {takt:g} s: {pace} ", width), "")]


def _typing(view: ShiftView, width: int) -> Row:
    return [(fit(f" typed: {clean(view.typing)}█" if view.typing else "", width), "bold")]


def _blank(width: int, count: int) -> list[Row]:
    return [[(" " * width, "")] for _ in range(max(0, count))]

