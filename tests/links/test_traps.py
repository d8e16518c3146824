"""Each trap of the stock sessions that can give a false pass or a hang: stock falls into it, ours does not.

A trap is a check of what must hold. It is run on both: ours must pass it, the stock session must fail it by an
AssertionError; should a later pyvisa-py mend one, the test says so and the trap can be struck out.
"""

from __future__ import annotations

import contextlib
import os
import socket
import threading
import time
from collections.abc import Callable, Iterator
from typing import Any

import pytest
import pyvisa_py.tcpip
from pyvisa.constants import StatusCode
from pyvisa.errors import VisaIOError

from eolseq.instruments import sessions
from eolseq.instruments.link import resource_manager
from tests.links.peers import PATIENCE, Peer, TcpPeer, TerminalPeer

pytestmark = pytest.mark.real_time

TIMEOUT = 50  # ms
LOOKS = 20
HANGS = 1.0   # s; a call with a time-out of 50 ms that takes longer hangs


class Bench:
    """A peer, and a resource opened on it with either kind of session."""

    def __init__(self, peer: Peer) -> None:
        self.peer = peer
        self.resources: list[Any] = []

    def open(self) -> Any:
        resource: Any = resource_manager().open_resource(self.peer.address)
        self.resources.append(resource)
        resource.timeout = TIMEOUT
        resource.read_termination = resource.write_termination = "\n"
        self.peer.take()
        return resource

    def close(self) -> None:
        self.peer.close()
        for resource in self.resources:
            resource.close()


def ended_in_time(work: Callable[[], object], release: Callable[[], None]) -> bool:
    """Whether a call ended soon; if not it is released, so that its thread ends with the test."""
    done = threading.Event()

    def run() -> None:
        with contextlib.suppress(VisaIOError, OSError, ValueError, AttributeError, TypeError):  # how is another trap
            work()
        done.set()

    thread = threading.Thread(target=run)
    thread.start()
    in_time = done.wait(HANGS)
    if not in_time:
        release()
    thread.join(PATIENCE)
    assert not thread.is_alive() or not in_time
    return in_time


def outcome(work: Callable[[], object]) -> object:
    """What a call gives, or the VISA code it ends with; any other exception is a trap of its own."""
    try:
        return work()
    except VisaIOError as error:
        return error.error_code
    except Exception as error:
        raise AssertionError(f"{type(error).__name__} instead of a VISA error: {error}") from error


# On both kinds of line.

def a_torn_answer_is_not_a_number(bench: Bench) -> None:
    resource = bench.open()
    bench.peer.say(b"+1.23")
    assert outcome(resource.read) == StatusCode.error_timeout
    bench.peer.say(b"45E-3\n")
    assert outcome(resource.read) == StatusCode.error_io, "the rest of a torn answer was given as an answer"


def an_old_answer_is_not_given_to_a_new_question(bench: Bench) -> None:
    resource = bench.open()
    assert outcome(lambda: resource.query("FIRST?")) == StatusCode.error_timeout
    bench.peer.say(b"1\n")
    assert outcome(lambda: resource.query("SECOND?")) == StatusCode.error_io, "the first answer came to the second"


def a_peer_that_goes_is_reported_as_lost(bench: Bench) -> None:
    resource = bench.open()
    bench.peer.hang_up()
    assert outcome(resource.read) == StatusCode.error_connection_lost


def the_wall_clock_does_not_move_deadlines(bench: Bench) -> None:
    resource = bench.open()
    asked = []

    def set_back() -> float:
        """A clock that is being set back for twenty looks, then is right again."""
        asked.append(1)
        return time.time_ns() * 1e-9 - (len(asked) * 3600.0 if len(asked) < LOOKS else 0.0)

    with pytest.MonkeyPatch.context() as patch:
        patch.setattr(time, "time", set_back)
        assert outcome(resource.read) == StatusCode.error_timeout
    assert len(asked) < LOOKS, "the read went on for as long as the clock was being set back"


class Dripping:
    """A line on which another byte has come whenever one was read, for a second."""

    def __init__(self, line: Any, drip: Callable[[], None]) -> None:
        self._line = line
        self._drip = drip

    def __getattr__(self, name: str) -> Any:
        return getattr(self._line, name)

    def recv(self, count: int) -> bytes:
        data: bytes = self._line.recv(count)
        self._drip()
        return data


def dripping_bytes_do_not_stretch_a_deadline(bench: Bench) -> None:
    resource = bench.open()
    session = resource.visalib.sessions[resource.session]
    stop = time.monotonic() + HANGS
    read = os.read
    stopped = []

    def drip() -> None:
        if time.monotonic() < stop:
            threading.Event().wait(0.0005)
            bench.peer.say(b"1")
        else:
            stopped.append(1)

    def read_and_drip(descriptor: int, count: int) -> bytes:
        data = read(descriptor, count)
        drip()
        return data

    session.interface = Dripping(session.interface, drip)  # the stock session reads through this, ours through os
    bench.peer.say(b"1")
    with pytest.MonkeyPatch.context() as patch:
        patch.setattr(os, "read", read_and_drip)
        assert outcome(resource.read) == StatusCode.error_timeout
    assert not stopped, "the read went on for as long as bytes dripped in"


# On sockets.

def a_closed_port_is_reported_at_open(bench: Bench) -> None:
    assert isinstance(bench.peer, TcpPeer)
    bench.peer.listener.close()
    try:
        resource_manager().open_resource(bench.peer.address).close()
    except VisaIOError as error:
        assert error.error_code == StatusCode.error_resource_not_found
    else:
        raise AssertionError("nobody listens, and opening succeeded")


def clear_returns_when_the_peer_has_gone(bench: Bench) -> None:
    resource = bench.open()
    bench.peer.hang_up()
    assert ended_in_time(resource.clear, resource.close)


def a_write_keeps_its_deadline(bench: Bench) -> None:
    resource = bench.open()
    assert ended_in_time(lambda: resource.write_raw(bytes(32_000_000)), bench.peer.hang_up)


def messages_do_not_wait_in_the_kernel(bench: Bench) -> None:
    resource = bench.open()
    line = resource.visalib.sessions[resource.session].interface
    assert line.getsockopt(socket.IPPROTO_TCP, socket.TCP_NODELAY) == 1


# On serial ports.

def a_port_is_opened_only_once(bench: Bench) -> None:
    bench.open()
    assert outcome(bench.open) == StatusCode.error_resource_busy


def an_answer_is_read_in_blocks(bench: Bench) -> None:
    resource = bench.open()
    bench.peer.say(b"+1.2345E-3,+1.2345E-3,+1.2345E-3,+1.2345E-3\n")
    reads = []
    read = os.read
    with pytest.MonkeyPatch.context() as patch:
        patch.setattr(os, "read", lambda fd, count: reads.append(fd) or read(fd, count))
        assert len(resource.read()) == 43
    assert len(reads) <= 2, f"{len(reads)} system calls"


def seven_bits_are_refused_with_a_visa_error(bench: Bench) -> None:
    resource = bench.open()
    assert outcome(lambda: setattr(resource, "data_bits", 7)) == StatusCode.error_nonsupported_attribute_state
    bench.peer.say(b"still here\n")
    assert resource.read() == "still here"


BOTH = [a_torn_answer_is_not_a_number, an_old_answer_is_not_given_to_a_new_question,
        a_peer_that_goes_is_reported_as_lost, the_wall_clock_does_not_move_deadlines]
SOCKET = [*BOTH, dripping_bytes_do_not_stretch_a_deadline, a_closed_port_is_reported_at_open,
          clear_returns_when_the_peer_has_gone, a_write_keeps_its_deadline, messages_do_not_wait_in_the_kernel]
SERIAL = [*BOTH, a_port_is_opened_only_once, an_answer_is_read_in_blocks, seven_bits_are_refused_with_a_visa_error]
TRAPS = [pytest.param(kind, trap, id=f"{words}-{trap.__name__}")
         for kind, words, traps in ((TcpPeer, "socket", SOCKET), (TerminalPeer, "serial", SERIAL)) for trap in traps]


@pytest.fixture
def bench(kind: type[Peer]) -> Iterator[Bench]:
    made = Bench(kind())
    yield made
    made.close()


@pytest.mark.parametrize(("kind", "trap"), TRAPS)
def test_ours_holds(bench: Bench, trap: Callable[[Bench], None]) -> None:
    sessions.register()
    trap(bench)


@pytest.mark.filterwarnings("ignore::ResourceWarning")  # stock sessions leave sockets open when connecting fails
@pytest.mark.parametrize(("kind", "trap"), TRAPS)
def test_stock_falls_in(bench: Bench, trap: Callable[[Bench], None]) -> None:
    manager = resource_manager()
    with pytest.MonkeyPatch.context() as patch:
        patch.setattr("tests.links.test_traps.resource_manager", lambda: manager)
        with sessions.stock_sessions(), pytest.raises(AssertionError):
            trap(bench)


def test_traps_are_counted() -> None:
    assert len(TRAPS) == 16


def test_the_table_of_pyvisa_py_is_still_there() -> None:
    from pyvisa_py.sessions import Session

    assert pyvisa_py.__version__ == "0.8.1"
    sessions.register()
    for kind in sessions.OURS:
        assert Session.get_session_class(*kind.session_type) is kind
        stock = sessions.STOCK[kind.session_type]
        assert stock.__module__.startswith("pyvisa_py.") and not issubclass(stock, sessions.StreamSession)
        with sessions.stock_sessions():
            assert Session.get_session_class(*kind.session_type) is stock
        assert Session.get_session_class(*kind.session_type) is kind


def test_the_stock_no_delay_attribute_cannot_be_set() -> None:
    """Why it must be set at open: setting it the VISA way raises on a stock session."""
    from pyvisa.constants import ResourceAttribute
    from pyvisa_py.sessions import UnknownAttribute

    bench = Bench(TcpPeer())
    manager = resource_manager()
    with sessions.stock_sessions():
        resource: Any = manager.open_resource(bench.peer.address)
    with pytest.raises(UnknownAttribute):
        resource.set_visa_attribute(ResourceAttribute.tcpip_nodelay, True)
    resource.close()
    bench.close()


# Traps that no session can mend: the link does, and tests/links/test_link.py holds it.

def stock(bench: Bench) -> Any:
    """A stock resource as a script would open it, without terminators."""
    manager = resource_manager()
    with sessions.stock_sessions():
        resource: Any = manager.open_resource(bench.peer.address)
    bench.resources.append(resource)
    resource.timeout = TIMEOUT
    bench.peer.take()
    return resource


@pytest.mark.parametrize("kind", [TcpPeer, TerminalPeer])
def test_two_users_of_a_stock_session_get_each_others_answers(bench: Bench) -> None:
    resource = stock(bench)
    resource.read_termination = "\n"
    for question in ("FIRST?", "SECOND?"):
        resource.write(question)
    bench.peer.say(b"1\n2\n")
    answers: list[str] = []
    second = threading.Thread(target=lambda: answers.append(resource.read()))  # it happens to read first
    second.start()
    second.join(PATIENCE)
    assert answers == ["1"]


@pytest.mark.parametrize("kind", [TcpPeer])
def test_without_a_terminator_a_stock_socket_runs_into_its_time_out(bench: Bench) -> None:
    resource = stock(bench)
    bench.peer.say(b"1.5\n")
    assert outcome(resource.read) == StatusCode.error_timeout


@pytest.mark.parametrize("kind", [TerminalPeer])
def test_without_a_terminator_a_stock_port_gives_the_line_end_too(bench: Bench) -> None:
    resource = stock(bench)
    bench.peer.say(b"1.5\r\n")
    assert resource.read() == "1.5\r\n"
