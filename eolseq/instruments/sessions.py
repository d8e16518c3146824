"""Sessions of our own for network sockets and serial ports, put in place of pyvisa-py's.

``pyvisa.ResourceManager("@py").open_resource(address)`` stays as it is and gives one of these once ``register()`` was
called. They differ from the stock sessions where those can give an old or torn answer, or hang: a refused connection
is reported at open, deadlines follow the monotonic clock and hold for writes too, a lost peer is reported at once, the
bytes of an unfinished answer are kept and the session then refuses everything but ``write_now`` until it is opened
afresh, and another thread can end a blocked read. No message waits in the kernel to be joined with the next.
"""

from __future__ import annotations

import contextlib
import fcntl
import socket
import termios
import time
from collections.abc import Callable, Iterator
from typing import Any, ClassVar

import serial
from pyvisa import constants, rname
from pyvisa.constants import BufferOperation, InterfaceType, ResourceAttribute, SerialTermination, StatusCode
from pyvisa.typing import VISARMSession
from pyvisa_py import highlevel as _highlevel  # noqa: F401  (fills the table of stock sessions before ours go in)
from pyvisa_py.sessions import OpenError, Session, UnknownAttribute

from eolseq.instruments.stream import NoMessage, Stream, Why

OPEN_SECONDS = 5.0
DRAIN_SECONDS = 0.2
# A cut cable on an idle line is noticed after about 1 + 3 x 1 s.
KEEPALIVE = ((socket.TCP_KEEPIDLE, 1), (socket.TCP_KEEPINTVL, 1), (socket.TCP_KEEPCNT, 3),
             (socket.TCP_USER_TIMEOUT, 3000))
CODES = {Why.TIMEOUT: StatusCode.error_timeout, Why.LOST: StatusCode.error_connection_lost,
         Why.ABORTED: StatusCode.error_abort, Why.DIRTY: StatusCode.error_io}
DISCARD_OUTPUT = BufferOperation.discard_write_buffer | BufferOperation.discard_transmit_buffer
DISCARD_INPUT = (BufferOperation.discard_read_buffer | BufferOperation.discard_read_buffer_no_io
                 | BufferOperation.discard_receive_buffer | BufferOperation.discard_receive_buffer2)


class CannotOpen(OpenError):
    """The connection or port could not be opened; carries the reason in words beside the VISA code."""

    def __init__(self, error_code: StatusCode, reason: str) -> None:
        super().__init__(error_code)
        self.reason = reason

    def __str__(self) -> str:
        return self.reason


class StreamSession(Session):
    """What a socket and a serial port have in common: a stream, and the VISA attributes for where a message ends."""

    monotonic: Callable[[], float] = staticmethod(time.monotonic)
    stream: Stream

    def __init__(self, resource_manager_session: VISARMSession, resource_name: str,
                 parsed: rname.ResourceName | None = None, open_timeout: int | None = None) -> None:
        self._term = b""
        self._settings: dict[int, Any] = {ResourceAttribute.termchar: 10, ResourceAttribute.termchar_enabled: False}
        super().__init__(resource_manager_session, resource_name, parsed, open_timeout)

    def _connect(self, seconds: float) -> Stream:
        """Open the line within so many seconds; raises CannotOpen."""
        raise NotImplementedError

    def after_parsing(self) -> None:
        """Open the line; called by the base class once the address is read."""
        for attribute in (ResourceAttribute.termchar, ResourceAttribute.termchar_enabled):
            self.attrs[attribute] = (self._get_setting, self._set_setting)
        self.attrs[ResourceAttribute.suppress_end_enabled] = (lambda _: (True, StatusCode.success), self._set_suppress)
        self.stream = self._connect(self.open_timeout / 1000.0 if self.open_timeout else OPEN_SECONDS)

    def close(self) -> StatusCode:
        """Close the line; later calls report a lost connection."""
        self.stream.close()
        return StatusCode.success

    @property
    def dirty(self) -> bool:
        """Whether an answer may still be on its way, or half a message on the line."""
        return self.stream.dirty

    @property
    def lost(self) -> bool:
        """Whether the peer is known to have gone."""
        return self.stream.lost

    @property
    def pending(self) -> bytes:
        """The bytes that came and were not given to anybody."""
        return bytes(self.stream.pending)

    def abort(self) -> None:
        """End a blocked read or write now, and refuse new ones until ``clear_abort``; any thread."""
        self.stream.abort()

    def clear_abort(self) -> None:
        """Allow reading and writing again; only the owner of the session may call it."""
        self.stream.clear_abort()

    def waiting(self) -> int:
        """Look, without waiting, how many bytes have come that nobody read; notices a lost peer."""
        return self.stream.waiting()

    def write_now(self, data: bytes, seconds: float) -> StatusCode:
        """Write at once, aborted or dirty or not, for at most so many seconds; any thread. Gives a VISA code."""
        try:
            self.stream.write_now(data, seconds)
        except NoMessage as error:
            return CODES[error.why]
        return StatusCode.success

    def read(self, count: int) -> tuple[bytes, StatusCode]:
        """Give the bytes up to the termination character, or so many; on any failure nothing, and dirty."""
        term = self._term
        try:
            data = self.stream.read(term, count, self.timeout)
        except NoMessage as error:
            return b"", CODES[error.why]
        if term and data.endswith(term):
            return data, StatusCode.success_termination_character_read
        return data, StatusCode.success_max_count_read

    def write(self, data: bytes) -> tuple[int, StatusCode]:
        """Write all of it within the session's time-out."""
        try:
            self.stream.write(data, self.timeout)
        except NoMessage as error:
            return 0, CODES[error.why]
        return len(data), StatusCode.success

    def clear(self) -> StatusCode:
        """Throw away what has come so far, without waiting; a dirty session stays dirty."""
        self.stream.discard()
        return StatusCode.error_connection_lost if self.stream.lost else StatusCode.success

    def flush(self, mask: BufferOperation) -> StatusCode:
        """Throw away what has come; what has not yet gone only a serial port can still drop."""
        return self.clear() if mask & DISCARD_INPUT else StatusCode.success

    def _get_setting(self, attribute: ResourceAttribute) -> tuple[Any, StatusCode]:
        return self._settings[attribute], StatusCode.success

    def _set_setting(self, attribute: ResourceAttribute, value: Any) -> StatusCode:
        self._settings[attribute] = value
        self._term = bytes([self._settings[ResourceAttribute.termchar]]) if self._terminated() else b""
        return StatusCode.success

    def _terminated(self) -> bool:
        return bool(self._settings[ResourceAttribute.termchar_enabled])

    def _set_suppress(self, attribute: ResourceAttribute, value: Any) -> StatusCode:
        """Only true: a pause in a stream of bytes is not the end of a message."""
        return StatusCode.success if value else StatusCode.error_nonsupported_attribute_state

    def _get_attribute(self, attribute: ResourceAttribute) -> tuple[Any, StatusCode]:
        raise UnknownAttribute(attribute)

    def _set_attribute(self, attribute: ResourceAttribute, attribute_state: Any) -> StatusCode:
        raise UnknownAttribute(attribute)


class SocketSession(StreamSession):
    """A TCP connection (TCPIP::host::port::SOCKET) that sends at once and notices a cut cable within seconds."""

    session_type = (InterfaceType.tcpip, "SOCKET")
    parsed: rname.TCPIPSocket

    def _connect(self, seconds: float) -> Stream:
        try:
            line = socket.create_connection((self.parsed.host_address, int(self.parsed.port)), timeout=seconds)
        except TimeoutError:
            raise CannotOpen(StatusCode.error_timeout, f"no answer within {seconds:g} s") from None
        except (OSError, OverflowError, UnicodeError, ValueError) as error:
            raise CannotOpen(StatusCode.error_resource_not_found, str(error)) from error
        line.setblocking(False)
        line.setsockopt(socket.IPPROTO_TCP, socket.TCP_NODELAY, 1)
        line.setsockopt(socket.SOL_SOCKET, socket.SO_KEEPALIVE, 1)
        for option, value in KEEPALIVE:
            line.setsockopt(socket.IPPROTO_TCP, option, value)
        self.interface = line
        self.attrs[ResourceAttribute.tcpip_address] = self.parsed.host_address
        self.attrs[ResourceAttribute.tcpip_port] = int(self.parsed.port)
        self.attrs[ResourceAttribute.interface_number] = self.parsed.board
        self.attrs[ResourceAttribute.tcpip_hostname] = ""
        self.attrs[ResourceAttribute.tcpip_nodelay] = (lambda _: (True, StatusCode.success), None)
        self.attrs[ResourceAttribute.tcpip_keepalive] = (lambda _: (True, StatusCode.success), None)
        return Stream(line.fileno(), self.monotonic, line.close)


PARITIES = {constants.Parity.none: serial.PARITY_NONE, constants.Parity.even: serial.PARITY_EVEN,
            constants.Parity.odd: serial.PARITY_ODD, constants.Parity.mark: serial.PARITY_MARK,
            constants.Parity.space: serial.PARITY_SPACE}
STOP_BITS = {constants.StopBits.one: serial.STOPBITS_ONE, constants.StopBits.two: serial.STOPBITS_TWO,
             constants.StopBits.one_and_a_half: serial.STOPBITS_ONE_POINT_FIVE}
DATA_BITS = {5: termios.CS5, 6: termios.CS6, 7: termios.CS7, 8: termios.CS8}


class SerialSession(StreamSession):
    """A serial port (ASRLpath::INSTR) or pseudo-terminal, opened for nobody else."""

    session_type = (InterfaceType.asrl, "INSTR")
    parsed: rname.ASRLInstr

    FIELDS: ClassVar[dict[int, tuple[str, dict[Any, Any]]]] = {
        ResourceAttribute.asrl_baud_rate: ("baudrate", {}),
        ResourceAttribute.asrl_data_bits: ("bytesize", {}),
        ResourceAttribute.asrl_parity: ("parity", PARITIES),
        ResourceAttribute.asrl_stop_bits: ("stopbits", STOP_BITS),
    }
    FLOWS: ClassVar[dict[int, str]] = {constants.VI_ASRL_FLOW_XON_XOFF: "xonxoff",
                                       constants.VI_ASRL_FLOW_RTS_CTS: "rtscts",
                                       constants.VI_ASRL_FLOW_DTR_DSR: "dsrdtr"}

    def _connect(self, seconds: float) -> Stream:
        try:  # exclusive: an advisory lock, which holds for the superuser too; TIOCEXCL keeps out everybody else
            self.interface = serial.Serial(self.parsed.board, timeout=0, write_timeout=0, exclusive=True)
            fcntl.ioctl(self.interface.fileno(), termios.TIOCEXCL)
        except (OSError, ValueError, termios.error) as error:
            busy = "exclusively lock" in str(error) or "busy" in str(error).lower()
            raise CannotOpen(StatusCode.error_resource_busy if busy else StatusCode.error_resource_not_found,
                             "another program or session holds the port" if busy else str(error)) from error
        self.attrs[ResourceAttribute.asrl_end_in] = (self._get_setting, self._set_setting)
        self.attrs[ResourceAttribute.asrl_end_out] = (lambda _: (SerialTermination.none, StatusCode.success), None)
        self._set_setting(ResourceAttribute.asrl_end_in, SerialTermination.termination_char)
        return Stream(self.interface.fileno(), self.monotonic, self._let_go, self._drop_unsent)

    def _terminated(self) -> bool:
        by_end = self._settings[ResourceAttribute.asrl_end_in] == SerialTermination.termination_char
        return by_end or super()._terminated()

    def flush(self, mask: BufferOperation) -> StatusCode:
        """Throw away what has come or not yet gone, as the mask says."""
        if mask & DISCARD_OUTPUT:
            self._drop_unsent()
        return super().flush(mask)

    def _drop_unsent(self) -> None:
        with contextlib.suppress(OSError, termios.error):
            termios.tcflush(self.interface.fileno(), termios.TCOFLUSH)

    def _let_go(self) -> None:
        """Give the last message a moment to leave, then drop the rest: the kernel would wait half a minute for it."""
        descriptor = self.interface.fileno()
        deadline = self.monotonic() + DRAIN_SECONDS
        with contextlib.suppress(OSError, termios.error):
            while _unsent(descriptor) and self.monotonic() < deadline:
                time.sleep(0.002)
            self._drop_unsent()
            fcntl.ioctl(descriptor, termios.TIOCNXCL)
        with contextlib.suppress(OSError, termios.error):
            self.interface.close()

    def _get_attribute(self, attribute: ResourceAttribute) -> tuple[Any, StatusCode]:
        if attribute == ResourceAttribute.asrl_avalaible_number:
            return self.waiting(), StatusCode.success
        if attribute == ResourceAttribute.asrl_flow_control:
            return sum(bit for bit, name in self.FLOWS.items() if getattr(self.interface, name)), StatusCode.success
        if attribute not in self.FIELDS:
            raise UnknownAttribute(attribute)
        name, words = self.FIELDS[attribute]
        value = getattr(self.interface, name)
        return next((word for word, setting in words.items() if setting == value), value), StatusCode.success

    def _set_attribute(self, attribute: ResourceAttribute, attribute_state: Any) -> StatusCode:
        if attribute == ResourceAttribute.asrl_flow_control:
            return self._change({name: bool(attribute_state & bit) for bit, name in self.FLOWS.items()})
        if attribute not in self.FIELDS:
            raise UnknownAttribute(attribute)
        name, words = self.FIELDS[attribute]
        return self._change({name: words.get(attribute_state, attribute_state)})

    def _change(self, changes: dict[str, Any]) -> StatusCode:
        """Set the port and look whether it took it; a port that does not is put back as it was."""
        before = self.interface.get_settings()
        with contextlib.suppress(OSError, ValueError, termios.error):
            self.interface.apply_settings(changes)
            if self._taken():
                return StatusCode.success
        with contextlib.suppress(OSError, ValueError, termios.error):
            self.interface.apply_settings(before)
        return StatusCode.error_nonsupported_attribute_state

    def _taken(self) -> bool:
        """Whether the port has the data bits and parity it was told: a pseudo-terminal may drop them in silence."""
        flags: int = termios.tcgetattr(self.interface.fileno())[2]
        parity = self.interface.parity != serial.PARITY_NONE
        return flags & termios.CSIZE == DATA_BITS[self.interface.bytesize] and bool(flags & termios.PARENB) == parity


def _unsent(descriptor: int) -> int:
    """Bytes written to a terminal and not yet sent."""
    return int.from_bytes(fcntl.ioctl(descriptor, termios.TIOCOUTQ, bytes(4)), "little")


OURS: tuple[type[StreamSession], ...] = (SocketSession, SerialSession)
STOCK = {kind.session_type: Session.get_session_class(*kind.session_type) for kind in OURS}


def register() -> None:
    """Put our sessions into pyvisa-py's table, so that every address opened from now on gets one."""
    for kind in OURS:
        Session._session_classes[kind.session_type] = kind


@contextlib.contextmanager
def stock_sessions() -> Iterator[None]:
    """Give pyvisa-py its own sessions back for a while: the tests show with them what ours are for."""
    before = {kind: Session._session_classes[kind] for kind in STOCK}
    Session._session_classes.update(STOCK)
    try:
        yield
    finally:
        Session._session_classes.update(before)
