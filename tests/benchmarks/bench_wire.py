"""What one exchange with a simulated instrument costs, each beside a yardstick of the same run.

Run it as ``python tests/benchmarks/bench_wire.py``. Over loopback the yardstick is a bare line server that answers
every line with the same bytes; in this process it is a dictionary that does so.
"""

from __future__ import annotations

import multiprocessing
import selectors
import socket
import sys
import time
from collections.abc import Callable
from multiprocessing.connection import Connection as Pipe
from pathlib import Path

sys.path.insert(0, str(Path(__file__).parents[2]))

import pyvisa

from eolseq.clock import VirtualClock
from eolseq.simulation.instrument import Instrument, nr3
from eolseq.simulation.server import Server
from eolseq.simulation.visa_library import SimulatedVisa

ANSWER = b"+1.250000E+00\n"


def example() -> Instrument:
    """A meter that always reads the same."""
    return Instrument("meter", "ALDERVALE EXAMPLE,VM-0,0001,1.0", {"MEASure:VOLTage?": lambda _: nr3(1.25)},
                      operation=lambda: 0, questionable=lambda: 0, reset=lambda: None, before=lambda _: None)


def serve_bare(pipe: Pipe) -> None:
    """A line server that knows one answer and nothing else."""
    listener = socket.create_server(("127.0.0.1", 0))
    pipe.send(listener.getsockname()[1])
    wire, _ = listener.accept()
    wire.setsockopt(socket.IPPROTO_TCP, socket.TCP_NODELAY, 1)
    wire.setblocking(False)
    selector = selectors.DefaultSelector()
    selector.register(wire, selectors.EVENT_READ)
    while True:
        for _ in selector.select():
            data = wire.recv(4096)
            if not data:
                return
            wire.sendall(ANSWER * data.count(b"\n"))


def serve_example(pipe: Pipe) -> None:
    """The simulator's server with its tick running."""
    server = Server([("meter", example(), "tcp")], tick=lambda _: None)
    pipe.send(int(server.addresses[0][1].split("::")[2]))
    server.run()


def over_loopback(serving: Callable[[Pipe], None], count: int) -> list[float]:
    """Seconds of each exchange, in order of size."""
    here, there = multiprocessing.Pipe()
    process = multiprocessing.Process(target=serving, args=(there,), daemon=True)
    process.start()
    wire = socket.create_connection(("127.0.0.1", here.recv()))
    wire.setsockopt(socket.IPPROTO_TCP, socket.TCP_NODELAY, 1)
    times = []
    for _ in range(count):
        start = time.perf_counter()
        wire.sendall(b"MEAS:VOLT?\n")
        wire.recv(4096)
        times.append(time.perf_counter() - start)
    wire.close()
    process.terminate()
    process.join()
    return sorted(times)


def each(work: Callable[[], object], count: int) -> float:
    """Microseconds of processor time that each call takes; the best of five rounds."""
    best = float("inf")
    for _ in range(5):
        start = time.process_time()
        for _ in range(count):
            work()
        best = min(best, (time.process_time() - start) / count)
    return best * 1e6


def main() -> None:
    """Measure and print."""
    for name, serving in (("bare line server", serve_bare), ("simulated instrument", serve_example)):
        times = over_loopback(serving, 5000)
        print(f"loopback, {name}: p50 {times[2500] * 1e6:.0f} us, p99 {times[4950] * 1e6:.0f} us,"
              f" most {times[-1] * 1e6:.0f} us")
    table = {b"MEAS:VOLT?\n": ANSWER}
    line = example().connect()
    print(f"a dictionary: {each(lambda: table.get(b'MEAS:VOLT?' + b'%c' % 10), 20000):.2f} us")
    print(f"instrument, known message: {each(lambda: line.receive(b'MEAS:VOLT?%c' % 10, 0.0), 20000):.2f} us")
    numbers = iter(range(10**9))
    print(f"instrument, new message: {each(lambda: line.receive(b'MEAS:VOLT? %d%c' % (next(numbers), 10), 0.0), 5000):.2f} us")
    library = SimulatedVisa({"TCPIP0::127.0.0.1::5025::SOCKET": example()}, VirtualClock())
    manager = pyvisa.ResourceManager(library)
    meter = manager.open_resource("TCPIP0::127.0.0.1::5025::SOCKET", read_termination="\n", write_termination="\n")
    handle = meter.session

    def exchange() -> None:
        library.write(handle, b"MEAS:VOLT?\n")
        library.read(handle, 4096)

    print(f"virtual time, library write and read: {each(exchange, 20000):.2f} us")
    print(f"virtual time, pyvisa query: {each(lambda: meter.query('MEAS:VOLT?'), 20000):.2f} us")
    manager.close()


if __name__ == "__main__":
    main()
