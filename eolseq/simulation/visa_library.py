"""A pyvisa library in this process: simulated instruments in the time of a clock that is handed in.

With a virtual clock the program's whole way through pyvisa runs thousands of times faster than real time. A message
takes ``EXCHANGE`` seconds of clock time to arrive, so that another task may come before it, as on a real wire.
"""

from __future__ import annotations

import itertools
from collections.abc import Mapping
from typing import Any

from pyvisa import constants, rname
from pyvisa.constants import AccessModes, EventMechanism, EventType, ResourceAttribute, StatusCode
from pyvisa.errors import VisaIOError
from pyvisa.highlevel import VisaLibraryBase
from pyvisa.typing import VISARMSession, VISASession
from pyvisa.util import LibraryPath

from eolseq.clock import Clock
from eolseq.simulation.instrument import Instrument, delivery

EXCHANGE = 0.2e-3
"""Seconds of clock time that a message takes."""

_SUCCESS, _ENDED = StatusCode.success, StatusCode.success_termination_character_read
_NEARLY = 1e-9  # seconds; two instants that are nearer than this are one, whatever floating point made of them
_INTERFACES = {"TCPIP": constants.InterfaceType.tcpip, "ASRL": constants.InterfaceType.asrl}
_SERIAL = {
    ResourceAttribute.asrl_baud_rate: 9600, ResourceAttribute.asrl_data_bits: 8,
    ResourceAttribute.asrl_parity: constants.Parity.none, ResourceAttribute.asrl_stop_bits: constants.StopBits.one,
    ResourceAttribute.asrl_flow_control: constants.ControlFlow.none,
    ResourceAttribute.asrl_end_in: constants.SerialTermination.termination_char,
    ResourceAttribute.asrl_end_out: constants.SerialTermination.none,
}


class SimulatedSession:
    """One open line to a simulated instrument; what a session over a real wire offers, in the time of a clock."""

    def __init__(self, instrument: Instrument, address: str, clock: Clock, exchange: float) -> None:
        self.instrument = instrument
        self.dirty = False
        self.lost = False
        self.aborted = False
        self.attributes: dict[ResourceAttribute, Any] = _first_attributes(address)
        self._end = self._end_of_answers()
        self._connection = instrument.connect()
        self._clock = clock
        self._monotonic, self._sleep = clock.monotonic, clock.sleep
        self._exchange = exchange
        self._wake = clock.signal()
        self._reading = False
        self._buffer = b""
        self._arriving: list[tuple[float, bytes]] = []
        instrument.fault_listeners.append(self._fault_changed)

    def write(self, data: bytes) -> tuple[int, StatusCode]:
        """Send bytes; they act when they have arrived, one exchange later, even if an abort comes in between."""
        if self.aborted or self.dirty:
            raise VisaIOError(self._refusal())
        self._carry(data)
        return len(data), _SUCCESS

    def write_now(self, data: bytes, seconds: float) -> StatusCode:
        """Send bytes whatever else goes on in this session, aborted or dirty or not; it takes one exchange at most."""
        try:
            self._carry(data)
        except VisaIOError as error:
            return StatusCode(error.error_code)
        return StatusCode.success

    def read(self, count: int) -> tuple[bytes, StatusCode]:
        """Bytes up to the termination character or so many; waits in clock time for at most the time-out."""
        if self.aborted or self.dirty:
            raise VisaIOError(self._refusal())
        buffer, end = self._buffer, self._end
        if end is not None and len(buffer) <= count and buffer.find(end) == len(buffer) - 1 >= 0:
            self._buffer = b""  # one whole answer, as nearly always
            return buffer, _ENDED
        found = self._take(count) if buffer else None
        return found if found is not None else self._await(count)

    def set_attribute(self, attribute: ResourceAttribute, state: Any) -> None:
        """Change an attribute."""
        self.attributes[attribute] = state
        self._end = self._end_of_answers()

    def _end_of_answers(self) -> int | None:
        """The byte that ends an answer, or None when none does."""
        attributes = self.attributes
        enabled = attributes[ResourceAttribute.termchar_enabled]
        return int(attributes[ResourceAttribute.termchar]) if enabled else None

    def abort(self) -> None:
        """End a blocked read at once, and refuse every read and write until ``clear_abort``."""
        self.aborted = True
        self._wake.set()

    def clear_abort(self) -> None:
        """Allow reads and writes again."""
        self.aborted = False

    @property
    def pending(self) -> bytes:
        """The bytes that have arrived and have not been read."""
        return self._buffer

    def waiting(self) -> int:
        """Look, without waiting, how many bytes have arrived that nobody read."""
        if self._arriving:
            self._arrive(self._monotonic())
        return len(self._buffer)

    def discard(self) -> None:
        """Drop what has arrived and has not been read."""
        self._buffer = b""

    def close(self) -> None:
        """Give the line up; a blocked read ends as on a lost connection."""
        self.instrument.fault_listeners.remove(self._fault_changed)
        self._lose()

    def _refusal(self) -> StatusCode:
        if self.lost:
            return StatusCode.error_connection_lost
        return StatusCode.error_abort if self.aborted else StatusCode.error_io

    def _carry(self, data: bytes) -> None:
        instrument = self.instrument
        if self.lost or instrument.fault is not None:
            self._check_lost()
        self._sleep(self._exchange)
        if self.lost or instrument.fault is not None:
            self._check_lost()
        now = self._monotonic()
        answer = self._connection.receive(data, now)
        if not answer:
            return
        if instrument.fault is None and not self._arriving:
            self._buffer += answer
        else:
            earliest = self._arriving[-1][0] if self._arriving else now
            self._arriving.extend((max(due, earliest), part) for due, part in delivery(instrument, answer, now))
        if self._reading:
            self._wake.set()

    def _take(self, count: int) -> tuple[bytes, StatusCode] | None:
        """What can be handed over of the bytes that have arrived."""
        buffer, length = self._buffer, count
        status = StatusCode.success_max_count_read
        if self._end is not None:
            place = buffer.find(self._end, 0, count)
            if place >= 0:
                length, status = place + 1, _ENDED
            elif len(buffer) < count:
                return None
        elif len(buffer) <= count:
            length, status = len(buffer), _SUCCESS
        self._buffer = buffer[length:]
        return buffer[:length], status

    def _await(self, count: int) -> tuple[bytes, StatusCode]:
        timeout = self.attributes[ResourceAttribute.timeout_value]
        deadline = None if timeout == constants.VI_TMO_INFINITE else self._clock.monotonic() + timeout * 1e-3
        self._reading = True
        try:
            while True:
                now = self._clock.monotonic()
                self._arrive(now)
                found = self._take(count) if self._buffer else None
                if found is not None:
                    return found
                self._check_lost()
                if deadline is not None and now >= deadline - _NEARLY:
                    raise VisaIOError(StatusCode.error_timeout)
                self._pause(now, deadline)
        except VisaIOError:
            self.dirty = True  # an answer that comes after this belongs to a question nobody asks any more
            raise
        finally:
            self._reading = False

    def _pause(self, now: float, deadline: float | None) -> None:
        """Wait for bytes, an abort or the deadline."""
        instants = [due for due, _ in self._arriving[:1]] + ([deadline] if deadline is not None else [])
        self._wake.clear()
        self._clock.wait(self._wake, min(instants) - now if instants else None)
        if self.aborted:
            raise VisaIOError(StatusCode.error_abort)

    def _arrive(self, now: float) -> None:
        while self._arriving and self._arriving[0][0] <= now + _NEARLY:
            self._buffer += self._arriving.pop(0)[1]

    def _check_lost(self) -> None:
        if self.instrument.fault == "closed":
            self._lose()
        if self.lost:
            raise VisaIOError(StatusCode.error_connection_lost)

    def _lose(self) -> None:
        self.lost = self.dirty = True
        self._wake.set()

    def _fault_changed(self) -> None:
        if self.instrument.fault == "closed":
            self._lose()


class SimulatedVisa(VisaLibraryBase):
    """Simulated instruments by their VISA addresses, to be handed to ``pyvisa.ResourceManager``.

    Every library has a path of its own, since pyvisa keeps one library for each path.
    """

    _numbers = itertools.count(1)
    sessions: dict[int, SimulatedSession]

    def __new__(cls, instruments: Mapping[str, Instrument], clock: Clock, exchange: float = EXCHANGE) -> SimulatedVisa:
        """A new library; never one that exists already."""
        made = super().__new__(cls, LibraryPath(f"simulated station {next(cls._numbers)}", "simulated"))
        if not isinstance(made, cls):
            raise TypeError("pyvisa made a library of another class")
        return made

    def __init__(self, instruments: Mapping[str, Instrument], clock: Clock, exchange: float = EXCHANGE) -> None:
        self.sessions = {}
        self._instruments = {_canonical(address): instrument for address, instrument in instruments.items()}
        self._clock = clock
        self._exchange = exchange
        self._handles = itertools.count(2)

    def write(self, session: VISASession, data: bytes) -> tuple[int, StatusCode]:
        """Send bytes to an instrument."""
        try:
            line = self.sessions[session]
        except KeyError:
            raise VisaIOError(StatusCode.error_invalid_object) from None
        return line.write(data)

    def read(self, session: VISASession, count: int) -> tuple[bytes, StatusCode]:
        """Read bytes from an instrument."""
        try:
            line = self.sessions[session]
        except KeyError:
            raise VisaIOError(StatusCode.error_invalid_object) from None
        return line.read(count)

    def open_default_resource_manager(self) -> tuple[VISARMSession, StatusCode]:
        """The session of the resource manager."""
        return VISARMSession(1), StatusCode.success

    def list_resources(self, session: VISARMSession, query: str = "?*::INSTR") -> tuple[str, ...]:
        """The addresses of this library that match; nothing is searched for."""
        return rname.filter(self._instruments, query)

    def open(self, session: VISARMSession, resource_name: str, access_mode: AccessModes = AccessModes.no_lock,
             open_timeout: int = constants.VI_TMO_IMMEDIATE) -> tuple[VISASession, StatusCode]:
        """Open a line; an unknown address and one that refuses are not found."""
        address = _canonical(resource_name)
        instrument = self._instruments.get(address)
        if instrument is None or instrument.fault == "refused":
            raise VisaIOError(StatusCode.error_resource_not_found)
        handle = VISASession(next(self._handles))
        self.sessions[handle] = SimulatedSession(instrument, address, self._clock, self._exchange)
        self._last_status_in_session[handle] = StatusCode.success
        return handle, StatusCode.success

    def close(self, session: Any) -> StatusCode:
        """Close a line; closing the resource manager's session closes all."""
        handles: list[Any] = list(self.sessions) if session == 1 else [session]
        for handle in handles:
            line = self.sessions.pop(handle, None)
            if line is not None:
                line.close()
            self._last_status_in_session.pop(handle, None)
            self._ignore_warning_in_session.pop(handle, None)
        return StatusCode.success

    def get_attribute(self, session: Any, attribute: Any) -> tuple[Any, StatusCode]:
        """The state of an attribute of a line."""
        line = self.sessions.get(session)
        if line is None:
            raise VisaIOError(StatusCode.error_invalid_object)
        if attribute not in line.attributes:
            raise VisaIOError(StatusCode.error_nonsupported_attribute)
        return line.attributes[attribute], StatusCode.success

    def set_attribute(self, session: Any, attribute: Any, attribute_state: Any) -> StatusCode:
        """Set an attribute that a line has."""
        self.get_attribute(session, attribute)
        self.sessions[session].set_attribute(attribute, attribute_state)
        return StatusCode.success

    def clear(self, session: VISASession) -> StatusCode:
        """Drop what has arrived; a line that is dirty stays so until it is opened anew."""
        self.get_attribute(session, ResourceAttribute.timeout_value)
        self.sessions[session].discard()
        return StatusCode.success

    def flush(self, session: VISASession, mask: Any) -> StatusCode:
        """Drop what has arrived, if reading buffers are named; nothing waits to be sent."""
        if mask & (constants.BufferOperation.discard_read_buffer | constants.BufferOperation.discard_receive_buffer):
            self.clear(session)
        return StatusCode.success

    def disable_event(self, session: VISASession, event_type: EventType, mechanism: EventMechanism) -> StatusCode:
        """There are no events: instruments are polled."""
        return StatusCode.success

    def discard_events(self, session: VISASession, event_type: EventType, mechanism: EventMechanism) -> StatusCode:
        """There are no events: instruments are polled."""
        return StatusCode.success


def _canonical(address: str) -> str:
    try:
        return str(rname.ResourceName.from_string(address))
    except ValueError as error:
        raise VisaIOError(StatusCode.error_invalid_resource_name) from error


def _first_attributes(address: str) -> dict[ResourceAttribute, Any]:
    """The attributes that a line has when it was just opened."""
    parsed = rname.ResourceName.from_string(address)
    attributes: dict[ResourceAttribute, Any] = {
        ResourceAttribute.timeout_value: 2000, ResourceAttribute.termchar: 0x0A,
        ResourceAttribute.termchar_enabled: False, ResourceAttribute.suppress_end_enabled: True,
        ResourceAttribute.send_end_enabled: True,
        ResourceAttribute.interface_type: _INTERFACES.get(parsed.interface_type, constants.InterfaceType.unknown),
        ResourceAttribute.interface_number: 0, ResourceAttribute.resource_class: parsed.resource_class,
        ResourceAttribute.resource_name: address, ResourceAttribute.tcpip_nodelay: True,
    }
    if parsed.interface_type == "ASRL":
        del attributes[ResourceAttribute.tcpip_nodelay]
        attributes.update(_SERIAL)
    return attributes
