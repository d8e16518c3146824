"""How long a review of a long log takes: ``python -m tests.benchmarks.bench_review``.

A log of 100,000 entries as a station with seven steps a unit writes them (23 entries and 13 readings a run, ends of
about 14,000 bytes). The yardstick is one pass of SHA-256 over the same bytes; figures are CPU seconds.
"""

from __future__ import annotations

import hashlib
import resource
import tempfile
import time
from collections.abc import Callable
from dataclasses import replace
from datetime import UTC, datetime, timedelta
from io import StringIO
from pathlib import Path

from rich.console import Console

from eolseq.clock import SystemClock
from eolseq.commands.watching import Watched
from eolseq.records import entries
from eolseq.records.reader import Records
from eolseq.review.review import KINDS, LogFacts, review
from eolseq.review.sheet import pdf_of
from eolseq.review.window import Window
from eolseq.review.words import lines
from eolseq.screen.watch_screen import DrawnWatch
from tests.records.samples import begin, end, energise, measured, open_log, reading

ENTRIES = 100_000
A_RUN = 23


def make(base: Path) -> None:
    """The log: every 19th unit fails, of two bays."""
    with open_log(base, role="station") as log:
        for number in range(ENTRIES // A_RUN):
            one_run(log, f"DH6-{number:08}", "fail" if number % 19 == 0 else "pass", f"bay-{number % 2 + 1}", number)
        log.checkpoint()


def one_run(log: object, serial: str, outcome: str, bay: str, number: int) -> None:
    run = log.append(replace(begin(log, serial), mode="real", bay=bay))
    for _ in range(7):
        log.append(energise(run))
    for _ in range(13):
        log.append(reading(run))
    last = end(log, run, serial, outcome)
    readings = tuple(replace(measured(f"0.000{400 + (number * 37 + k) % 50}"), name=f"reading {k}", sentence="It is in " * 30)
                     for k in range(2))
    steps = [entries.StepDone(f"step {k}", "heater_resistance", "pass", "As wanted. " * 10, readings) for k in range(5)]
    log.append(replace(last, mode="real", bay=bay, steps=(*steps, *last.steps), cautions=("Two people. " * 20,) * 10))
    log.append(entries.Remark(serial=None, reason="A word."))


def watch(base: Path) -> None:
    """A minute of watching, a look and a picture each second, while a unit is tested every thirty; of one core."""
    watched = Watched(base / "records", 90.0, SystemClock())
    screen = DrawnWatch(Console(file=StringIO(), force_terminal=True, width=80, height=24))
    spent = 0.0
    with open_log(base, role="station") as log:
        for second in range(60):
            if second % 30 == 0:
                one_run(log, f"DH7-{second:08}", "pass", "bay-1", second)
            now = datetime.now(UTC) + timedelta(seconds=second)
            spent += cpu(lambda now=now: screen.show(watched.look(), now))[0]  # type: ignore[misc]
    print(f"watched, of one core     {spent / 60 * 100:6.2f} %")


def cpu(work: Callable[[], object]) -> tuple[float, object]:
    before = time.process_time()
    result = work()
    return time.process_time() - before, result


def main() -> None:
    with tempfile.TemporaryDirectory() as folder:
        make(Path(folder))
        path = Path(folder) / "records" / "log.jsonl"
        print(f"{path.stat().st_size / 1e6:.0f} MB")
        print(f"SHA-256 of the file      {cpu(lambda: hashlib.sha256(path.read_bytes()))[0]:6.2f} s")
        took, found = cpu(lambda: Records.open(path.parent))
        print(f"the log opened           {took:6.2f} s")
        facts = LogFacts(str(path), found.origin, found.size, found.root.hex(), found.simulated)
        took, done = cpu(lambda: review(found.payloads(KINDS), facts, Window()))
        print(f"reviewed                 {took:6.2f} s, {found.size} entries, first pass {done.first_pass}")
        print(f"in words                 {cpu(lambda: lines(done))[0]:6.2f} s")
        print(f"as a page                {cpu(lambda: pdf_of(done))[0]:6.2f} s")
        watch(Path(folder))
        print(f"most memory              {resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / 1024:6.0f} MB")


if __name__ == "__main__":
    main()
