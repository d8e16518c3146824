"""The picture keeps to its room and says what matters in words, whatever happens."""

from __future__ import annotations

import io
import itertools
import re
import subprocess
import sys
from collections.abc import Iterable
from decimal import Decimal
from typing import get_args
from xml.etree import ElementTree

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from rich.console import Console

from eolseq.bands.band import ABOVE_RANGE, Outcome, Reading
from eolseq.engine.cautions import STANDARD
from eolseq.engine.events import (
    Acknowledged,
    Cautions,
    Event,
    Instruction,
    Live,
    RunEnds,
    SafetyState,
    StepBegins,
    StepEnds,
    StepPlan,
)
from eolseq.screen.draw import caution_rows, draw
from eolseq.screen.frame import Frame, columns
from eolseq.screen.model import _TOLD, RunView
from eolseq.screen.words import RUN_WORDS, safety_words
from tests.pictures import README_PICTURE, readme_svg
from tests.screen.story import BOND, CLOSED, FAILED, LEAK, ON, STEPS, VOLTS, begins, reading, step_ends, story


def view_of(events: Iterable[Event]) -> RunView:
    view = RunView()
    for event in events:
        view.tell(event, 0.0)
    return view


def picture(events: Iterable[Event], width: int = 80, height: int = 24) -> Frame:
    return draw(view_of(events), 0.0, width, height)


def printed(frame: Frame, environment: dict[str, str], color: str = "truecolor") -> str:
    console = Console(file=io.StringIO(), force_terminal=True, color_system=color, width=frame.width,  # type: ignore[arg-type]
                      _environ=environment)
    console.print(frame, end="")
    return console.file.getvalue()  # type: ignore[attr-defined,no-any-return]


def plans(count: int) -> tuple[StepPlan, ...]:
    return tuple(itertools.islice(itertools.cycle(STEPS), count))


words = st.text(max_size=60)
readings = st.builds(Reading, words, st.none() | st.decimals(allow_nan=True, allow_infinity=True, places=4),
                     st.sampled_from(["mA", "V", "ohm"]), special=st.sampled_from(["", ABOVE_RANGE]))
outcomes = st.sampled_from(list(Outcome))
lamps = st.none() | st.booleans()
happenings = st.one_of(
    st.builds(StepBegins, st.integers(0, 12)),
    st.builds(Live, st.integers(0, 12), words, st.none() | readings, st.sampled_from([None, BOND, LEAK]), words,
              st.floats(0, 100)),
    st.builds(StepEnds, st.integers(0, 12), outcomes, words),
    st.builds(Instruction, words),
    st.builds(SafetyState, words, st.booleans(), lamps, lamps, lamps),
    st.builds(Cautions, st.just(STANDARD), st.just(())),
    st.builds(Acknowledged, words),
    st.builds(RunEnds, outcomes, words, st.none() | words, st.none() | st.integers(0, 9)),
)


@settings(max_examples=150, deadline=None)
@given(st.integers(0, 12), st.lists(happenings, max_size=14), st.booleans(), st.booleans(), st.integers(60, 130),
       st.integers(16, 40))
def test_never_wider_or_taller_than_the_terminal(
        steps: int, events: list[Event], simulated: bool, trial: bool, width: int, height: int) -> None:
    told = [begins(plans(steps), simulated=simulated, trial=trial)]
    for event in events:
        told.append(event)  # type: ignore[arg-type]
        for wide, high in ((80, 24), (width, height)):
            frame = picture(told, wide, high)
            assert len(frame.rows) == high
            assert {sum(columns(text) for text, _ in row) for row in frame.rows} == {frame.width}
            assert frame.width <= wide
            assert all(text.isprintable() for row in frame.rows for text, _ in row)


def test_every_step_of_twelve_is_seen_while_running_in_80_by_24() -> None:
    for current in range(12):
        text = picture([begins(plans(12)), StepBegins(current)]).text()
        assert [f"{i + 1:>2} {step.name}" in text for i, step in enumerate(plans(12))] == [True] * 12


def test_of_too_many_steps_the_current_and_the_bad_ones_are_seen_and_the_rest_counted() -> None:
    events = [begins(plans(40)), step_ends(3, "resistance", "9 ohm", BOND), StepBegins(30)]
    text = picture(events).text()
    assert "►31 " in text and "FAIL" in text
    counted = re.search(r"… and (\d+) more steps: (\d+) to do", text)
    assert counted is not None
    rows = len(re.findall(r"^[► ][ \d]\d [a-z]", text, re.MULTILINE))
    assert int(counted[1]) == int(counted[2]) == 40 - rows


@pytest.mark.parametrize("outcome", [o for o in Outcome if o is not Outcome.NOT_REACHED])
@pytest.mark.parametrize("count", [1, 6, 12])
def test_the_end_says_what_to_do_why_and_where_the_record_is(outcome: Outcome, count: int) -> None:
    events: list[Event] = [begins(plans(count)), StepEnds(0, outcome, "because of this"),
                           RunEnds(outcome, "Do this one thing.", "records/demo.log", 42)]
    text = picture(events).text()
    assert "Do this one thing." in text and "records/demo.log, entry 42" in text
    assert ("because of this" in text) is (outcome is not Outcome.PASS)
    assert ("╱╱╱╱" in text) is (outcome is not Outcome.PASS)
    assert text.count("█") > 60, "the outcome is a large word"
    assert ("T  O     Q  U  A  L  I  T  Y" in text) is (outcome is Outcome.UNDECIDED)


def test_large_words_differ_from_one_another() -> None:
    ends = {outcome: picture([begins(), RunEnds(outcome, "", None, None)]).text() for outcome in RUN_WORDS}
    large = {outcome: "\n".join(text.splitlines()[5:10]) for outcome, text in ends.items()}
    assert len(set(large.values())) == len(RUN_WORDS)


SAFETY = {
    "nothing known": (None, "WAIT", "NOT KNOWN"),
    "voltage may be present": (ON, "DANGER", "MAY BE PRESENT"),
    "voltage, lamps silent": (SafetyState("energised", True, None, None, None), "DANGER", "MAY BE PRESENT"),
    "voltage, green lamp disagrees": (SafetyState("energised", True, False, True, True), "DANGER", "MAY BE PRESENT"),
    "off, but the red lamp is on": (SafetyState("guarded", False, True, False, True), "DANGER", "TREAT AS LIVE"),
    "off, both lamps on": (SafetyState("guarded", False, True, True, True), "DANGER", "TREAT AS LIVE"),
    "off, no lamp seen": (SafetyState("guarded", False, None, None, None), "WAIT", "GREEN LAMP NOT SEEN"),
    "off, no lamp on": (SafetyState("guarded", False, False, False, True), "WAIT", "GREEN LAMP NOT SEEN"),
    "off and green": (CLOSED, "OFF", "NO TEST VOLTAGE"),
}


@pytest.mark.parametrize("case", SAFETY)
def test_voltage_in_words_and_red_only_in_danger(case: str) -> None:
    state, large, headline = SAFETY[case]
    said = safety_words(state)
    assert said.large == large and headline in said.headline
    frame = picture([begins(), *([state] if state else [])])
    assert headline in frame.text()
    styles = {style for row in frame.rows for text, style in row if text.strip()}
    assert ("DANGER" in styles) is (large == "DANGER")
    assert ("green lamp" in styles) is (state is not None and state.green is True)


@pytest.mark.parametrize("outcome", list(Outcome))
def test_an_outcome_has_no_colour(outcome: Outcome) -> None:
    frame = picture([begins(), RunEnds(outcome, "Do this.", None, None)])
    assert {style for row in frame.rows[4:] for _, style in row} <= {"", "bold", "quiet", "inverse"}


COLOUR = re.compile(r"\x1b\[[0-9;]*?\b(3[0-8]|4[0-8]|9[0-7]|10[0-7])[;m]")


@pytest.mark.parametrize("events", [[begins(), ON], [begins(), CLOSED], list(story()), list(story(FAILED))],
                         ids=["danger", "safe", "pass", "fail"])
def test_without_colour_the_same_words_and_no_colour_codes(events: list[Event]) -> None:
    frame = picture(events)
    bare = printed(frame, {"NO_COLOR": "1"})
    assert not COLOUR.search(bare)
    coloured = printed(frame, {})
    if events[-1] is ON:
        assert COLOUR.search(coloured)
        assert "\x1b[1;7m" in bare, "danger still stands out"
    strip = re.compile(r"\x1b\[[0-9;]*m")
    assert strip.sub("", bare) == strip.sub("", coloured)


@pytest.mark.parametrize("system", ["standard", "256", "truecolor"])
def test_warning_is_never_red(system: str) -> None:
    shown = printed(Frame(caution_rows(Cautions(STANDARD, ()), 80), 80), {}, system)
    assert COLOUR.search(shown)
    assert not re.search(r"\x1b\[[0-9;]*\b(41|101|48;5;1|48;5;9)[;m]", shown)


def test_a_simulated_run_says_so_in_every_line_that_could_be_mistaken() -> None:
    telling = re.compile(r"pass|FAIL|VOLTAGE|DO NOW  |record|LAMP ON|\bunit\b")
    for events in (list(story()), list(story(FAILED)), list(story())[:30]):
        lines = picture(events).text().splitlines()
        mistaken = [line for line in lines if telling.search(line) and "SIMULATED" not in line]
        assert [line for line in mistaken if "Take the unit out" not in line and "put it on" not in line] == []
    real = picture(list(story(simulated=False))).text()
    assert "SIMULATED" not in real


def test_live_readings_are_drawn_large_with_their_band() -> None:
    live = Live(4, "current", reading("current", "2.91 mA"), LEAK, "holding", 1.0)
    text = picture([begins(), ON, StepBegins(4), live]).text()
    scale = next(line for line in text.splitlines() if "at least 0.20 mA" in line)
    assert scale.index("┣") < scale.index("◆") < scale.index("┫") and "at most 5.00 mA" in scale
    assert "holding SIMULATED" in text


@pytest.mark.parametrize("width", [60, 72, 80, 100, 130])
def test_the_running_and_the_judged_step_keep_their_scale_at_every_width(width: int) -> None:
    live = Live(4, "current", reading("current", "2.91 mA"), LEAK, "holding", 1.0)
    other = Live(4, "voltage", reading("voltage", "1776 V"), VOLTS, "holding", 1.0)
    events = [begins(), step_ends(0, "resistance", "0.041 ohm", BOND), StepBegins(4), live, other]
    for height in (16, 24):
        lines = picture(events, width, height).text().splitlines()
        marked = [line for line in lines if "◆" in line]
        assert any(line.startswith("► 5") for line in marked)
        assert any("voltage" in line for line in marked) and len(marked) >= 3


def test_every_kind_of_event_is_taken_in() -> None:
    assert set(_TOLD) == set(get_args(Event))


def test_the_picture_that_the_readme_shows_is_the_screen_of_today() -> None:
    told = "run `python tests/pictures.py`"
    assert README_PICTURE.read_text(encoding="utf-8") == readme_svg(), told
    assert ElementTree.fromstring(readme_svg()).tag == "{http://www.w3.org/2000/svg}svg"


def test_plain_lines_do_not_load_the_drawing() -> None:
    code = "import sys, eolseq.screen.opening; sys.exit('rich' in sys.modules)"
    assert subprocess.run([sys.executable, "-c", code], check=False, timeout=60).returncode == 0


def test_text_from_outside_cannot_steer_the_terminal() -> None:
    evil = "\x1b[2J\x9b1m\u202eevil\r\nline"
    frame = picture([begins(), Instruction(evil), StepBegins(0),
                     Live(0, evil, Reading(evil, Decimal(1), "A", raw=evil), None, evil, 1.0)])
    assert all(c.isprintable() or c == "\n" for c in frame.text())


def test_cautions_are_shown_in_full() -> None:
    own = "The element plate has sharp edges and is heavier than it looks."
    rows = caution_rows(Cautions(STANDARD, (own,)), 80, simulated=True)
    text = Frame(rows, 80).text()
    flat = re.sub(r"\s+", " ", text.replace("■", "").replace("▲", ""))
    assert all(re.sub(r"\s+", " ", caution) in flat for caution in (*STANDARD, own))
    assert "WARNING" in text and "SIMULATED" in text
    assert max(columns(line) for line in text.splitlines()) <= 80
    assert len(rows) <= 16, "several more fit on a terminal of 24 rows with the question below"
