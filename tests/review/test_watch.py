"""What a lead watches: the line now, from its log as it grows, drawn, in plain lines, and at a terminal."""

from __future__ import annotations

import fcntl
import os
import pty
import re
import select
import signal
import struct
import subprocess
import sys
import termios
import time
from collections.abc import Callable, Iterator
from io import StringIO
from pathlib import Path

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from eolseq.__main__ import main
from eolseq.commands.watching import EVERY, Watched, watch
from eolseq.errors import EolseqError
from eolseq.records import entries
from eolseq.review.present import Glance, State
from eolseq.review.window import Window
from eolseq.screen.frame import Frame, columns
from eolseq.screen.watch_draw import draw_doubt, draw_watch
from eolseq.screen.watch_screen import PlainWatch
from tests.review.lines import BETWEEN, CYCLE, Did, Line

GUARD = "The guard was opened. Close the guard; this unit needs a new run from the start."


@pytest.fixture
def line(quick_path: Path) -> Iterator[Line]:
    found = Line(quick_path)
    with found.log:
        yield found


def watched(line: Line, takt: float | None = 30.0) -> Watched:
    line.log.checkpoint()
    return Watched(line.base / "records", takt, line.clock)


def drawn(line: Line, found: Watched, width: int = 80, height: int = 24) -> str:
    return draw_watch(found.look(), line.clock.now(), width, height).text()


def test_the_figures_follow_the_log_and_are_those_of_a_review(line: Line) -> None:
    line.did(Did("fail"))
    line.shift("begin")
    found = watched(line)
    assert found.look().review.first_pass.of == 0
    line.all([Did("pass"), Did("fail"), Did("stopped", sentence=GUARD), Did("pass")])
    seen = found.look()
    whole = line.review(seen_window(found), takt=30.0)
    assert seen.review == whole
    assert (seen.review.first_pass.number, seen.review.first_pass.of) == (2, 3)


def seen_window(found: Watched) -> Window:
    return found._window


RUNS = st.lists(st.tuples(st.sampled_from(["pass", "fail", "stopped", "abandoned"]), st.sampled_from(["bay-1", "bay-2"])),
                max_size=8)


@given(st.lists(RUNS, max_size=3))
@settings(max_examples=10, deadline=None)
def test_whenever_one_looks_the_figures_are_those_of_a_review(batches: list[list[tuple[str, str]]]) -> None:
    from tempfile import TemporaryDirectory
    with TemporaryDirectory(dir="/dev/shm") as folder:
        line = Line(Path(folder))
        with line.log:
            line.shift("begin")
            found = watched(line)
            for batch in batches:
                line.all(Did(outcome, bay=bay) for outcome, bay in batch)
                seen = found.look()
                assert seen.review == line.review(seen_window(found), takt=30.0)


def test_another_shift_begins_from_nothing(line: Line) -> None:
    line.shift("begin")
    found = watched(line)
    line.all([Did("fail"), Did("pass")])
    line.shift("end")
    assert "SHIFT OVER" in drawn(line, found)
    assert found.look().review.first_pass.of == 2
    line.clock.sleep(3600)
    line.shift("begin")
    line.did(Did("pass"))
    seen = found.look()
    assert (seen.review.first_pass.number, seen.review.first_pass.of) == (1, 1)
    assert seen.ahead(line.clock.now()) == 0


def test_without_a_shift_it_is_the_day(line: Line) -> None:
    line.did(Did("fail"))
    found = watched(line)
    assert found.look().review.first_pass.of == 1
    assert "no shift" in drawn(line, found) and "BEHIND" not in drawn(line, found)
    line.clock.sleep(86_400)
    assert found.look().review.first_pass.of == 0


def test_pace_against_takt_now(line: Line) -> None:
    line.shift("begin")
    found = watched(line)
    line.all([Did("pass")] * 3)  # three in 90 s
    assert found.look().ahead(line.clock.now()) == 0
    line.clock.sleep(75)
    assert found.look().ahead(line.clock.now()) == -2
    line.all([Did("pass", cycle=1, after=1)] * 5)  # eight in 175 s, where the takt asks for five
    assert found.look().ahead(line.clock.now()) == 3
    line.shift("end")
    line.clock.sleep(3000)
    assert found.look().ahead(line.clock.now()) == 3  # the time after the shift does not count
    assert Watched(line.base / "records", None, line.clock).look().ahead(line.clock.now()) is None


DOWN: dict[str, tuple[Callable[[Line], object], str, str]] = {
    "nothing": (lambda line: line.did(Did("pass")), "", ""),
    "a stop": (lambda line: line.did(Did("stopped", sentence=GUARD, after=125.0)), "DOWN 2 MIN", "stopped: The guard was opened."),
    "a fault": (lambda line: line.did(Did("fault", after=61.0)), "DOWN 1 MIN", "fault: As wanted."),
    "a power cut": (lambda line: line.did(Did("abandoned")), "DOWN 0 MIN", "abandoned: power cut"),
    "it runs again": (lambda line: line.all([Did("stopped"), Did("open")]), "", ""),
    "another bay goes on": (lambda line: line.all([Did("stopped"), Did("pass", bay="bay-2")]), "DOWN 0 MIN", "bay-1 since"),
    "both": (lambda line: line.all([Did("stopped"), Did("stopped", bay="bay-2", after=60)]), "2 DOWN 1 MIN", "bay-2 since"),
    "a lock": (lambda line: line.log.append(entries.Lock(reason="Dead was not proved.", do="Measure.")),
               "LOCKED 0 MIN", "Dead was not proved. Measure."),
    "an unlock": (lambda line: (line.log.append(entries.Lock(reason="Dead was not proved.", do="Measure.")),
                                line.log.append(entries.Unlock(by="m-1", reason="A relay."))), "", ""),
    "a bay out of use": (lambda line: line.out_of_use("bay-2", "Its guard unit does not answer."), "DOWN 0 MIN",
                         "bay-2 since"),
    "it was so before the others began": (lambda line: (line.shift("end"), line.out_of_use("bay-2", "No guard unit."),
                                                        line.shift("begin")), "DOWN 0 MIN", "out of use: No guard unit."),
    "it is back": (lambda line: (line.out_of_use("bay-2", "No guard unit."), line.did(Did("pass", bay="bay-2"))), "", ""),
    "it was out of use in a shift that is over": (lambda line: (line.out_of_use("bay-2", "No guard unit."),
                                                                line.shift("end")), "", ""),
    "the shift is over": (lambda line: (line.did(Did("stopped")), line.shift("end")), "", ""),
}


@pytest.mark.parametrize("case", DOWN)
def test_what_is_down_and_since_when(line: Line, case: str) -> None:
    from eolseq.screen.watch_draw import down_words

    do, large, said = DOWN[case]
    line.shift("begin")
    found = watched(line)
    do(line)
    words = down_words(found.look(), line.clock.now())
    assert (words[0] if words is not None else "") == large
    assert said in (words[1] if words is not None else "")


def test_each_bay_has_its_row(line: Line) -> None:
    for bay in ("bay-1", "bay-2"):
        line.shift("begin", bay)
    found = watched(line)
    line.all([Did("pass"), Did("stopped", bay="bay-2"), Did("open", serial="DH6-77777777")])
    line.clock.sleep(42)
    states = [(each.bay, each.state, each.words) for each in found.look().present.bays]
    assert states == [("bay-1", State.TESTING, "DH6-77777777"), ("bay-2", State.DOWN, "stopped: As wanted.")]
    assert "testing 42.0 s  DH6-77777777" in drawn(line, found)


@pytest.mark.parametrize("size", [(20, 5), (60, 16), (80, 24), (117, 30), (118, 24), (200, 60)])
def test_every_picture_fits_its_terminal(line: Line, size: tuple[int, int]) -> None:
    line.shift("begin")
    found = watched(line)
    line.all([Did("fail", model="x" * 90, step="\x1b[2Jé漢" * 30), Did("fault", sentence="odd \x1b]0;x " * 40)])
    line.log.append(entries.Lock(reason="Dead was not proved. " * 20, do="Measure. " * 20))
    pictures = [draw_watch(found.look(), line.clock.now(), *size), draw_doubt(EolseqError("w" * 400, "d " * 400), *size)]
    for picture in pictures:
        assert_fits(picture, *size)


def assert_fits(picture: Frame, width: int, height: int) -> None:
    assert len(picture.rows) == height
    assert all(columns("".join(text for text, _ in row)) <= max(20, width) for row in picture.rows)
    assert "\x1b" not in picture.text()


def test_what_matters_is_in_80_by_24(line: Line) -> None:
    for bay in ("bay-1", "bay-2", "bay-3", "bay-4"):
        line.shift("begin", bay)
    found = watched(line)
    line.all([Did("fail"), Did("fail"), *[Did("pass")] * 40, *[Did("stopped", bay=f"bay-{n}") for n in (2, 3, 4)]])
    text = drawn(line, found)
    for said in ("40 of 42 = 95.2 %", "bay-1", "bay-4  DOWN", "LOOK  Withstand tester", "root", "takt 30.0 s"):
        assert said in text


def test_a_wide_screen_has_every_list_of_the_review(line: Line) -> None:
    line.shift("begin")
    found = watched(line)
    line.all([Did("fail", f"DH6-9000000{n}", bay=f"bay-{n}") for n in (1, 2)])
    line.all([Did("pass", f"DH6-9000000{n}", bay=f"bay-{n}", operator="op-9") for n in (1, 2)])
    line.all([Did("pass", value=f"0.0004{n:02}") for n in range(40)] + [Did("stopped", sentence=GUARD), Did("pass")])
    small, large = drawn(line, found), drawn(line, found, 160, 45)
    assert "no withstand reject in 41 units; 2 rejects passed later with nothing changed" in small
    for said in ("first pass by model", "first pass by bay", "bay-2: 0 of 1", "not passed at", "time lost", "pace", "begin to begin",
                 "withstand testers", "no fault found", "of 1 pass", "op-9 at bay-2", "means that moved most"):
        assert said in large, said


class Kept:
    """Keeps what is shown, and does something after so many times."""

    def __init__(self, then: dict[int, Callable[[], object]]) -> None:
        self.shown: list[Glance | EolseqError] = []
        self._then = then

    def show(self, glance: Glance | EolseqError, _: object) -> None:
        self.shown.append(glance)
        self._then.get(len(self.shown), lambda: None)()

    def close(self) -> None:
        self.shown.clear()


def test_it_looks_every_second_until_it_is_ended(line: Line) -> None:
    line.shift("begin")
    found, ended, began = watched(line), line.clock.signal(), line.clock.monotonic()
    screen = Kept({2: lambda: line.did(Did("pass")), 4: ended.set})
    watch(found, screen, line.clock, ended)
    assert [each.review.first_pass.of for each in screen.shown if isinstance(each, Glance)] == [0, 0, 1, 1]
    assert line.clock.monotonic() - began == pytest.approx(3 * EVERY + CYCLE + BETWEEN)


def test_a_log_that_shrinks_is_shown_large_and_for_good(line: Line) -> None:
    line.shift("begin")
    found, ended, log = watched(line), line.clock.signal(), line.base / "records/log.jsonl"
    screen = Kept({1: lambda: os.truncate(log, log.stat().st_size - 10), 3: ended.set})
    watch(found, screen, line.clock, ended)
    first, *others = screen.shown
    assert isinstance(first, Glance)
    for each in others:
        assert isinstance(each, EolseqError) and "became shorter" in each.what
        picture = draw_doubt(each, 80, 24).text()
        assert picture.count("█") > 40 and "became shorter" in picture and "eolseq audit" in picture


def test_plain_lines_say_only_what_is_new(line: Line) -> None:
    line.shift("begin")
    found, stream = watched(line), StringIO()
    screen = PlainWatch(stream)

    def show() -> None:
        screen.show(found.look(), line.clock.now())
    show()
    line.clock.sleep(1)
    show()
    line.did(Did("pass", after=0))
    show()
    line.did(Did("stopped", after=0))
    show()
    screen.show(EolseqError("The log became shorter.", "Show it."), line.clock.now())
    screen.close()
    first, second, third, fourth = stream.getvalue().splitlines()
    assert first == "06:00:00 first pass no unit, no run ended, in takt"
    assert "1 of 1 = 100.0 %" in second and "1 pass" in second
    assert "DOWN bay-1 since 06:00 UTC: stopped: As wanted." in third
    assert fourth.startswith("06:00:41 LOG IN DOUBT, The log became shorter.")


WRONG = (["--since", "2026"], ["--until", "2026"], ["--json"], ["--pdf", "x.pdf"], ["--paper", "1", "ab"])


@pytest.mark.parametrize("more", WRONG)
def test_watching_is_of_one_shift(line: Line, more: list[str], monkeypatch: pytest.MonkeyPatch,
                                  capsys: pytest.CaptureFixture[str]) -> None:
    monkeypatch.chdir(line.base)
    assert main(["review", "--watch", *more]) == 2
    assert "--watch shows the shift that is on" in capsys.readouterr().err


def _program(line: Line, out: int) -> subprocess.Popen[bytes]:
    return subprocess.Popen([sys.executable, "-m", "eolseq", "review", "--watch"], cwd=line.base, stdout=out, stderr=out,
                            stdin=subprocess.DEVNULL, start_new_session=True,
                            env={**os.environ, "TERM": "xterm-256color", "PYTHONPATH": str(Path(__file__).parents[2]),
                                 "PYTHONUTF8": "1", "COLUMNS": "", "LINES": ""})


def _until(descriptor: int, wanted: str, seconds: float = 30.0) -> str:
    """What comes until something wanted does."""
    text, end = "", time.monotonic() + seconds
    while wanted not in text:
        ready, _, _ = select.select([descriptor], [], [], max(0.0, end - time.monotonic()))
        assert ready, f"{wanted!r} did not come: {text[-2000:]!r}"
        text += os.read(descriptor, 65536).decode("utf-8", "replace")
    return text


@pytest.mark.real_lines
@pytest.mark.parametrize("number", [signal.SIGINT, signal.SIGTERM])
def test_at_a_terminal(line: Line, number: signal.Signals) -> None:
    """Drawn, redrawn as the log grows and as the terminal changes its size, and ended with 0."""
    line.shift("begin")
    line.log.checkpoint()
    ours, theirs = pty.openpty()
    fcntl.ioctl(theirs, termios.TIOCSWINSZ, struct.pack("HHHH", 24, 80, 0, 0))
    program = _program(line, theirs)
    try:
        assert "no unit yet" in _until(ours, "root ")
        line.did(Did("pass"))
        _until(ours, "1 of 1")
        fcntl.ioctl(theirs, termios.TIOCSWINSZ, struct.pack("HHHH", 40, 140, 0, 0))
        line.did(Did("fail"))
        wide = re.sub(r"\x1b\[[0-9;?]*[A-Za-z]", "", _until(ours, "not passed at"))
        assert max(columns(each) for each in wide.splitlines()) > 80
        program.send_signal(number)
        assert "\x1b[?1049l" in _until(ours, "\x1b[?1049l")
        assert program.wait(10) == 0
    finally:
        program.kill()
        program.wait()
        os.close(ours)
        os.close(theirs)


@pytest.mark.real_lines
def test_into_a_pipe(line: Line) -> None:
    line.shift("begin")
    line.log.checkpoint()
    reading, writing = os.pipe()
    program = _program(line, writing)
    os.close(writing)
    try:
        _until(reading, "first pass no unit")
        line.did(Did("pass"))
        text = _until(reading, "1 of 1")
        program.send_signal(signal.SIGINT)
        assert program.wait(10) == 0
        assert "\x1b" not in text
    finally:
        program.kill()
        program.wait()
        os.close(reading)


def test_the_manual_has_the_pictures_of_the_screen_as_it_is() -> None:
    from tests.review_pictures import FOLDER, svgs
    for name, text in svgs().items():
        assert (FOLDER / f"{name}.svg").read_text(encoding="utf-8") == text, "run: python tests/review_pictures.py"
