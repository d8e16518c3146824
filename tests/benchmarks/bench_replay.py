"""A whole run against the trace of it, replayed by a plain pyvisa script with TCP_NODELAY on the same simulated station.

Run with ``python -m tests.benchmarks.bench_replay [RUNS]``; each run and each replay takes about ten seconds. The replay
sends the same messages in the same order, one thread for the looks at the guard and one for all else, through stock
pyvisa, and judges, records and decides nothing. Where the program waited on purpose (25 ms or more between a reply and the
next message) the script waits as long; every shorter gap is the program's own and the script has none of it. A step ends where all relays are opened. The log is on a file system in memory, so that no disk is
measured. Asked for: the whole run at most 1.5 times the replay, at most 5 ms added a step at p99.
"""

from __future__ import annotations

import contextlib
import json
import os
import socket
import subprocess
import sys
import tempfile
import threading
import time
from pathlib import Path
from typing import Any

import pyvisa

ROOT = Path(__file__).resolve().parents[2]
STATION, UNIT, GUARD, LOOK = "simulators/demo-station.yaml", "DH6-00000001", "guard", "*TRG"
WAIT, MOST_RATIO, MOST_ADDED = 0.025, 1.5, 0.005

Event = dict[str, Any]


def traced_run(folder: Path) -> list[Event]:
    """The events of one run of the demo, which must pass."""
    for name in ("simulators", "drivers", "sequences"):
        if not (folder / name).exists():
            (folder / name).symlink_to(ROOT / name)
    trace = folder / f"{time.monotonic_ns()}.jsonl"
    subprocess.run([sys.executable, "-m", "eolseq", "run", "sequences/duct-heater-6kw.yaml", "--unit", UNIT, "--station",
                    STATION, "--acknowledge", "demo", "--json", "--trace", str(trace)], cwd=folder, check=True,
                   capture_output=True, env={**os.environ, "PYTHONPATH": str(ROOT)})
    return [json.loads(line) for line in trace.read_text().splitlines()[1:]]


def ends_of_steps(events: list[Event]) -> list[float]:
    """Seconds from the first event to each end of a step."""
    found = [each["at"] for each in events if each["what"] == "out" and each["text"].startswith("ROUT:OPEN:ALL")]
    return [at - events[0]["at"] for at in found]


def parted(events: list[Event]) -> tuple[list[Event], list[Event]]:
    """All but the looks at the guard, and the looks; each question with its reply."""
    main: list[Event] = []
    looks: list[Event] = []
    looking = False
    for each in events:
        if each["instrument"] == GUARD and each["what"] == "out":
            looking = each["text"].startswith(LOOK)
        (looks if looking and each["instrument"] == GUARD else main).append(each)
    return main, looks


class Replay:
    """A plain pyvisa script: messages, replies and waits of a trace, and when each end of a step came."""

    def __init__(self, addresses: dict[str, str]) -> None:
        manager = pyvisa.ResourceManager("@py")
        self.lines: dict[str, Any] = {}
        for name, address in addresses.items():
            line: Any = manager.open_resource(address, read_termination="\n", write_termination="\n", timeout=5000)
            if address.startswith("TCPIP"):
                wire = line.visalib.sessions[line.session].interface  # this stack has no attribute for it
                wire.setsockopt(socket.IPPROTO_TCP, socket.TCP_NODELAY, 1)
            self.lines[name] = line
        self.ends: list[float] = []
        self._turn = threading.Lock()  # at the guard unit

    def play(self, events: list[Event]) -> float:
        """Seconds from the first message to the last reply of the instruments other than the guard unit."""
        main, looks = parted(events)
        watch = threading.Thread(target=self._watch, args=(looks, events[0]["at"]))
        self._begun = time.monotonic()
        watch.start()
        self._play(main)
        seconds = time.monotonic() - self._begun
        watch.join()
        return seconds

    def _watch(self, looks: list[Event], first: float) -> None:
        """The looks at the guard come by the clock."""
        for event in looks:
            if event["what"] == "out":
                time.sleep(max(0.0, event["at"] - first - (time.monotonic() - self._begun)))
                with self._turn:
                    self.lines[GUARD].query(event["text"])

    def _play(self, events: list[Event]) -> None:
        before = events[0]["at"]
        for event, following in zip(events, [*events[1:], None], strict=True):
            line, gap = self.lines[event["instrument"]], event["at"] - before
            before = event["at"]
            if event["what"] != "out":
                continue  # was read with its question
            if gap >= WAIT:
                time.sleep(gap)
            if event["text"].startswith("ROUT:OPEN:ALL"):
                self.ends.append(time.monotonic() - self._begun)
            with self._turn if event["instrument"] == GUARD else contextlib.nullcontext():
                line.write(event["text"])
                if following is not None and following["what"] == "in":
                    line.read()


def replayed(events: list[Event]) -> tuple[float, list[float]]:
    """The seconds of a replay on a fresh simulated station, and its ends of steps."""
    child = subprocess.Popen([sys.executable, "-m", "eolseq", "simulate", STATION, "--unit", UNIT, "--lifeline"], cwd=ROOT,
                             stdin=subprocess.PIPE, stdout=subprocess.PIPE, text=True)
    if child.stdout is None or child.stdin is None:
        raise SystemExit("no simulated station")
    names = {each["instrument"] for each in events}
    addresses = dict(child.stdout.readline().split() for _ in names)
    threading.Thread(target=child.stdout.read, daemon=True).start()
    try:
        script = Replay(addresses)
        return script.play(events), script.ends
    finally:
        child.stdin.close()
        child.wait()


def main() -> None:
    """Run, replay, compare; ends with an error when it is more than asked for."""
    runs = int(sys.argv[1]) if len(sys.argv) > 1 else 3
    sys.setswitchinterval(0.0001)
    ratios, added = [], []
    with tempfile.TemporaryDirectory(dir="/dev/shm" if os.access("/dev/shm", os.W_OK) else None) as folder:
        for _ in range(runs):
            events = traced_run(Path(folder))
            whole, mine = max(e["at"] for e in events if e["instrument"] != GUARD) - events[0]["at"], ends_of_steps(events)
            seconds, theirs = replayed(events)
            if len(mine) != len(theirs):
                raise SystemExit("the replay lost a step")
            steps = [(a - b) - (c - d) for a, b, c, d in zip(mine[1:], mine, theirs[1:], theirs, strict=False)]
            exchanges = sum(each["what"] == "out" for each in parted(events)[0])
            ratios.append(whole / seconds)
            added += steps
            print(f"run {whole:6.3f} s, replay {seconds:6.3f} s, ratio {whole / seconds:.3f}, {exchanges} messages; added a "
                  f"step: {', '.join(f'{each * 1e3:.1f}' for each in steps)} ms", flush=True)
    worst = sorted(added)[min(len(added) - 1, int(len(added) * 0.99))]
    print(f"load {os.getloadavg()[0]:.1f}: ratio at most {max(ratios):.3f} (asked {MOST_RATIO}); added a step, median "
          f"{sorted(added)[len(added) // 2] * 1e3:.1f}, p99 of {len(added)}: {worst * 1e3:.1f} ms (asked {MOST_ADDED * 1e3:.0f})")
    if max(ratios) > MOST_RATIO or worst > MOST_ADDED:
        raise SystemExit("more than asked for")


if __name__ == "__main__":
    main()
