"""The drawn screen and the plain lines as they reach a terminal, a pipe or a file."""

from __future__ import annotations

import io
import os
import pty
import re
import termios
from collections.abc import Iterator
from contextlib import contextmanager
from typing import TextIO

import pytest
from rich.console import Console

from eolseq.bands.band import Outcome
from eolseq.clock import VirtualClock
from eolseq.engine.cautions import STANDARD
from eolseq.engine.events import Acknowledged, Cautions, Instruction, Live, RunEnds, StepBegins
from eolseq.screen.asking import read_operator
from eolseq.screen.live import Screen, ask_acknowledgement, console_on
from eolseq.screen.opening import open_screen
from eolseq.screen.outlet import KEPT_AT_MOST, Outlet
from eolseq.screen.plain import Plain
from eolseq.screen.words import ASK
from tests.screen.story import FAILED, LEAK, ON, begins, reading, story

CODES = re.compile(r"\x1b\[[0-9;?]*[A-Za-z]")


def console(height: int = 24) -> Console:
    return Console(file=io.StringIO(), force_terminal=True, color_system="truecolor", width=80, height=height,
                   markup=False, highlight=False, _environ={})


def written(shown: Console) -> str:
    return shown.file.getvalue()  # type: ignore[attr-defined,no-any-return]


@contextmanager
def terminal() -> Iterator[tuple[int, TextIO]]:
    """A terminal of 80 by 24: the reading end's descriptor and a stream that writes to it."""
    reader, writer = pty.openpty()
    termios.tcsetwinsize(writer, (24, 80))
    stream = os.fdopen(writer, "w", encoding="utf-8")
    os.set_blocking(reader, False)
    try:
        yield reader, stream
    finally:
        stream.close()
        os.close(reader)


def drained(reader: int) -> str:
    """Everything there is to read."""
    parts = []
    try:
        while part := os.read(reader, 65536):
            parts.append(part)
    except OSError:
        pass
    return b"".join(parts).decode("utf-8", "replace")


def test_live_readings_are_redrawn_at_most_ten_times_a_second() -> None:
    clock, shown = VirtualClock(), console()
    screen = Screen(shown, clock)
    for event in (begins(), Acknowledged("demo"), StepBegins(4)):
        screen.tell(event)
    clock.sleep(1.0)
    sizes = set()
    for number in range(1000):
        clock.sleep(0.001)
        screen.tell(Live(4, "current", reading("current", f"{number / 1000:.3f} mA"), LEAK, "holding", 1.0))
        sizes.add(len(written(shown)))
    screen.close()
    assert 9 <= len(sizes) <= 11


def test_what_is_not_a_live_reading_is_drawn_at_once() -> None:
    shown = console()
    screen = Screen(shown, VirtualClock())
    screen.tell(begins())
    screen.tell(ON)
    assert "VOLTAGE MAY BE PRESENT" in written(shown)
    screen.close()


def test_the_terminal_is_given_back_with_the_outcome_left_standing() -> None:
    shown = console()
    screen = Screen(shown, VirtualClock())
    for event in story(FAILED):
        screen.tell(event)
    screen.close()
    before, _, after = written(shown).rpartition("\x1b[?1049l")
    assert "\x1b[?1049h" in before and "\x1b[?25h" in written(shown)
    assert "why" in after and "above 5.00 mA" in after and "records/demo.log, entry 42" in after
    assert "\x1b[?1049h" not in after


def test_cautions_stay_on_the_ordinary_terminal_until_acknowledged() -> None:
    shown = console()
    screen = Screen(shown, VirtualClock())
    screen.tell(begins())
    screen.tell(Cautions(STANDARD, ("Sharp edges.",)))
    size = len(written(shown))
    screen.tell(Instruction("Read the cautions."))
    assert len(written(shown)) == size, "nothing is drawn over them"
    assert "Sharp edges." in written(shown).rpartition("\x1b[?1049l")[2]
    screen.tell(Acknowledged("demo"))
    assert len(written(shown)) > size
    screen.close()


def test_a_refusal_before_any_plan_is_still_shown() -> None:
    shown = console()
    screen = Screen(shown, VirtualClock())
    screen.tell(RunEnds(Outcome.REFUSED, "The station is locked: call maintenance.", None, None))
    screen.close()
    assert "call maintenance" in written(shown).rpartition("\x1b[?1049l")[2]


ANSWERS = {"a name": ("OP-7\n", "OP-7"), "spaces": ("  OP-7 \n", "OP-7"), "end of input": ("", None),
           "nothing": ("\n", None), "blank": ("   \n", None), "no newline": ("OP-7", "OP-7")}


@pytest.mark.parametrize("case", ANSWERS)
def test_the_operator_is_a_name_or_nothing(case: str) -> None:
    typed, expected = ANSWERS[case]
    shown = console()
    assert ask_acknowledgement(shown, Cautions(("one",), ()), io.StringIO(typed)) == expected
    assert written(shown).endswith(ASK)


class Interrupted(io.StringIO):
    """A terminal at which Ctrl-C is pressed."""

    def readline(self, size: int | None = -1, /) -> str:
        raise KeyboardInterrupt


def test_ctrl_c_at_the_question_is_no_acknowledgement() -> None:
    assert read_operator(Interrupted()) is None
    assert ask_acknowledgement(console(8), Cautions(STANDARD, ()), Interrupted()) is None


def test_long_cautions_are_paged_and_every_page_is_waited_for() -> None:
    shown = console(8)
    assert ask_acknowledgement(shown, Cautions(STANDARD, ("Sharp edges.",)), io.StringIO("\n\nOP-7\n")) == "OP-7"
    text = CODES.sub("", written(shown))
    pages = text.split("Press Enter for the rest of the cautions: ")
    assert len(pages) == 3 and max(page.count("\n") for page in pages) <= 6
    assert all(words in "".join(pages) for words in ("hard-wired interlock", "Sharp edges."))
    assert ask_acknowledgement(console(8), Cautions(STANDARD, ()), io.StringIO("\n")) is None, "input ended too early"


def test_plain_lines_one_a_happening_all_marked_simulated() -> None:
    stream = io.StringIO()
    plain = Plain(stream)
    events = list(story(FAILED))
    for event in events:
        plain.tell(event)
    plain.close()
    lines = stream.getvalue().splitlines()
    assert all(line.startswith("SIMULATED ") and line.isprintable() for line in lines)
    text = "\n".join(lines)
    for expected in ("unit DH6-00000001, attempt 1", "WARNING: The hard-wired interlock", "acknowledged by demo",
                     "DO NOW: Connect", "DANGER: VOLTAGE MAY BE PRESENT", "step 5 of 6, withstand to earth: begins",
                     "current 6.40 mA (0.20 mA to 5.00 mA) FAIL", "FAIL. Take the unit out", "entry 42"):
        assert expected in text
    assert "1758 V" not in text, "live readings are left out"


def test_plain_lines_of_a_real_run_do_not_say_simulated() -> None:
    stream = io.StringIO()
    plain = Plain(stream)
    for event in story(simulated=False):
        plain.tell(event)
    assert "SIMULATED" not in stream.getvalue() and "PASS. " in stream.getvalue()


def test_plain_lines_carry_no_control_characters() -> None:
    stream = io.StringIO()
    Plain(stream).tell(Instruction("\x1b[31mred\nnew line"))
    assert stream.getvalue() == "DO NOW: ?[31mred new line\n"


OPENINGS = {"a terminal": ({"TERM": "xterm"}, None, True), "a dumb terminal": ({"TERM": "dumb"}, None, False),
            "no terminal type": ({}, None, False), "plain asked for": ({"TERM": "xterm"}, True, False),
            "drawing asked for": ({"TERM": "dumb"}, False, True)}


@pytest.mark.parametrize("case", OPENINGS)
def test_a_terminal_is_drawn_on_if_it_can_show_it(case: str) -> None:
    environment, plain, drawn = OPENINGS[case]
    with terminal() as (_, stream):
        opened = open_screen(stream, VirtualClock(), plain=plain, environment=environment)
        assert isinstance(opened, Screen) is drawn
        opened.close()


def test_a_small_terminal_and_a_pipe_get_plain_lines() -> None:
    with terminal() as (_, stream):
        termios.tcsetwinsize(stream.fileno(), (10, 80))
        assert isinstance(open_screen(stream, VirtualClock(), environment={"TERM": "xterm"}), Plain)
    assert isinstance(open_screen(io.StringIO(), VirtualClock(), environment={"TERM": "xterm"}), Plain)


def test_a_terminal_nobody_reads_never_holds_the_run_up() -> None:
    """A blocking write would hang here for ever: nothing reads what thousands of pictures write."""
    with terminal() as (reader, stream):
        clock = VirtualClock()
        screen = Screen(console_on(stream), clock)
        screen.tell(begins())
        for number in range(2000):
            clock.sleep(0.2)
            screen.tell(ON if number % 2 else Instruction(f"Wait {number}."))
        assert f"Wait {1998}." not in drained(reader), "pictures were dropped"
        screen.tell(Instruction("Now it is read again."))
        for _ in range(20):
            drained_text = drained(reader)
            screen.tell(Instruction("And still."))
            if "And still." in drained_text:
                break
        assert "And still." in drained_text
        assert len(drained_text) < KEPT_AT_MOST


def test_the_shells_own_descriptor_stays_blocking() -> None:
    with terminal() as (_, stream):
        Outlet(stream).write("x")
        assert os.get_blocking(stream.fileno())


def test_a_full_pipe_keeps_the_lines_and_sends_them_later_in_order() -> None:
    reader, writer = os.pipe()
    with os.fdopen(writer, "w") as stream, os.fdopen(reader, "rb") as end:
        plain = Plain(stream)
        for number in range(5000):
            plain.tell(Instruction(f"{number} {'x' * 40}"))
        os.set_blocking(reader, False)
        got = b""
        while b"4999 " not in got:
            got += end.read() or b""
            plain.tell(Instruction("more"))
        numbers = [int(n) for n in re.findall(rb"DO NOW: (\d+) ", got)]
        assert numbers == list(range(5000))


def test_a_reader_that_went_away_is_no_error() -> None:
    reader, writer = os.pipe()
    os.close(reader)
    with os.fdopen(writer, "w") as stream:
        plain = Plain(stream)
        for event in story():
            plain.tell(event)
        plain.close()
    closed = io.StringIO()
    closed.close()
    Plain(closed).tell(Instruction("x"))
    assert not Outlet(closed).busy


def test_the_end_is_written_even_if_the_reader_was_slow(tmp_path: object) -> None:
    reader, writer = os.pipe()
    with os.fdopen(writer, "w") as stream, os.fdopen(reader, "rb") as end:
        plain = Plain(stream)
        plain.tell(Instruction("last words"))
        plain.close()
        assert end.readline() == b"DO NOW: last words\n"


def test_a_regular_file_is_written_in_its_own_order(tmp_path: object) -> None:
    with open(f"{tmp_path}/out.txt", "w+", encoding="utf-8") as stream:
        stream.write("before\n")
        plain = Plain(stream)
        plain.tell(Instruction("one"))
        stream.write("between\n")
        plain.tell(Instruction("two"))
        plain.close()
        stream.seek(0)
        assert stream.read() == "before\nDO NOW: one\nbetween\nDO NOW: two\n"
