"""Codes from a scanner and from a keyboard: what is cut off, what is turned away, and with which word."""

from __future__ import annotations

from itertools import pairwise

import pytest
from hypothesis import given
from hypothesis import strategies as st

from eolseq.clock import VirtualClock
from eolseq.line.scans import COMMANDS, DOUBLE, LONGEST, Inbox, Lines, Scan, read_scan

ODD = {
    "a scanned serial": (b"DH6-00000001", Scan("DH6-00000001")),
    "spaces around it": (b"  DH6-00000001  ", Scan("DH6-00000001")),
    "typed": (b"=DH6-00000001", Scan("DH6-00000001", typed=True)),
    "typed with a space": (b"= DH6-00000001", Scan("DH6-00000001", typed=True)),
    "only the mark": (b"=", None),
    "nothing": (b"", None),
    "spaces alone": (b"    ", None),
    "as long as a code may be": (b"A" * LONGEST, Scan("A" * LONGEST)),
    "Ctrl-C": (b"\x03", Scan("?", problem="The code has control characters that no code of this line has.")),
    "Ctrl-C in a serial": (b"DH6\x03-1", Scan("DH6?-1", problem="The code has control characters that no code of this line has.")),
    "an escape sequence": (b"\x1b[2J", Scan("?[2J", problem="The code has control characters that no code of this line has.")),
    "a tabulator": (b"DH6\t1", Scan("DH6?1", problem="The code has control characters that no code of this line has.")),
    "a delete": (b"DH6\x7f", Scan("DH6?", problem="The code has control characters that no code of this line has.")),
    "Unicode": ("DH6-０１".encode(), Scan("DH6-０１", problem="The code has characters that no code of this line has.")),
    "a cyrillic A": ("АH6".encode(), Scan("АH6", problem="The code has characters that no code of this line has.")),
    "no UTF-8": (b"\xff\xfe", Scan("��", problem="The code has characters that no code of this line has.")),
    "right to left": ("\u202e1".encode(), Scan("?1", problem="The code has characters that no code of this line has.")),
    "NUL": (b"\x00DH6", Scan("?DH6", problem="The code has control characters that no code of this line has.")),
}


@pytest.mark.parametrize("name", ODD)
def test_one_line(name: str) -> None:
    line, expected = ODD[name]
    assert read_scan(line) == expected


@pytest.mark.parametrize("length", [LONGEST + 1, LONGEST + 2, 1_000_000])
def test_an_over_long_line_is_refused_and_its_rest_is_no_code(length: int) -> None:
    lines = Lines()
    found = list(lines.feed(b"A" * length + b"\nDH6-00000001\n"))
    assert found[0].problem.startswith(f"A code of more than {LONGEST} characters")
    assert found[1:] == [Scan("DH6-00000001")]


def test_an_over_long_line_takes_no_memory() -> None:
    lines = Lines()
    for _ in range(100):
        assert list(lines.feed(b"A" * 100_000)) == []
    assert len(lines._line) <= LONGEST + 1


def test_a_backspace_corrects_what_is_typed_and_nothing_that_is_scanned() -> None:
    assert list(Lines(keyboard=True).feed(b"=op-08\x7f7\r")) == [Scan("op-07", typed=True)]
    assert list(Lines(keyboard=True).feed(b"=op-08\x087\r")) == [Scan("op-07", typed=True)]
    scanned = next(iter(Lines(keyboard=True).feed(b"DH6-00000012\x7f1\r")))
    assert scanned.problem
    assert next(iter(Lines().feed(b"=op-08\x7f7\r"))).problem


def test_typing_is_shown_only_of_what_is_typed() -> None:
    lines = Lines(keyboard=True)
    list(lines.feed(b"DH6"))
    assert lines.typing == ""
    list(lines.feed(b"\n=op\x1b"))
    assert lines.typing == "=op?"


@given(st.binary(max_size=400), st.lists(st.integers(0, 400), max_size=6))
def test_however_bytes_arrive_the_codes_are_the_same_and_none_can_steer_a_terminal(data: bytes, cuts: list[int]) -> None:
    whole = list(Lines().feed(data))
    places = [0, *sorted(min(each, len(data)) for each in cuts), len(data)]
    lines = Lines()
    parts = [scan for first, last in pairwise(places) for scan in lines.feed(data[first:last])]
    assert parts == whole
    assert all(each.text.isprintable() for each in whole)
    assert all(each.text.isascii() for each in whole if not each.problem)


def test_only_typed_words_are_orders() -> None:
    for word in COMMANDS:
        assert Scan(word).command == ""
        assert Scan(word, typed=True).command == word
    assert Scan("DH6-00000001", typed=True).command == ""


class Desk:
    """An inbox whose turned away codes are kept."""

    def __init__(self) -> None:
        self.clock = VirtualClock()
        self.away: list[Scan] = []
        self.inbox = Inbox(self.clock, self.away.append)


def test_the_same_code_again_at_once_counts_once() -> None:
    desk = Desk()
    desk.inbox.put(Scan("A"))
    desk.clock.sleep(DOUBLE * 0.9)
    desk.inbox.put(Scan("A"))
    assert desk.inbox.take(0.0) == Scan("A")
    assert desk.inbox.take(0.0) is None
    assert desk.away == [Scan("A", problem="twice")]
    desk.clock.sleep(DOUBLE * 1.1)
    desk.inbox.put(Scan("A"))
    assert desk.inbox.take(0.0) == Scan("A")


def test_what_is_typed_twice_at_once_is_two_entries() -> None:
    desk = Desk()
    for _ in range(2):
        desk.inbox.put(Scan("A", typed=True))
    assert [desk.inbox.take(0.0), desk.inbox.take(0.0)] == [Scan("A", typed=True)] * 2


@pytest.mark.parametrize("word", COMMANDS)
def test_an_order_that_comes_twice_at_once_counts_once(word: str) -> None:
    """Else somebody who types each line twice, as they must with a serial, would have two labels printed for one."""
    desk = Desk()
    for _ in range(2):
        desk.inbox.put(Scan(word, typed=True))
    assert [desk.inbox.take(0.0), desk.inbox.take(0.0)] == [Scan(word, typed=True), None]
    assert desk.away == [Scan(word, typed=True, problem="twice")]


def test_codes_are_turned_away_while_a_test_runs_and_not_kept_for_later() -> None:
    desk = Desk()
    desk.inbox.put(Scan("waiting"))
    desk.inbox.shut()
    desk.inbox.put(Scan("while"))
    desk.inbox.put(Scan("end", typed=True))
    desk.inbox.reopen()
    assert [each.text for each in desk.away] == ["waiting", "while", "end"]
    assert desk.inbox.take(0.0) is None
    assert not desk.inbox.over


def test_only_what_is_typed_answers_a_question_of_a_step() -> None:
    desk = Desk()
    desk.inbox.shut()
    answer = desk.inbox.listen(4)
    desk.inbox.put(Scan("2"))
    desk.inbox.put(Scan("5", typed=True))
    desk.inbox.put(Scan("end", typed=True))
    assert answer.number() is None
    desk.inbox.put(Scan("3", typed=True))
    assert answer.number() == 3
    assert answer.number() is None
    assert [each.text for each in desk.away] == ["2", "5", "end"]
    lines = desk.inbox.listen(0)
    desk.inbox.put(Scan("12.3 bar", typed=True))
    assert lines.line() == "12.3 bar"
    assert not lines.gone
    desk.inbox.close()
    assert lines.gone


def test_many_codes_at_once_fill_nothing() -> None:
    desk = Desk()
    for number in range(1000):
        desk.inbox.put(Scan(f"{number}"))
    taken = 0
    while desk.inbox.take(0.0) is not None:
        taken += 1
    assert taken < 100
    assert taken + len(desk.away) == 1000


def test_the_end_of_input_leaves_what_came_before_it() -> None:
    desk = Desk()
    desk.inbox.put(Scan("A"))
    desk.inbox.close()
    assert not desk.inbox.over
    assert desk.inbox.take(1.0) == Scan("A")
    assert desk.inbox.over
