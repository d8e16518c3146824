"""A query to the simulated station over one connection, without pipelining, against a bare asyncio line server.

Run with ``python -m tests.benchmarks.bench_wire_asyncio``. Both are processes of their own on loopback and are asked in
turns, round by round; the figure is the difference of their quietest rounds. Asked for: at most 100 us.
"""

from __future__ import annotations

import asyncio
import multiprocessing
import os
import socket
import statistics
import time
from collections.abc import Callable
from multiprocessing.connection import Connection as Pipe

ROUNDS, COUNT, MOST = 15, 400, 100e-6
QUESTIONS = (b"MEAS:VOLT?;CURR?;:CALC2:DATA?;:MEAS:TINT?;:STAT:OPER:COND?;:STAT:QUES:COND?\n", b"*IDN?\n", b"OUTP?\n")
ANSWER = b"+1.250000E+00\n"


def serve_bare(pipe: Pipe) -> None:
    """A line server of asyncio that knows one answer."""
    async def answer(reader: asyncio.StreamReader, writer: asyncio.StreamWriter) -> None:
        writer.get_extra_info("socket").setsockopt(socket.IPPROTO_TCP, socket.TCP_NODELAY, 1)
        while await reader.readline():
            writer.write(ANSWER)
            await writer.drain()

    async def serve() -> None:
        server = await asyncio.start_server(answer, "127.0.0.1", 0)
        pipe.send(server.sockets[0].getsockname()[1])
        await server.serve_forever()

    asyncio.run(serve())


def serve_station(pipe: Pipe) -> None:
    """The whole demo station, its unit's physics and all; the withstand tester is asked."""
    from eolseq.simulation.file import build
    from eolseq.simulation.server import Server
    from tests.rig import SIMULATOR

    world = build(SIMULATOR, None, now=time.monotonic())
    server = Server(world.instruments(), tick=world.advance_to)
    pipe.send(int(dict(server.addresses)["withstand"].split("::")[2]))
    server.run()


def connected(serving: Callable[[Pipe], None]) -> tuple[socket.socket, multiprocessing.Process]:
    """A connection to a server in a process of its own."""
    here, there = multiprocessing.Pipe()
    process = multiprocessing.Process(target=serving, args=(there,), daemon=True)
    process.start()
    wire = socket.create_connection(("127.0.0.1", here.recv()))
    wire.setsockopt(socket.IPPROTO_TCP, socket.TCP_NODELAY, 1)
    return wire, process


def median_of(wire: socket.socket, question: bytes) -> float:
    """Median seconds of an exchange in one round."""
    times = []
    for _ in range(COUNT):
        start = time.perf_counter()
        wire.sendall(question)
        while not wire.recv(4096).endswith(b"\n"):
            pass
        times.append(time.perf_counter() - start)
    return statistics.median(times)


def main() -> None:
    """Measure and print; ends with an error when it is more than asked for."""
    print(f"{os.cpu_count()} cores, load {os.getloadavg()[0]:.1f}")
    (bare, first), (station, second) = connected(serve_bare), connected(serve_station)
    slow = []
    for question in QUESTIONS:
        rounds = [(median_of(bare, question), median_of(station, question)) for _ in range(ROUNDS)]
        yardstick, figure = (min(each) for each in zip(*rounds, strict=True))
        print(f"{question.decode().strip()[:30]:30}  asyncio {yardstick * 1e6:6.1f} us, station {figure * 1e6:6.1f} us, "
              f"over it {(figure - yardstick) * 1e6:6.1f} us (at most {MOST * 1e6:.0f})")
        slow += [question] if figure - yardstick > MOST else []
    for wire, process in ((bare, first), (station, second)):
        wire.close()
        process.terminate()
        process.join()
    if slow:
        raise SystemExit(f"more than asked for: {slow}")


if __name__ == "__main__":
    main()
