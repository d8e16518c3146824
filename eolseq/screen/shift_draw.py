"""The picture of a shift: the run's own picture while one runs, else what to do, what was refused, and the count.

From the top: station and operator; whether voltage may be present; what to do now; the outcome of the last unit or the
large word of what is awaited; the last note; at the foot the pace, passes and rejects by step. What does not fit comes
whole at the foot, in turn with the count. No colour but safety's.
"""

from __future__ import annotations

from eolseq.engine.events import Cautions
from eolseq.line.shift_events import CautionPage, Note, Situation, Tally
from eolseq.screen.draw import WIDEST, banner, boxed, caution_rows, draw, fits, labelled, outcome_rows
from eolseq.screen.frame import Frame, Row, columns, ends, fit
from eolseq.screen.letters import drawable, tall
from eolseq.screen.pieces import Piece
from eolseq.screen.shift_model import ShiftView
from eolseq.screen.turn import Page, Turn, page_rows, pages_of
from eolseq.screen.words import SIMULATED, clean

_FOOT = 2        # rows of the count
_NOTE_MOST = 4   # rows of a note
_CAUTION_REST = 6  # rows beside the cautions: what to do, a note, what is typed
_BOX, _BOX_TESTING = 3, 2  # rows of what to do now; while a test runs, as the run's own picture has it
_IN_BOX = 6      # columns of a box beside its text
_COUNT = Page("", 1, 1, ())  # stands for the count, where it takes its turn with what was cut


def draw_shift(view: ShiftView, now: float, width: int, height: int, turn: Turn | None = None) -> Frame:
    """Draw what is known at the monotonic time ``now`` in so many columns and rows; ``turn`` goes on from it."""
    width = max(20, min(width, WIDEST))
    turn = turn or Turn()
    if view.testing:
        rows = _testing(view, now, width, height, turn)
    elif view.situation is Situation.CAUTIONS and view.reading is not None:
        rows = _cautions(view, view.reading, now, width, height, turn)
    else:
        rows = _standing(view, now, width, height, turn)
    return Frame(rows[:height], width)


def caution_pages(cautions: Cautions, width: int, height: int, *, simulated: bool = False) -> list[list[Row]]:
    """The cautions in full, on as many pages as they need beside what is asked of the person."""
    rows = caution_rows(cautions, min(width, WIDEST), simulated=simulated)
    room = max(4, height - _CAUTION_REST)
    return [rows[first:first + room] for first in range(0, len(rows), room)]


def _cautions(view: ShiftView, reading: CautionPage, now: float, width: int, height: int, turn: Turn) -> list[Row]:
    pages = caution_pages(reading.cautions, width, height, simulated=view.simulated)
    page = min(reading.page, len(pages) - 1)
    rows = list(pages[page])
    do = view.stands.do if view.stands is not None else ""
    below = labelled("DO NOW", do, width, 2)
    note = _note(view.note, width, 2) if view.note is not None else []
    cut = [] if fits(do, width - _beside("DO NOW"), 2) else [Piece("DO NOW", do, True)]
    cut += _cut_of(view.note, width, 2) if view.note is not None else []
    below += page_rows(turn.page(pages_of({"": cut}, width), now), width) if cut else note
    rows += _blank(width, height - len(rows) - len(below) - 1)
    return [*rows, *below, _typing(view, width)]


def _testing(view: ShiftView, now: float, width: int, height: int, turn: Turn) -> list[Row]:
    """The run as it draws itself, with one row for a code that was turned away, else for the short caution."""
    rows = list(draw(view.run, now, width, height - 2).rows)
    note, do = view.note, view.run.instruction
    words = f"{note.word}: {note.sentence}" if note is not None else view.short
    style = "inverse" if note is not None else "quiet"
    cut = [] if fits(do, width - _IN_BOX, _BOX_TESTING) else [Piece("DO NOW", do, True)]
    if note is not None and columns(words) + 2 > width:
        cut.append(Piece(note.word, f"{note.do} {note.why}".strip()))
    foot: list[Row] = [[(fit(f" {clean(words)}", width), style)], _pace(view, now, width)]
    return [*rows, *_in_turn(cut, foot, now, width, turn)]


def _standing(view: ShiftView, now: float, width: int, height: int, turn: Turn) -> list[Row]:
    stands = view.stands
    do, why = (stands.do, stands.why) if stands is not None else ("Wait.", "")
    top = [_header(view, width), *banner(view.safety, width, simulated=view.simulated),
           *boxed("DO NOW", f"{do} {why}".strip(), width, _BOX)]
    note = _note(view.note, width, _NOTE_MOST) if view.note is not None else []
    cut = _cut_above(view, do, why, width)
    cut += _cut_of(view.note, width, _NOTE_MOST) if view.note is not None else []
    cut += [] if columns(_rejects(view)) <= width else [Piece("REJECTS", _rejects(view).strip())]
    foot = [_typing(view, width), *_in_turn(cut, _count(view, now, width), now, width, turn)]
    room = height - len(top) - len(note) - len(foot)
    middle = _squeezed(_middle(view, width), room, unit=view.over is not None)
    return [*top, *middle, *_blank(width, room - len(middle)), *note, *foot]


def _in_turn(cut: list[Piece], count: list[Row], now: float, width: int, turn: Turn) -> list[Row]:
    """The last two rows: the count, or what was cut above, whole, and the count once in every round."""
    if not cut:
        return count
    page = turn.page([*pages_of({"": cut}, width), _COUNT], now)
    return count if page is _COUNT else page_rows(page, width)


def _cut_above(view: ShiftView, do: str, why: str, width: int) -> list[Piece]:
    """What is not whole in the header and in the box of what to do."""
    inner = width - _IN_BOX
    cut = [] if fits(do, inner, _BOX) else [Piece("DO NOW", do, True)]
    cut += [] if not why or fits(f"{do} {why}", inner, _BOX) else [Piece("WHY", why)]
    return cut + ([] if _who_fits(view, width) else [Piece("PEOPLE", _who(view))])


def _cut_of(note: Note, width: int, most: int) -> list[Piece]:
    """What is not whole of a note in so many rows, with the call's."""
    inner, rows = width - _beside(note.word), most - bool(note.call)
    cut = [] if columns(_call(note)) <= width else [Piece(note.word, note.call)]
    if fits(order_first(note, inner, rows), inner, rows):
        return cut
    own = bool(note.do) and fits(note.do, inner, rows)  # then it stands above, and the foot has what does not
    return [*cut, Piece(note.word, note.why if own else note.sentence, not own)]


def _beside(label: str) -> int:
    """Columns beside the text of a labelled one."""
    return columns(label) + 5


def _squeezed(rows: list[Row], room: int, *, unit: bool) -> list[Row]:
    """The large word in so many rows: the strips around it go first, the unit's row last."""
    last = len(rows) - 1 - unit
    if len(rows) > room:
        rows = [*rows[:last], *rows[last + 1:]]
    return rows[len(rows) > room:][:room]


def _header(view: ShiftView, width: int) -> Row:
    begins = view.begins
    left = f" {clean(begins.station)}  {clean(begins.bay)}" if begins is not None else " Before the shift"
    return [(ends(left, f"{f'{SIMULATED}  ' if view.simulated else ''}{_who(view)} ", width), "bold")]


def _who(view: ShiftView) -> str:
    stands = view.stands
    if stands is None or not stands.operator:
        return ""
    return f"operator {stands.operator}" + (f", beside {', '.join(stands.beside)}" if stands.beside else "")


def _who_fits(view: ShiftView, width: int) -> bool:
    return columns(_who(view)) + (columns(SIMULATED) + 2 if view.simulated else 0) + 2 < width


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
    call: list[Row] = [[(fit(_call(note), width), "bold")]] if note.call else []
    return [*labelled(note.word, order_first(note, width - _beside(note.word), most - len(call)), width,
                      most - len(call)), *call]


def _call(note: Note) -> str:
    return f" {' ' * (len(note.word) + 3)}{clean(note.call)}" if note.call else ""


def order_first(note: Note, width: int, rows: int) -> str:
    """The sentence of a note as it is where there is room for all of it, else what to do before why."""
    whole = fits(note.sentence, width, rows)
    return note.sentence if whole or not note.do else f"{note.do} {note.why}"


def _count(view: ShiftView, now: float, width: int) -> list[Row]:
    if view.tally is None:
        return _blank(width, _FOOT)
    return [_pace(view, now, width), [(fit(_rejects(view), width), "")]]


def _rejects(view: ShiftView) -> str:
    rejects = () if view.tally is None else view.tally.rejects
    return f" rejects by step: {clean(', '.join(f'{count} {step}' for step, count in rejects)) or 'none'}"


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

