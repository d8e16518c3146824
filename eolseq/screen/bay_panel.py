"""One bay of several on a screen: its frame, its large word, what to do, and the step with the live mark in its band.

Five rows at least. The frame's head has the bay's name, its unit and the lamps as read back; every sentence below
begins with the bay's name, so that none can be taken for a neighbour's. No colour but safety's.
"""

from __future__ import annotations

from eolseq.bands.band import Outcome, shown
from eolseq.line.shift_events import Note
from eolseq.screen.band_mark import NOT_YET, SMALLEST, band_mark
from eolseq.screen.draw import labelled, wrapped
from eolseq.screen.frame import Row, columns, ends, fit, fit_right
from eolseq.screen.letters import drawable, small
from eolseq.screen.readings import live_rows, step_rows
from eolseq.screen.shift_model import ShiftView
from eolseq.screen.words import RUN_WORDS, SIMULATED, SafetyWords, clean, safety_words

LEAST = 5     # rows: the head, the large word in three, and one below
_LARGE = 3    # rows of the large word
_EDGE = "┃ "
_STEPS_LEAST = 3  # rows for the steps of a unit that is over
_LIVE_ROOM = 9  # rows below the large word from which on what is measured is large as well


def panel(view: ShiftView, name: str, now: float, width: int, height: int) -> list[Row]:
    """A bay in so many columns and rows, at the monotonic time ``now``."""
    words = safety_words(view.safety)
    inner, room = width - len(_EDGE), height - 1 - _LARGE
    asks = room == 1 and not view.testing and view.note is not None and not view.note.call
    below = _below(view, name, now, inner, room, asks=asks)
    rows = [*_beside(view, name, words, inner, room - len(below), asks=asks), *below]
    rows += [[(" " * inner, "")] for _ in range(height - 1 - len(rows))]
    edge = "DANGER" if words.danger else "bold"
    return [head(view, name, width), *([(_EDGE[0], edge), (_EDGE[1:], ""), *row] for row in rows[:height - 1])]


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
    if view.over is not None and not view.testing:
        return RUN_WORDS[view.over.outcome]
    return str(view.situation) if view.situation is not None else "WAIT"


def _unit(view: ShiftView) -> str:
    if view.testing and view.run.plan is not None:
        again = f", attempt {view.run.plan.attempt}" if view.run.plan.attempt > 1 else ""
        return f"{clean(view.run.plan.serial)}{again}"
    return clean(view.over.serial) if view.over is not None else ""


def _beside(view: ShiftView, name: str, words: SafetyWords, width: int, more: int, *, asks: bool) -> list[Row]:
    """The large word, beside it what it means and what to do, which may go on below in at most so many rows ``more``.

    ``asks``: the note stands there, and what to do below.
    """
    large, style = _large(view, words)
    right = width - columns(large[0]) - 1
    rows: list[Row] = []
    if words.large != "OFF":  # first of all while anything but off and green is read back
        rows.append([(fit(f"{clean(name)}: {words.headline}", right), "DANGER" if words.danger else "inverse")])
    said = _note_words(view.note) if asks and view.note is not None else _do(view)
    lines, rest = _flowed(f"{clean(name)}: {said}", right - 1, _LARGE - len(rows), width - 1, more)
    rows += [[(fit(line, right), "bold")] for line in lines]
    rows += [[(" " * right, "")] for _ in range(_LARGE - len(rows))]
    return [*([(large[i], style), (" ", ""), *rows[i]] for i in range(_LARGE)),
            *([(fit(line, width), "bold")] for line in rest)]


def _flowed(text: str, width: int, most: int, below: int, more: int) -> tuple[list[str], list[str]]:
    """A text in ``most`` lines of one width, and what is left of it in at most ``more`` of another below."""
    whole = wrapped(text, width, most + 99)
    if len(whole) <= most or more < 1:
        return wrapped(text, width, most), []
    return whole[:most], wrapped(" ".join(whole[most:]), below, more)


def _do(view: ShiftView) -> str:
    """What the person at the bay does now; while a test runs, what was turned away goes before it."""
    if not view.testing:
        return view.stands.do if view.stands is not None else "Wait."
    if view.note is not None:
        return _note_words(view.note)
    return view.run.instruction or "Wait."


def _note_words(note: Note) -> str:
    return f"{note.word}: {note.sentence}"


def _large(view: ShiftView, words: SafetyWords) -> tuple[list[str], str]:
    """Three rows of one width: danger, else the outcome of the last unit, else where the bay stands."""
    if words.danger:
        return _spelt(words.large, (), " "), "DANGER"
    if view.over is not None and not view.testing:
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


def _below(view: ShiftView, name: str, now: float, width: int, room: int, *, asks: bool) -> list[Row]:
    if view.testing:
        return _testing(view, name, now, width, room)
    if asks:
        return [[(fit(f"{clean(name)}: {clean(_do(view))}", width), "bold")]]
    rows = _note(view.note, name, width, room) if view.note is not None else []
    left = room - len(rows)
    return rows + (step_rows(view.run, width, left) if view.over is not None and left >= _STEPS_LEAST else [])


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


def _note(note: Note, name: str, width: int, room: int) -> list[Row]:
    """A word of the bay with its sentence, and whom to call, which is never cut away."""
    label = f"{clean(name)} {note.word}"
    if room > 1:
        call: list[Row] = [[(fit(f" {clean(name)}: {clean(note.call)}", width), "bold")]] if note.call else []
        return [*labelled(label, note.sentence, width, min(4, room) - len(call)), *call]
    return [[(ends(f"{label}: {clean(note.sentence)}", clean(note.call), width), "bold")]]
