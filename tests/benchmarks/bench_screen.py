"""What it costs to tell the screen something and to redraw it, beside yardsticks of the same run.

Run it as ``python tests/benchmarks/bench_screen.py``. The yardsticks are a bare dictionary store for telling, and
printing 24 ready lines of 80 characters with rich for redrawing.
"""

from __future__ import annotations

import io
import sys
import time
from collections.abc import Callable
from pathlib import Path

sys.path.insert(0, str(Path(__file__).parents[2]))

from rich.console import Console
from rich.text import Text

from eolseq.clock import SystemClock
from eolseq.engine.events import Instruction, Live
from eolseq.screen.live import Screen
from eolseq.screen.model import RunView
from tests.screen.story import LEAK, reading, story


def each(work: Callable[[], object], times: int) -> float:
    """Microseconds a call, the best of five rounds."""
    best = float("inf")
    for _ in range(5):
        start = time.perf_counter()
        for _ in range(times):
            work()
        best = min(best, time.perf_counter() - start)
    return best / times * 1e6


def main() -> None:
    """Measure and print."""
    events = list(story())
    at = next(i for i, event in enumerate(events) if isinstance(event, Live) and event.index == 4)
    live = Live(4, "current", reading("current", "2.91 mA"), LEAK, "holding", 1.0)
    view = RunView()
    for event in events[:at + 2]:
        view.tell(event, 0.0)
    store: dict[str, object] = {}
    print(f"a dictionary store: {each(lambda: store.__setitem__('current', live), 100_000):.2f} us")
    print(f"the model told a live reading: {each(lambda: view.tell(live, 0.0), 100_000):.2f} us")
    console = Console(file=io.StringIO(), force_terminal=True, width=80, height=24, color_system="truecolor",
                      markup=False, highlight=False)
    lines = Text("\n".join("x" * 80 for _ in range(24)))
    print(f"rich printing 24 ready lines: {each(lambda: console.print(lines), 200):.0f} us")
    screen = Screen(console, SystemClock())
    for event in events[:at + 2]:
        screen.tell(event)
    screen._next = float("inf")  # no redraw falls due
    print(f"the screen told a live reading, no redraw: {each(lambda: screen.tell(live), 100_000):.2f} us")
    wait = Instruction("Wait. The test runs by itself. Red button stops it.")
    print(f"the screen told an instruction, with a redraw: {each(lambda: screen.tell(wait), 200):.0f} us")
    screen.close()


if __name__ == "__main__":
    main()
