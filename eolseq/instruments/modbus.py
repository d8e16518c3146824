"""Modbus over a frame link: registers and bits of one device, read and written, or a fault that says what to do.

``pymodbus`` makes and reads the frames; line, deadlines and aborts stay ours. A reply must be whole, come from the
device that was asked, belong to this request and be of its kind; anything else is a fault and nothing was read. The
numbers of functions, codes and limits are those of the Modbus application protocol, version 1.1b3, from memory.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace
from typing import Any

from pymodbus.framer import FramerRTU, FramerSocket
from pymodbus.pdu import DecodePDU
from pymodbus.pdu.bit_message import ReadCoilsRequest, ReadDiscreteInputsRequest, WriteSingleCoilRequest
from pymodbus.pdu.register_message import (
    ReadHoldingRegistersRequest,
    ReadInputRegistersRequest,
    WriteMultipleRegistersRequest,
    WriteSingleRegisterRequest,
)

from eolseq.clock import Clock
from eolseq.errors import InstrumentFault
from eolseq.instruments.frames import FrameLink
from eolseq.instruments.line import Line

READS: dict[str, Any] = {"coil": ReadCoilsRequest, "discrete": ReadDiscreteInputsRequest,
                         "holding": ReadHoldingRegistersRequest, "input": ReadInputRegistersRequest}
BITS = ("coil", "discrete")
LONGEST_FRAME = 260  # bytes, over TCP

REFUSALS = {1: "it does not know this function", 2: "it has no such register", 3: "it does not take this value",
            4: "it failed while doing it", 5: "it needs longer for it", 6: "it is busy", 8: "its memory is faulty",
            10: "the gateway has no way to it", 11: "it does not answer the gateway"}
"""What a device says in place of a reply."""


def rest_between_frames(baud: int) -> float:
    """Seconds of silence that end a frame on a serial line: 3.5 characters of 11 bits, at least 1.75 ms."""
    return max(0.00175, 3.5 * 11.0 / baud)


class Modbus:
    """One device on its line. Owned by one task; ``link.abort`` may come from any."""

    def __init__(self, manager: Any, name: str, address: str, line: Line, clock: Clock, device: int) -> None:
        self.name = name
        self.device = device
        self._serial = address.upper().startswith("ASRL")
        self._frames = FramerRTU(DecodePDU(False)) if self._serial else FramerSocket(DecodePDU(False))
        self._number = 0  # of the last request over TCP
        self._function = 0
        if self._serial:
            line = replace(line, pause=max(line.pause, rest_between_frames(line.baud)))
        self.link = FrameLink(manager, name, address, line, clock, self._serial_needs if self._serial else _tcp_needs)

    def read(self, table: str, at: int, count: int, within: float) -> list[int]:
        """Read so many registers or bits from a place of a table on, within so many seconds."""
        reply = self._ask(READS[table](address=at, count=count), within)
        found = [int(bit) for bit in reply.bits[:count]] if table in BITS else list(reply.registers)
        if len(found) != count:
            raise self._wrong(f"{len(found)} registers came in place of {count}")
        return found

    def write(self, table: str, at: int, values: Sequence[int], within: float) -> None:
        """Write registers, or one bit, from a place of a table on; the device's reply confirms it."""
        request: Any
        if table in BITS:
            request = WriteSingleCoilRequest(address=at, bits=[bool(values[0])])
        elif len(values) == 1:
            request = WriteSingleRegisterRequest(address=at, registers=list(values))
        else:
            request = WriteMultipleRegistersRequest(address=at, registers=list(values), count=len(values))
        reply = self._ask(request, within)
        said = [int(bit) for bit in reply.bits[:1]] if table in BITS else list(reply.registers)
        if reply.address != at or (len(values) == 1 and said != [int(each) for each in values]) \
                or (len(values) > 1 and reply.count != len(values)):
            raise self._wrong("it confirms something else than was written")

    def _ask(self, request: Any, within: float) -> Any:
        self._number = self._number % 0xFFFF + 1
        request.dev_id, request.transaction_id = self.device, self._number
        self._function = request.function_code
        frame = self._frames.buildFrame(request).hex()
        reply = self._read(bytes.fromhex(self.link.ask(frame, within)), frame)
        if reply.isError():
            code = reply.exception_code
            raise InstrumentFault(f"{self.name} refuses: {REFUSALS.get(code, f'code {code}')}.",
                                  "Check the registers of its page against its manual.", instrument=self.name,
                                  message=frame)
        return reply

    def _read(self, data: bytes, frame: str) -> Any:
        """The reply in a frame's bytes; it must be this request's, and nothing may be left over."""
        used, reply = self._frames.handleFrame(data, self.device, 0 if self._serial else self._number)
        if reply is None or used != len(data) or reply.function_code & 0x7F != self._function:
            self.link.doubt()
            raise self._wrong("the frame cannot be read, or answers another request", frame, data.hex())
        return reply

    def _wrong(self, why: str, frame: str = "", data: str = "") -> InstrumentFault:
        return InstrumentFault(f"The reply of {self.name} is no answer to what was asked: {why}.",
                               "Check the cable, the number of the device and the speed of the line.",
                               instrument=self.name, message=frame, reply=data)

    def _serial_needs(self, data: bytes) -> int:
        """How long a reply on a serial line is, as far as its first bytes tell."""
        if len(data) < 3:
            return 3
        if data[0] != self.device or data[1] & 0x7F != self._function:
            raise self._wrong("it comes from another device, or answers another request", "", data.hex())
        if data[1] & 0x80:
            return 5
        return 5 + data[2] if self._function <= 4 else 8


def _tcp_needs(data: bytes) -> int:
    """How long a reply over TCP is: its head says so."""
    if len(data) < 6:
        return 6
    length = int.from_bytes(data[4:6], "big")
    if data[2:4] != b"\0\0" or not 3 <= length <= LONGEST_FRAME - 6:
        raise InstrumentFault("The reply is not a frame of Modbus.", "Check the address in the station file.",
                              reply=data.hex())
    return 6 + length
