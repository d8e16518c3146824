"""The ends of the wires that the simulator's server holds: sockets, pseudo-terminals, and the lines of its events."""

from __future__ import annotations

import contextlib
import fcntl
import json
import os
import select
import socket
import struct
import sys
import tty
from collections import deque
from collections.abc import Mapping
from typing import Any, TextIO

from eolseq.simulation.instrument import Instrument

_READ_AT_ONCE = 4096  # bytes; with more, one talker would keep the physics waiting
_MOST_UNSENT = 1 << 20
_MOST_WAITING_EVENTS = 10_000
_LOCK_TERMINAL = 0x40045431  # Linux: TIOCSPTLCK, which makes opening the slave of a pseudo-terminal fail


class Line:
    """One open line to an instrument, by its file descriptor, with what could not be sent yet."""

    def __init__(self, instrument: Instrument, descriptor: int, keeps: int | None = None) -> None:
        os.set_blocking(descriptor, False)
        self.instrument = instrument
        self.connection = instrument.connect()
        self.descriptor = descriptor
        self.unsent = b""
        self.last_due = 0.0
        self.closed = False
        self._keeps = keeps

    def receive(self) -> bytes | None:
        """The bytes that are there; nothing at the end of the line, None if none are there now."""
        try:
            return os.read(self.descriptor, _READ_AT_ONCE)
        except BlockingIOError:
            return None
        except OSError:
            return b""

    def gone(self) -> bool:
        """Whether it was closed at either end, even if nobody has seen it yet; for sockets."""
        if self.closed:
            return True
        with socket.socket(fileno=os.dup(self.descriptor)) as looked_at:
            try:
                return looked_at.recv(1, socket.MSG_PEEK | socket.MSG_DONTWAIT) == b""
            except BlockingIOError:
                return False
            except OSError:
                return True

    def send(self, data: bytes) -> bool:
        """Send what waits and then these bytes, as far as there is room; False when the line is lost or stuck."""
        data = self.unsent + data if self.unsent else data
        try:
            sent = os.write(self.descriptor, data)
        except BlockingIOError:
            sent = 0
        except OSError:
            return False
        self.unsent = data[sent:]
        if len(self.unsent) > _MOST_UNSENT:
            self.instrument.status.add_error(-430)  # it can neither answer nor go on listening
            if self._keeps is None:
                return False
            self.unsent = b""  # a serial line loses what nobody reads
        return True

    def close(self) -> None:
        """Give the line up."""
        self.closed = True
        os.close(self.descriptor)
        if self._keeps is not None:
            os.close(self._keeps)


class TcpPort:
    """A port of the loopback interface at which an instrument takes any number of connections, or only one."""

    def __init__(self, instrument: Instrument) -> None:
        self.instrument = instrument
        self.fault: str | None = None
        self.lines: set[Line] = set()
        # A second socket that never listens keeps the number ours while connections are refused.
        self._reserve, number = _bound(0)
        self._number = number
        self.listener: socket.socket | None = None
        self.refuse(False)
        self.address = f"TCPIP0::127.0.0.1::{number}::SOCKET"

    def accept(self) -> Line | None:
        """The line of a new connection, or None if it has gone again."""
        if self.listener is None:
            return None
        try:
            connected, _ = self.listener.accept()
        except OSError:
            return None
        if self.instrument.takes_one and any(not line.gone() for line in self.lines):
            connected.close()
            return None
        connected.setsockopt(socket.IPPROTO_TCP, socket.TCP_NODELAY, 1)
        self.lines = {line for line in self.lines if not line.closed}
        line = Line(self.instrument, connected.detach())
        self.lines.add(line)
        return line

    def refuse(self, refusing: bool) -> None:
        """Refuse new connections, or take them."""
        if self.listener is not None:
            self.listener.close()
            self.listener = None
        if not refusing:
            self.listener, _ = _bound(self._number)
            self.listener.listen(16)

    def close(self) -> None:
        """Close the port; its lines are closed by whoever watches them."""
        self.refuse(True)
        self._reserve.close()


class SerialPort:
    """A pseudo-terminal as the serial line of an instrument; once cut by the fault "closed" it is gone for good."""

    listener: socket.socket | None = None

    def __init__(self, instrument: Instrument) -> None:
        self.instrument = instrument
        self.fault: str | None = None
        self._master, slave = os.openpty()
        tty.setraw(slave)
        self._line = Line(instrument, self._master, keeps=slave)  # without an open slave the master reads errors
        self.lines = {self._line}
        self.address = f"ASRL{os.ttyname(slave)}::INSTR"

    def accept(self) -> Line | None:
        """Nothing: a serial line is there from the start."""
        return None

    def refuse(self, refusing: bool) -> None:
        """Let opening the line fail, or succeed; Linux also cuts what is open when somebody tries in vain."""
        if sys.platform == "linux" and not self._line.closed:
            fcntl.ioctl(self._master, _LOCK_TERMINAL, struct.pack("i", refusing))

    def close(self) -> None:
        """Nothing is left to close but the line."""


class EventLines:
    """Lines of text to whoever started the simulator; events are JSON objects, one a line, sent at once.

    A reader that stops reading never keeps the physics waiting: lines then wait here, the newest ten thousand of them.
    """

    def __init__(self, stream: TextIO) -> None:
        self._stream = stream
        self._descriptor: int | None = None
        self._room = select.poll()
        self.waiting: deque[str] = deque(maxlen=_MOST_WAITING_EVENTS)
        with contextlib.suppress(OSError, ValueError):  # a stream in memory has no descriptor, and always room
            self._descriptor = stream.fileno()
            self._room.register(self._descriptor, select.POLLOUT)
            stream.flush()

    def __call__(self, event: Mapping[str, Any]) -> None:
        """Send one event."""
        self.line(json.dumps(event, separators=(",", ":")))

    def line(self, text: str) -> None:
        """Send one line."""
        self.waiting.append(text)
        self.pump()

    def pump(self) -> None:
        """Send the lines that wait, as far as there is room; when nobody can ever read them they are dropped."""
        while self.waiting and (self._descriptor is None or self._room.poll(0)):
            text = self.waiting.popleft() + "\n"
            if self._descriptor is None:
                self._stream.write(text)
                continue
            try:
                os.write(self._descriptor, text.encode())
            except OSError:
                self.waiting.clear()


def _bound(number: int) -> tuple[socket.socket, int]:
    bound = socket.socket(socket.AF_INET, socket.SOCK_STREAM)
    bound.setsockopt(socket.SOL_SOCKET, socket.SO_REUSEPORT, 1)
    bound.bind(("127.0.0.1", number))
    bound.setblocking(False)
    return bound, int(bound.getsockname()[1])
