"""The log when the operating system fails it: every call, in every way, once and from then on; and killed at every call."""

from __future__ import annotations

import errno
import os
from collections.abc import Callable
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

import pytest

from eolseq.clock import VirtualClock
from eolseq.errors import RecordFault, Refused
from eolseq.records.audit import audit
from eolseq.records.log import Log
from eolseq.records.reader import Records
from tests.records.samples import ORIGIN_NAME, ROLE, FixedSystem, begin, end, energise, open_log, reading, whole_run

CALLS = ("open", "close", "read", "write", "fdatasync", "fsync", "fstat", "rename", "link", "unlink", "mkdir", "lock", "reserve")


class Killed(BaseException):
    """The process ends here, without another instruction."""


class FailingSystem(FixedSystem):
    """Counts every call, and fails the Nth, once or from then on, before it does anything (a close is done first)."""

    def __init__(self, failing: int = 0, error: BaseException | None = None, from_then_on: bool = False) -> None:
        self.calls = 0
        self.failing, self.error, self.from_then_on = failing, error, from_then_on
        self.failed_at = ""
        self.descriptors: set[int] = set()

    def fail_if_due(self, name: str) -> None:
        self.calls += 1
        due = self.calls == self.failing or (self.from_then_on and self.failing and self.calls > self.failing)
        if due and self.error is not None:
            self.failed_at = self.failed_at or name
            raise self.error

    def open(self, path: Path, flags: int, mode: int = 0o644) -> int:
        self.fail_if_due("open")
        descriptor = super().open(path, flags, mode)
        self.descriptors.add(descriptor)
        return descriptor

    def close(self, descriptor: int) -> None:
        if not isinstance(self.error, Killed):
            super().close(descriptor)
            self.descriptors.discard(descriptor)
            self.fail_if_due("close")
            return
        self.fail_if_due("close")
        super().close(descriptor)
        self.descriptors.discard(descriptor)

    def die(self) -> None:
        """What the kernel does for a process that has ended."""
        for descriptor in self.descriptors:
            os.close(descriptor)
        self.descriptors.clear()


def _counted(name: str) -> Callable[..., Any]:
    def call(self: FailingSystem, *arguments: Any) -> Any:
        self.fail_if_due(name)
        return getattr(FixedSystem, name)(self, *arguments)

    return call


for _name in CALLS:
    if _name not in ("open", "close"):
        setattr(FailingSystem, _name, _counted(_name))


@dataclass
class Story:
    """What a station did until it was stopped: entries acknowledged, what they were, and the fault."""

    acknowledged: list[tuple[int, str]] = field(default_factory=list)
    checkpointed: int = 0
    fault: BaseException | None = None
    again: BaseException | None = None
    log: Log | None = None


def two_runs(base: Path, system: FailingSystem) -> Story:
    """Begin a log, with a new key; two runs with a checkpoint after each; give the log back."""
    story = Story()
    try:
        story.log = log = Log.open(base / "records", origin_name=ORIGIN_NAME, key_path=base / "keys" / "station.pem",
                                   role=ROLE, clock=VirtualClock(), os=system, software="test")
        for outcome in ("fail", "pass"):
            run = log.append(begin(log))
            story.acknowledged.append((run, "begin"))
            story.acknowledged.append((log.append(energise(run)), "energise"))
            story.acknowledged.append((log.append(reading(run)), "reading"))
            story.acknowledged.append((log.append(end(log, run, outcome=outcome)), "end"))
            log.checkpoint()
            story.checkpointed = log.size
        log.close()
    except (RecordFault, Refused, Killed) as error:
        story.fault = error
    if story.log is not None and story.fault is not None and not isinstance(story.fault, Killed):
        try:
            story.log.append(begin(story.log))
        except (RecordFault, Refused) as error:
            story.again = error
        story.log.close()
    system.die()
    return story


def counted_calls(base: Path) -> int:
    base.mkdir()
    system = FailingSystem()
    story = two_runs(base, system)
    assert story.fault is None and len(story.acknowledged) == 8
    return system.calls


def assert_nothing_acknowledged_is_lost(base: Path, story: Story) -> None:
    """The log opens again on a good disk, holds every acknowledged entry, closes what was open, and works on."""
    with Log.open(base / "records", origin_name=ORIGIN_NAME, key_path=base / "keys" / "station.pem", role=ROLE,
                  clock=VirtualClock(), os=FixedSystem(), software="test") as log:
        kinds = [entry.payload["kind"] for entry in Records.open(base / "records").entries()]
        assert kinds[0] == "genesis"
        for index, kind in story.acknowledged:
            assert kinds[index] == kind
        assert log.size >= story.checkpointed
        for run in log.open_runs():
            from eolseq.records.entries import Abandon

            log.append(Abandon(run=run.index, serial=run.serial, reason="The program ended.",
                               energised="yes" if run.energised else "no"))
        whole_run(log)
        log.checkpoint()
    assert audit(base / "records").findings == []


@pytest.mark.parametrize("from_then_on", [False, True], ids=["once", "from then on"])
@pytest.mark.parametrize("number", [errno.EIO, errno.ENOSPC, errno.EROFS], ids=["EIO", "ENOSPC", "EROFS"])
def test_every_call_fails(tmp_path: Path, number: int, from_then_on: bool) -> None:
    total = counted_calls(tmp_path / "clean")
    failed: dict[str, int] = {}
    for failing in range(1, total + 1):
        base = tmp_path / str(failing)
        base.mkdir()
        system = FailingSystem(failing, OSError(number, os.strerror(number)), from_then_on)
        story = two_runs(base, system)
        failed[system.failed_at] = failed.get(system.failed_at, 0) + 1
        if story.fault is None:  # only giving the log back, or asking for more space than is needed, fails without harm
            assert system.failed_at in ("close", "reserve") and len(story.acknowledged) == 8
        elif system.failed_at == "reserve" and number == errno.ENOSPC:
            assert isinstance(story.fault, Refused) and story.acknowledged == []  # refused before anything is written
        elif story.log is not None:
            assert story.again is not None  # after one failure the log is never written again
        assert_nothing_acknowledged_is_lost(base, story)
    assert total == 78 == sum(failed.values())
    assert set(failed) == set(CALLS)


def test_killed_at_every_call(tmp_path: Path) -> None:
    total = counted_calls(tmp_path / "clean")
    for failing in range(1, total + 1):
        base = tmp_path / str(failing)
        base.mkdir()
        story = two_runs(base, FailingSystem(failing, Killed(), from_then_on=True))
        assert isinstance(story.fault, Killed)
        assert_nothing_acknowledged_is_lost(base, story)
    assert total == 78


class TornSystem(FixedSystem):
    """Takes so many bytes of the write after the given ones, then the disk is full (or the process dies)."""

    def __init__(self, error: BaseException) -> None:
        self.error = error
        self.left: int | None = None

    def write(self, descriptor: int, data: bytes | memoryview) -> int:
        if self.left is None:
            return super().write(descriptor, data)
        if self.left == 0:
            raise self.error
        taken = super().write(descriptor, data[:self.left])
        self.left -= taken
        return taken


@pytest.mark.parametrize("error", [OSError(errno.ENOSPC, "No space left on device"), Killed()], ids=["full", "killed"])
def test_a_write_torn_at_every_seventh_byte_is_recovered_at_the_next_start(tmp_path: Path, error: BaseException) -> None:
    with open_log(tmp_path) as log:
        whole_run(log)
        log.checkpoint()
    whole = log.path.read_bytes()
    torn = written = 0
    for taken in range(0, 2_100, 7):
        log.path.write_bytes(whole)
        system = TornSystem(error)
        log = open_log(tmp_path, system=system)
        system.left = taken
        try:
            log.append(begin(log))
            written += 1
        except (RecordFault, Killed):
            torn += taken > 0
        log.close()
        data = log.path.read_bytes()
        with open_log(tmp_path) as log:
            assert (log.recovered is None) == data.endswith(b"\n")
            assert log.path.read_bytes().startswith(data)
    assert torn + written == 299 and torn > 200 and written > 10


class OneByteSystem(FixedSystem):
    """Takes one byte at a time, as a slow pipe would."""

    def write(self, descriptor: int, data: bytes | memoryview) -> int:
        return super().write(descriptor, data[:1])


def test_short_writes_are_completed(tmp_path: Path) -> None:
    with open_log(tmp_path / "short", system=OneByteSystem()) as log:
        whole_run(log)
        log.checkpoint()
    with open_log(tmp_path / "long") as other:
        whole_run(other)
        other.checkpoint()
    assert log.path.read_bytes() == other.path.read_bytes()


class TakesNothing(FixedSystem):
    def write(self, descriptor: int, data: bytes | memoryview) -> int:
        return 0


def test_a_write_that_takes_nothing_is_an_error_not_a_hang(tmp_path: Path) -> None:
    open_log(tmp_path).close()
    with open_log(tmp_path) as log:
        log._os = TakesNothing()
        with pytest.raises(RecordFault, match="takes no more bytes"):
            log.append(begin(log))


class Interrupted(FixedSystem):
    def fdatasync(self, descriptor: int) -> None:
        raise KeyboardInterrupt


def test_an_interrupt_inside_a_write_stays_one_and_stops_the_log(tmp_path: Path) -> None:
    with open_log(tmp_path) as log:
        log._os = Interrupted()
        with pytest.raises(KeyboardInterrupt):
            log.append(begin(log))
        with pytest.raises(RecordFault, match="KeyboardInterrupt"):
            log.append(begin(log))
