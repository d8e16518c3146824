"""The narrow door to one instrument: messages out, answers in, over any pyvisa library.

Every error of the stack below leaves here as one of ours, with the instrument's name, the message and the reply so
far. One rule stands above the others: an old answer is never given for a new question. After a time-out, an abort or a
lost line the link is *dirty* and asks nothing until ``reopen``; and an answer that nobody asked for is a fault.
"""

from __future__ import annotations

import contextlib
import termios
import threading
from collections.abc import Callable
from typing import Any

import pyvisa
from pyvisa import constants
from pyvisa.constants import ResourceAttribute, StatusCode

from eolseq.clock import Clock
from eolseq.errors import InstrumentFault, LinkAborted, LinkFault, LinkLost, LinkNotOpen, LinkTimeout
from eolseq.instruments.line import LONGEST_REPLY, Line, decoded, encoded, shown
from eolseq.instruments.waits import Trace, told

__all__ = ["LONGEST_REPLY", "OFF_SECONDS", "Line", "Link", "Trace", "open_link", "resource_manager"]

OFF_SECONDS = 0.05
"""How long a stop line may try to write OFF, in seconds."""

MOST_KEPT, SHORT_REPLY = 256, 64
"""How many messages of one line are kept as bytes, and replies of at most so many bytes as text."""

STACK_ERRORS = (pyvisa.errors.Error, OSError, RuntimeError, TypeError, ValueError, termios.error)

PARITIES = {"none": constants.Parity.none, "even": constants.Parity.even, "odd": constants.Parity.odd}
STOP_BITS = {1: constants.StopBits.one, 2: constants.StopBits.two}
HANDSHAKES = {"none": constants.ControlFlow.none, "lines": constants.ControlFlow.rts_cts,
              "characters": constants.ControlFlow.xon_xoff}


class Link:
    """The line to one instrument, owned by one task; ``abort`` and ``send_off`` may come from any other.

    ``trace``, where set, sees every message and reply.
    """

    stack_errors: tuple[type[Exception], ...] = STACK_ERRORS
    open_errors: tuple[type[Exception], ...] = (*STACK_ERRORS, AttributeError, LookupError)
    """What the stack below may raise, and when a line is opened; each leaves here as one of ours."""

    def __init__(self, manager: Any, name: str, address: str, line: Line, clock: Clock) -> None:
        self.name = name
        self.address = address
        self.line = line
        self.trace: Trace | None = getattr(manager, "trace", None)  # see ``tracing.TracingManager``
        self._manager = manager
        self._visalib = manager.visalib
        self._clock = clock
        self._monotonic = clock.monotonic
        self._turn = threading.Lock()  # tried, never waited for: a second user at the same time is a mistake
        self._encoded: dict[str, bytes] = {}  # messages sent before, as bytes
        self._decoded: dict[bytes, str] = {}  # short replies that came before, as text
        self._resource: Any = None
        self._session: Any = None
        self._handle: Any = None
        self._waiting: Callable[[], int] | None = None
        self._allowed = 0              # ms, what the session was last given
        self._aborted = False
        self._dirty = False
        self._owed_off = b""           # an OFF that could not be written yet
        self._open()

    # Messages.

    def send(self, message: str, within: float) -> None:
        """Send a message that has no reply, within so many seconds."""
        if not self._turn.acquire(False):
            raise self._in_use(message)
        try:
            self._put(message, within)
            if self._dirty:
                raise self._stopped(message)
        finally:
            self._turn.release()

    def ask(self, message: str, within: float) -> str:
        """Send a message and give its reply without the terminator, both within so many seconds."""
        if not self._turn.acquire(False):
            raise self._in_use(message)
        try:
            reply = self._get(message, self._put(message, within), within)
            if self._dirty:
                raise self._stopped(message)
            return reply
        finally:
            self._turn.release()

    def receive(self, within: float) -> str:
        """Give one more reply to the last message, within so many seconds."""
        if not self._turn.acquire(False):
            raise self._in_use("")
        try:
            self._check_usable("")
            reply = self._get("", self._monotonic() + within, within)
            if self._dirty:
                raise self._stopped("")
            return reply
        finally:
            self._turn.release()

    def send_off(self, message: str, within: float = OFF_SECONDS) -> None:
        """Write OFF at once, from any task, whatever the line is doing, and for at most so many seconds.

        On a line that others use it goes between two terminators in one write, so that half a message cannot swallow
        it. An OFF that could not be written is written first thing when the link is opened again.
        """
        end = self.line.end
        data = message.encode("ascii") + end
        if not self.line.second_connection or self._dirty or self._turn.locked():
            data = end + data
        if self._turn.locked() or self.line.echo:
            self._dirty = True  # what answers now may answer OFF
        self._owed_off = data
        session = self._session
        if session is None:
            raise LinkNotOpen(f"{self.name} is not open, so OFF was not sent.",
                              "It is sent when the line opens; use the emergency stop now.", instrument=self.name)
        begun = self._monotonic()
        try:
            self._write_off(session, within)
        finally:  # a trace may wait for its disk, and OFF must not
            if self.trace is not None:
                self.trace(self.name, "off", message, begun)

    # State.

    @property
    def dirty(self) -> bool:
        """Whether the link must be reopened before it may ask or send again."""
        session = self._session
        return self._dirty or session is None or bool(session.dirty)

    def lost(self) -> bool:
        """Look, without waiting, whether the peer has gone; for stop lines, which never read."""
        session = self._session
        if session is None:
            return True
        if self._waiting is not None and self._turn.acquire(blocking=False):
            try:
                self._waiting()
            finally:
                self._turn.release()
        return bool(session.lost)

    def doubt(self) -> None:
        """Mark the line dirty: whoever read a reply found that it is not one."""
        self._dirty = True

    def abort(self) -> None:
        """End what the owner waits for, and refuse everything but OFF until ``clear_abort``; any task."""
        self._aborted = True
        session = self._session
        if session is not None:
            session.abort()

    def clear_abort(self) -> None:
        """Allow messages again; only the owner may call it, once the trip was dealt with."""
        self._aborted = False
        if self._session is not None:
            self._session.clear_abort()

    def reopen(self) -> None:
        """Close the line and open it afresh; an abort stays in force.

        On a serial line a late answer may still arrive afterwards: ask for the identity first, and believe nothing
        before it matches.
        """
        if not self._turn.acquire(False):
            raise self._in_use("")
        try:
            self._close()
            self._open()
        finally:
            self._turn.release()

    def close(self) -> None:
        """Close the line; harmless when it is closed already."""
        self._close()

    def tell_wait(self, seconds: float) -> None:
        """Tell the trace, if there is one, that the instrument is given so many seconds on purpose."""
        if self.trace is not None:
            now = self._monotonic()
            told(self.trace, self.name, now, now + seconds, now)

    # Within.

    def _check_usable(self, message: str) -> None:
        if self._aborted:
            raise self._stopped(message)
        if self.dirty:
            raise self._refusal(message)

    def _put(self, message: str, within: float) -> float:
        """Send; gives the deadline of the exchange in monotonic seconds."""
        session, line = self._session, self.line
        if self._aborted or self._dirty or session is None or session.dirty:
            self._check_usable(message)
        if line.pause:
            self.tell_wait(line.pause)
            self._clock.sleep(line.pause)
            self._check_usable(message)
        if self._waiting is not None and (self._waiting() or session.lost):
            raise self._unasked(message)
        data = self._encoded.get(message)
        if data is None:
            data = self._encode(message)
        begun = self._monotonic()
        if self.trace is not None:
            self.trace(self.name, "out", message, begun)
        try:
            if not self._allowed - 1 < within * 1000.0 <= self._allowed:
                self._allow(within)
            self._visalib.write(self._handle, data)
        except self.stack_errors as error:
            raise self._failed(error, message, within) from error
        if line.echo:
            self._hear_echo(message, begun + within, within)
        return begun + within

    def _get(self, message: str, deadline: float, within: float) -> str:
        try:
            left = deadline - self._monotonic()
            if not self._allowed - 1 < left * 1000.0 <= self._allowed:
                self._allow(left)
            data: bytes = self._visalib.read(self._handle, LONGEST_REPLY)[0]
        except self.stack_errors as error:
            raise self._failed(error, message, within) from error
        reply = self._decoded.get(data)
        if reply is None:
            reply = self._decode(data, message)
        if self.trace is not None:
            self.trace(self.name, "in", reply, self._monotonic())
        return reply

    def _hear_echo(self, message: str, deadline: float, within: float) -> None:
        echo = self._get(message, deadline, within)
        if echo != message:
            self._dirty = True
            raise InstrumentFault(f"{self.name} did not echo the message it was sent.",
                                  "Check the cable, and 'echo' in its driver page.", instrument=self.name,
                                  message=message, reply=echo)

    def _encode(self, message: str) -> bytes:
        """The bytes of a message; the next one of the same text is found ready."""
        data = encoded(message, self.line, self.name)
        if len(self._encoded) >= MOST_KEPT:
            self._encoded.clear()
        self._encoded[message] = data
        return data

    def _decode(self, data: bytes, message: str) -> str:
        """The text of a reply; short ones that come again, such as those of a guard unit, are found ready."""
        try:
            reply = decoded(data, self.line, self.name, message)
        except InstrumentFault:
            self._dirty = True  # where the next reply begins is in doubt now
            raise
        if len(data) <= SHORT_REPLY and len(self._decoded) < MOST_KEPT:
            self._decoded[data] = reply
        return reply

    def _allow(self, seconds: float) -> None:
        """Give the session its time-out, in whole milliseconds rounded up; asked for only when it may have changed."""
        allowed = max(1, -int(-seconds * 1000.0 // 1))
        if allowed != self._allowed:
            self._visalib.set_attribute(self._handle, ResourceAttribute.timeout_value, allowed)
            self._allowed = allowed

    def _write_off(self, session: Any, within: float) -> None:
        try:
            status = session.write_now(self._owed_off, within)
        except self.stack_errors as error:
            raise self._failed(error, "OFF", within) from error
        if status is not None and status < 0:
            raise self._failed(pyvisa.errors.VisaIOError(status), "OFF", within)
        self._owed_off = b""

    # Opening.

    def _open(self) -> None:
        self._check_kind()
        try:
            self._resource = self._manager.open_resource(self.address, open_timeout=int(self.line.open_within * 1000))
            self._handle = self._resource.session
            session = self._find_session()
        except self.open_errors as error:
            reason = str(error.__context__ or error)
            raise LinkNotOpen(f"{self.name} at {self.address} could not be opened: {reason}.",
                              "Check that it is on, its cable and its address in the station file, and that no other"
                              " program uses it.", instrument=self.name) from error
        self._allowed = 0
        self._dirty = False
        self._waiting = getattr(session, "waiting", None)
        self._configure()
        self._session = session
        if self._aborted:
            session.abort()
        if self._owed_off:
            self._write_off(session, OFF_SECONDS)

    def _check_kind(self) -> None:
        if not can_be_aborted(self.address):
            raise LinkNotOpen(f"{self.name} at {self.address} is on a kind of line that cannot be aborted.",
                              "Use TCPIP::host::port::SOCKET or ASRLport::INSTR in the station file.",
                              instrument=self.name)

    def _find_session(self) -> Any:
        """The session under the resource, which can be aborted and knows whether it is dirty."""
        return self._visalib.sessions[self._handle]

    def _configure(self) -> None:
        line = self.line
        wanted = self._terminators()
        if self.address.upper().startswith("ASRL"):
            wanted += [(f"{line.baud} baud", ResourceAttribute.asrl_baud_rate, line.baud),
                       (f"{line.data_bits} data bits", ResourceAttribute.asrl_data_bits, line.data_bits),
                       (f"parity {line.parity}", ResourceAttribute.asrl_parity, PARITIES[line.parity]),
                       (f"{line.stop_bits} stop bits", ResourceAttribute.asrl_stop_bits, STOP_BITS[line.stop_bits]),
                       (f"handshake {line.handshake}", ResourceAttribute.asrl_flow_control,
                        HANDSHAKES[line.handshake])]
        for words, attribute, value in wanted:
            try:
                if self._visalib.get_attribute(self._handle, attribute)[0] != value:
                    self._visalib.set_attribute(self._handle, attribute, value)
            except self.stack_errors as error:
                self._close()
                raise LinkNotOpen(f"The line to {self.name} at {self.address} does not take {words}.",
                                  "Correct 'line' in its driver page, or use another port.",
                                  instrument=self.name) from error

    def _terminators(self) -> list[tuple[str, ResourceAttribute, Any]]:
        """What tells the session where a reply ends."""
        return [("the terminator", ResourceAttribute.termchar, self.line.end[-1]),
                ("terminators", ResourceAttribute.termchar_enabled, True)]

    def _close(self) -> None:
        resource, self._resource, self._session = self._resource, None, None
        if resource is None:
            return
        with contextlib.suppress(*self.stack_errors):
            resource.close()
        getattr(self._visalib, "sessions", {}).pop(self._handle, None)  # pyvisa-py keeps closed sessions for ever

    # Errors.

    def _so_far(self) -> str:
        return shown(bytes(getattr(self._session, "pending", b"")[:200]))

    def _failed(self, error: Exception, message: str, within: float) -> LinkFault:
        """One of ours for an error of the stack; whatever it was, the link is dirty now."""
        self._dirty = True
        failure = self._told(error, message, within)
        if self.trace is not None:
            self.trace(self.name, "failed", failure.what, self._monotonic())
        return failure

    def _told(self, error: Exception, message: str, within: float) -> LinkFault:
        """What went wrong, in our words."""
        code = getattr(error, "error_code", None)
        if self._aborted or code == StatusCode.error_abort:
            return self._stopped(message)
        if code == StatusCode.error_timeout:
            return LinkTimeout(f"{self.name} did not finish its answer within {within:g} s.",
                               "Check that it is on and not in local or in an error; then start again.",
                               instrument=self.name, message=message, reply=self._so_far())
        return LinkLost(f"The line to {self.name} was lost ({error}).", "Check power and cable; then start again.",
                        instrument=self.name, message=message, reply=self._so_far())

    def _in_use(self, message: str) -> InstrumentFault:
        return InstrumentFault(f"Two tasks use the line to {self.name} at the same time.",
                               "Report this to whoever maintains the program.", instrument=self.name, message=message)

    def _unasked(self, message: str) -> InstrumentFault:
        """An answer that lies there before the question is asked belongs to another one; the line may be lost too."""
        if self._session.lost:
            return self._refusal(message)
        self._dirty = True
        return InstrumentFault(f"{self.name} sent something that nobody asked for.",
                               "Check the terminator and the replies of its driver page.", instrument=self.name,
                               message=message, reply=self._so_far())

    def _stopped(self, message: str) -> LinkAborted:
        return LinkAborted(f"The exchange with {self.name} was ended by a trip.",
                           "Make the station safe and reset the trip before going on.", instrument=self.name,
                           message=message, reply=self._so_far())

    def _refusal(self, message: str) -> LinkFault:
        if self._session is None or self._session.lost:
            self._dirty = True
            return LinkLost(f"The line to {self.name} is closed or was lost.",
                            "Check power and cable; then start again.", instrument=self.name, message=message)
        return LinkFault(f"The line to {self.name} has not been opened afresh since its last failure.",
                         "Start again, which opens it afresh: an old answer could be taken for a new one.",
                         instrument=self.name, message=message)


def can_be_aborted(address: str) -> bool:
    """Whether an address is a socket or a serial port, which have sessions of our own."""
    return address.upper().startswith("ASRL") or address.upper().endswith("::SOCKET")


def open_link(manager: Any, name: str, address: str, line: Line, clock: Clock) -> Link:
    """Open the line to an instrument; raises LinkNotOpen with the reason and what to do."""
    return Link(manager, name, address, line, clock)


def resource_manager(kind: str = "@py") -> pyvisa.ResourceManager:
    """The pyvisa resource manager for real lines, with our sessions in place of the stock ones."""
    from eolseq.instruments import sessions  # heavy, and not needed in virtual time

    sessions.register()
    manager = pyvisa.ResourceManager(kind)
    manager.visalib.issue_warning_on.discard(StatusCode.success_max_count_read)  # too long a reply is an error here
    return manager
