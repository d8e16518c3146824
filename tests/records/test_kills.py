"""Killed by the kernel at every system call that changes the disk, in a process of its own.

Where strace is not at hand, or may not trace, these are skipped; test_faults.py does the same in process at every call.
"""

from __future__ import annotations

import shutil
import subprocess
import sys
from collections import Counter
from pathlib import Path

import pytest

from eolseq.clock import SystemClock
from eolseq.records import entries
from eolseq.records.audit import audit
from eolseq.records.log import Log
from eolseq.records.reader import Records
from tests.records.samples import ORIGIN_NAME, ROLE, FixedSystem, whole_run

CALLS = ("mkdir", "flock", "write", "fdatasync", "fsync", "rename", "link", "unlink", "fallocate")
SCRIPT = Path(__file__).with_name("station_script.py")
STRACE = shutil.which("strace")

pytestmark = pytest.mark.real_lines


def may_trace(folder: Path) -> bool:
    if STRACE is None:
        return False
    tried = subprocess.run([STRACE, "-f", "-qq", "-o", str(folder / "trace"), "-e", "trace=write", "true"], check=False,
                           capture_output=True)
    return tried.returncode == 0


def traced(base: Path, *options: str) -> tuple[int, list[tuple[int, str]], Counter[str]]:
    """Run the station under strace: exit code, what was acknowledged, and how often each call was made."""
    base.mkdir()
    trace = base / "trace"
    command = [str(STRACE), "-f", "-qq", "-o", str(trace), "-e", "trace=" + ",".join(CALLS), *options,
               sys.executable, "-B", str(SCRIPT), str(base)]
    ended = subprocess.run(command, check=False, capture_output=True, text=True)
    told = [(int(line.split()[0]), line.split()[1]) for line in ended.stdout.splitlines()]
    calls = Counter(line.split(maxsplit=1)[1].split("(")[0] for line in trace.read_text("utf-8", "replace").splitlines())
    return ended.returncode, told, calls


def nothing_is_lost(base: Path, told: list[tuple[int, str]]) -> None:
    """The log opens on the same disk, holds all that was acknowledged, and works on."""
    with Log.open(base / "records", origin_name=ORIGIN_NAME, key_path=base / "keys" / "station.pem", role=ROLE,
                  clock=SystemClock(), os=FixedSystem(), software="test") as log:
        kinds = [entry.payload["kind"] for entry in Records.open(base / "records").entries()]
        assert [kinds[index] for index, kind in told if kind != "done"] == [kind for _, kind in told if kind != "done"]
        for run in log.open_runs():
            log.append(entries.Abandon(run=run.index, serial=run.serial, reason="The program ended.",
                                       energised="yes" if run.energised else "no"))
        whole_run(log)
        log.checkpoint()
    assert audit(base / "records").findings == []




def test_killed_at_every_system_call(tmp_path: Path) -> None:
    if not may_trace(tmp_path):
        pytest.skip("strace is not here, or may not trace")
    code, told, calls = traced(tmp_path / "clean")
    assert (code, len(told), told[-1]) == (0, 9, (9, "done"))
    points = [(name, number) for name in CALLS for number in range(1, calls[name] + 1)]
    killed = 0
    for name, number in points:
        base = tmp_path / f"{name}-{number}"
        code, told, _ = traced(base, "-e", f"inject={name}:signal=KILL:when={number}")
        if code == 0:  # the interpreter's own start makes a call or two more or less
            assert told[-1] == (9, "done")
            continue
        killed += 1
        assert (9, "done") not in told
        nothing_is_lost(base, told)
    assert len(points) >= 40 and killed >= len(points) - 2
    assert set(calls) >= set(CALLS)
