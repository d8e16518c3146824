"""The simulated station as one process, the program at a terminal of its own as another, and one clock for both.

The simulator says what really happened, with times of CLOCK_MONOTONIC, which every process here shares. Nothing in
this file sleeps: whatever is waited for is a line, an answer or the end of a process, each with a deadline.
"""

from __future__ import annotations

import contextlib
import json
import os
import select
import signal
import socket
import subprocess
import sys
import time
from collections.abc import Callable, Iterator, Mapping
from pathlib import Path
from typing import Any

import yaml

from eolseq.records.reader import Records

ROOT = Path(__file__).resolve().parents[2]
SERIAL = "DH6-00000001"
PATIENCE = 30.0  # seconds after which a test gives up; never what is measured
TRIAL_PASSED = 1  # the exit code of a trial that passes: it releases nothing
_LAUNCHER = ("import os, sys; line = os.open(sys.argv[1], os.O_RDWR); [os.dup2(line, n) for n in (0, 1, 2)];"
             "os.execv(sys.executable, [sys.executable, '-m', 'tests.safety.approved', *sys.argv[2:]])")
"""A leader of a session that opens a terminal gets it as its controlling one, so that Ctrl-C and hanging up reach it."""


def loaded(path: Path) -> Any:
    """A YAML file of ours with every value left as text."""
    return yaml.load(path.read_text(), yaml.BaseLoader)


def lines_of(descriptor: int, rest: bytes, deadline: float) -> tuple[bytes, bytes] | None:
    """The next line of a descriptor and what follows it, or None when it does not come in time or at its end."""
    while b"\n" not in rest:
        left = deadline - time.monotonic()
        if left <= 0 or not select.select([descriptor], [], [], left)[0]:
            return None
        chunk = os.read(descriptor, 65536)
        if not chunk:
            return None
        rest += chunk
    line, _, rest = rest.partition(b"\n")
    return line, rest


class Simulator:
    """``eolseq simulate`` as a process: its addresses, its orders and its own view."""

    def __init__(self, *words: str, serial: str = SERIAL) -> None:
        self.process = subprocess.Popen(
            [sys.executable, "-m", "eolseq", "simulate", str(ROOT / "simulators/demo-station.yaml"), "--unit", serial,
             "--lifeline", *words], cwd=ROOT, stdin=subprocess.PIPE, stdout=subprocess.PIPE)
        self._rest = b""
        self._marks = 0
        self.events: list[dict[str, Any]] = []
        self.addresses: dict[str, str] = {}
        count = len(loaded(ROOT / "simulators/demo-station.yaml")["instruments"])
        while len(self.addresses) < count:
            name, _, address = self._line(time.monotonic() + PATIENCE).partition(" ")
            self.addresses[name] = address

    def order(self, **order: Any) -> None:
        """Have the simulator do something to itself."""
        assert self.process.stdin is not None
        self.process.stdin.write(json.dumps(order).encode() + b"\n")
        self.process.stdin.flush()

    def await_event(self, wanted: Callable[[dict[str, Any]], bool], since: float = 0.0,
                    patience: float = PATIENCE) -> dict[str, Any]:
        """The first event at or after a time that is wanted; old ones count too."""
        for event in self.events:
            if event.get("time", 0.0) >= since and wanted(event):
                return event
        deadline = time.monotonic() + patience
        while True:
            event = json.loads(self._line(deadline))
            self.events.append(event)
            assert "not understood" not in event, event
            if event.get("time", 0.0) >= since and wanted(event):
                return event

    def catch_up(self) -> None:
        """Take in every event up to now, by an order that the simulator does not know and says so about."""
        self._marks += 1
        mark = json.dumps({"mark": self._marks})
        self.order(mark=self._marks)
        deadline = time.monotonic() + PATIENCE
        while (event := json.loads(self._line(deadline))).get("not understood") != mark:
            self.events.append(event)

    def ask(self, name: str, message: str) -> str:
        """Ask an instrument something over a connection of our own."""
        port = int(self.addresses[name].split("::")[2])
        with socket.create_connection(("127.0.0.1", port), timeout=PATIENCE) as wire:
            wire.sendall(message.encode() + b"\n")
            answer = b""
            while not answer.endswith(b"\n"):
                answer += wire.recv(4096)
        return answer.decode().strip()

    def await_answer(self, name: str, message: str, wanted: Callable[[float], bool], program: Program) -> None:
        """Ask over and over until the number that comes is wanted, while a program runs."""
        deadline = time.monotonic() + PATIENCE
        while not wanted(float(self.ask(name, message))):
            assert program.process.poll() is None, f"the run ended (exit {program.ends()}): {program.text}"
            assert time.monotonic() < deadline, f"{name} never answered {message} as wanted"

    def outputs(self, until: float = float("inf")) -> set[str]:
        """The outputs that were on at a time, by the events seen so far."""
        on: set[str] = set()
        for event in self.events:
            if "output" in event and event["time"] <= until:
                (on.add if event["output"] == "on" else on.discard)(event["name"])
        return on

    def contactor_closed(self, until: float = float("inf")) -> bool:
        """Whether the contactor was closed at a time, by the events seen so far."""
        states = [event["contactor"] for event in self.events if "contactor" in event and event["time"] <= until]
        return bool(states) and states[-1] == "closed"

    def close(self) -> None:
        """End the simulator by its lifeline."""
        assert self.process.stdin is not None and self.process.stdout is not None
        with contextlib.suppress(BrokenPipeError):
            self.process.stdin.close()
        self.process.stdout.close()
        assert self.process.wait(PATIENCE) == 0

    def _line(self, deadline: float) -> str:
        assert self.process.stdout is not None
        found = lines_of(self.process.stdout.fileno(), self._rest, deadline)
        assert found is not None, f"the simulator said nothing more; so far {self.events[-5:]}"
        line, self._rest = found
        return line.decode()


def bench_station(folder: Path, addresses: Mapping[str, str] | None) -> Path:
    """The demo station's file for a folder: with addresses a real one, without them the simulated one.

    Its watchdog is the demo station's; its freshness is twice as long, for a computer that runs other tests as well.
    """
    station = loaded(ROOT / "simulators/demo-station.yaml")
    station["guard"]["freshness"] = "200 ms"
    for name, each in station["instruments"].items():
        each["page"] = str(ROOT / each["page"])
        if addresses is not None:
            each["address"] = addresses[name]
    if addresses is not None:
        del station["simulated"]
        station |= {"people": {"needed": "no"}, "rework": {"needed": "no"}}  # these tests are about voltage
    path = folder / ("bench.yaml" if addresses is not None else "simulated.yaml")
    path.write_text(yaml.safe_dump(station, sort_keys=False))
    return path


def short_sequence(folder: Path, kind: str = "") -> Path:
    """The demo sequence made short: one point and one step of each energising kind, or only steps of one kind.

    As a product of class II, which may be tested in any order. Times are long enough to act within them.
    """
    sequence = loaded(ROOT / "sequences/duct-heater-6kw.yaml")
    sequence["unit"]["protection_class"] = "II"
    sequence["unit"]["metal_parts"] = ["front-panel"]
    steps = {step["kind"]: step for step in sequence["steps"]}
    steps["ground_continuity"] |= {"points": ["front-panel"], "rise": "0.2 s", "hold": "0.8 s"}
    steps["dielectric_withstand"] |= {"rise": "0.8 s", "hold": "1.0 s", "fall": "0.1 s"}
    sequence["steps"] = [step for name, step in steps.items() if kind in ("", name)]
    path = folder / f"{kind or 'short'}.yaml"
    path.write_text(yaml.safe_dump(sequence, sort_keys=False))
    return path


class Program:
    """``eolseq`` at a terminal of its own, whose lines can be waited for and answered."""

    def __init__(self, folder: Path, *words: str) -> None:
        self.terminal, line = os.openpty()
        self.text = ""
        self.process = subprocess.Popen(
            [sys.executable, "-c", _LAUNCHER, os.ttyname(line), *words], cwd=folder, start_new_session=True,
            env={**os.environ, "TERM": "dumb", "PYTHONPATH": str(ROOT), "NO_COLOR": "1"})
        self._line: int | None = line  # kept open until the program has opened it

    def await_text(self, wanted: str) -> None:
        """Wait until the program has written this, after what was waited for before."""
        deadline = time.monotonic() + PATIENCE
        while wanted not in self.text:
            assert self._read(deadline), f"{wanted!r} never came; the program wrote: {self.text}"
        self.text = self.text.partition(wanted)[2]

    def type(self, text: str) -> None:
        """Type at the terminal."""
        os.write(self.terminal, text.encode())

    def kill(self, number: signal.Signals) -> float:
        """Send a signal; the time just before."""
        now = time.monotonic()
        self.process.send_signal(number)
        return now

    def hang_up(self) -> float:
        """Close the terminal under the program; the time just before."""
        self._let_go()
        now = time.monotonic()
        os.close(self.terminal)
        self.terminal = -1
        return now

    def ends(self) -> int:
        """Wait for the end, reading all there is to read; the exit code."""
        deadline = time.monotonic() + PATIENCE
        running = os.pidfd_open(self.process.pid)
        sources = [running, *([self.terminal] if self.terminal >= 0 else [])]
        while self.process.poll() is None and time.monotonic() < deadline:
            if self.terminal in select.select(sources, [], [], deadline - time.monotonic())[0] and not self._read(deadline):
                sources = [running]
        os.close(running)
        self._let_go()
        while self.terminal >= 0 and self._read(deadline):
            pass
        return self.process.wait(0.1)

    def close(self) -> None:
        """Leave nothing behind."""
        if self.process.poll() is None:
            self.process.kill()
            self.process.wait(PATIENCE)
        self._let_go()
        if self.terminal >= 0:
            os.close(self.terminal)

    def _let_go(self) -> None:
        if self._line is not None:
            os.close(self._line)
            self._line = None

    def _read(self, deadline: float) -> bool:
        left = deadline - time.monotonic()
        if left <= 0 or not select.select([self.terminal], [], [], left)[0]:
            return False
        try:
            chunk = os.read(self.terminal, 65536)
        except OSError:  # the program has closed its end
            return False
        self._let_go()
        self.text += chunk.decode("utf-8", "replace").replace("\r\n", "\n")
        return bool(chunk)


class Bench:
    """A simulator, a station file that names its addresses, and runs of the program on it."""

    def __init__(self, folder: Path, simulator: Simulator) -> None:
        self.folder = folder
        self.simulator = simulator
        self.station = bench_station(folder, simulator.addresses)
        self.records = folder / "records"
        self._programs: list[Program] = []
        simulator.order(closes_by_itself=False)

    def start(self, sequence: Path, *words: str) -> Program:
        """Start the program and acknowledge; the guard is opened and closed as it asks. Ends when the test begins."""
        program = self.program(sequence, *words)
        program.await_text("to acknowledge every caution above: ")
        program.type("tester\n")
        program.await_text("DO NOW: Open the guard")
        self.simulator.order(open="both")
        program.await_text("DO NOW: Close the guard.")
        self.simulator.order(close="both")
        return program

    def program(self, sequence: Path, *words: str, serial: str = SERIAL) -> Program:
        """Start ``eolseq run`` on this bench, as a trial, since nobody has approved its sequence."""
        program = Program(self.folder, "run", str(sequence), "--unit", serial, "--station", str(self.station), "--trial",
                          *words)
        self._programs.append(program)
        return program

    def entries(self) -> list[dict[str, Any]]:
        """Every entry of the log, each of its signatures checked."""
        return [entry.payload for entry in Records.open(self.records).entries(0)]

    def close(self) -> None:
        """End everything."""
        for program in self._programs:
            program.close()
        self.simulator.close()


@contextlib.contextmanager
def bench_at(folder: Path) -> Iterator[Bench]:
    """A bench of its own for one test."""
    made = Bench(folder, Simulator())
    try:
        yield made
    finally:
        made.close()
