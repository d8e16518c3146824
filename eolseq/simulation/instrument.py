"""A simulated instrument seen from its wire: bytes in, bytes out, with a status model and faults to be had by name.

Commands are handed in as patterns printed as SCPI-1999 prints them, and ask the physics; the physics is told the time
before every message. The common commands of IEEE 488.2 and the SYSTem and STATus trees are built in.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import dataclass
from typing import NamedTuple

from eolseq.simulation.grammar import Call, Parameter, Parameters, nr1, nr2, nr3, read_unit, split
from eolseq.simulation.headers import Handler, HeaderTree
from eolseq.simulation.status import OPERATION_COMPLETE, CommandError, Register, Status

__all__ = ["FAULTS", "Call", "CommandError", "Connection", "Handler", "Instrument", "Parameter", "Parameters",
           "check_number", "delivery", "nr1", "nr2", "nr3", "spoilt", "taking"]

FAULTS = {
    "silent": "what is asked is done, but never answered",
    "garbled": "every second character of an answer comes as ~",
    "truncated": "the second half of an answer (or all after so many bytes as the number given) never comes",
    "split": "an answer comes byte by byte, 1 ms (or the number given) apart; nothing is lost",
    "split-at": "an answer comes in two parts, the first of 1 byte (or as many as given), 20 ms apart; nothing is lost",
    "slow": "an answer comes 0.2 s (or the number given) late; nothing is lost",
    "late": "an answer comes 3 s (or the number given) late, after the reader has given up",
    "closed": "open connections are closed, new ones are closed as soon as they are used; nothing is done",
    "refused": "a new connection is refused; open ones go on",
    "error-in-queue": "after each command an error -240 (or the number given) stands in the error queue",
}
"""The faults of the wire. closed and refused act on connections, error-in-queue on commands, the others on answers."""

DELAYS = {"split": 1e-3, "slow": 0.2, "late": 3.0}
"""Seconds that a fault delays an answer (split: each byte) when no number is given."""

APART = 0.02
"""Seconds between the two parts of an answer that is split at one place."""

_NUMBERS = {"slow": (0.0, 3600.0), "late": (0.0, 3600.0), "split": (0.0, 60.0), "split-at": (1.0, 65536.0),
            "truncated": (0.0, 65536.0), "error-in-queue": (-32768.0, 32767.0)}
"""Least and most of the number that may go with a fault; the others take none."""

LONGEST_MESSAGE = 65536
"""Bytes that may come without a terminator before the input buffer overruns."""

_CACHED_MESSAGES, _LONGEST_CACHED = 2048, 512


class _Unit(NamedTuple):
    """A message unit ready to be carried out."""

    handler: Handler
    call: Call
    query: bool
    indefinite: bool


@dataclass(frozen=True, slots=True)
class _Message:
    """A whole program message: its units up to the first command error, and that error."""

    units: tuple[_Unit, ...]
    error: CommandError | None


class _Counted:
    """A handler with the number of parameters that it takes."""

    __slots__ = ("handler", "least", "most")

    def __init__(self, least: int, most: int | None, handler: Handler) -> None:
        self.least = least
        self.most = most
        self.handler = handler

    def __call__(self, call: Call) -> str | None:
        """Count the parameters, and do what the command says."""
        return self.counted(call.parameters)(call)

    def counted(self, parameters: Parameters) -> Handler:
        """The handler itself, for so many parameters; CommandError when there are too few or too many."""
        if len(parameters) < self.least:
            raise CommandError(-109)
        if self.most is not None and len(parameters) > self.most:
            raise CommandError(-108)
        return self.handler

    def ready(self, parameters: Parameters) -> Handler:
        """The handler itself where the count is right, else one that says so each time it is called."""
        try:
            return self.counted(parameters)
        except CommandError:
            return self


def taking(least: int, most: int | None, handler: Handler) -> Handler:
    """A handler that is only called with at least and at most so many parameters (None: any number more)."""
    return _Counted(least, most, handler)


class Instrument:
    """One instrument: what it knows to do, its status, and the fault of its wire if it has one.

    ``operation`` and ``questionable`` give the condition bits now, ``reset`` is what ``*RST`` does, ``before`` is told
    the time (in seconds of the clock) before every message, so that the physics can move on to it.
    """

    def __init__(self, name: str, identity: str, commands: Mapping[str, Handler], *,
                 operation: Callable[[], int] | None, questionable: Callable[[], int] | None,
                 reset: Callable[[], None], before: Callable[[float], None],
                 self_test: Callable[[], int] = lambda: 0) -> None:
        self.name = name
        self.identity = identity
        self.status = Status(operation, questionable)
        self.takes_one = False  # connection at a time; another one is closed at once
        self.fault: str | None = None
        self.fault_number: float | None = None
        self.fault_listeners: list[Callable[[], None]] = []
        self._reset = reset
        self._self_test = self_test
        self._before = before
        self._responses: list[str] = []  # of the message being carried out
        self._tree = HeaderTree({**self._standard_commands(), **commands})  # an instrument may answer in its own way
        self._indefinite = self._tree.find("*IDN?", self._tree.root)[0]
        self._messages: dict[bytes, _Message] = {}
        self._own: Connection | None = None

    def connect(self) -> Connection:
        """A new connection with an input buffer of its own; status and error queue are shared by all."""
        return Connection(self)

    def receive(self, data: bytes, now: float) -> bytes:
        """Take bytes on a connection that is kept for whoever needs only one; the bytes of the responses."""
        if self._own is None:
            self._own = self.connect()
        return self._own.receive(data, now)

    def set_fault(self, name: str | None, number: float | None = None) -> None:
        """Give the wire a fault by its name in FAULTS, or none; the number is seconds, bytes, or an error's number."""
        if name is not None and name not in FAULTS:
            raise CommandError(-224, f"fault {name!r}; there are {', '.join(FAULTS)}")
        if name is not None and number is not None:
            check_number(name, number)
        self.fault, self.fault_number = name, number
        for listener in tuple(self.fault_listeners):
            listener()

    def look(self) -> None:
        """Latch the condition bits that rose; for physics in which a bit may rise and fall between two messages."""
        self.status.look()

    def execute(self, message: bytes, now: float) -> bytes:
        """Carry out one program message without its terminator; its response with terminator, or nothing."""
        self._before(now)
        self.status.look()
        prepared = self._messages.get(message)
        if prepared is None:
            prepared = self._prepare(message)
        self._responses = responses = []
        after_indefinite = False
        for handler, call, query, indefinite in prepared.units:
            if query and after_indefinite:
                self.status.add_error(-440)
                continue
            try:
                response = handler(call)
            except CommandError as error:
                self.status.add_error(error.number, error.info)
                if -200 < error.number <= -100:  # a parameter that cannot be read ends the message, as a header does
                    break
            else:
                if query and response is not None:
                    responses.append(response)
                    after_indefinite = after_indefinite or indefinite
            if not query and self.fault == "error-in-queue":
                self.status.add_error(int(self.fault_number or -240))
        else:
            if prepared.error is not None:
                self.status.add_error(prepared.error.number, prepared.error.info)
        return (";".join(responses) + "\n").encode("latin-1", "replace") if responses else b""

    def _prepare(self, message: bytes) -> _Message:
        """Parse a message once; the next one of the same bytes is found ready."""
        units: list[_Unit] = []
        error: CommandError | None = None
        try:
            self._parse(message, units)
        except CommandError as met:
            error = met.with_traceback(None)
        prepared = _Message(tuple(units), error)
        if len(message) <= _LONGEST_CACHED:
            if len(self._messages) >= _CACHED_MESSAGES:
                self._messages.clear()
            self._messages[message] = prepared
        return prepared

    def _parse(self, message: bytes, units: list[_Unit]) -> None:
        if not message.isascii():
            raise CommandError(-101)
        path = self._tree.root
        pieces = split(message.decode("ascii"), ";")
        for piece in pieces:
            if not piece:
                if len(pieces) == 1:
                    return
                raise CommandError(-102)
            text = read_unit(piece)
            handler, suffixes, path = self._tree.find(text.header, path)
            query, indefinite = text.header.endswith("?"), handler is self._indefinite
            if isinstance(handler, _Counted):
                handler = handler.ready(text.parameters)  # counted once, not at every message
            units.append(_Unit(handler, Call(text.parameters, suffixes), query, indefinite))

    def _standard_commands(self) -> dict[str, Handler]:
        """The mandatory commands of IEEE 488.2 chapter 10 and SCPI-1999 volume 1, 4.2.1."""
        status = self.status
        commands: dict[str, Callable[[Call], str | None]] = {
            "*CLS": taking(0, 0, lambda _: status.clear()),
            "*ESE": taking(1, 1, self._set_event_enable),
            "*ESE?": taking(0, 0, lambda _: nr1(status.event_enable)),
            "*ESR?": taking(0, 0, lambda _: nr1(status.take_events())),
            "*IDN?": taking(0, 0, lambda _: self.identity),
            "*OPC": taking(0, 0, self._operation_complete),
            "*OPC?": taking(0, 0, lambda _: "1"),
            "*RST": taking(0, 0, lambda _: self._reset()),
            "*SRE": taking(1, 1, self._set_service_enable),
            "*SRE?": taking(0, 0, lambda _: nr1(status.service_enable)),
            "*STB?": taking(0, 0, lambda _: nr1(status.byte(bool(self._responses)))),
            "*TST?": taking(0, 0, lambda _: nr1(self._self_test())),
            "*WAI": taking(0, 0, lambda _: None),
            "SYSTem:ERRor[:NEXT]?": taking(0, 0, lambda _: status.next_error()),
            "SYSTem:ERRor:COUNt?": taking(0, 0, lambda _: nr1(len(status.errors))),
            "SYSTem:VERSion?": taking(0, 0, lambda _: "1999.0"),
            "STATus:PRESet": taking(0, 0, lambda _: status.preset()),
        }
        commands.update(_register_commands("STATus:OPERation", status.operation))
        commands.update(_register_commands("STATus:QUEStionable", status.questionable))
        return commands

    def _set_event_enable(self, call: Call) -> None:
        self.status.event_enable = call.parameters[0].integer(least=0, most=255)

    def _set_service_enable(self, call: Call) -> None:
        self.status.service_enable = call.parameters[0].integer(least=0, most=255) & ~0x40

    def _operation_complete(self, _: Call) -> None:
        self.status.events |= OPERATION_COMPLETE


def _register_commands(tree: str, register: Register) -> dict[str, Handler]:
    def enable(call: Call) -> None:
        register.enable = call.parameters[0].integer(least=0, most=65535) & 0x7FFF

    return {
        f"{tree}[:EVENt]?": taking(0, 0, lambda _: nr1(register.take_event())),
        f"{tree}:CONDition?": taking(0, 0, register.told),
        f"{tree}:ENABle": taking(1, 1, enable),
        f"{tree}:ENABle?": taking(0, 0, lambda _: nr1(register.enable)),
    }


class Connection:
    """One line to an instrument, with its own input buffer; a message is complete at its new line."""

    __slots__ = ("_buffer", "_overrun", "instrument")

    def __init__(self, instrument: Instrument) -> None:
        self.instrument = instrument
        self._buffer = b""
        self._overrun = False

    def receive(self, data: bytes, now: float) -> bytes:
        """Take bytes as they come, carry out the messages they complete; the bytes of the responses.

        The faults silent, garbled and truncated have acted on them; for the others see ``delivery``.
        """
        instrument = self.instrument
        last = len(data) - 1
        if not self._buffer and not self._overrun and 0 <= last < LONGEST_MESSAGE and data.find(b"\n") == last:
            answer = instrument.execute(data[:-1], now)  # one whole message, as nearly always
            return spoilt(instrument, answer) if instrument.fault is not None and answer else answer
        buffer = self._buffer + data
        *messages, rest = buffer.split(b"\n")
        if self._overrun and messages:
            messages, self._overrun = messages[1:], False
        answer = b"".join([self._execute(message, now) for message in messages])
        if len(rest) > LONGEST_MESSAGE or self._overrun:
            if not self._overrun:
                instrument.status.add_error(-363)
            rest, self._overrun = b"", True
        self._buffer = rest
        return spoilt(instrument, answer) if instrument.fault is not None and answer else answer

    def _execute(self, message: bytes, now: float) -> bytes:
        """Carry out a message that fits into the input buffer."""
        if len(message) <= LONGEST_MESSAGE:
            return self.instrument.execute(message, now)
        self.instrument.status.add_error(-363)
        return b""


def check_number(name: str, number: float) -> None:
    """CommandError for a number that a fault of the wire does not take."""
    if name not in _NUMBERS:
        raise CommandError(-108, f"{name} takes no number")
    least, most = _NUMBERS[name]
    if not least <= number <= most:
        raise CommandError(-222, f"{name} takes a number from {least:g} to {most:g}, not {number:g}")


def spoilt(instrument: Instrument, answer: bytes) -> bytes:
    """What arrives of an answer under a fault that changes its bytes."""
    fault = instrument.fault
    if fault == "silent":
        return b""
    if fault == "truncated":  # never whole: its end at least is lost
        whole, number = len(answer) - 1, instrument.fault_number
        return answer[:len(answer) // 2 if number is None else min(int(number), whole)]
    if fault == "garbled":
        return bytes(0x7E if place % 2 == 0 and byte != 0x0A else byte for place, byte in enumerate(answer))
    return answer


def delivery(instrument: Instrument, answer: bytes, now: float) -> list[tuple[float, bytes]]:
    """When which bytes of an answer arrive, in seconds of the clock, under the fault of the wire."""
    if instrument.fault == "split-at":
        place = int(instrument.fault_number or 1)
        return [each for each in ((now, answer[:place]), (now + APART, answer[place:])) if each[1]]
    delay = DELAYS.get(instrument.fault or "")
    if delay is None:
        return [(now, answer)]
    seconds = delay if instrument.fault_number is None else instrument.fault_number
    if instrument.fault == "split":
        return [(now + place * seconds, answer[place:place + 1]) for place in range(len(answer))]
    return [(now + seconds, answer)]
