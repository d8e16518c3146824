"""One bay of several on a screen: its frame, its large word, what to do, and the step with the live mark in its band.

Five rows at least. The frame's head has the bay's name, its unit and the lamps as read back; every sentence below
begins with the bay's name, so that none can be taken for a neighbour's. No colour but safety's.
"""

from __future__ import annotations

from typing import NamedTuple

from eolseq.bands.band import Outcome, shown
from eolseq.line.shift_events import Situation
from eolseq.screen.band_mark import NOT_YET, SMALLEST, band_mark
from eolseq.screen.frame import Row, columns, fit, fit_right
from eolseq.screen.letters import drawable, small
from eolseq.screen.pieces import Piece, flow, pieces_of
from eolseq.screen.readings import live_rows, step_rows
from eolseq.screen.shift_model import ShiftView
from eolseq.screen.words import RUN_WORDS, SIMULATED, SafetyWords, clean, safety_words

LEAST = 5     # rows: the head, the large word in three, and one below
_LARGE = 3    # rows of the large word
_EDGE = "┃ "
_STEPS_LEAST = 3  # rows for the steps of a unit that is over
_LIVE_ROOM = 9  # rows below the large word from which on what is measured is large as well


class Panel(NamedTuple):
    """The frame of a bay in its rows, and what is not whole in it."""

    rows: list[Row]
    cut: list[Piece]


def panel(view: ShiftView, name: str, now: float, width: int, height: int) -> Panel:
    """A bay in so many columns and rows, at the monotonic time ``now``.

    Where what to do does not fit beside the large word, that word stands in one row and leaves its place to it.
    """
    words = safety_words(view.safety)
    edge = "DANGER" if words.danger else "bold"
    pieces = pieces_of(view)
    inner, room = width - len(_EDGE), height - 1 - _LARGE
    rows, cut = _filled(view, name, pieces, inner, room, *_large(view, words))
    if any(each.order for each in cut):
        rows, cut = _filled(view, name, pieces, inner, room, *_small(view, words))
    below = _below(view, name, now, inner, height - 1 - len(rows))
    rows += [*below, *([[(" " * inner, "")]] * (height - 1 - len(rows) - len(below)))]
    unit = _unit(view)
    if unit and columns(unit) + 2 > _middle_room(view, name, width):
        cut.append(Piece("UNIT", unit))
    framed: list[Row] = [[(_EDGE[0], edge), (_EDGE[1:], ""), *row] for row in rows[:height - 1]]
    return Panel([head(view, name, width), *framed], cut)


def _filled(view: ShiftView, name: str, pieces: list[Piece], width: int, room: int, large: list[str],
            style: str) -> tuple[list[Row], list[Piece]]:
    """The large word, the pieces beside and below it, and whom to call, which is never cut away."""
    words = safety_words(view.safety)
    beside = [width - columns(line) - 1 for line in large]
    rows: list[Row] = []
    if words.large != "OFF":  # first of all while anything but off and green is read back
        rows.append([(fit(f"{clean(name)}: {words.headline}", beside[0]), "DANGER" if words.danger else "inverse")])
    call = f" {clean(name)}: {clean(view.note.call)}" if view.note is not None and view.note.call else ""
    call = fit(call, min(columns(call), width * 2 // 3)) if not view.testing else ""
    more = 0 if view.testing else room if view.over is None else min(room, max(1, room - _STEPS_LEAST))
    widths = [*beside[len(rows):], *([width - 1] * more)]
    if call:
        widths[-1] -= columns(call)
    lines, cut = flow(pieces, clean(name), widths)
    if call and call.endswith("…") and view.note is not None:
        cut.append(Piece(view.note.word, view.note.call))
    rows += [[*line, (" " * (beside[len(rows) + i] - _wide(line)), "")] if len(rows) + i < _LARGE else
             [*line, (" " * (width - _wide(line)), "")] for i, line in enumerate(lines)]
    rows += [[(" " * beside[i], "")] for i in range(len(rows), _LARGE)]
    rows = [[(large[i], style), (" ", ""), *row] if i < _LARGE else row for i, row in enumerate(rows)]
    return _with_call(rows, call, width, _LARGE + more), cut


def _with_call(rows: list[Row], call: str, width: int, most: int) -> list[Row]:
    """Whom to call, at the end of the last row or in one of its own."""
    if not call:
        return rows
    if len(rows) < most:
        return [*rows, [(fit(call[1:], width), "bold")]]
    *first, last = rows
    said, style = last[-2][0] if len(last) > 1 else "", last[-2][1]
    room = width - columns(call) - _wide(last[:-2])
    return [*first, [*last[:-2], (fit(said, room), style), (call, "bold")]]


def _wide(row: Row) -> int:
    return sum(columns(text) for text, _ in row)


def _middle_room(view: ShiftView, name: str, width: int) -> int:
    """Columns for unit and mark in the head of a frame."""
    words = safety_words(view.safety)
    return width - columns(f" {clean(name)}   {words.red}    {words.green}    {words.lock} ") - 1


def head(view: ShiftView, name: str, width: int) -> Row:
    """The head of a bay's frame: its name, its unit, whether it is live, and lamps and lock as they were read back."""
    words = safety_words(view.safety)
    style = "DANGER" if words.danger else "bold"
    chip = f" {clean(name).upper()} "
    red, green, lock = f" {words.red} ", f" {words.green} ", f" {words.lock} "
    if columns(red + green + lock + chip) + 2 > width:
        lock, green, chip = "", fit(green, 8), fit(chip, 10)  # a terminal too small for frames at all
    room = width - columns(chip) - columns(red) - columns(green) - columns(lock) - 2
    said = "  ".join(part for part in (_unit(view), SIMULATED if view.simulated else "") if part)
    if columns(said) + 2 > room:  # the row above says SIMULATED too; a serial that is cut would be another unit's
        said = _unit(view) or said
    middle = fit(f" {said} ", min(room, columns(said) + 2))
    rule = "━" * max(0, room - columns(middle))
    return [("┏━", style), (chip, "DANGER" if words.danger else "inverse"), (middle, style), (rule, style),
            (red, "red lamp" if words.red.startswith("●") and not words.danger else style),
            (green, "green lamp" if words.green.startswith("●") and not words.danger else style), (lock, style)]


def state_word(view: ShiftView) -> str:
    """The word for a bay where there is room for a word only: danger before all else."""
    words = safety_words(view.safety)
    if words.danger:
        return words.large
    if _outcome_stands(view) and view.over is not None:
        return RUN_WORDS[view.over.outcome]
    return str(view.situation) if view.situation is not None else "WAIT"


def _outcome_stands(view: ShiftView) -> bool:
    """Whether the outcome of the last unit is the large word: a station that is locked says so before it."""
    return view.over is not None and not view.testing and view.situation is not Situation.LOCKED


def _unit(view: ShiftView) -> str:
    if view.testing and view.run.plan is not None:
        again = f", attempt {view.run.plan.attempt}" if view.run.plan.attempt > 1 else ""
        return f"{clean(view.run.plan.serial)}{again}"
    return clean(view.over.serial) if view.over is not None else ""


def _small(view: ShiftView, words: SafetyWords) -> tuple[list[str], str]:
    """The large word in one row, with nothing below it."""
    word = state_word(view)
    if not words.danger and _outcome_stands(view) and view.over is not None:
        word = _OUTCOMES[view.over.outcome][0]
    return [f" {'  '.join(' '.join(part) for part in word.split(' '))} ", "", ""], _large(view, words)[1]


def _large(view: ShiftView, words: SafetyWords) -> tuple[list[str], str]:
    """Three rows of one width: danger, else the outcome of the last unit, else where the bay stands."""
    if words.danger:
        return _spelt(words.large, (), " "), "DANGER"
    if _outcome_stands(view) and view.over is not None:
        outcome = view.over.outcome
        word, side = _OUTCOMES[outcome]
        return _spelt(word, side, " " if outcome is Outcome.PASS else "╱"), "inverse"
    word = str(view.situation) if view.situation is not None and not view.testing else words.large
    first, _, rest = word.partition(" ")
    whole = word if columns(small(word)[0]) <= _WHOLE else ""
    return _spelt(whole or first, () if whole else (rest,), " "), "bold"


_WHOLE = 36  # columns that a large word of two words may take
_OUTCOMES: dict[Outcome, tuple[str, tuple[str, ...]]] = {
    outcome: (word, ()) for outcome, word in RUN_WORDS.items()} | {
    Outcome.UNDECIDED: ("REJECT", ("TO", "QUALITY")), Outcome.FAULT: ("FAULT", ("STATION",))}
"""The word that is drawn large, and the rest of it beside it."""


def _spelt(word: str, side: tuple[str, ...], fill: str) -> list[str]:
    """Three rows of half blocks with at most two short words beside them."""
    letters = small(word) if drawable(word) else (word, "", "")
    wide = max(columns(line) for line in letters)
    beside = max((columns(each) for each in side), default=0)
    rest = ["", *side, "", ""] if len(side) == 1 else [*side, "", "", ""]
    return [f"{fill}{' ' * (fill != ' ')}{fit(line, wide)} {fit(rest[i], beside)}{' ' * (beside > 0)}{fill}"
            for i, line in enumerate(letters)]


def _below(view: ShiftView, name: str, now: float, width: int, room: int) -> list[Row]:
    if room < 1:
        return []
    if view.testing:
        return _testing(view, name, now, width, room)
    return step_rows(view.run, width, room) if view.over is not None and room >= _STEPS_LEAST else []


def _testing(view: ShiftView, name: str, now: float, width: int, room: int) -> list[Row]:
    """The step with the live mark in one row; then the steps; where there is room, what is measured, large."""
    if view.run.current is None:
        first: Row = [(fit(f"{clean(name)}: {clean(view.short)}" if view.short else "", width), "bold")]
        return [first, *step_rows(view.run, width, room - 1)]
    live = live_rows(view.run, width, 5) if room >= _LIVE_ROOM else []
    return [_step(view, now, width), *step_rows(view.run, width, room - 1 - len(live)), *live]


def _step(view: ShiftView, now: float, width: int) -> Row:
    """Which step, its phase, the reading, its mark in the band, and the time left."""
    run = view.run
    left = f" {run.seconds_left(now):.0f} s left"
    here = run.current or 0
    live = run.main_live()
    step = run.steps[here]
    words = f"► {here + 1} of {len(run.steps)} {clean(step.plan.name)}{f', {clean(live.phase)}' if live else ''} "
    name = max(20, min(columns(words), width // 2 - 4))
    reading, band = (step.reading, step.band) if live is None else (live.reading, live.band)
    number = "" if reading is None else f" {fit_right(clean(str(shown(reading, band))), 11)}"
    room = width - name - columns(number) - columns(left) - 1
    if band is None and step.plan.bands and reading is None:
        middle = fit(clean(str(step.plan.bands[0][1])), room)
    else:
        middle = band_mark(reading, band, room, outside=NOT_YET).text if band and room >= SMALLEST else ""
    return [(fit(words, name), "bold"), (f"{number} ", "bold"), (fit(middle, room), "bold"), (left, "bold")]
