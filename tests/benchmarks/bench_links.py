"""Lines to instruments, ours against the stock sessions and bare sockets, all in this run.

Run with ``python -m tests.benchmarks.bench_links``. The instrument is a process of its own on loopback.
"""

from __future__ import annotations

import contextlib
import os
import selectors
import socket
import statistics
import subprocess
import sys
import threading
import time
from collections.abc import Callable, Iterator
from typing import Any

import pyvisa

from eolseq.clock import SystemClock, VirtualClock
from eolseq.errors import LinkFault
from eolseq.instruments import sessions
from eolseq.instruments.link import Line, Link, open_link, resource_manager

ANSWER = b"+1.2345E-3\n"


def serve() -> None:
    """Answer ANSWER to every line with a question mark, hang up at ``BYE``, until standard input ends."""
    listener = socket.create_server(("127.0.0.1", 0))
    print(listener.getsockname()[1], flush=True)
    ready = selectors.DefaultSelector()
    ready.register(listener, selectors.EVENT_READ)
    ready.register(sys.stdin, selectors.EVENT_READ)
    while True:
        for key, _ in ready.select():
            if key.fileobj is sys.stdin:
                return
            if key.fileobj is listener:
                line, _ = listener.accept()
                line.setsockopt(socket.IPPROTO_TCP, socket.TCP_NODELAY, 1)
                ready.register(line, selectors.EVENT_READ)
                continue
            _answer(ready, key.fileobj)


def _answer(ready: selectors.BaseSelector, line: Any) -> None:
    data = line.recv(65536)
    if not data or b"BYE" in data:
        ready.unregister(line)
        line.close()
    elif b"?" in data:
        line.sendall(ANSWER * data.count(b"?"))


@contextlib.contextmanager
def instrument() -> Iterator[int]:
    """The port of an instrument in another process."""
    child = subprocess.Popen([sys.executable, "-m", "tests.benchmarks.bench_links", "serve"], stdin=subprocess.PIPE,
                             stdout=subprocess.PIPE, text=True)
    try:
        yield int(child.stdout.readline()) if child.stdout else 0
    finally:
        if child.stdin:
            child.stdin.close()
        child.wait()


def each(work: Callable[[], object], rounds: int) -> float:
    """Median seconds of a call."""
    times = []
    for _ in range(rounds):
        start = time.perf_counter()
        work()
        times.append(time.perf_counter() - start)
    return statistics.median(times)


def processor(work: Callable[[], object], rounds: int = 2000) -> float:
    """Seconds of processor time that a call takes in this thread."""
    start = time.thread_time()
    for _ in range(rounds):
        work()
    return (time.thread_time() - start) / rounds


def row(words: str, seconds: float, yardstick: float, against: str) -> None:
    """Print a figure and its ratio to a yardstick of the same run."""
    print(f"{words:<52} {seconds * 1e6:10.1f} us   {seconds / yardstick:7.2f} x {against}")


def resource(address: str, stock: bool) -> Any:
    """A pyvisa resource on a stock session or on ours."""
    manager = resource_manager()
    with sessions.stock_sessions() if stock else contextlib.nullcontext():
        made: Any = manager.open_resource(address)
    made.read_termination = made.write_termination = "\n"
    made.timeout = 200
    return made


def queries(port: int, address: str, link: Link) -> None:
    """One question and its answer; then a setting followed by a question."""
    stock, ours = resource(address, True), resource(address, False)
    bare = socket.create_connection(("127.0.0.1", port))
    bare.setsockopt(socket.IPPROTO_TCP, socket.TCP_NODELAY, 1)

    def exchange() -> None:
        bare.sendall(b"MEAS?\n")
        bare.recv(4096)

    works: dict[str, Callable[[], object]] = {
        "bare socket": exchange, "stock": lambda: stock.query("MEAS?"), "ours": lambda: ours.query("MEAS?"),
        "link": lambda: link.ask("MEAS?", 0.2)}
    times: dict[str, list[float]] = {name: [] for name in works}
    for _ in range(10):
        for name, work in works.items():
            times[name].append(each(work, 200))
    medians = {name: statistics.median(values) for name, values in times.items()}
    row("question, bare socket", medians["bare socket"], medians["stock"], "stock query")
    row("question, stock session", medians["stock"], medians["bare socket"], "bare socket")
    row("question, our session through pyvisa's query", medians["ours"], medians["stock"], "stock query")
    row("question, link", medians["link"], medians["stock"], "stock query")
    spent = {name: processor(work) for name, work in works.items()}
    for name in ("bare socket", "stock", "ours", "link"):
        row(f"   of it our processor time, {name}", spent[name], spent["stock"], "stock query")
    stock_pair = each(lambda: (stock.write("SET 1"), stock.query("MEAS?")), 20)
    row("setting then question, stock session", stock_pair, medians["stock"], "stock query")
    row("setting then question, link", each(lambda: (link.send("SET 1", 0.2), link.ask("MEAS?", 0.2)), 200), stock_pair,
        "the same on stock")
    for line in (stock, ours, bare):
        line.close()


def aborts(link: Link, rounds: int = 300) -> None:
    """From abort in one thread to the end of a blocked question in another, against waking a thread by an event."""
    waiting, ended, woken = threading.Event(), threading.Event(), threading.Event()
    instants: list[float] = []
    events: list[float] = []

    def blocked() -> None:
        for _ in range(rounds):
            waiting.set()
            with contextlib.suppress(LinkFault):
                link.receive(5.0)
            instants.append(time.perf_counter())
            link.clear_abort()
            link.reopen()
            ended.set()
            woken.wait()
            events.append(time.perf_counter())
            woken.clear()
            ended.set()

    thread = threading.Thread(target=blocked)
    thread.start()
    trips, wakes = [], []
    for _ in range(rounds):
        waiting.wait()
        waiting.clear()
        time.sleep(0.001)  # let it block
        start = time.perf_counter()
        link.abort()
        ended.wait()
        ended.clear()
        trips.append(instants[-1] - start)
        time.sleep(0.001)
        start = time.perf_counter()
        woken.set()
        ended.wait()
        ended.clear()
        wakes.append(events[-1] - start)
    thread.join()
    wake = statistics.median(wakes)
    row(f"abort to end of a blocked question, median of {rounds}", statistics.median(trips), wake, "waking a thread")
    row("abort to end of a blocked question, p99", sorted(trips)[int(rounds * 0.99)], sorted(wakes)[int(rounds * 0.99)],
        "waking a thread, p99")


def losses(address: str, link: Link, rounds: int = 30) -> None:
    """From asking a peer that hangs up to the error, and the processor time spent meanwhile."""

    def lose_ours() -> None:
        with contextlib.suppress(LinkFault):
            link.ask("BYE", 0.2)

    ours = []
    for _ in range(rounds):
        ours.append(each(lose_ours, 1))
        link.reopen()
    stock = resource(address, True)
    before = time.thread_time()
    start = time.perf_counter()
    with contextlib.suppress(pyvisa.errors.VisaIOError):
        stock.query("BYE")
    spent = time.perf_counter() - start
    busy = time.thread_time() - before
    row("lost peer, stock session (time-out 200 ms)", spent, spent, "itself")
    print(f"{'   of it at full processor load':<52} {busy * 1e6:10.1f} us")
    row("lost peer, link", statistics.median(ours), spent, "stock")
    stock.close()


def stops(port: int, link: Link) -> None:
    """What one OFF costs the task that sends it."""
    bare = socket.create_connection(("127.0.0.1", port))
    sent = each(lambda: bare.sendall(b"OUTP OFF\n"), 500)
    row("OFF on a stop line", each(lambda: link.send_off("OUTP OFF"), 500), sent, "bare send")
    row("looking whether a stop line is lost", each(link.lost, 500), sent, "bare send")
    bare.close()


def in_process() -> None:
    """Processor time of one question in virtual time, through link and library, against pyvisa's own query."""
    from eolseq.simulation.instrument import Instrument
    from eolseq.simulation.visa_library import SimulatedVisa

    clock = VirtualClock()
    made = Instrument("meter", "Aldervale Thermal,METER,0,1", {"MEASure:VOLTage?": lambda _: "+1.2345E-3"},
                      operation=lambda: 0, questionable=lambda: 0, reset=lambda: None, before=lambda _: None)
    address = "TCPIP::127.0.0.1::5025::SOCKET"
    manager = pyvisa.ResourceManager(SimulatedVisa({address: made}, clock))
    link = open_link(manager, "meter", address, Line(), clock)
    plain: Any = manager.open_resource(address, read_termination="\n", write_termination="\n")
    session, visalib = plain.session, plain.visalib

    def library() -> None:
        visalib.write(session, b"MEAS:VOLT?\n")
        visalib.read(session, 4096)

    by_library = min(each(library, 2000) for _ in range(5))
    by_link = min(each(lambda: link.ask("MEAS:VOLT?", 0.5), 2000) for _ in range(5))
    by_query = min(each(lambda: plain.query("MEAS:VOLT?"), 2000) for _ in range(5))
    row("in process: library alone", by_library, by_query, "pyvisa query")
    row("in process: link", by_link, by_query, "pyvisa query")
    row("in process: of it the link", by_link - by_library, by_query, "pyvisa query")


def main() -> None:
    """Print every figure with its yardstick."""
    if "serve" in sys.argv:
        return serve()
    print(f"process {os.getpid()}, {os.cpu_count()} cores, load {os.getloadavg()[0]:.1f}")
    with instrument() as port:
        address = f"TCPIP::127.0.0.1::{port}::SOCKET"
        link = open_link(resource_manager(), "meter", address, Line(second_connection=True), SystemClock())
        queries(port, address, link)
        stops(port, link)
        aborts(link)
        losses(address, link)
        link.close()
    in_process()
    return None


if __name__ == "__main__":
    main()
