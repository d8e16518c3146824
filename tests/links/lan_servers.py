"""Two small servers of instruments on a network, for tests: HiSLIP 1.0 (IVI-6.1) and VXI-11 (core channel, ONC RPC).

Written from memory of the published documents; just enough for an exchange, a time-out, a clear and a lost line.
"""

from __future__ import annotations

import contextlib
import socket
import struct
import threading
from collections.abc import Callable

Answer = Callable[[bytes], bytes | None]
"""Told a message without its terminator; gives the reply with its terminator, or None where it stays silent."""


def exactly(line: socket.socket, count: int) -> bytes:
    data = b""
    while len(data) < count:
        part = line.recv(count - len(data))
        if not part:
            raise EOFError
        data += part
    return data


class LanServer:
    """Takes connections in threads; a subclass serves one of them."""

    def __init__(self, answer: Answer) -> None:
        self.answer = answer
        self.clears = 0
        self.listener = socket.create_server(("127.0.0.1", 0))
        self.port = self.listener.getsockname()[1]
        self.lines: list[socket.socket] = []
        self._threads = [threading.Thread(target=self._accept)]
        self._threads[0].start()

    def close(self) -> None:
        """Close everything; every thread ends."""
        with contextlib.suppress(OSError):
            self.listener.shutdown(socket.SHUT_RDWR)
        self.listener.close()
        self.hang_up()
        for thread in self._threads:
            thread.join(5.0)
            assert not thread.is_alive()

    def hang_up(self) -> None:
        """End all connections."""
        for line in self.lines:
            with contextlib.suppress(OSError):
                line.shutdown(socket.SHUT_RDWR)

    def _accept(self) -> None:
        with contextlib.suppress(OSError):
            while True:
                line, _ = self.listener.accept()
                line.setsockopt(socket.IPPROTO_TCP, socket.TCP_NODELAY, 1)
                self.lines.append(line)
                self._threads.append(threading.Thread(target=self._run, args=(line,)))
                self._threads[-1].start()

    def _run(self, line: socket.socket) -> None:
        with line, contextlib.suppress(EOFError, OSError):
            self.serve(line)

    def serve(self, line: socket.socket) -> None:
        raise NotImplementedError


class HislipServer(LanServer):
    """Message types by number: 0/1 initialise, 6 data, 7 its end, 15/16 size, 17/18 second channel, 19/23/8/9 clear."""

    def address(self) -> str:
        return f"TCPIP::127.0.0.1::hislip0,{self.port}::INSTR"

    def serve(self, line: socket.socket) -> None:
        message = b""
        while True:
            prologue, kind, _, parameter, length = struct.unpack("!2sBBIQ", exactly(line, 16))
            assert prologue == b"HS"
            payload = exactly(line, length)
            reply = {0: (1, 0, 0x01000001, b""), 17: (18, 0, 0, b""), 8: (9, 0, 0, b""),
                     15: (16, 0, 0, struct.pack("!Q", 1 << 20)), 19: (23, 0, 0, b""), 21: (22, 0, 0, b"")}.get(kind)
            self.clears += kind == 19
            message = message + payload if kind in (6, 7) else message
            if kind == 7:
                said, message = self.answer(message.rstrip(b"\n")), b""
                reply = None if said is None else (7, 0, parameter, said)
            if reply is not None:
                line.sendall(struct.pack("!2sBBIQ", b"HS", *reply[:3], len(reply[3])) + reply[3])


class Vxi11Server(LanServer):
    """Procedures by number: 10 create link, 11 write, 12 read, 13 status byte, 15 clear, 23 destroy link."""

    def address(self) -> str:
        return f"TCPIP::127.0.0.1,{self.port}::inst0::INSTR"

    def serve(self, line: socket.socket) -> None:
        waiting: list[bytes] = []
        while True:
            size = struct.unpack("!I", exactly(line, 4))[0] & 0x7FFFFFFF
            call = exactly(line, size)
            number, _, _, _, _, procedure = struct.unpack("!6I", call[:24])
            body = self._carry_out(procedure, call[40:], waiting)
            reply = struct.pack("!6I", number, 1, 0, 0, 0, 0) + body
            line.sendall(struct.pack("!I", 0x80000000 | len(reply)) + reply)

    def _carry_out(self, procedure: int, data: bytes, waiting: list[bytes]) -> bytes:
        if procedure == 10:
            return struct.pack("!4I", 0, 1, 0, 1 << 16)
        if procedure == 11:
            length = struct.unpack("!I", data[16:20])[0]
            said = self.answer(data[20:20 + length].rstrip(b"\n"))
            waiting.extend([said] if said is not None else [])
            return struct.pack("!2I", 0, length)
        if procedure == 12 and waiting:
            said = waiting.pop(0)
            return struct.pack("!3I", 0, 4, len(said)) + said + b"\0" * (-len(said) % 4)
        if procedure == 12:
            threading.Event().wait(struct.unpack("!I", data[8:12])[0] / 1000)
            return struct.pack("!3I", 15, 0, 0)
        if procedure == 15:
            self.clears += 1
            waiting.clear()
        return struct.pack("!I", 0)
