"""Serves simulated instruments in real time on loopback sockets and pseudo-terminals, from one thread.

What whoever started it needs to know goes out as lines: first the addresses, then one JSON object per event. Lines
that come in on the lifeline are handed to a control function; the end of the lifeline ends the server.
"""

from __future__ import annotations

import heapq
import itertools
import json
import os
import selectors
import signal
import threading
import time
from collections.abc import Callable, Sequence
from functools import partial
from typing import Any

from eolseq.errors import EolseqError, WrongUse
from eolseq.simulation.instrument import Instrument, delivery
from eolseq.simulation.lines import EventLines, Line, SerialPort, TcpPort

__all__ = ["MARK", "PERIOD", "Control", "EventLines", "Server", "serve"]

PERIOD = 1e-3
"""Seconds from one tick of the physics to the next; the operating system adds up to one millisecond."""

MARK = "number"
"""A key beside an order: once it is carried out, an event says so with the value of this key."""

_LONGEST_CONTROL = 65536

Control = Callable[[dict[str, Any]], None]


class Server:
    """Instruments on their ports, the physics' tick and the lifeline, in one loop that ``run`` runs until ``stop``."""

    def __init__(self, instruments: Sequence[tuple[str, Instrument, str]], *, tick: Callable[[float], None],
                 control: Control | None = None, lifeline: int | None = None,
                 events: EventLines | None = None) -> None:
        self._tick = tick
        self._control = control
        self._events = events
        self._selector = selectors.DefaultSelector()
        self._ports = [_port(instrument, link) for _, instrument, link in instruments]
        self._names = [name for name, _, _ in instruments]
        self._due: list[tuple[float, int, Line, bytes]] = []
        self._arrivals = itertools.count()
        self._stopping = False
        self._control_text = b""
        for port in self._ports:
            self._watch_port(port)
        self._follow_faults()  # what is refused from the start is so before anybody knows the address
        if lifeline is not None:
            self._watch_lifeline(lifeline)

    @property
    def addresses(self) -> list[tuple[str, str]]:
        """Names and VISA addresses, sockets first."""
        pairs = zip(self._names, self._ports, strict=True)
        return [(name, port.address) for name, port in sorted(pairs, key=lambda pair: isinstance(pair[1], SerialPort))]

    def stop(self) -> None:
        """End ``run`` within two ticks; may be called from any thread and from a signal handler."""
        self._stopping = True

    def run(self) -> None:
        """Serve until stopped, then close everything."""
        try:
            following = time.monotonic()
            while not self._stopping:
                now = time.monotonic()
                if now >= following:
                    self._beat(now)
                    following = now + PERIOD
                wanted = min(following, self._due[0][0]) if self._due else following
                for key, events in self._selector.select(max(0.0, wanted - time.monotonic())):
                    key.data(events)
                if self._due:
                    self._deliver(time.monotonic())
        finally:
            self._close()

    def _beat(self, now: float) -> None:
        """Move the physics, follow the faults that act on connections, hand on events that had to wait."""
        self._tick(now)
        self._follow_faults()
        if self._events is not None and self._events.waiting:
            self._events.pump()

    def _follow_faults(self) -> None:
        for port in self._ports:
            if port.instrument.fault is not port.fault:
                self._change_fault(port)

    def _change_fault(self, port: TcpPort | SerialPort) -> None:
        was, port.fault = port.fault, port.instrument.fault
        if "refused" in (was, port.fault):
            if port.listener is not None:
                self._selector.unregister(port.listener)
            port.refuse(port.fault == "refused")
            self._watch_port(port, again=True)
        if port.fault == "closed":
            for line in tuple(port.lines):
                self._drop(line)

    def _watch_port(self, port: TcpPort | SerialPort, again: bool = False) -> None:
        if port.listener is not None:
            self._selector.register(port.listener, selectors.EVENT_READ, partial(self._accept, port))
        if not again:
            for line in port.lines:
                self._watch_line(line)

    def _watch_line(self, line: Line) -> None:
        self._selector.register(line.descriptor, selectors.EVENT_READ, partial(self._serve, line))

    def _accept(self, port: TcpPort | SerialPort, _: int) -> None:
        line = port.accept()
        if line is not None:
            self._watch_line(line)

    def _serve(self, line: Line, events: int) -> None:
        """Take what came on a line, or send what had to wait for room."""
        if events & selectors.EVENT_WRITE:
            self._send(line, b"")
        if not events & selectors.EVENT_READ or line.closed:
            return
        data = line.receive()
        if data is None:
            return
        if not data or line.instrument.fault == "closed":
            self._drop(line)
            return
        now = time.monotonic()
        answer = line.connection.receive(data, now)
        if not answer:
            return
        if line.instrument.fault is None and line.last_due <= now:
            self._send(line, answer)
            return
        for due, part in delivery(line.instrument, answer, now):
            line.last_due = max(due, line.last_due)
            heapq.heappush(self._due, (line.last_due, next(self._arrivals), line, part))

    def _deliver(self, now: float) -> None:
        while self._due and self._due[0][0] <= now:
            _, _, line, part = heapq.heappop(self._due)
            if not line.closed:
                self._send(line, part)

    def _send(self, line: Line, data: bytes) -> None:
        was_waiting = bool(line.unsent)
        if not line.send(data):
            self._drop(line)
        elif bool(line.unsent) != was_waiting:
            wanted = selectors.EVENT_READ | (selectors.EVENT_WRITE if line.unsent else 0)
            self._selector.modify(line.descriptor, wanted, partial(self._serve, line))

    def _drop(self, line: Line) -> None:
        if not line.closed:
            self._selector.unregister(line.descriptor)
            line.close()

    def _watch_lifeline(self, lifeline: int) -> None:
        try:
            self._selector.register(lifeline, selectors.EVENT_READ, partial(self._read_lifeline, lifeline))
        except PermissionError:  # a plain file or the null device: its end has been reached already
            self._stopping = True

    def _read_lifeline(self, lifeline: int, _: int) -> None:
        data = os.read(lifeline, 65536)
        if not data:
            self._stopping = True
            return
        *lines, self._control_text = (self._control_text + data).split(b"\n")
        self._control_text = self._control_text[:_LONGEST_CONTROL]
        for line in lines:
            self._obey(line)

    def _obey(self, line: bytes) -> None:
        """Hand one control line on; one that cannot be understood is answered by an event that says so."""
        try:
            wish = json.loads(line)
            if not isinstance(wish, dict) or self._control is None:
                raise WrongUse("No control line was expected, or it is not a JSON object.")
            mark = wish.pop(MARK, None)
            self._tick(time.monotonic())  # so that what it does happens now, not at the last beat
            self._control(wish)
            if mark is not None and self._events is not None:
                self._events({"carried out": mark})
        except (ValueError, RecursionError, EolseqError) as error:
            if self._events is not None:
                self._events({"not understood": line[:200].decode("utf-8", "replace"), "because": str(error)})

    def _close(self) -> None:
        for port in self._ports:
            for line in tuple(port.lines):
                self._drop(line)
            port.close()
        self._selector.close()


def serve(instruments: Sequence[tuple[str, Instrument, str]], *, tick: Callable[[float], None], out: EventLines,
          lifeline: int | None = None, control: Control | None = None) -> None:
    """Serve instruments, each with its name and its link ("tcp" or "serial"), until the lifeline or a signal ends it.

    ``tick`` is told the time in seconds of CLOCK_MONOTONIC every 1 to 2 ms. The first lines out are names and VISA
    addresses; ``out`` may be called by the physics with events at any time.
    """
    server = Server(instruments, tick=tick, control=control, lifeline=lifeline, events=out)
    for name, address in server.addresses:
        out.line(f"{name} {address}")
    if threading.current_thread() is not threading.main_thread():
        server.run()
        return
    before = {number: signal.signal(number, lambda *_: server.stop()) for number in (signal.SIGINT, signal.SIGTERM)}
    try:
        server.run()
    finally:
        for number, handler in before.items():
            signal.signal(number, handler)


def _port(instrument: Instrument, link: str) -> TcpPort | SerialPort:
    if link == "tcp":
        return TcpPort(instrument)
    if link == "serial":
        return SerialPort(instrument)
    raise WrongUse(f"The link {link!r} of {instrument.name} is not known.", "Write tcp or serial.")
