"""Steps and live readings as rows: name, number, the mark in its band, and how it ended."""

from __future__ import annotations

from eolseq.bands.band import AcceptanceBand, Outcome, Reading, shown
from eolseq.engine.events import Live
from eolseq.quantity import Quantity
from eolseq.screen.band_mark import NOT_YET, SMALLEST, band_mark
from eolseq.screen.frame import Row, Span, columns, fit, fit_right
from eolseq.screen.letters import drawable, small
from eolseq.screen.model import RunView, StepView
from eolseq.screen.words import SIMULATED, STEP_WORDS, clean

_NAME, _NARROW_NAME = 26, 14  # columns for names at 80 and at least; names give way to scales
_READING = 12
_MORE = 4
_LIVE_MOST = 4


def step_rows(view: RunView, width: int, most: int) -> list[Row]:
    """At most so many rows: the steps, or those that matter most and a row that counts the rest."""
    count = len(view.steps)
    if most <= 0 or count == 0:
        return []
    shown = list(range(count)) if count <= most else _chosen(view, most - 1)
    rows = [_step_row(view, index, width) for index in shown]
    if len(shown) < count:
        rows.append([(fit(f"    … and {count - len(shown)} more steps: {_rest(view, shown)}", width), "quiet")])
    return rows


def _chosen(view: RunView, most: int) -> list[int]:
    """The steps to show: what went wrong and what is going on, then the nearest to it, in their order."""
    here = view.current or 0

    def rank(index: int) -> tuple[bool, bool, int]:
        ended_badly = view.steps[index].outcome not in (None, Outcome.PASS, Outcome.NOT_REACHED)
        return (not ended_badly, index != view.current, abs(index - here))

    return sorted(sorted(range(len(view.steps)), key=rank)[:most])


def _rest(view: RunView, shown: list[int]) -> str:
    """How the steps that are not shown ended, counted."""
    counts: dict[str, int] = {}
    for index, step in enumerate(view.steps):
        if index not in shown:
            word = STEP_WORDS[step.outcome] if step.outcome is not None else "to do"
            counts[word] = counts.get(word, 0) + 1
    return ", ".join(f"{number} {word}" for word, number in counts.items())


def _step_row(view: RunView, index: int, width: int) -> Row:
    step = view.steps[index]
    running = index == view.current and step.outcome is None
    mark = f" {SIMULATED}" if view.simulated() and step.outcome not in (None, Outcome.NOT_REACHED) else ""
    word = STEP_WORDS[step.outcome] if step.outcome is not None else "now" if running else ""
    last = 17 if view.simulated() else 12
    name = max(_NARROW_NAME, min(view.longest_name, _NAME + (width - 80) // 2))
    middle = width - 4 - name - last - 1
    bad = step.outcome not in (None, Outcome.PASS, Outcome.NOT_REACHED)
    style = "bold" if running or bad else ""
    head = f"{'►' if running else ' '}{index + 1:>2} {fit(clean(step.plan.name), name)} "
    live = view.main_live() if running else None
    between = _live_middle(live, max(0, middle)) if live else _step_middle(step, max(0, middle))
    return [(head, style), between, (fit(f"{word}{mark}", last), "inverse" if bad else style)]


def _step_middle(step: StepView, width: int) -> Span:
    """The reading and its scale; before there is one, the band in words."""
    if step.band is None or step.reading is None:
        words = str(step.plan.bands[0][1]) if step.outcome is None and step.plan.bands else ""
        return fit(" " * (_READING - 8) + clean(words), width), "quiet"
    more = f" +{step.more}" if step.more else ""
    scale = band_mark(step.reading, step.band, _scale_width(width))
    return fit(f"{_number(step.reading, step.band, width)} {scale.text}{more}", width), ""


def _live_middle(live: Live, width: int) -> Span:
    """The same while the reading is being taken."""
    scale = band_mark(live.reading, live.band, _scale_width(width), outside=NOT_YET).text if live.band else ""
    return fit(f"{_number(live.reading, live.band, width)} {scale}", width), "bold"


def _scale_width(width: int) -> int:
    """Columns for a scale beside a number; the count of further readings gives way first."""
    room = width - _READING - 1
    return room - _MORE if room - _MORE >= SMALLEST else room


def _number(reading: Reading | None, band: AcceptanceBand | None, width: int) -> str:
    return fit_right("" if reading is None else clean(str(shown(reading, band))), min(width, _READING))


def live_rows(view: RunView, width: int, room: int) -> list[Row]:
    """What is being measured now: the main reading large where there is room, the others in a row each."""
    main = view.main_live()
    if main is None or room < 2:
        return []
    others = view.other_live()
    mark = f" {SIMULATED} " if view.simulated() else " "
    rows: list[Row] = [[(" " * width, "")]] if room > 3 else []
    if room >= 5 and main.reading is not None and main.reading.value is not None:
        rows += _large(main, view.steps[view.current or 0].plan.name, width, mark)
    else:
        rows.append(_live_row(main, width, mark, "bold"))
    spare = min(room - len(rows), _LIVE_MOST - 1)
    return rows + [_live_row(live, width, mark, "") for live in others[len(others) - spare:] if spare > 0]


def _large(live: Live, step: str, width: int, mark: str) -> list[Row]:
    """Block digits beside the name, the phase and the mark, and the scale over the whole width below."""
    reading = None if live.reading is None else shown(live.reading, live.band)
    number, unit = ("", "") if reading is None or reading.value is None else (f"{reading.value:f}", reading.unit)
    if not drawable(number) or len(number) > 7:
        return [_live_row(live, width, mark, "bold")]
    digits = small(number)
    beside = [clean(f"{step}: {live.name}"), clean(unit), clean(live.phase) + mark.rstrip()]
    left = 4 + len(digits[0])
    rows: list[Row] = [[(fit(f"   {digits[i]} ", left), "bold"), (fit(f" {beside[i]}", width - left), "bold")]
                       for i in range(3)]
    return rows if live.band is None else [*rows, _scale_row(live.reading, live.band, width)]


def _scale_row(reading: Reading | None, band: AcceptanceBand, width: int) -> Row:
    low, high = _limit("at least", band.at_least), _limit("at most", band.at_most)
    scale = band_mark(reading, band, width - columns(low) - columns(high) - 6, outside=NOT_YET)
    return [(fit("   " + f"{low} {scale.text} {high}".strip(), width), "bold")]


def _limit(words: str, limit: Quantity | None) -> str:
    return "" if limit is None else f"{words} {limit}"


def _live_row(live: Live, width: int, mark: str, style: str) -> Row:
    """One row: name, reading, lower limit, scale, upper limit, and the mark of a simulated run."""
    head = f"   {fit(clean(live.name), 14)} {_number(live.reading, live.band, width)} "
    if live.band is None:
        return [(fit(head, width - columns(mark)) + mark, style)]
    low = "" if live.band.at_least is None else str(live.band.at_least)
    high = "" if live.band.at_most is None else str(live.band.at_most)
    room = width - columns(head) - columns(mark)
    limits = room - 20 >= SMALLEST  # where there is no room for both, the scale stays
    scale = band_mark(live.reading, live.band, room - 20 if limits else room, outside=NOT_YET).text
    middle = f"{fit_right(low, 9)} {scale} {fit(high, 9)}" if limits else scale
    return [(fit(head + middle, width - columns(mark)) + mark, style)]
