"""What share of one core the screen of four bays takes while all four test, in real time.

Run it as ``python tests/benchmarks/bench_bays_screen.py``. A shift at the simulated station of four bays is recorded in
virtual time, from the first test to the end of the last; then it is told again at its own pace to a screen on a terminal
of 80 by 24 and of 160 by 45. Counted is the time of the drawing task on the processor, and that of telling. At most a
tenth of a core is asked for. The yardstick of the same run: rich printing ready lines of the same size as often.
"""

from __future__ import annotations

import contextlib
import os
import pty
import sys
import tempfile
import threading
import time
from pathlib import Path
from typing import Any

sys.path.insert(0, str(Path(__file__).parents[2]))

from rich.console import ConsoleDimensions
from rich.text import Text

from eolseq.clock import SystemClock
from eolseq.screen.bays_screen import EVERY, DrawnBays
from eolseq.screen.live import console_on
from tests.bays_pictures import SIGN_IN, Hall, _units
from tests.bays_rig import BaysRig

MOST_SHARE = 0.10  # of one core
SECONDS = 20.0     # s of the shift that are told again


def recorded() -> list[tuple[float, str, Any]]:
    """Every event of a shift in which all four bays test, with its time from the first test on."""
    told: list[tuple[float, str, Any]] = []
    with tempfile.TemporaryDirectory() as folder, BaysRig(Path(folder), 4) as rig:
        hall = Hall(rig, {})
        hall.also = lambda bay, event: told.append((rig.clock.monotonic(), bay, event))
        hall.run((*SIGN_IN, *_units(1, 1, 4, 0.2), (60.0, "=end")))
    first = next(at for at, _, event in told if type(event).__name__ == "RunBegins")
    return [(at - first, bay, event) for at, bay, event in told if at - first < SECONDS]


class Timed(DrawnBays):
    """The screen, with the processor's time of its drawing task."""

    spent, pictures = 0.0, 0

    def moment(self) -> None:
        """As it is, timed."""
        start = time.thread_time()
        before = self._next
        super().moment()
        self.spent += time.thread_time() - start
        self.pictures += self._next != before


def measure(told: list[tuple[float, str, Any]], width: int, height: int) -> float:
    """Tell the shift at its own pace to a terminal of a size; the share of one core."""
    master, slave = pty.openpty()
    threading.Thread(target=_swallow, args=(master,), daemon=True).start()
    os.environ["TERM"] = "xterm-256color"
    with open(slave, "w", encoding="utf-8") as stream:
        console = console_on(stream)
        console.size = ConsoleDimensions(width, height)
        screen = Timed(console, SystemClock(), [f"bay-{n}" for n in range(1, 5)], silent=True)
        screen.start()
        start, telling = time.monotonic(), 0.0
        for at, bay, event in told:
            time.sleep(max(0.0, start + at - time.monotonic()))
            before = time.thread_time()
            screen.tell(bay, event)
            telling += time.thread_time() - before
        took = time.monotonic() - start
        spent, pictures = screen.spent, screen.pictures
        screen.close()
        lines = Text("\n".join("x" * width for _ in range(height)))
        before = time.thread_time()
        for _ in range(20):
            console.print(lines)
        yardstick = (time.thread_time() - before) / 20
    share = (spent + telling) / took
    print(f"{width} by {height}: {share:.1%} of one core over {took:.0f} s; {pictures} pictures of "
          f"{spent / max(1, pictures) * 1e3:.2f} ms, {len(told)} events told in {telling / len(told) * 1e6:.1f} us each; "
          f"rich printing ready lines: {yardstick * 1e3:.2f} ms, {yardstick / EVERY:.1%} of a core")
    return share


def _swallow(descriptor: int) -> None:
    """Be the terminal's other end."""
    with contextlib.suppress(OSError):
        while os.read(descriptor, 65536):
            pass


def main() -> int:
    """Measure and print; 1 when more than is asked for was taken."""
    told = recorded()
    shares = [measure(told, 80, 24), measure(told, 160, 45)]
    return 0 if max(shares) <= MOST_SHARE else 1


if __name__ == "__main__":
    sys.exit(main())
