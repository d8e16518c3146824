"""A number typed at a terminal while a test runs is taken without waiting, over a real pseudo-terminal."""

from __future__ import annotations

import os
import select
import time
from collections.abc import Iterator

import pytest

from eolseq.screen.numbers import TypedNumber, typed_at_terminal


@pytest.fixture
def terminal() -> Iterator[tuple[int, int]]:
    """A person's side and the program's side of a pseudo-terminal."""
    person, program = os.openpty()
    yield person, program
    for each in (person, program):
        try:
            os.close(each)
        except OSError:
            continue  # the test closed it


def typed(person: int, program: int, text: bytes) -> None:
    """Type, and wait until the program could read a line."""
    os.write(person, text)
    if b"\n" in text:
        assert select.select([program], [], [], 2)[0]


def test_nothing_typed_is_no_number_and_costs_no_time(terminal: tuple[int, int]) -> None:
    listening = TypedNumber(terminal[1], 4)
    begun = time.perf_counter()
    assert [listening.number() for _ in range(100)] == [None] * 100
    assert time.perf_counter() - begun < 0.5, "it never waits"
    assert not listening.gone


@pytest.mark.parametrize(("text", "number"), [
    (b"1\n", 1), (b"4\n", 4), (b"  2 \n", 2), (b"5\n", None), (b"0\n", None), (b"-1\n", None), (b"\n", None),
    (b"clockwise\n", None), (b"2.0\n", None), (b"9\n3\n", 3), (b"12\n", None), (b"\xc2\xb2\n", None),
    (b"0000000000000002\n", None)])
def test_the_first_number_in_range_counts(terminal: tuple[int, int], text: bytes, number: int | None) -> None:
    listening = TypedNumber(terminal[1], 4)
    typed(*terminal, text)
    assert listening.number() == number
    assert not listening.gone


def test_half_a_line_is_no_answer_yet(terminal: tuple[int, int]) -> None:
    listening = TypedNumber(terminal[1], 4)
    typed(*terminal, b"3")
    assert listening.number() is None
    typed(*terminal, b"\n")
    assert listening.number() == 3


def test_what_was_typed_before_is_no_answer(terminal: tuple[int, int]) -> None:
    typed(*terminal, b"2\n")
    listening = TypedNumber(terminal[1], 4)
    assert listening.number() is None
    typed(*terminal, b"3\n")
    assert listening.number() == 3


def test_a_terminal_that_goes_away_is_told(terminal: tuple[int, int]) -> None:
    listening = TypedNumber(terminal[1], 4)
    os.close(terminal[0])
    assert listening.number() is None and listening.gone
    assert listening.number() is None


def test_the_end_of_input_is_no_answer_for_good(terminal: tuple[int, int]) -> None:
    listening = TypedNumber(terminal[1], 4)
    typed(*terminal, b"\x04\n")
    assert listening.number() is None and listening.gone


def test_without_a_terminal_nobody_listens(monkeypatch: pytest.MonkeyPatch) -> None:
    with open(os.devnull) as nothing:
        monkeypatch.setattr("sys.stdin", nothing)
        assert typed_at_terminal(4) is None
    monkeypatch.setattr("sys.stdin", None)
    assert typed_at_terminal(4) is None
