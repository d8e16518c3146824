"""``--trace FILE`` of every command that opens instruments."""

from __future__ import annotations

import argparse
import sys
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import replace
from pathlib import Path
from typing import TYPE_CHECKING

from eolseq.quantity import counted

if TYPE_CHECKING:
    from eolseq.commands.wiring import Wires


def trace_argument(parser: argparse.ArgumentParser) -> None:
    """Declare the file for the trace."""
    parser.add_argument("--trace", metavar="FILE", type=Path,
                        help="write every exchange with the instruments to this new file, one JSON line each")


@contextmanager
def traced(wires: Wires, options: argparse.Namespace) -> Iterator[Wires]:
    """The same wires, their lines traced into the file that was asked for; all as it was where none was."""
    path: Path | None = options.trace
    if path is None:
        yield wires
        return
    from eolseq import __version__
    from eolseq.instruments.tracing import TraceFile, TracingManager

    file = TraceFile(path, {"program": f"eolseq {__version__}", "command": options.command,
                            "station": str(options.station), "time": wires.clock.now().isoformat(),
                            "at": round(wires.clock.monotonic(), 6)})
    try:
        yield replace(wires, manager=TracingManager(wires.manager, file))
    finally:
        file.close()
        if file.missing:
            print(f"note: the trace {path} lacks {counted(file.missing, 'line')} ({file.problem}); nothing else was "
                  "disturbed.", file=sys.stderr)
