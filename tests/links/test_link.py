"""The link over real sockets and a pseudo-terminal: what it sends, what it gives, and what it refuses to give."""

from __future__ import annotations

import os
import termios
import threading
from collections.abc import Callable, Iterator
from typing import Any

import pytest
import serial

from eolseq.clock import SystemClock
from eolseq.errors import InstrumentFault, LinkAborted, LinkFault, LinkLost, LinkNotOpen, LinkTimeout
from eolseq.instruments.link import Line, Link, open_link, resource_manager
from tests.links.peers import PATIENCE, Peer, Responder, TcpPeer, TerminalPeer

pytestmark = pytest.mark.real_time

KINDS = [pytest.param(TcpPeer, id="socket"), pytest.param(TerminalPeer, id="serial")]


class Bench:
    """A link to a responder that answers ``MESSAGE?`` with ``MESSAGE!``, and what ``replies`` has otherwise."""

    def __init__(self, kind: type[Peer]) -> None:
        self.peer = kind()
        self.replies: dict[bytes, bytes] = {}
        self.responder: Responder | None = None
        self.links: list[Link] = []

    def answer(self, message: bytes) -> bytes:
        end = self.responder.end if self.responder else b"\n"
        return self.replies.get(message, message[:-1] + b"!" + end if message.endswith(b"?") else b"")

    def serve(self, end: bytes = b"\n") -> Responder:
        self.responder = Responder(self.peer, self.answer, end)
        return self.responder

    def link(self, line: Line | None = None) -> Link:
        line = line or Line(second_connection=self.peer.second_connection)
        made = open_link(resource_manager(), "tester", self.peer.address, line, SystemClock())
        self.links.append(made)
        return made

    def close(self) -> None:
        for link in self.links:
            link.close()
        (self.responder or self.peer).close()


@pytest.fixture(params=KINDS)
def bench(request: pytest.FixtureRequest) -> Iterator[Bench]:
    made = Bench(request.param)
    yield made
    made.close()


def in_thread(work: Callable[[], object]) -> tuple[threading.Thread, list[BaseException | object]]:
    """Start a call in a thread; the list receives what it gave or raised."""
    ended: list[BaseException | object] = []

    def run() -> None:
        try:
            ended.append(work())
        except LinkFault as error:
            ended.append(error)

    thread = threading.Thread(target=run)
    thread.start()
    return thread, ended


def test_a_question_is_answered(bench: Bench) -> None:
    responder = bench.serve()
    link = bench.link()
    assert link.ask("MEAS:VOLT?", 1.0) == "MEAS:VOLT!"
    link.send("OUTP ON", 1.0)
    responder.wait_for(b"OUTP ON")
    assert [link.ask(f"Q{n}?", 1.0) for n in range(20)] == [f"Q{n}!" for n in range(20)]
    assert not link.dirty
    assert not link.lost()


@pytest.mark.parametrize("end", [b"\n", b"\r", b"\r\n"])
def test_every_terminator_of_a_page_works(bench: Bench, end: bytes) -> None:
    bench.serve(end)
    link = bench.link(Line(end=end))
    assert [link.ask("A?", 1.0), link.ask("B?", 1.0)] == ["A!", "B!"]


def test_two_replies_to_one_message_are_received_one_by_one(bench: Bench) -> None:
    bench.serve()
    bench.replies[b"TWO?"] = b"1\n2\n"
    link = bench.link()
    assert link.ask("TWO?", 1.0) == "1"
    assert link.receive(1.0) == "2"


def test_an_echo_is_heard_and_checked(bench: Bench) -> None:
    bench.serve()
    bench.replies.update({b"R?": b"R?\n1.5\n", b"ON": b"ON\n", b"BAD": b"BUD\n"})
    link = bench.link(Line(echo=True))
    assert link.ask("R?", 1.0) == "1.5"
    link.send("ON", 1.0)
    with pytest.raises(InstrumentFault, match="did not echo"):
        link.send("BAD", 1.0)
    assert link.dirty


def test_the_pause_of_a_page_is_kept_before_each_message() -> None:
    made = Bench(TcpPeer)
    made.serve()
    pauses: list[float] = []

    class Recorded(SystemClock):
        def sleep(self, seconds: float) -> None:
            pauses.append(seconds)

    link = open_link(resource_manager(), "slow", made.peer.address, Line(pause=0.03), Recorded())
    made.links.append(link)
    link.send("ON", 1.0)
    link.ask("A?", 1.0)
    assert pauses == [0.03, 0.03]
    made.close()


BAD_REPLIES = [
    ("not_text", b"1.2\xb5A\n", "not plain text"),
    ("line_end_of_another_page", b"1.2\r\n", "line ends that its page does not have"),
    ("longer_than_64_kB", b"9" * 70_000 + b"\n", "longer than 65536 bytes"),
]


@pytest.mark.parametrize(("reply", "words"), [row[1:] for row in BAD_REPLIES], ids=[row[0] for row in BAD_REPLIES])
def test_a_doubtful_reply_is_a_fault(reply: bytes, words: str) -> None:
    made = Bench(TcpPeer)
    made.serve()
    made.replies[b"X?"] = reply
    link = made.link()
    with pytest.raises(InstrumentFault, match=words) as error:
        link.ask("X?", 2.0)
    assert (error.value.instrument, error.value.message) == ("tester", "X?")
    assert error.value.do
    assert link.dirty
    made.close()


@pytest.mark.parametrize("message", ["A\nB", "A\rB", "5 µA", "Ω?"])
def test_a_message_that_would_be_two_or_none_is_not_sent(bench: Bench, message: str) -> None:
    responder = bench.serve()
    link = bench.link()
    with pytest.raises(InstrumentFault, match="may not be sent"):
        link.send(message, 1.0)
    assert link.ask("A?", 1.0) == "A!"
    assert responder.heard[-1] == b"A?"


def test_an_answer_that_nobody_asked_for_is_a_fault(bench: Bench) -> None:
    bench.serve()
    bench.replies[b"TWO?"] = b"1\n2\n"
    link = bench.link()
    assert link.ask("TWO?", 1.0) == "1"
    with pytest.raises(InstrumentFault, match="nobody asked for") as error:
        link.ask("NEXT?", 1.0)
    assert error.value.reply == "2\n"
    with pytest.raises(LinkFault, match="opened afresh"):
        link.ask("NEXT?", 1.0)


def test_after_a_time_out_only_reopening_helps(bench: Bench) -> None:
    bench.serve()
    bench.replies[b"SLOW?"] = b"+1.23"
    link = bench.link()
    with pytest.raises(LinkTimeout) as error:
        link.ask("SLOW?", 0.05)
    assert (error.value.instrument, error.value.message, error.value.reply) == ("tester", "SLOW?", "+1.23")
    for call in (lambda: link.ask("A?", 1.0), lambda: link.send("A", 1.0), lambda: link.receive(1.0)):
        with pytest.raises(LinkFault, match="opened afresh"):
            call()
    link.reopen()
    assert link.ask("A?", 1.0) == "A!"


def test_an_abort_ends_a_blocked_question_and_sticks(bench: Bench) -> None:
    responder = bench.serve()
    bench.replies[b"SLOW?"] = b""
    link = bench.link()
    thread, ended = in_thread(lambda: link.ask("SLOW?", PATIENCE))
    responder.wait_for(b"SLOW?")
    link.abort()
    thread.join(PATIENCE)
    assert isinstance(ended[0], LinkAborted)
    link.reopen()
    with pytest.raises(LinkAborted):
        link.ask("A?", 1.0)
    link.clear_abort()
    assert link.ask("A?", 1.0) == "A!"
    assert responder.heard.count(b"A?") == 1


def test_an_abort_when_nothing_is_asked_leaves_the_link_clean(bench: Bench) -> None:
    bench.serve()
    link = bench.link()
    link.abort()
    with pytest.raises(LinkAborted):
        link.send("A", 1.0)
    link.clear_abort()
    assert link.ask("A?", 1.0) == "A!"


def test_a_second_task_is_refused_not_given_the_answer_of_the_first(bench: Bench) -> None:
    responder = bench.serve()
    bench.replies[b"FIRST?"] = b""
    link = bench.link()
    thread, ended = in_thread(lambda: link.ask("FIRST?", PATIENCE))
    responder.wait_for(b"FIRST?")
    with pytest.raises(InstrumentFault, match="same time"):
        link.ask("SECOND?", 1.0)
    bench.peer.say(b"one\n")
    thread.join(PATIENCE)
    assert ended == ["one"]
    assert b"SECOND?" not in responder.heard


def test_a_lost_peer_is_lost_before_and_after_a_message(bench: Bench) -> None:
    link = bench.link()
    bench.peer.take()
    assert not link.lost()
    bench.peer.hang_up()
    assert link.lost()
    with pytest.raises(LinkLost):
        link.ask("A?", PATIENCE)
    assert link.dirty


def test_a_peer_that_goes_during_a_question_is_reported_at_once(bench: Bench) -> None:
    link = bench.link()
    bench.peer.take()
    thread, ended = in_thread(lambda: link.ask("A?", 60.0))
    assert bench.peer.hear() == b"A?\n"
    bench.peer.hang_up()
    thread.join(PATIENCE)
    assert isinstance(ended[0], LinkLost)


# OFF.

def test_off_goes_out_while_a_question_waits(bench: Bench) -> None:
    responder = bench.serve()
    bench.replies[b"SLOW?"] = b""
    link = bench.link()
    thread, ended = in_thread(lambda: link.ask("SLOW?", PATIENCE))
    responder.wait_for(b"SLOW?")
    link.send_off("OUTP OFF")
    link.abort()
    thread.join(PATIENCE)
    responder.wait_for(b"OUTP OFF")
    assert isinstance(ended[0], LinkAborted)
    assert link.dirty


def test_an_answer_that_off_came_between_is_not_given(bench: Bench) -> None:
    responder = bench.serve()
    bench.replies.update({b"SLOW?": b"", b"OUTP OFF": b"0\n"})
    link = bench.link()
    thread, ended = in_thread(lambda: link.ask("SLOW?", PATIENCE))
    responder.wait_for(b"SLOW?")
    link.send_off("OUTP OFF")
    thread.join(PATIENCE)
    assert isinstance(ended[0], LinkAborted)


def test_off_on_a_stop_line_is_one_message() -> None:
    made = Bench(TcpPeer)
    link = made.link(Line(second_connection=True))
    made.peer.take()
    link.abort()
    link.send_off("OUTP OFF")
    assert made.peer.hear() == b"OUTP OFF\n"
    made.close()


@pytest.mark.parametrize("end", [b"\n", b"\r", b"\r\n"])
def test_off_on_a_shared_line_stands_between_two_terminators(bench: Bench, end: bytes) -> None:
    link = bench.link(Line(end=end))
    bench.peer.take()
    link.send_off("OUTP OFF")
    assert bench.peer.hear() == end + b"OUTP OFF" + end


def test_half_a_message_cannot_swallow_off(bench: Bench) -> None:
    responder = bench.serve()
    link = bench.link(Line())
    link._session.stream.write(b"SOUR:VOLT 17", 1.0)
    link.send_off("OUTP OFF")
    responder.wait_for(b"OUTP OFF")
    assert set(responder.heard) <= {b"SOUR:VOLT 17", b"", b"OUTP OFF"}


def test_an_off_that_could_not_go_out_is_the_first_thing_after_opening(bench: Bench) -> None:
    responder = bench.serve()
    link = bench.link(Line())
    link.close()
    with pytest.raises(LinkNotOpen, match="emergency stop"):
        link.send_off("OUTP OFF")
    link.reopen()
    assert link.ask("A?", 1.0) == "A!"
    assert [message for message in responder.heard if message] == [b"OUTP OFF", b"A?"]


def test_off_is_refused_by_a_line_that_takes_nothing_within_its_time() -> None:
    made = Bench(TcpPeer)
    link = made.link()
    made.peer.take()
    with pytest.raises(LinkTimeout):
        link.send("9" * 32_000_000, 0.01)
    with pytest.raises(LinkTimeout):
        for _ in range(100_000):  # the kernel may still find room for a few
            link.send_off("OUTP OFF", within=0.01)
    made.close()


# Opening and closing.

CANNOT_OPEN = [
    ("nobody_listens", "TCPIP::127.0.0.1::1::SOCKET", "refused"),
    ("no_such_port", "TCPIP::127.0.0.1::99999::SOCKET", "could not be opened"),
    ("no_such_device", "ASRL/dev/no-such-port::INSTR", "No such file"),
    ("not_a_terminal", "ASRL/dev/null::INSTR", "could not be opened"),
    ("no_line_to_abort", "TCPIP::127.0.0.1::inst0::INSTR", "cannot be aborted"),
    ("not_an_address", "the green one", "cannot be aborted"),
    ("empty", "", "cannot be aborted"),
    ("half_an_address", "TCPIP::SOCKET", "could not be opened"),
]


@pytest.mark.parametrize(("address", "words"), [row[1:] for row in CANNOT_OPEN], ids=[row[0] for row in CANNOT_OPEN])
def test_a_line_that_cannot_be_opened_says_why_and_what_to_do(address: str, words: str) -> None:
    with pytest.raises(LinkNotOpen, match=words) as error:
        open_link(resource_manager(), "tester", address, Line(open_within=1.0), SystemClock())
    assert error.value.instrument == "tester"
    assert error.value.do


NOT_ON_A_PSEUDO_TERMINAL = [("seven_bits", Line(data_bits=7), "7 data bits"), ("even", Line(parity="even"), "parity even"),
                            ("odd", Line(parity="odd"), "parity odd")]


@pytest.mark.parametrize(("line", "words"), [row[1:] for row in NOT_ON_A_PSEUDO_TERMINAL],
                         ids=[row[0] for row in NOT_ON_A_PSEUDO_TERMINAL])
def test_settings_that_a_port_does_not_take_are_named(line: Line, words: str) -> None:
    made = Bench(TerminalPeer)
    with pytest.raises(LinkNotOpen, match=f"does not take {words}"):
        made.link(line)
    made.serve()
    assert made.link().ask("A?", 1.0) == "A!"  # and the port was given back
    made.close()


def test_settings_reach_the_port() -> None:
    made = Bench(TerminalPeer)
    made.link(Line(baud=19200, stop_bits=2, handshake="characters"))
    assert isinstance(made.peer, TerminalPeer)
    settings = termios.tcgetattr(made.peer.slave)
    assert settings[5] == termios.B19200
    assert settings[2] & termios.CSTOPB
    assert settings[0] & termios.IXON
    made.close()


def test_a_serial_port_belongs_to_one_link() -> None:
    made = Bench(TerminalPeer)
    first = made.link()
    with pytest.raises(LinkNotOpen, match="another program"):
        made.link()
    first.close()
    made.serve()
    assert made.link().ask("A?", 1.0) == "A!"
    made.close()


def test_many_links_open_side_by_side() -> None:
    made = Bench(TcpPeer)
    made.serve()
    threads = [in_thread(lambda n=n: made.link().ask(f"Q{n}?", PATIENCE)) for n in range(16)]
    for thread, _ in threads:
        thread.join(PATIENCE)
    assert [ended for _, ended in threads] == [[f"Q{n}!"] for n in range(16)]
    made.close()


def test_reopening_leaves_nothing_behind(bench: Bench) -> None:
    bench.serve()
    link = bench.link()
    link.reopen()
    assert link.ask("A?", 1.0) == "A!"
    sessions = len(resource_manager().visalib.sessions)
    served = len(bench.peer.connections) if isinstance(bench.peer, TcpPeer) else 0
    descriptors = len(os.listdir("/proc/self/fd")) - served
    for _ in range(10):
        link.reopen()
        assert link.ask("A?", 1.0) == "A!"
    served = len(bench.peer.connections) if isinstance(bench.peer, TcpPeer) else 0
    assert len(resource_manager().visalib.sessions) == sessions
    assert len(os.listdir("/proc/self/fd")) - served == descriptors
    link.close()
    link.close()
    assert link.dirty
    assert link.lost()


def test_nothing_is_searched_for(bench: Bench, monkeypatch: pytest.MonkeyPatch) -> None:
    """Listing resources broadcasts for two seconds; opening and asking never do."""
    manager = resource_manager()
    monkeypatch.setattr(type(manager.visalib), "list_resources", lambda *_: pytest.fail("resources were listed"))
    bench.serve()
    assert bench.link().ask("A?", 1.0) == "A!"


STACK = [("os", OSError("bus")), ("runtime", RuntimeError("read while closing")), ("type", TypeError("None")),
         ("terminal", termios.error(5, "Input/output error")), ("serial", serial.SerialException("gone"))]


@pytest.mark.parametrize("raised", [row[1] for row in STACK], ids=[row[0] for row in STACK])
@pytest.mark.parametrize("during", ["read", "write"])
def test_no_error_of_the_stack_gets_past_the_link(raised: Exception, during: str, monkeypatch: pytest.MonkeyPatch) -> None:
    made = Bench(TcpPeer)
    made.serve()
    link = made.link()

    def fail(*_: Any) -> None:
        raise raised

    monkeypatch.setattr(link._session, during, fail)
    with pytest.raises(LinkLost) as error:
        link.ask("A?", 1.0)
    assert str(raised) in str(error.value)
    assert link.dirty
    made.close()


def test_a_trace_sees_messages_replies_and_off(bench: Bench) -> None:
    bench.serve()
    link = bench.link()
    seen: list[tuple[str, str, str]] = []
    times: list[float] = []

    def trace(name: str, direction: str, text: str, mono: float) -> None:
        seen.append((name, direction, text))
        times.append(mono)

    link.trace = trace
    link.ask("A?", 1.0)
    link.send_off("OUTP OFF")
    assert seen == [("tester", "out", "A?"), ("tester", "in", "A!"), ("tester", "off", "OUTP OFF")]
    assert times == sorted(times)
