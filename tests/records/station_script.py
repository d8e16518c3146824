"""A station in a process of its own, for tests that kill it or fill its disk: two runs; says what is durable, at once."""

from __future__ import annotations

import os
import sys
from pathlib import Path

sys.path.insert(0, str(Path(__file__).parents[2]))

from eolseq.clock import SystemClock
from eolseq.records.log import Log
from tests.records.samples import ORIGIN_NAME, ROLE, begin, end, energise, reading


def acknowledged(index: int, kind: str) -> None:
    """Tell the tester, by a system call that nothing else here uses."""
    os.writev(1, [f"{index} {kind}\n".encode()])


def main(base: Path) -> None:
    log = Log.open(base / "records", origin_name=ORIGIN_NAME, key_path=base / "keys" / "station.pem", role=ROLE,
                   clock=SystemClock(), software="test")
    for outcome in ("fail", "pass"):
        run = log.append(begin(log))
        acknowledged(run, "begin")
        acknowledged(log.append(energise(run)), "energise")
        acknowledged(log.append(reading(run)), "reading")
        acknowledged(log.append(end(log, run, outcome=outcome)), "end")
        log.checkpoint()
    log.close()
    acknowledged(log.size, "done")


if __name__ == "__main__":
    main(Path(sys.argv[1]))
