"""How long it takes to say where one unit stands, in a log of 100,000 entries; CPU time of one core, in memory.

The yardstick is one walk over the runs of all units in the same log, which is what asking without the book by serial
would cost. The units are invented; one in twenty fails and is reworked, one in fifty is made void.

Start: python -m tests.benchmarks.bench_unit_state
"""

from __future__ import annotations

import tempfile
import time
from pathlib import Path

from eolseq.line.unit_state import Standing, state_of
from eolseq.records.log import Log
from eolseq.records.reader import Records
from eolseq.review.retests import KINDS, retests
from eolseq.station.line_fields import ReworkRules
from tests.line.stories import tell
from tests.records.samples import open_log

ENTRIES = 100_000
ASKED = 5_000
RULES = ReworkRules(needed=True, attempts=3, stops=2)


def fill(log: Log) -> int:
    """Units one after another until the log is long enough; how many."""
    units = 0
    while log.size < ENTRIES:
        units += 1
        serial = f"DH6-{units:08d}"
        if units % 20 == 0:
            tell(log, "fail", serial)
            tell(log, "rework", serial)
        tell(log, "pass", serial)
        if units % 50 == 0:
            tell(log, "void", serial)
    log.checkpoint()
    return units


def main() -> None:
    """Measure and print."""
    with tempfile.TemporaryDirectory(dir="/dev/shm") as folder, open_log(Path(folder)) as log:
        units = fill(log)
        began = time.process_time()
        passed = sum(state_of(log, f"DH6-{1 + number * 7 % units:08d}", RULES).standing is Standing.PASSED
                     for number in range(ASKED))
        asked = (time.process_time() - began) / ASKED
        records = Records.open(Path(folder) / "records")
        began = time.process_time()
        tested = sum(run.outcome == "pass" for run in records.runs())
        walk = time.process_time() - began
        began = time.process_time()
        found = retests(records.payloads(KINDS))
        counted = time.process_time() - began
    print(f"{ENTRIES} entries, {units} units, {tested} passes; {passed} of {ASKED} asked for stand as passed")
    print(f"where one unit stands: {asked * 1e6:8.1f} us; yardstick, a walk over all runs: {walk * 1e6:8.1f} us")
    print(f"all retests:           {counted:8.2f} s, {sum(found.passes.values())} passes read")


if __name__ == "__main__":
    main()
