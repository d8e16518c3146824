"""The other end of the wire, driven by the test: a TCP listener and a pseudo-terminal, with or without a thread."""

from __future__ import annotations

import contextlib
import os
import pty
import select
import socket
import threading
import tty
from collections.abc import Callable

PATIENCE = 5.0  # s; how long a test waits for what must happen


class TcpPeer:
    """Listens on loopback; ``take`` accepts the connection that the session under test made."""

    second_connection = True

    def __init__(self) -> None:
        self.listener = socket.create_server(("127.0.0.1", 0))
        self.listener.settimeout(PATIENCE)
        self.address = f"TCPIP::127.0.0.1::{self.listener.getsockname()[1]}::SOCKET"
        self.connections: list[socket.socket] = []

    def take(self) -> None:
        connection, _ = self.listener.accept()
        connection.setsockopt(socket.IPPROTO_TCP, socket.TCP_NODELAY, 1)
        self.connections.append(connection)

    def fileno(self) -> int:
        return self.connections[-1].fileno()

    def say(self, data: bytes) -> None:
        self.connections[-1].sendall(data)

    def hear(self) -> bytes:
        ready, _, _ = select.select([self.fileno()], [], [], PATIENCE)
        return self.connections[-1].recv(65536) if ready else b""

    def hang_up(self) -> None:
        self.connections.pop().close()

    def close(self) -> None:
        for connection in self.connections:
            connection.close()
        self.listener.close()


class TerminalPeer:
    """The master of a pseudo-terminal; keeps the slave open as well, else reading the master would fail."""

    second_connection = False

    def __init__(self) -> None:
        self.master, self.slave = pty.openpty()
        tty.setraw(self.slave)
        self.address = f"ASRL{os.ttyname(self.slave)}::INSTR"
        self.open = True

    def take(self) -> None:
        """There is nothing to accept."""

    def fileno(self) -> int:
        return self.master

    def say(self, data: bytes) -> None:
        os.write(self.master, data)

    def hear(self) -> bytes:
        ready, _, _ = select.select([self.master], [], [], PATIENCE)
        return os.read(self.master, 65536) if ready else b""

    def hang_up(self) -> None:
        self.open = False
        os.close(self.slave)
        os.close(self.master)

    def close(self) -> None:
        if self.open:
            self.hang_up()


Peer = TcpPeer | TerminalPeer


class Responder:
    """Answers the messages that reach a peer, in a thread, and keeps them; takes new connections as they come."""

    def __init__(self, peer: Peer, answer: Callable[[bytes], bytes], end: bytes = b"\n") -> None:
        self.peer = peer
        self.answer = answer
        self.end = end
        self.heard: list[bytes] = []
        self._news = threading.Condition()
        self._stop_read, self._stop_write = os.pipe()
        self._thread = threading.Thread(target=self._serve, name="responder")
        self._thread.start()

    def wait_for(self, message: bytes) -> None:
        """Wait until a message has arrived; fails the test when it does not."""
        with self._news:
            assert self._news.wait_for(lambda: message in self.heard, PATIENCE), f"{message!r} not in {self.heard!r}"

    def close(self) -> None:
        os.write(self._stop_write, b"!")
        self._thread.join(PATIENCE)
        os.close(self._stop_read)
        os.close(self._stop_write)
        self.peer.close()
        assert not self._thread.is_alive()

    def _serve(self) -> None:
        buffers: dict[int, bytes] = {}
        listener = self.peer.listener.fileno() if isinstance(self.peer, TcpPeer) else -1
        if listener < 0:
            buffers[self.peer.fileno()] = b""
        while True:
            watched = [self._stop_read, *buffers] + ([listener] if listener >= 0 else [])
            ready, _, _ = select.select(watched, [], [])
            if self._stop_read in ready:
                return
            for descriptor in ready:
                if descriptor == listener:
                    self.peer.take()
                    buffers[self.peer.fileno()] = b""
                    continue
                try:
                    data = os.read(descriptor, 65536)
                except OSError:
                    data = b""
                if not data:
                    del buffers[descriptor]
                    continue
                buffers[descriptor] = self._messages(descriptor, buffers[descriptor] + data)

    def _messages(self, descriptor: int, data: bytes) -> bytes:
        while self.end in data:
            message, data = data.split(self.end, 1)
            with self._news:
                self.heard.append(message)
                self._news.notify_all()
            reply = self.answer(message)
            if reply:
                with contextlib.suppress(OSError):
                    os.write(descriptor, reply)
        return data
