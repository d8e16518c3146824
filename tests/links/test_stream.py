"""A stream over a socket pair: framing, deadlines, aborts, and that a dirty one gives nothing."""

from __future__ import annotations

import itertools
import socket
import threading
import time
from collections.abc import Iterator

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from eolseq.instruments.stream import NoMessage, Stream, Why
from tests.links.peers import PATIENCE

pytestmark = pytest.mark.real_time


class Pair:
    """A stream and the socket at its far end."""

    def __init__(self) -> None:
        near, self.far = socket.socketpair()
        near.setblocking(False)
        self.stream = Stream(near.fileno(), time.monotonic, near.close)

    def close(self) -> None:
        self.stream.close()
        self.far.close()


@pytest.fixture
def pair() -> Iterator[Pair]:
    made = Pair()
    yield made
    made.close()


def why(error: pytest.ExceptionInfo[NoMessage]) -> Why:
    return error.value.why


MESSAGES = st.lists(st.binary(max_size=40).map(lambda text: text.replace(b"\n", b"") + b"\n"), min_size=1, max_size=6)


@settings(max_examples=60, deadline=None)
@given(messages=MESSAGES, cuts=st.lists(st.integers(0, 250), max_size=8))
def test_messages_come_whole_however_they_were_cut(messages: list[bytes], cuts: list[int]) -> None:
    made = Pair()
    data = b"".join(messages)
    edges = sorted({0, len(data), *(min(cut, len(data)) for cut in cuts)})
    sender = threading.Thread(target=lambda: [made.far.sendall(data[a:b]) for a, b in itertools.pairwise(edges)])
    sender.start()
    try:
        assert [made.stream.read(b"\n", 65536, PATIENCE) for _ in messages] == messages
        assert made.stream.waiting() == 0
    finally:
        sender.join(PATIENCE)
        made.close()


@settings(max_examples=40, deadline=None)
@given(data=st.binary(min_size=1, max_size=60), most=st.integers(1, 70))
def test_a_read_gives_at_most_so_many_bytes_and_loses_none(data: bytes, most: int) -> None:
    made = Pair()
    made.far.sendall(data)
    got = b""
    try:
        while len(got) + most <= len(data):
            piece = made.stream.read(b"", most, PATIENCE)
            assert len(piece) == most
            got += piece
        with pytest.raises(NoMessage):
            made.stream.read(b"", most, 0.0)
        assert got + bytes(made.stream.pending) == data
    finally:
        made.close()


def test_after_a_time_out_nothing_is_given_and_nothing_is_lost(pair: Pair) -> None:
    pair.far.sendall(b"+1.23")
    with pytest.raises(NoMessage) as error:
        pair.stream.read(b"\n", 100, 0.01)
    assert why(error) is Why.TIMEOUT
    assert pair.stream.dirty
    pair.far.sendall(b"45E-3\n")
    for call in (lambda: pair.stream.read(b"\n", 100, 1.0), lambda: pair.stream.write(b"X\n", 1.0)):
        with pytest.raises(NoMessage) as error:
            call()
        assert why(error) is Why.DIRTY
    assert pair.stream.waiting() == len(b"+1.2345E-3\n")
    pair.stream.discard()
    assert pair.stream.dirty


def test_a_dirty_or_aborted_stream_still_writes_at_once(pair: Pair) -> None:
    pair.stream.abort()
    with pytest.raises(NoMessage) as error:
        pair.stream.write(b"NEVER\n", 1.0)
    assert why(error) is Why.ABORTED
    pair.stream.write_now(b"OUTP OFF\n", 0.1)
    assert pair.far.recv(100) == b"OUTP OFF\n"


def test_write_now_is_bounded_when_the_line_takes_nothing(pair: Pair) -> None:
    with pytest.raises(NoMessage) as error:
        pair.stream.write(bytes(8_000_000), 0.01)
    assert why(error) is Why.TIMEOUT
    with pytest.raises(NoMessage) as error:
        pair.stream.write_now(b"OUTP OFF\n", 0.01)
    assert why(error) is Why.TIMEOUT


def test_an_abort_ends_a_blocked_write(pair: Pair) -> None:
    seen: list[Why] = []

    def write() -> None:
        try:
            pair.stream.write(bytes(8_000_000), PATIENCE)
        except NoMessage as error:
            seen.append(error.why)

    thread = threading.Thread(target=write)
    thread.start()
    assert pair.far.recv(1)  # the write has begun
    pair.stream.abort()
    thread.join(PATIENCE)
    assert seen == [Why.ABORTED]
    assert pair.stream.dirty


def test_an_abort_sticks_until_cleared(pair: Pair) -> None:
    for _ in range(3):
        pair.stream.abort()
    for _ in range(2):
        with pytest.raises(NoMessage) as error:
            pair.stream.read(b"\n", 100, PATIENCE)
        assert why(error) is Why.ABORTED
    pair.stream.clear_abort()
    pair.far.sendall(b"fresh\n")
    assert pair.stream.read(b"\n", 100, PATIENCE) == b"fresh\n"


def test_a_lost_peer_is_noticed_without_reading(pair: Pair) -> None:
    pair.far.close()
    assert pair.stream.waiting() == 0
    assert pair.stream.lost
    with pytest.raises(NoMessage) as error:
        pair.stream.write(b"X\n", 1.0)
    assert why(error) is Why.LOST


def test_what_came_before_the_peer_went_is_not_half_a_message(pair: Pair) -> None:
    pair.far.sendall(b"1\n2")
    pair.far.close()
    assert pair.stream.read(b"\n", 100, 1.0) == b"1\n"
    with pytest.raises(NoMessage) as error:
        pair.stream.read(b"\n", 100, 1.0)
    assert why(error) is Why.LOST
    assert bytes(pair.stream.pending) == b"2"


def test_a_closed_stream_touches_no_descriptor(pair: Pair) -> None:
    pair.stream.close()
    pair.stream.close()
    pair.stream.abort()
    pair.stream.clear_abort()
    assert pair.stream.waiting() == 0
    for call in (lambda: pair.stream.read(b"\n", 1, 1.0), lambda: pair.stream.write(b"X", 1.0),
                 lambda: pair.stream.write_now(b"X", 1.0)):
        with pytest.raises(NoMessage) as error:
            call()
        assert why(error) is Why.LOST


def test_a_deadline_follows_the_clock_that_was_handed_in() -> None:
    """A read whose deadline has passed by that clock ends at once."""
    near, far = socket.socketpair()
    near.setblocking(False)
    ticks = iter(range(100))
    stream = Stream(near.fileno(), lambda: float(next(ticks)), near.close)
    with pytest.raises(NoMessage) as error:
        stream.read(b"\n", 10, 0.5)
    assert why(error) is Why.TIMEOUT
    assert next(ticks) <= 3
    stream.close()
    far.close()
