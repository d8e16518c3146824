"""The picture of a run: from what is known to rows of text, never wider or taller than asked.

From the top, in the order a person at the bay needs it: which unit; whether voltage may be present; what to do now;
the steps, each reading as a mark in its band; the reading being taken, large; time left. At the end the outcome takes
the middle. Every part has a fixed or given number of rows, so a picture costs the same however long the sequence is.
"""

from __future__ import annotations

import textwrap

from eolseq.bands.band import Outcome
from eolseq.engine.events import Cautions, RunEnds, SafetyState
from eolseq.screen.frame import Frame, Row, columns, ends, fit
from eolseq.screen.letters import small, tall
from eolseq.screen.model import RunView, StepView
from eolseq.screen.readings import live_rows, step_rows
from eolseq.screen.words import RUN_WORDS, SIMULATED, clean, record_words, safety_words

WIDEST = 120  # columns; wider lines are hard to follow with the eye
_LARGE_WIDTH = 38
_LIVE_LEAST = 3  # rows kept for what is being measured, however many steps there are


def draw(view: RunView, now: float, width: int, height: int, *, still: bool = False) -> Frame:
    """Draw what is known at the monotonic time ``now`` in so many columns and rows; ``still`` leaves no empty rows."""
    width = max(20, min(width, WIDEST))
    top = [*_header(view, width), *banner(view.safety, width, simulated=view.simulated())]
    room = height - len(top)
    rows = top + (_ended(view, view.ended, width, room) if view.ended else _running(view, now, width, room))
    if not still:
        rows += [[(" " * width, "")] for _ in range(height - len(rows))]
    return Frame(rows[:height], width)


def caution_rows(cautions: Cautions, width: int, *, simulated: bool = False) -> list[Row]:
    """All cautions in full, under the signal word WARNING."""
    width = max(20, min(width, WIDEST))
    mark = f"{SIMULATED} station. " if simulated else ""
    rows: list[Row] = [[(fit(f" ! WARNING  {mark}Read all of this before anything is energised.", width), "WARNING")]]
    for texts, bullet in ((cautions.standard, "■"), (cautions.own, "▲")):
        for text in texts:
            for i, line in enumerate(wrapped(text, width - 4, 99)):
                rows.append([(fit(f" {' ' if i else bullet} {line}", width), "")])
    if cautions.own:
        rows.append([(fit(" ▲ from this product's sequence", width), "quiet")])
    return rows


def wrapped(text: str, width: int, most: int) -> list[str]:
    """The text in at most so many lines; an ellipsis says that some was cut."""
    text = clean(text)
    if columns(text) != len(text):
        width = max(2, width // 2)  # characters that take two columns
    return textwrap.wrap(text, max(2, width), max_lines=most, placeholder=" …")


def fits(text: str, width: int, most: int) -> bool:
    """Whether a text is whole in so many rows of ``wrapped``."""
    return len(wrapped(text, width, most + 1)) <= most


def _header(view: RunView, width: int) -> list[Row]:
    plan = view.plan
    if plan is None:
        return [[(fit(" Waiting for a unit", width), "bold")]]
    marks = [SIMULATED] if plan.simulated else []
    marks += ["TRIAL"] if plan.trial else []
    marks += [clean(plan.bay), f"attempt {plan.attempt}"]
    return [[(ends(f" {clean(plan.serial)}  {clean(plan.sequence)}", "  ".join(marks) + " ", width), "bold")]]


def banner(safety: SafetyState | None, width: int, *, simulated: bool) -> list[Row]:
    """Three rows: one large word, what it means, lamps and lock. Red only while voltage may be present."""
    words = safety_words(safety)
    style = "DANGER" if words.danger else "bold"
    large = small(words.large) if width >= _LARGE_WIDTH + 36 else (words.large, "", "")
    left = _LARGE_WIDTH if width >= _LARGE_WIDTH + 36 else 8
    mark = f"{SIMULATED} " if simulated else ""
    right = width - left
    lines: list[Row] = [
        [(fit(f"{mark}{words.headline}", right), style)],
        [(ends(words.action, f"{words.state} ", right), style)],
        _lamps(words.red, words.green, words.lock, style, right),
    ]
    return [[(fit(f" {large[i]}", left), style), *lines[i]] for i in range(3)]


def _lamps(red: str, green: str, lock: str, style: str, width: int) -> Row:
    """Lamps as read back; one that is lit has its colour, its filled circle and its word."""
    rest = fit(f" {lock}", width - columns(red) - columns(green) - 3)
    return [(f"{red} ", "red lamp" if red.startswith("●") and style != "DANGER" else style), (" ", style),
            (f"{green} ", "green lamp" if green.startswith("●") else style), (rest, style)]


def labelled(label: str, text: str, width: int, most: int, style: str = "bold") -> list[Row]:
    """An inverse label, then text beside it in at most so many rows."""
    label = f" {label} "
    left = columns(label) + 2
    rows: list[Row] = []
    for i, line in enumerate(wrapped(text, width - left - 1, most)):
        head: Row = [(" ", ""), (label, "inverse"), (" ", "")] if i == 0 else [(" " * left, "")]
        rows.append([*head, (fit(line, width - left), style)])
    return rows


def boxed(label: str, text: str, width: int, most: int = 2) -> list[Row]:
    """Two rows more than ``most``, whatever the text, so that nothing below jumps: a heavy box of so many lines."""
    lines = [*wrapped(text, width - 6, most), *[""] * most][:most]
    return [[(fit(f" ┏━ {label} {'━' * (width - len(label) - 7)}┓", width), "bold")],
            *([(f" ┃ {fit(line, width - 5)}┃ ", "bold")] for line in lines),
            [(f" ┗{'━' * (width - 4)}┛ ", "bold")]]


def _running(view: RunView, now: float, width: int, room: int) -> list[Row]:
    blank: Row = [(" " * width, "")]
    todo = boxed("DO NOW", view.instruction or "Wait.", width)
    room -= len(todo) + 1
    shown = min(len(view.steps), max(2, room - _LIVE_LEAST))
    steps = step_rows(view, width, shown)
    live = live_rows(view, width, room - len(steps))
    gap = [blank] * (room - len(steps) - len(live))
    return [*todo, *steps, *live, *gap, _footer(view, now, width)]


def _footer(view: RunView, now: float, width: int) -> Row:
    """Which step and phase, a bar of time gone, and the seconds left."""
    if not view.steps:
        return [(" " * width, "")]
    total = sum(step.plan.seconds for step in view.steps)
    left = view.seconds_left(now)
    phase = next((clean(live.phase) for live in reversed(view.live.values())), "")
    at = f"step {view.current + 1} of {len(view.steps)} {phase}" if view.current is not None else "not started"
    words = f" about {left:.0f} s left "
    bar_width = max(0, width - 30 - len(words))
    gone = min(bar_width, max(0, round(bar_width * (1 - left / total)))) if total > 0 else 0
    return [(fit(f" {at}", 30), ""), ("█" * gone + "░" * (bar_width - gone), ""), (words, "bold")]


def _ended(view: RunView, ended: RunEnds, width: int, room: int) -> list[Row]:
    mark = f"{SIMULATED} " if view.simulated() else ""
    rows = outcome_rows(ended.outcome, width, simulated=view.simulated(),
                        trial=view.plan is not None and view.plan.trial)
    free = room - len(rows) - 1  # the record's row; the steps have what sentences leave them
    rows += labelled(f"{mark}DO NOW", ended.sentence, width, max(5, free))
    why = _why(view, ended.outcome)
    rows += labelled("why", why, width, max(2, room - len(rows) - 1), "") if why else []
    rows.append([(fit(f" {mark}{clean(record_words(ended))}", width), "")])
    return rows + step_rows(view, width, max(0, room - len(rows)))


def outcome_rows(outcome: Outcome, width: int, *, simulated: bool, trial: bool = False) -> list[Row]:
    """The large word, dark on light; all but a pass stands between hatched strips, to be told apart from afar."""
    first, _, second = RUN_WORDS[outcome].partition(", ")
    letters = list(tall(first, width - 2)) or [" ".join(first)]
    if second:
        letters.append("  ".join(second))
    said = [SIMULATED] if simulated else []
    said += ["TRIAL: RELEASES NOTHING"] if trial else []
    fill = " " if outcome is Outcome.PASS else "╱"
    strip = f" {'  '.join(said)} " if said else ""
    strips: Row = [(strip.center(width, fill), "inverse")]
    return [strips, *([(fit(line.center(width), width), "inverse")] for line in letters), strips]


def _why(view: RunView, outcome: Outcome) -> str:
    """The step that decided the run, with its sentence."""
    deciding: StepView | None = next((step for step in view.steps if step.outcome is outcome), None)
    if outcome is Outcome.PASS or deciding is None:
        return ""
    return f"{deciding.plan.name}: {deciding.sentence}"
