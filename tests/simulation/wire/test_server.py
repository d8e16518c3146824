"""Simulated instruments in real time: sockets, a pseudo-terminal, faults, the lifeline. No test sleeps."""

from __future__ import annotations

import contextlib
import io
import itertools
import json
import os
import selectors
import signal
import socket
import subprocess
import sys
import termios
import threading
import time
import tty
from collections.abc import Callable, Iterator
from pathlib import Path

import pytest
import pyvisa

from eolseq.errors import WrongUse
from eolseq.simulation.instrument import Instrument
from eolseq.simulation.lines import EventLines
from eolseq.simulation.server import Server, serve

pytestmark = pytest.mark.real_lines

ID = b"ALDERVALE EXAMPLE,WT-0,0001,1.0\n"
PATIENCE = 5.0


class Running:
    """A server in a thread of its own, with one instrument at a socket and a serial line."""

    def __init__(self, instrument: Instrument) -> None:
        self.ticks: list[float] = []
        self.ticked = threading.Event()
        self.wanted = 0
        self.instrument = instrument
        self.server = Server([("panel", instrument, "serial"), ("source", instrument, "tcp")], tick=self._tick)
        addresses = dict(self.server.addresses)
        self.port = int(addresses["source"].split("::")[2])
        self.terminal = addresses["panel"][len("ASRL"):-len("::INSTR")]
        self.thread = threading.Thread(target=self.server.run)
        self.thread.start()

    def _tick(self, now: float) -> None:
        self.ticks.append(now)
        if len(self.ticks) >= self.wanted:
            self.ticked.set()

    def after_ticks(self, count: int) -> None:
        """Wait until the physics has moved so many times more."""
        self.ticked.clear()
        self.wanted = len(self.ticks) + count
        assert self.ticked.wait(PATIENCE)

    def fault(self, name: str | None, number: float | None = None) -> None:
        """Set a fault and wait until the server has seen it."""
        self.instrument.set_fault(name, number)
        self.after_ticks(3)

    def connect(self) -> socket.socket:
        """A connection to the socket."""
        return socket.create_connection(("127.0.0.1", self.port), timeout=PATIENCE)

    def stop(self) -> None:
        """End the server and its thread."""
        self.server.stop()
        self.thread.join(PATIENCE)
        assert not self.thread.is_alive()


@pytest.fixture
def running(instrument: Instrument) -> Iterator[Running]:
    """A server that is stopped afterwards."""
    made = Running(instrument)
    yield made
    made.stop()


def line_from(wire: socket.socket) -> bytes:
    """Bytes up to the new line, or as many as come before the end."""
    got = b""
    while not got.endswith(b"\n"):
        piece = wire.recv(4096)
        if not piece:
            return got
        got += piece
    return got


def line_from_terminal(descriptor: int) -> bytes:
    """The same from a terminal."""
    got = b""
    with selectors.DefaultSelector() as selector:
        selector.register(descriptor, selectors.EVENT_READ)
        while not got.endswith(b"\n"):
            assert selector.select(PATIENCE), f"only {got!r} came"
            got += os.read(descriptor, 4096)
    return got


@contextlib.contextmanager
def terminal(path: str) -> Iterator[int]:
    """The terminal, opened as a serial port is."""
    descriptor = os.open(path, os.O_RDWR | os.O_NOCTTY)
    tty.setraw(descriptor)
    try:
        yield descriptor
    finally:
        os.close(descriptor)


def test_a_plain_script_reads_the_same_by_every_form(running: Running) -> None:
    """Long, short and compound header forms through pyvisa over real sockets and a real pseudo-terminal."""
    manager = pyvisa.ResourceManager("@py")
    for address in dict(running.server.addresses).values():
        meter = manager.open_resource(address, read_termination="\n", write_termination="\n", timeout=5000)
        assert isinstance(meter, pyvisa.resources.MessageBasedResource)
        assert meter.query("*IDN?") == ID.decode().strip()
        meter.write("SOURCE:VOLTAGE:LEVEL 1.776 KV;:SOUR:FREQ 60 HZ;:OUTPUT2:STATE ON")
        assert float(meter.query("sour:volt?")) == 1776.0
        assert meter.query("OUTP2?;:OUTPut1:STATe?;*OPC?") == "1;0;1"
        assert meter.query_ascii_values("MEASURE:VOLTAGE?;CURRENT?", separator=";") == [1.25, 0.00125]
        assert meter.query_ascii_values(":MEAS:VOLT?;:MEAS:CURR?", separator=";") == [1.25, 0.00125]
        assert meter.query("SYST:ERR?") == '0,"No error"'
        meter.close()
    manager.close()


def test_addresses_come_sockets_first(running: Running) -> None:
    names = [name for name, _ in running.server.addresses]
    assert names == ["source", "panel"]
    assert running.server.addresses[0][1].startswith("TCPIP0::127.0.0.1::")


def test_bytes_split_anyhow_over_a_socket(running: Running) -> None:
    with running.connect() as wire:
        wire.setsockopt(socket.IPPROTO_TCP, socket.TCP_NODELAY, 1)
        for byte in b"MEAS:VOLT?;CURR?\n":
            wire.sendall(bytes([byte]))
        assert line_from(wire) == b"+1.250000E+00;+1.250000E-03\n"


def test_many_messages_at_once_and_several_connections(running: Running) -> None:
    with running.connect() as one, running.connect() as other:
        one.sendall(b"MEAS:VO")
        other.sendall(b"*OPC?\n" * 2000)
        got = b""
        while len(got) < 4000:
            got += other.recv(65536)
        assert got == b"1\n" * 2000
        one.sendall(b"LT?\n")
        assert line_from(one) == b"+1.250000E+00\n"


def test_any_bytes_do_not_stop_the_server(running: Running) -> None:
    noise = bytes(range(256)) * 40 + b"\x00\xff\n;;;\n:::\n*IDN\n(@\n" + b'"' * 999 + b"\n"
    with running.connect() as wire, terminal(running.terminal) as serial:
        wire.sendall(noise)
        os.write(serial, noise[:2000])
        wire.sendall(b"\n*CLS\n*IDN?\n")
        assert line_from(wire) == ID
        os.write(serial, b"\n*CLS\n*IDN?\n")
        assert line_from_terminal(serial) == ID


def test_who_never_reads_is_cut_off_and_keeps_nobody_waiting(running: Running) -> None:
    with running.connect() as greedy:
        greedy.settimeout(PATIENCE)
        with pytest.raises(OSError, match=r"[Bb]roken|reset"):
            while True:
                greedy.sendall(b"*IDN?\n" * 1000)
    with running.connect() as wire:
        wire.sendall(b"*IDN?\n")
        assert line_from(wire) == ID
        wire.sendall(b"SYST:ERR?\n")  # 488.2 6.3.1.7 (M): it could neither answer nor go on listening
        assert line_from(wire) == b'-430,"Query DEADLOCKED"\n'


def test_a_serial_line_loses_what_nobody_reads(running: Running) -> None:
    with terminal(running.terminal) as serial:
        for _ in range(40):
            os.write(serial, b"*IDN?\n" * 100)
            running.after_ticks(1)
        termios.tcflush(serial, termios.TCIFLUSH)
    with running.connect() as wire:
        wire.sendall(b"*OPC?\n")
        assert line_from(wire) == b"1\n"


def test_the_physics_moves_when_nobody_speaks(running: Running) -> None:
    running.after_ticks(100)
    ticks = running.ticks[-100:]
    assert ticks == sorted(ticks)
    steps = sorted(b - a for a, b in itertools.pairwise(ticks))
    assert 0.5e-3 < steps[len(steps) // 2] < 2.5e-3


@pytest.mark.parametrize(("fault", "seconds", "least"), [("slow", 0.05, 0.05), ("late", 0.05, 0.05),
                                                         ("split", 0.002, 0.002 * (len(ID) - 1))])
def test_slow_late_and_split_answers_come_whole_and_in_order(running: Running, fault: str, seconds: float,
                                                             least: float) -> None:
    with running.connect() as wire:
        running.fault(fault, seconds)
        start = time.monotonic()
        wire.sendall(b"*IDN?\n")
        running.after_ticks(3)  # by then it has been read
        running.fault(None)
        wire.sendall(b"*OPC?\n")
        got = b""
        while len(got) < len(ID) + 2:
            got += wire.recv(4096)
        assert got == ID + b"1\n"
        assert time.monotonic() - start >= least


def test_closed_ends_open_connections_and_new_ones_when_used(running: Running) -> None:
    with running.connect() as wire:
        wire.sendall(b"*IDN?\n")
        assert line_from(wire) == ID, "the server has taken the connection"
        running.fault("closed")
        assert wire.recv(10) == b""
    with running.connect() as wire:
        wire.sendall(b"*IDN?\n")
        assert wire.recv(10) == b""
    running.fault(None)
    with running.connect() as wire:
        wire.sendall(b"*IDN?\n")
        assert line_from(wire) == ID


def test_closed_hangs_up_the_serial_line(running: Running) -> None:
    with terminal(running.terminal) as serial:
        running.fault("closed")
        with pytest.raises(OSError, match="Errno 5"):
            os.write(serial, b"*IDN?\n")
    with pytest.raises(FileNotFoundError):
        os.open(running.terminal, os.O_RDWR | os.O_NOCTTY)


def test_refused_connections_are_refused_until_the_fault_goes(running: Running) -> None:
    with running.connect() as before:
        running.fault("refused")
        with pytest.raises(ConnectionRefusedError):
            running.connect()
        with pytest.raises(OSError, match="Errno 5"):
            os.open(running.terminal, os.O_RDWR | os.O_NOCTTY)
        before.sendall(b"*IDN?\n")
        assert line_from(before) == ID
        running.fault(None)
        with running.connect() as after, terminal(running.terminal) as serial:
            after.sendall(b"*OPC?\n")
            assert line_from(after) == b"1\n"
            os.write(serial, b"*OPC?\n")
            assert line_from_terminal(serial) == b"1\n"


def test_who_takes_one_connection_closes_another_until_the_first_has_gone(running: Running) -> None:
    running.instrument.takes_one = True
    with running.connect() as first:
        first.sendall(b"*IDN?\n")
        assert line_from(first) == ID
        with running.connect() as second:
            assert second.recv(1) == b""
        first.sendall(b"*IDN?\n")
        assert line_from(first) == ID, "the first goes on"
    with running.connect() as third:  # at once, before the server may have seen that the first has gone
        third.sendall(b"*IDN?\n")
        assert line_from(third) == ID


def test_a_link_is_tcp_or_serial(instrument: Instrument) -> None:
    with pytest.raises(WrongUse, match="tcp or serial"):
        Server([("x", instrument, "bus")], tick=lambda _: None)


# As a program of its own.


class Program:
    """The program served.py, its addresses and its events."""

    def __init__(self) -> None:
        self.process = subprocess.Popen([sys.executable, str(Path(__file__).with_name("served.py"))], text=True,
                                        stdin=subprocess.PIPE, stdout=subprocess.PIPE, stderr=subprocess.PIPE,
                                        env={**os.environ, "PYTHONPATH": str(Path(__file__).parents[3])})
        assert self.process.stdout is not None
        self.first = [self.process.stdout.readline().split() for _ in range(2)]

    def tell(self, wish: str) -> None:
        """Send a control line."""
        assert self.process.stdin is not None
        self.process.stdin.write(wish + "\n")
        self.process.stdin.flush()

    def event(self) -> object:
        """The next event."""
        assert self.process.stdout is not None
        return json.loads(self.process.stdout.readline())

    def ends(self) -> tuple[int, str]:
        """Exit status and what was said on standard error."""
        assert self.process.stderr is not None
        status = self.process.wait(PATIENCE)
        return status, self.process.stderr.read()

    def close(self) -> None:
        """Leave nothing behind."""
        if self.process.poll() is None:
            self.process.kill()
            self.process.wait(PATIENCE)
        for stream in (self.process.stdin, self.process.stdout, self.process.stderr):
            if stream is not None:
                with contextlib.suppress(BrokenPipeError):
                    stream.close()


@pytest.fixture
def program() -> Iterator[Program]:
    """The program, ended afterwards whatever happens."""
    made = Program()
    yield made
    made.close()


def end_input(program: Program) -> None:
    assert program.process.stdin is not None
    program.process.stdin.close()


ENDINGS: list[tuple[str, Callable[[Program], None]]] = [
    ("end of its input", end_input),
    ("SIGTERM", lambda program: program.process.send_signal(signal.SIGTERM)),
    ("SIGINT", lambda program: program.process.send_signal(signal.SIGINT)),
]


@pytest.mark.parametrize("end", [end for _, end in ENDINGS], ids=[name for name, _ in ENDINGS])
def test_the_program_ends(program: Program, end: Callable[[Program], None]) -> None:
    assert [name for name, _ in program.first] == ["source", "panel"]
    program.tell('{"fault": null}')
    assert program.event() == {"done": {"fault": None}}
    end(program)
    assert program.ends() == (0, "")


def test_events_and_control_lines(program: Program) -> None:
    with socket.create_connection(("127.0.0.1", int(program.first[0][1].split("::")[2])), timeout=PATIENCE) as wire:
        wire.sendall(b"OUTP ON\nOUTP OFF\n")
        assert [program.event(), program.event()] == [{"output": True}, {"output": False}]
        program.tell('{"fault": "garbled"}\nnonsense\n[1]\n{"fault": "sleepy"}')
        assert program.event() == {"done": {"fault": "garbled"}}
        answers = [program.event() for _ in range(3)]
        assert [list(answer) for answer in answers if isinstance(answer, dict)] == [["not understood", "because"]] * 3
        wire.sendall(b"*OPC?\n")
        assert line_from(wire) == b"~\n"


def test_a_starter_that_does_not_read_keeps_nobody_waiting(program: Program) -> None:
    program.tell('{"burst": 5000}')
    with socket.create_connection(("127.0.0.1", int(program.first[0][1].split("::")[2])), timeout=PATIENCE) as wire:
        wire.sendall(b"*OPC?\n")
        assert line_from(wire) == b"1\n"
    assert [program.event() for _ in range(5000)] == [{"number": number} for number in range(5000)]
    assert program.event() == {"done": {"burst": 5000}}


def test_a_starter_that_is_gone_does_not_stop_the_instruments(program: Program) -> None:
    assert program.process.stdout is not None
    program.process.stdout.close()
    with socket.create_connection(("127.0.0.1", int(program.first[0][1].split("::")[2])), timeout=PATIENCE) as wire:
        wire.sendall(b"OUTP ON\nOUTP OFF\n*OPC?\n")
        assert line_from(wire) == b"1\n"
    end_input(program)
    assert program.ends() == (0, "")


def test_a_null_device_as_lifeline_ends_at_once(instrument: Instrument) -> None:
    out = io.StringIO()
    with Path(os.devnull).open() as nothing:
        serve([("source", instrument, "tcp")], tick=lambda _: None, out=EventLines(out), lifeline=nothing.fileno())
    assert out.getvalue().startswith("source TCPIP0::127.0.0.1::")
