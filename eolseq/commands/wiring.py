"""Pairs a clock with the way to the instruments, and refuses mixtures. The composition root of the program.

Real sessions go with the system clock, the in-process pyvisa library with the virtual one.
"""

from __future__ import annotations

import contextlib
import json
import subprocess
import sys
from collections.abc import Callable, Iterator, Mapping
from contextlib import contextmanager
from dataclasses import dataclass
from pathlib import Path
from threading import Lock
from typing import IO, Any

from eolseq.clock import Clock, SystemClock, VirtualClock
from eolseq.errors import StationFault, WrongUse
from eolseq.station.file import Station

Order = Callable[[Mapping[str, Any]], Any]
"""Tells a simulated station to do something to itself; see ``simulation.bay.Bay.obey``. ``read`` gives a number."""

CHILD_START = 15.0  # seconds for the simulated station to say its addresses
CARRIED_OUT_WITHIN = 5.0  # seconds for it to do what it is told


@dataclass(frozen=True)
class Wires:
    """A clock, the pyvisa resource manager that belongs to it, and every instrument's address by name."""

    clock: Clock
    manager: Any
    addresses: Mapping[str, str]

    def __post_init__(self) -> None:
        virtual_library = type(self.manager.visalib).__name__ == "SimulatedVisa"
        if virtual_library != isinstance(self.clock, VirtualClock):
            raise WrongUse("A virtual clock was paired with real sessions, or the other way round.",
                           "Use one of the functions of eolseq/commands/wiring.py.")


def real_wires(addresses: Mapping[str, str]) -> Wires:
    """The system clock and real sessions, for addresses that are open already or belong to real instruments."""
    from eolseq.instruments.link import resource_manager

    return Wires(SystemClock(), resource_manager("@py"), dict(addresses))


@contextmanager
def virtual_wires(world: Any, clock: VirtualClock) -> Iterator[Wires]:
    """A virtual clock and the in-process library over a simulated world's instruments."""
    import pyvisa

    from eolseq.simulation.visa_library import SimulatedVisa

    found = list(world.instruments())
    addresses = {name: f"TCPIP0::simulated::{5000 + n}::SOCKET" if link == "tcp" else f"ASRL/dev/sim{n}::INSTR"
                 for n, (name, _, link) in enumerate(found)}
    manager = pyvisa.ResourceManager(SimulatedVisa({addresses[name]: each for name, each, _ in found}, clock))
    try:
        yield Wires(clock, manager, addresses)
    finally:
        manager.close()


@contextmanager
def simulated_child(station: Station, station_path: Path, serial: str, defect: str | None,
                    open_guard_after: float | None, bay: str | None = None) -> Iterator[Mapping[str, str]]:
    """Start the simulated station as a process in a session of its own; gives every instrument's address.

    Its standard input is its lifeline: when this program dies, however it dies, the simulated station ends too.
    """
    with simulated_bench(station, station_path, serial, defect, open_guard_after, bay) as (addresses, _):
        yield addresses


@contextmanager
def simulated_bench(station: Station, station_path: Path, serial: str, defect: str | None = None,
                    open_guard_after: float | None = None,
                    bay: str | None = None) -> Iterator[tuple[Mapping[str, str], Order]]:
    """The same, with the way to tell the simulated station to do something to itself, such as opening a contact."""
    words = [sys.executable, "-m", "eolseq", "simulate", str(station_path), "--unit", serial, "--lifeline"]
    words += ["--defect", defect] if defect else []
    words += ["--bay", bay] if bay is not None and len(station.bays) > 1 else []
    words += ["--open-guard-after", str(open_guard_after)] if open_guard_after is not None else []
    child = subprocess.Popen(words, stdin=subprocess.PIPE, stdout=subprocess.PIPE, start_new_session=True, bufsize=0)
    try:
        stream = child.stdin
        if stream is None:
            raise StationFault("The simulated station takes no orders.", "Start it again.")
        told = _Told(stream)
        yield _addresses(child, [each.name for each in station.instruments], told), told.order
    finally:
        _end(child)


def _addresses(child: subprocess.Popen[bytes], names: list[str], told: _Told) -> dict[str, str]:
    """The first lines of the child: one instrument each. Its later lines are read by a task of their own.

    The simulator may have more instruments than the station; one that lacks some ends by itself, with the reason.
    """
    found: dict[str, str] = {}
    stream = child.stdout
    if stream is None:
        raise StationFault("The simulated station has no output.", "Start it again.")
    lines = _Lines(stream)
    while not found.keys() >= set(names):
        line = lines.next()
        if not line:
            raise StationFault("The simulated station ended before it was ready.",
                               "Run 'eolseq simulate' with the same station file to see why.")
        name, _, address = line.strip().partition(" ")
        found[name] = address
    SystemClock().start("simulator output", lambda: lines.drain(told.hear))
    return found


class _Told:
    """Orders to the child, each waited for until it is carried out, and what its reference meters show."""

    def __init__(self, stream: IO[bytes]) -> None:
        self._stream = stream
        self._clock = SystemClock()
        self._heard = self._clock.signal()
        self._one_at_a_time = Lock()  # bays give orders side by side
        self._given = 0
        self._done = 0
        self._refused = ""
        self._shows: float | None = None

    def order(self, order: Mapping[str, Any]) -> float | None:
        """Give an order and wait until it is carried out; for ``read`` what the meter shows, None: it sees nothing."""
        with self._one_at_a_time:
            self._heard.clear()
            self._given += 1
            control(self._stream, {**order, "number": self._given})
            if not self._clock.wait(self._heard, CARRIED_OUT_WITHIN) or self._done != self._given:
                raise StationFault(f"The simulated station did not carry out an order ({', '.join(order)})"
                                   + (f": {self._refused}" if self._refused else " in time."), "Start it again.")
            return self._shows if "read" in order else None

    def hear(self, line: bytes) -> None:
        """Take a line of the child; what tells neither of an order nor of a reference meter is passed over."""
        if b'"reference"' in line:
            shows = json.loads(line)["shows"]
            self._shows = None if shows is None else float(shows)
        elif b'"carried out"' in line:
            self._done = json.loads(line)["carried out"]
            self._heard.set()
        elif b'"not understood"' in line:
            self._refused = str(json.loads(line)["because"])
            self._heard.set()


class _Lines:
    """Lines of an unbuffered stream."""

    def __init__(self, stream: IO[bytes]) -> None:
        self._stream = stream
        self._rest = b""

    def next(self) -> str:
        while b"\n" not in self._rest:
            chunk = self._stream.read(4096)
            if not chunk:
                return ""
            self._rest += chunk
        line, self._rest = self._rest.split(b"\n", 1)
        return line.decode("utf-8", "replace")

    def drain(self, hear: Callable[[bytes], None]) -> None:
        """Read on until the stream ends, and hand every whole line on."""
        with contextlib.suppress(OSError, ValueError):
            while chunk := self._stream.read(4096):
                *lines, self._rest = (self._rest + chunk).split(b"\n")
                for line in lines:
                    hear(line)


def _end(child: subprocess.Popen[bytes]) -> None:
    """Let go of the lifeline and wait; kill what does not end."""
    if child.stdin is not None:
        child.stdin.close()
    try:
        child.wait(timeout=5)
    except subprocess.TimeoutExpired:
        child.kill()
        child.wait()
    if child.stdout is not None:
        child.stdout.close()


def control(child_input: IO[bytes], order: Mapping[str, Any]) -> None:
    """Tell a simulated station to do something to itself, such as opening its guard."""
    child_input.write(json.dumps(order).encode() + b"\n")
    child_input.flush()
