"""A simulated bench on real sockets and pseudo-terminals, served by a thread of the test."""

from __future__ import annotations

import threading
import time
from collections.abc import Iterator
from contextlib import contextmanager

from eolseq.simulation.bay import Bay
from eolseq.simulation.file import Simulator, build
from eolseq.simulation.server import Server


@contextmanager
def serving(simulator: Simulator, serial: str | None = None) -> Iterator[tuple[Bay, dict[str, str]]]:
    """The simulated bay, and the address of each of its instruments."""
    world = build(simulator, serial, now=time.monotonic())
    server = Server(world.instruments(), tick=world.advance_to)
    thread = threading.Thread(target=server.run, name="simulated bench")
    thread.start()
    try:
        yield world, dict(server.addresses)
    finally:
        server.stop()
        thread.join(5.0)
        assert not thread.is_alive()
