"""Where and when a log may be written: disk space, kinds of file systems, and the clock."""

from __future__ import annotations

import errno
import shutil
import subprocess
import sys
from datetime import UTC, datetime, timedelta
from pathlib import Path

import pytest

from eolseq.clock import VirtualClock
from eolseq.errors import RecordFault, Refused
from eolseq.records import entries
from eolseq.records.audit import audit
from eolseq.records.log import CLOCK_AHEAD, CLOCK_TOLERANCE, RESERVE
from eolseq.records.system import OVER_NETWORK, OperatingSystem, kind_of_mount
from tests.records.samples import FixedSystem, begin, end, energise, open_log, reading, whole_run

FULL = OSError(errno.ENOSPC, "No space left on device")


class Disk(FixedSystem):
    """A disk of which so many bytes are free; what is set aside for the log is taken from them."""

    def __init__(self, free: int, can_reserve: bool = True) -> None:
        self.free, self.can_reserve = free, can_reserve
        self.set_aside_to = 0
        self.log = -1

    def reserve(self, descriptor: int, offset: int, length: int) -> bool:
        if not self.can_reserve:
            return False
        more = max(0, offset + length - max(self.set_aside_to, offset))
        if more > self.free:
            raise FULL
        self.free -= more
        self.set_aside_to, self.log = max(self.set_aside_to, offset + length), descriptor
        return True

    def free_bytes(self, descriptor: int) -> int:
        return self.free

    def write(self, descriptor: int, data: bytes | memoryview) -> int:
        room = self.free
        if descriptor == self.log:
            room += max(0, self.set_aside_to - self.fstat(descriptor).st_size)
        if room <= 0:
            raise FULL
        taken = super().write(descriptor, data[:room])
        if descriptor != self.log:
            self.free -= taken
        return taken


def test_a_run_that_has_begun_fits_on_a_disk_that_fills_up_then(tmp_path: Path) -> None:
    disk = Disk(8 << 20)
    with open_log(tmp_path, system=disk) as log:
        whole_run(log)
        run = log.append(begin(log))
        disk.free = 0
        log.append(energise(run))
        for _ in range(200):
            log.append(reading(run))
        log.append(end(log, run, outcome="stopped"))
        with pytest.raises(RecordFault):  # a checkpoint is a file of its own; the entries are durable without it
            log.checkpoint()
    disk.free = 8 << 20
    with open_log(tmp_path, system=disk) as log:
        assert [each.outcome for each in log.attempts("DH6-00000001")] == ["pass", "stopped"]


@pytest.mark.parametrize("can_reserve", [True, False], ids=["space can be set aside", "space is only looked at"])
def test_no_run_begins_without_space_for_the_whole_of_it(tmp_path: Path, can_reserve: bool) -> None:
    disk = Disk(8 << 20, can_reserve)
    with open_log(tmp_path, system=disk) as log:
        whole_run(log)
        size = log.path.stat().st_size
        disk.free = RESERVE - 1
        disk.set_aside_to = log._set_aside = 0
        with pytest.raises(Refused, match="1024 KiB") as caught:
            log.append(begin(log))
        assert caught.value.exit_code == 3 and "Free space" in caught.value.do
        assert log.path.stat().st_size == size
        disk.free = 8 << 20
        whole_run(log)  # nothing was broken by the refusal
        log.checkpoint()
    assert audit(log.path).findings == []


def test_two_open_runs_need_twice_the_space(tmp_path: Path) -> None:
    disk = Disk(6 << 20)
    with open_log(tmp_path, system=disk) as log:
        log.append(begin(log, "A"))
        disk.free = 0
        for number in range(3):
            log.append(begin(log, f"B{number}"))
        with pytest.raises(Refused, match="5120 KiB"):
            log.append(begin(log, "C"))
        assert len(log.open_runs()) == 4


def test_a_disk_that_fills_at_every_write_and_is_freed_again(tmp_path: Path) -> None:
    """Where space cannot be set aside, each write in turn finds the disk full, after none or some of its bytes."""
    cases = lost = 0
    for at in range(9):
        for room in (0, 1, 500):
            base = tmp_path / f"{at}-{room}"
            disk = Filling(at, room)
            acknowledged: list[int] = []
            with open_log(base, system=disk) as log:
                try:
                    for _ in range(2):
                        run = log.append(begin(log))
                        acknowledged.append(run)
                        acknowledged.append(log.append(energise(run)))
                        acknowledged.append(log.append(reading(run)))
                        acknowledged.append(log.append(end(log, run)))
                        log.checkpoint()
                except RecordFault as fault:
                    assert "No space left" in fault.what
                    lost += 1
                    with pytest.raises(RecordFault, match="not written any more"):
                        log.append(entries.Remark(serial=None, reason="x"))
            with open_log(base) as log:
                assert log.size > max(acknowledged, default=0)
                for each in log.open_runs():
                    log.append(entries.Abandon(run=each.index, serial=each.serial, reason="x", energised="yes"))
                whole_run(log)
                log.checkpoint()
            assert audit(log.path).findings == []
            cases += 1
    assert (cases, lost) == (27, 27)


class Filling(FixedSystem):
    """A disk without a way to set space aside, full from the Nth write after the log was begun on."""

    def __init__(self, at: int, room: int) -> None:
        self.left, self.room = at + 3, room  # the first writes are the genesis, its checkpoint; a key is there already

    def reserve(self, descriptor: int, offset: int, length: int) -> bool:
        return False

    def write(self, descriptor: int, data: bytes | memoryview) -> int:
        self.left -= 1
        if self.left > 0:
            return super().write(descriptor, data)
        room, self.room = self.room, 0
        if not room:
            raise FULL
        return super().write(descriptor, data[:room])


IN_A_FULL_DISK = """
import errno, os, sys
from pathlib import Path
sys.path.insert(0, sys.argv[1])
from eolseq.errors import Refused
from eolseq.records.system import OperatingSystem
from tests.records.samples import begin, end, energise, open_log, reading
base = Path(sys.argv[2])
def fill(name):
    with open(base / name, "wb", buffering=0) as stream:
        try:
            while True: stream.write(bytes(65536))
        except OSError as error:
            assert error.errno == errno.ENOSPC
log = open_log(base, system=OperatingSystem())
fill("ballast")
try:
    log.append(begin(log))
except Refused as error:
    print("refused:", error.what)
os.unlink(base / "ballast")
run = log.append(begin(log))
fill("ballast")
log.append(energise(run))
for _ in range(100): log.append(reading(run))
log.append(end(log, run))
print("ended:", log.size)
"""


def test_on_a_real_disk_that_is_full(tmp_path: Path) -> None:
    """On a small disk in memory: a full one refuses the run; filled after ``begin``, the rest of the run is written."""
    unshare = shutil.which("unshare")
    words = f'mount -t tmpfs -o size=6m none "{tmp_path}" && exec "{sys.executable}" -c "$1" "$2" "{tmp_path}"'
    command = [str(unshare), "--user", "--map-root-user", "--mount", "sh", "-c", words, "sh"]
    if unshare is None or subprocess.run([*command, "", "."], check=False, capture_output=True).returncode:
        pytest.skip("a disk of our own cannot be mounted here")
    root = str(Path(__file__).parents[2])
    ended = subprocess.run([*command, IN_A_FULL_DISK, root], check=False, capture_output=True, text=True)
    assert ended.returncode == 0, ended.stderr
    assert ended.stdout.splitlines() == [
        "refused: The disk has not the 1024 KiB that the record of a run may need.", "ended: 104"]


def test_space_set_aside_leaves_the_log_as_long_as_it_was(tmp_path: Path) -> None:
    system = OperatingSystem()
    with (tmp_path / "file").open("ab") as stream:
        stream.write(b"x")
        stream.flush()
        if system.reserve(stream.fileno(), 1, 1 << 20):
            assert system.fstat(stream.fileno()).st_blocks * 512 >= 1 << 20
        assert system.fstat(stream.fileno()).st_size == 1
        assert system.free_bytes(stream.fileno()) > 0
        with pytest.raises(OSError, match="Invalid argument"):
            system.reserve(stream.fileno(), 1, -1)


# The form of a line: proc_pid_mountinfo(5), Linux manual pages. The mounts are invented.
MOUNTS = r"""22 1 254:0 / / rw,relatime shared:1 - ext4 /dev/vda1 rw
30 22 0:25 / /srv/records rw,relatime shared:2 - nfs4 plant:/records rw,vers=4.2
31 22 0:26 / /srv/records\040of\040bench rw,relatime - cifs //plant/records rw
32 30 254:1 / /srv/records/local rw - xfs /dev/vdb1 rw
33 22 0:27 / /home rw - fuse.sshfs plant:/home rw
34 22 254:2 / /home rw - ext4 /dev/vdc1 rw
nonsense
"""
ON = {"/srv/records": "nfs4", "/srv/records/a/b": "nfs4", "/srv/recordsx": "ext4", "/srv/records of bench/x": "cifs",
      "/srv/records/local/deep": "xfs", "/home/demo": "ext4", "/": "ext4", "/var/lib": "ext4"}


@pytest.mark.parametrize("path", ON)
def test_the_kind_of_file_system_is_that_of_the_nearest_mount(path: str) -> None:
    assert kind_of_mount(MOUNTS, Path(path)) == ON[path]
    assert kind_of_mount("", Path(path)) == "unknown"


def test_the_kind_of_file_system_is_asked_of_the_kernel(tmp_path: Path) -> None:
    kind = OperatingSystem().file_system(tmp_path)
    assert kind not in OVER_NETWORK and kind
    assert OperatingSystem().file_system(Path("/proc/self")) in ("proc", "unknown")


START = datetime(2026, 1, 5, 6, 0, tzinfo=UTC)
# seconds from the last entry to now: whether a simulated station tests, whether a real one does, entries of kind clock
CLOCKS = {0: (True, True, 0), -1: (True, True, 1), -CLOCK_TOLERANCE: (True, True, 1), -CLOCK_TOLERANCE - 1: (False, False, 1),
          -40 * 365 * 86_400: (False, False, 1), CLOCK_AHEAD: (True, True, 0), CLOCK_AHEAD + 1: (True, False, 0)}


@pytest.mark.parametrize("role", ["simulated station", "station"])
@pytest.mark.parametrize("seconds", CLOCKS)
def test_a_clock_that_is_far_off_stops_testing(tmp_path: Path, seconds: float, role: str) -> None:
    simulated, real, marks = CLOCKS[seconds]
    with open_log(tmp_path, clock=VirtualClock(START), role=role) as log:
        whole_run(log)
        log.checkpoint()
    clock = VirtualClock(START + timedelta(seconds=seconds))
    for _ in range(2):  # the mark that the first start leaves does not make the clock right
        with open_log(tmp_path, clock=clock, role=role) as log:
            if simulated if role == "simulated station" else real:
                log.refuse_wrong_clock()
                whole_run(log)
            else:
                for tried in (log.refuse_wrong_clock, lambda log=log: log.append(begin(log))):
                    with pytest.raises(Refused, match="clock is") as caught:
                        tried()
                    assert "Set the clock" in caught.value.do
            log.checkpoint()
    report = audit(log.path)
    assert {finding.name for finding in report.findings} <= {"run not approved"}  # these are no trials
    assert report.kinds["clock"] == marks


def test_a_clock_that_goes_back_in_the_middle_is_marked_by_itself(tmp_path: Path) -> None:
    clock = Jumping()
    with open_log(tmp_path, clock=clock) as log:
        run = log.append(begin(log))
        clock.off = timedelta(seconds=-20)
        log.append(energise(run))
        log.append(reading(run))
        clock.off = timedelta(seconds=100)
        log.append(end(log, run))
        log.checkpoint()
    report = audit(log.path)
    assert [(note.line, note.name) for note in report.notes] == [(3, "clock mark"), (6, "clock stepped")]
    assert report.findings == []


class Jumping(VirtualClock):
    off = timedelta()

    def now(self) -> datetime:
        return super().now() + self.off


def test_a_log_written_with_a_wrong_clock_is_freed_by_a_person(tmp_path: Path) -> None:
    with open_log(tmp_path, clock=VirtualClock(START.replace(year=2099))) as log:
        whole_run(log)
        log.checkpoint()
    with open_log(tmp_path, clock=VirtualClock(START)) as log:
        for _ in range(2):
            with pytest.raises(Refused, match="behind the latest entry"):
                log.refuse_wrong_clock()
        log.accept_clock("q-1", "Compared with the plant's clock.")
        log.refuse_wrong_clock()
        whole_run(log)
        log.checkpoint()
    with open_log(tmp_path, clock=VirtualClock(START + timedelta(minutes=1))) as log:
        assert log.seconds_behind() == 0.0
        whole_run(log)
    assert any("q-1 says that it is right" in note.meaning for note in audit(log.path).notes)


def test_a_log_is_refused_before_anything_is_made_on_a_network(tmp_path: Path) -> None:
    class Network(FixedSystem):
        def file_system(self, path: Path) -> str:
            return "nfs4"

    with pytest.raises(Refused, match="network file system"):
        open_log(tmp_path, system=Network())
    assert list((tmp_path / "records").iterdir()) == []
