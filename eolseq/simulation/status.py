"""What an instrument reports about itself: status byte, event registers and error queue of IEEE 488.2 and SCPI-1999."""

from __future__ import annotations

from collections import deque
from collections.abc import Callable

from eolseq.errors import EolseqError

ERROR_TEXTS = {
    0: "No error",
    -100: "Command error", -101: "Invalid character", -102: "Syntax error", -103: "Invalid separator",
    -104: "Data type error", -105: "GET not allowed", -108: "Parameter not allowed", -109: "Missing parameter",
    -112: "Program mnemonic too long", -113: "Undefined header", -123: "Exponent too large",
    -124: "Too many digits", -131: "Invalid suffix", -138: "Suffix not allowed", -151: "Invalid string data",
    -200: "Execution error", -203: "Command protected", -211: "Trigger ignored", -213: "Init ignored",
    -220: "Parameter error", -221: "Settings conflict", -222: "Data out of range", -223: "Too much data",
    -224: "Illegal parameter value", -230: "Data corrupt or stale", -231: "Data questionable",
    -240: "Hardware error", -241: "Hardware missing",
    -300: "Device-specific error", -310: "System error", -321: "Out of memory", -330: "Self-test failed",
    -340: "Calibration failed", -350: "Queue overflow", -360: "Communication error", -363: "Input buffer overrun",
    -365: "Time out error",
    -400: "Query error", -410: "Query INTERRUPTED", -420: "Query UNTERMINATED", -430: "Query DEADLOCKED",
    -440: "Query UNTERMINATED after indefinite response",
}
"""The standard's error numbers that the simulated instruments know, with their texts."""

QUEUE_LENGTH = 16
"""How many errors the queue holds before it overflows."""

OPERATION_COMPLETE, QUERY_ERROR, DEVICE_ERROR = 0x01, 0x04, 0x08
EXECUTION_ERROR, COMMAND_ERROR, POWER_ON = 0x10, 0x20, 0x80
"""Bits of the standard event status register that are used here."""

_CLASS_BITS = {1: COMMAND_ERROR, 2: EXECUTION_ERROR, 3: DEVICE_ERROR, 4: QUERY_ERROR}


class CommandError(EolseqError):
    """An error for the instrument's own queue, by its SCPI number; it never leaves the simulated instrument."""

    def __init__(self, number: int, info: str = "") -> None:
        super().__init__(f"{number},{ERROR_TEXTS.get(number, 'Device-specific error')}", info)
        self.number = number
        self.info = info


class Register:
    """A condition register with its event and enable registers; a condition bit that rises is latched as an event."""

    __slots__ = ("condition", "enable", "event", "last")

    def __init__(self, condition: Callable[[], int] | None) -> None:
        self.condition = condition  # None: no bit is ever set
        self.last = 0
        self.event = 0
        self.enable = 0

    def look(self) -> int:
        """Read the condition bits and latch those that rose since the last look."""
        if self.condition is None:
            return 0
        bits = self.condition() & 0x7FFF
        if bits != self.last:
            self.event |= bits & ~self.last
            self.last = bits
        return bits

    def told(self, _: object) -> str:
        """The condition bits as a query answers them."""
        condition = self.condition
        if condition is not None and condition() != self.last:
            self.look()
        return str(self.last)

    def take_event(self) -> int:
        """The latched events, which reading clears."""
        bits, self.event = self.event, 0
        return bits


class Status:
    """The status of one instrument: its registers, its error queue and the status byte that sums them up."""

    def __init__(self, operation: Callable[[], int] | None, questionable: Callable[[], int] | None) -> None:
        self.operation = Register(operation)
        self.questionable = Register(questionable)
        self._changing = [(each.condition, each) for each in (self.operation, self.questionable)
                          if each.condition is not None]
        self.events = POWER_ON
        self.event_enable = 0
        self.service_enable = 0
        self.errors: deque[str] = deque()

    def look(self) -> None:
        """Latch the condition bits that rose since the last look."""
        for condition, register in self._changing:
            if condition() != register.last:
                register.look()

    def add_error(self, number: int, info: str = "") -> None:
        """Put an error into the queue and set its bit of the standard event status register."""
        self.events |= _CLASS_BITS.get(-number // 100, DEVICE_ERROR if number > 0 else 0)
        if len(self.errors) >= QUEUE_LENGTH:
            self.events |= DEVICE_ERROR
            self.errors[-1] = f'-350,"{ERROR_TEXTS[-350]}"'
            return
        text = ERROR_TEXTS.get(number, "Device-specific error")
        detail = f"{text};{info}"[:255] if info else text
        printable = "".join(letter if letter.isprintable() and letter != '"' else "'" for letter in detail)
        self.errors.append(f'{number},"{printable}"')

    def next_error(self) -> str:
        """The oldest error, taken out of the queue, as SYSTem:ERRor? answers it."""
        return self.errors.popleft() if self.errors else f'0,"{ERROR_TEXTS[0]}"'

    def take_events(self) -> int:
        """The standard event status register, which reading clears."""
        bits, self.events = self.events, 0
        return bits

    def byte(self, message_available: bool) -> int:
        """The status byte with the master summary status in bit 6; reading clears nothing."""
        bits = ((4 if self.errors else 0)
                | (8 if self.questionable.event & self.questionable.enable else 0)
                | (16 if message_available else 0)
                | (32 if self.events & self.event_enable else 0)
                | (128 if self.operation.event & self.operation.enable else 0))
        return bits | (64 if bits & self.service_enable else 0)

    def clear(self) -> None:
        """Empty the error queue and all event registers; what is enabled stays enabled."""
        self.errors.clear()
        self.events = 0
        self.operation.event = 0
        self.questionable.event = 0

    def preset(self) -> None:
        """Disable every operation and questionable event."""
        self.operation.enable = 0
        self.questionable.enable = 0
