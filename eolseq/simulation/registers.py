"""The wire of a simulated instrument that has registers: Modbus over TCP or a serial line, by a codec of its own.

Functions, codes and limits are those of the Modbus application protocol 1.1b3 and of Modbus over serial line 1.02, from
memory. The program's side makes its frames with another codec, so that the two cannot share a bug.
"""

from __future__ import annotations

import struct
from collections.abc import Callable, Mapping, Sequence

from eolseq.simulation.instrument import Connection, Instrument, spoilt

DEVICE = 1
"""The number under which a simulated device answers; over TCP it answers to any."""

_BITS, _REGISTERS = (1, 2), (3, 4)
_TABLES = {1: "coil", 2: "discrete", 3: "holding", 4: "input", 5: "coil", 6: "holding", 15: "coil", 16: "holding"}
_LONGEST = 260

Tables = Mapping[str, Mapping[int, int]]
"""Table -> address -> what stands there now."""


class Refusal(Exception):
    """The device does not do it: 1 unknown function, 2 no such address, 3 a value that it does not take."""

    def __init__(self, code: int) -> None:
        super().__init__(f"refusal {code}")
        self.code = code


def checksum(data: bytes) -> bytes:
    """The two bytes that end a frame on a serial line, low byte first: the CRC of Modbus, polynomial A001."""
    crc = 0xFFFF
    for byte in data:
        crc ^= byte
        for _ in range(8):
            crc = (crc >> 1) ^ 0xA001 if crc & 1 else crc >> 1
    return struct.pack("<H", crc)


class RegisterInstrument(Instrument):
    """An instrument whose wire has registers; ``tables`` and ``write`` are set by the role that it plays."""

    serial = False
    tables: Callable[[], Tables] = staticmethod(dict)
    write: Callable[[str, int, int], None] = staticmethod(lambda table, at, value: None)

    def connect(self) -> Connection:
        """A new connection that takes frames."""
        return SerialFrames(self) if self.serial else TcpFrames(self)

    def respond(self, request: bytes, now: float) -> bytes:
        """Carry out a request (function and data); its response, or the refusal of it."""
        self._before(now)
        self.status.look()
        function = request[0]
        try:
            return bytes([function]) + self._carry_out(function, request[1:])
        except Refusal as refusal:
            return bytes([function | 0x80, refusal.code])
        except (struct.error, IndexError):
            return bytes([function | 0x80, 3])

    def _carry_out(self, function: int, data: bytes) -> bytes:
        if function not in _TABLES:
            raise Refusal(1)
        if function in (*_BITS, *_REGISTERS):
            return self._read(function, *struct.unpack(">HH", data))
        if function in (5, 6):
            at, value = struct.unpack(">HH", data)
            if function == 5 and value not in (0, 0xFF00):
                raise Refusal(3)
            self.write(_TABLES[function], at, value >> 15 if function == 5 else value)
            return data
        return self._write_many(function, data)

    def _read(self, function: int, at: int, count: int) -> bytes:
        if not 1 <= count <= (2000 if function in _BITS else 125):
            raise Refusal(3)
        table = self.tables().get(_TABLES[function], {})
        found = [table.get(each, -1) for each in range(at, at + count)]
        if -1 in found:
            raise Refusal(2)
        if function in _REGISTERS:
            return bytes([2 * count]) + struct.pack(f">{count}H", *found)
        number = sum(bit << place for place, bit in enumerate(found))
        return bytes([-(-count // 8)]) + number.to_bytes(-(-count // 8), "little")

    def _write_many(self, function: int, data: bytes) -> bytes:
        at, count, size = struct.unpack(">HHB", data[:5])
        rest = data[5:]
        if size != len(rest) or size != (-(-count // 8) if function == 15 else 2 * count) or not count:
            raise Refusal(3)
        number = int.from_bytes(rest, "little")
        values: Sequence[int] = [number >> each & 1 for each in range(count)] if function == 15 else \
            struct.unpack(f">{count}H", rest)
        for place, value in enumerate(values):
            self.write(_TABLES[function], at + place, value)
        return data[:4]


class TcpFrames(Connection):
    """A connection over TCP: each frame says in its head how long it is."""

    instrument: RegisterInstrument

    def receive(self, data: bytes, now: float) -> bytes:
        """Take bytes as they come; the responses to the requests that they complete."""
        self._buffer += data
        answer = b""
        while len(self._buffer) >= 8:
            number, protocol, length = struct.unpack(">HHH", self._buffer[:6])
            if protocol or not 2 <= length <= _LONGEST - 6:
                self._buffer = b""  # no frame: nothing after it can be told from it either
                break
            if len(self._buffer) < 6 + length:
                break
            frame, self._buffer = self._buffer[:6 + length], self._buffer[6 + length:]
            response = frame[6:7] + self.instrument.respond(frame[7:], now)
            answer += struct.pack(">HHH", number, 0, len(response)) + response
        return spoilt(self.instrument, answer) if self.instrument.fault is not None else answer


class SerialFrames(Connection):
    """A serial line: a frame is as long as its function says, and ends with a checksum."""

    instrument: RegisterInstrument

    def receive(self, data: bytes, now: float) -> bytes:
        """Take bytes as they come; the response to a request that is for this device and whole."""
        self._buffer += data
        answer = b""
        while (length := self._length()) and len(self._buffer) >= length:
            frame, self._buffer = self._buffer[:length], self._buffer[length:]
            if checksum(frame[:-2]) != frame[-2:]:
                self._buffer = b""  # the rest of a spoilt frame begins no other
            elif frame[0] == DEVICE:
                response = frame[:1] + self.instrument.respond(frame[1:-2], now)
                answer += response + checksum(response)
        return spoilt(self.instrument, answer) if self.instrument.fault is not None else answer

    def _length(self) -> int:
        """How long the frame is that begins here; 0 while that cannot be told."""
        buffer = self._buffer
        if len(buffer) < 2:
            return 0
        if buffer[1] in (15, 16):
            return 9 + buffer[6] if len(buffer) > 6 else 0
        return 8
